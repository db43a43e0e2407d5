"""The second figure: what the layout would be if every unconfirmed tree were cut as well."""

from dataclasses import replace

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely

from glademark.contracts.layout import Layout, WithUnconfirmed
from glademark.contracts.survey import Survey
from glademark.measure.tables import declared


def all_confirmed(survey: Survey) -> Survey:
    """The survey with every unconfirmed tree as one to cut."""
    kind = survey.marks["kind"].replace("unconfirmed", "cut")
    return replace(survey, marks=survey.marks.assign(kind=kind))


def with_second_figures(layout: Layout, second: Layout) -> Layout:
    """A layout of one stand with the totals and opening areas of `second` beside its own."""
    figures, other = layout.figures, second.figures
    beside = WithUnconfirmed(
        trees=other.marks.trees,
        basal_area_m2=other.volume.basal_area_m2,
        m3=other.volume.m3,
        by_product=other.volume.by_product,
        openings=other.openings.count,
        opening_area_m2=other.openings.area_m2,
        largest_opening_m2=other.openings.largest_m2,
    )
    results = replace(layout.by_stand[0], figures=replace(figures, with_unconfirmed=beside))
    areas = second.openings["area_m2"].to_numpy(dtype=float)
    row = _most_overlapping(layout.openings, second.openings)
    area = np.append(areas, np.nan)[row]
    openings = declared(layout.openings.assign(area_with_unconfirmed_m2=area), "openings")
    return replace(layout, openings=openings, by_stand={0: results})


def same_openings(layout: Layout, second: Layout) -> dict[int, int]:
    """Number in `layout` of each opening of `second` that it has as well, by the number there."""
    row = _most_overlapping(second.openings, layout.openings)
    numbers = layout.openings["opening"].tolist()
    return {
        int(there): int(numbers[at])
        for there, at in zip(second.openings["opening"], row, strict=True)
        if at >= 0
    }


def _most_overlapping(openings: gpd.GeoDataFrame, others: gpd.GeoDataFrame) -> npt.NDArray[np.intp]:
    """Row of the other opening that has most ground in common with each, -1 where none has any."""
    ours, theirs = (shapely.make_valid(frame.geometry.to_numpy()) for frame in (openings, others))
    one, other = shapely.STRtree(theirs).query(ours, predicate="intersects")
    common = shapely.area(shapely.intersection(ours[one], theirs[other]))
    order = np.lexsort((other, -common, one))
    first, at = np.unique(one[order], return_index=True)
    row = np.full(len(ours), -1, dtype=np.intp)
    row[first] = other[order][at]
    return row
