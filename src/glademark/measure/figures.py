"""Totals of a layout, under the names that they have in the summary."""

from collections.abc import Mapping

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.layout import (
    MarkFigures,
    OpeningFigures,
    ProductFigures,
    VolumeFigures,
    ZoneFigures,
)
from glademark.measure.openings import Holes
from glademark.measure.sums import exact_sums
from glademark.measure.volume import Sold
from glademark.measure.zones import Disagreement
from glademark.survey import Survey


def opening_figures(
    openings: gpd.GeoDataFrame, joined: gpd.GeoDataFrame, holes: Holes, *, stand_m2: float
) -> OpeningFigures:
    """
    Totals over openings, joined openings and canopy gaps.

    Parameters
    ----------
    openings
        With `area_m2` and `spacing_m`.
    joined
        With `area_m2`.
    holes
        Components and canopy gaps.
    stand_m2
        Area of the stand [m2].

    Returns
    -------
    figures
        Zeros and None without openings.
    """
    area = openings["area_m2"]
    spacing = openings["spacing_m"].min()
    return OpeningFigures(
        count=len(openings),
        area_m2=float(area.sum()),
        share=float(area.sum()) / stand_m2,
        largest_m2=float(area.max()) if len(area) else 0.0,
        nearest_spacing_m=float(spacing) if np.isfinite(spacing) else None,
        joined_count=len(joined),
        joined_largest_m2=float(joined["area_m2"].max()) if len(joined) else 0.0,
        components=holes.components,
        components_area_m2=holes.components_area_m2,
        gaps_count=len(holes.gaps),
        gaps_area_m2=float(shapely.area(holes.gaps.geometry.to_numpy()).sum()),
    )


def zone_figures(
    zones: Mapping[str, BaseGeometry], marks: gpd.GeoDataFrame
) -> dict[str, ZoneFigures]:
    """
    Area and located cut trees of each zone.

    Parameters
    ----------
    zones
        The partition.
    marks
        `is_cut`, `count`, `zone`.

    Returns
    -------
    figures
        By zone, in the order of precedence.
    """
    cut = marks["is_cut"].to_numpy(dtype=bool)
    zone, trees = marks["zone"].to_numpy(dtype=object)[cut], marks["count"].to_numpy()[cut]
    return {
        name: ZoneFigures(area_m2=float(area.area), marks=int(trees[zone == name].sum()))
        for name, area in zones.items()
    }


def mark_figures(
    survey: Survey, marks: gpd.GeoDataFrame, disagreement: Disagreement
) -> MarkFigures:
    """
    Records and trees of the mark files and the paper tally.

    Parameters
    ----------
    survey
        Counts of records.
    marks
        `is_cut`, `kind`, `count`, `basal_area_m2`.
    disagreement
        Of paint and position.

    Returns
    -------
    figures
        Trees and records apart.
    """
    files = [count for count in survey.counts if count.input == "marks"]
    kind, count = marks["kind"].to_numpy(dtype=object), marks["count"].to_numpy()
    cut = marks["is_cut"].to_numpy(dtype=bool)
    line = (kind == "line_tree") & ~cut
    return MarkFigures(
        read=sum(count.read for count in files),
        used=sum(count.used for count in files),
        set_aside=sum(count.set_aside for count in files),
        trees=int(count[cut].sum()),
        not_located=int(survey.tally["count"].sum()),
        paint_disagrees=disagreement.trees,
        paint_disagrees_expected=disagreement.expected,
        paint_disagrees_listed=disagreement.listed_trees,
        line_trees=int(count[line].sum()),
        line_trees_basal_area_m2=float(marks["basal_area_m2"].to_numpy()[line].sum()),
        leave_trees=int(count[kind == "leave"].sum()) + len(survey.leave_trees),
        danger_trees=int(count[kind == "danger"].sum()),
    )


def volume_figures(
    trees: pd.DataFrame, parts: pd.DataFrame, sold: Sold, *, size_class_rule: str
) -> VolumeFigures:
    """
    Volume by product in its sale unit, and in solid m3 where that is known.

    Parameters
    ----------
    trees
        Cut trees, located or not: `count`, `basal_area_m2`.
    parts
        As from `glademark.measure.volume.volumes`.
    sold
        Table and products.
    size_class_rule
        Rule of the size classes.

    Returns
    -------
    figures
        `m3_missing_trees` counts trees with a part that could not be converted.
    """
    count = trees["count"].to_numpy()
    tree = trees.index.get_indexer(pd.Index(parts["tree"]))
    first = np.unique(tree, return_index=True)[1]
    unknown = parts["m3"].isna().to_numpy()
    code, products = pd.factorize(parts["product"].to_numpy(dtype=object), sort=True)
    sold_as = np.bincount(code[first], weights=count[tree[first]], minlength=len(products))
    gross, net = (exact_sums(parts[name], code, len(products)) for name in ("gross", "net"))
    units = parts["unit"].to_numpy(dtype=object)[np.unique(code, return_index=True)[1]]
    solid = parts["m3"].sum(min_count=1)
    conversions = set(parts["conversion"].to_numpy(dtype=object)[~unknown]) - {""}
    return VolumeFigures(
        m3=None if np.isnan(solid) else float(solid),
        m3_missing_trees=int(count[np.unique(tree[unknown])].sum()),
        basal_area_m2=float(trees["basal_area_m2"].sum()),
        by_product={
            str(name): ProductFigures(
                unit=str(units[place]),
                rule=sold.products[str(name)].log_rule if name in sold.products else "",
                gross=float(np.nan_to_num(gross[place])),
                net=float(np.nan_to_num(net[place])),
                trees=int(sold_as[place]),
            )
            for place, name in enumerate(products)
            if name
        },
        sources=(*sorted(set(parts["source"])), *sorted(conversions)),
        size_class_rule=size_class_rule,
    )


def area_names(areas: pd.DataFrame) -> list[str]:
    """
    What each area given is called.

    Parameters
    ----------
    areas
        `name`; index 0..n-1 of the layer, or a part of it.

    Returns
    -------
    names
        Its name, its number in the layer from 1 up where it has none.
    """
    return [
        str(name) or str(place + 1) for place, name in zip(areas.index, areas["name"], strict=True)
    ]
