"""Totals of a layout under the names that they have in the summary, and notices on them."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from glademark.contracts.frames import STAND
from glademark.contracts.layout import (
    Figures,
    Layout,
    MarkFigures,
    OpeningFigures,
    ProductFigures,
    VolumeFigures,
    WithoutVolume,
    WithUnconfirmed,
    ZoneFigures,
)
from glademark.contracts.survey import Survey, labels_of
from glademark.errors import counted
from glademark.measure.equations import NOT_COMPUTED
from glademark.measure.holes import Holes, united_areas
from glademark.measure.tables import declared, known_of_all, sums
from glademark.measure.tally import NOT_STATED
from glademark.measure.volume import Sold, solid_sums, without_volume
from glademark.measure.zones import LISTED_ERRORS, Disagreement
from glademark.project.model import OpeningSettings
from glademark.units import INCH_CM

FloatArray = npt.NDArray[np.float64]
GeometryArray = npt.NDArray[np.object_]


def opening_figures(
    openings: gpd.GeoDataFrame, combined: gpd.GeoDataFrame, holes: Holes, *, stand_m2: FloatArray
) -> list[OpeningFigures]:
    """Totals over openings, combined openings and incidental openings of each stand."""
    stands = pd.RangeIndex(len(stand_m2))
    area = openings["area_m2"].groupby(openings[STAND])
    whole = combined["area_m2"].groupby(combined[STAND])
    incidental = holes.incidental.geometry.area.groupby(holes.incidental[STAND])
    nearest = openings["spacing_m"].groupby(openings[STAND]).min().reindex(stands)
    unknown = sums(openings["area_m2"].isna(), openings[STAND], len(stands)) > 0
    ground = united_areas(openings.geometry.to_numpy(), openings[STAND].to_numpy(), len(stands))
    total = np.where(unknown, np.nan, ground)
    lower, upper = (
        known_of_all(openings[name], openings[STAND], len(stands))
        for name in ("area_marked_crowns_m2", "area_boles_m2")
    )
    columns: dict[str, pd.Series] = {
        "edge": pd.Series([holes.edge] * len(stands)),
        "standing_crown_radius_m": pd.Series(holes.radius_m),
        "area_marked_crowns_m2": pd.Series(lower),
        "area_boles_m2": pd.Series(upper),
        "count": area.size().reindex(stands, fill_value=0),
        "area_m2": pd.Series(total),
        "share": pd.Series(total / stand_m2),
        "largest_m2": area.max().reindex(stands, fill_value=0.0).mask(unknown),
        "nearest_spacing_m": nearest.astype(object).where(nearest.notna(), None),
        "combined_count": whole.size().reindex(stands, fill_value=0),
        "combined_largest_m2": whole.max().reindex(stands, fill_value=0.0).mask(unknown),
        "components": pd.Series(holes.components),
        "components_area_m2": pd.Series(holes.components_area_m2),
        "incidental_count": incidental.size().reindex(stands, fill_value=0),
        "incidental_area_m2": incidental.sum().reindex(stands, fill_value=0.0),
    }
    return [OpeningFigures(**row) for row in _rows(columns)]


def _rows(columns: Mapping[str, pd.Series]) -> list[dict[str, Any]]:
    """Columns as one mapping a row, of plain numbers."""
    values = zip(*(column.tolist() for column in columns.values()), strict=True)
    return [dict(zip(columns, row, strict=True)) for row in values]


def zone_figures(
    zones: Mapping[str, GeometryArray], marks: gpd.GeoDataFrame
) -> list[dict[str, ZoneFigures]]:
    """Area and located cut trees of each zone of each stand, in the order of precedence."""
    cut = marks["is_cut"].to_numpy(dtype=bool)
    trees = marks["count"][cut].groupby([marks[STAND][cut], marks["zone"][cut]]).sum().to_dict()
    areas = {name: shapely.area(shapes).tolist() for name, shapes in zones.items()}
    stands = len(next(iter(zones.values())))
    return [
        {
            name: ZoneFigures(area_m2=area[stand], marks=int(trees.get((stand, name), 0)))
            for name, area in areas.items()
        }
        for stand in range(stands)
    ]


def mark_figures(
    survey: Survey, marks: gpd.GeoDataFrame, disagreement: Sequence[Disagreement]
) -> list[MarkFigures]:
    """Records and trees of the mark files and the paper tally of each stand."""
    kind, count = marks["kind"].to_numpy(dtype=object), marks["count"].to_numpy()
    cut, stand = marks["is_cut"].to_numpy(dtype=bool), marks[STAND].to_numpy()
    line = (kind == "line_tree") & ~cut
    stands = len(disagreement)

    def _total(amount: npt.NDArray[Any], chosen: npt.NDArray[np.bool_]) -> FloatArray:
        """Sum over the chosen marks of each stand."""
        return sums(amount[chosen], stand[chosen], stands)

    files = [one for one in survey.counts if one.input == "marks"]
    records = {
        name: sums([getattr(one, name) for one in files], [one.stand or 0 for one in files], stands)
        for name in ("read", "used", "rejected")
    }
    trees = {
        "trees": _total(count, cut),
        "not_located": sums(survey.tally["count"], survey.tally[STAND], stands),
        "paint_disagrees": [one.trees for one in disagreement],
        "paint_disagrees_listed": [one.listed_trees for one in disagreement],
        "line_trees": _total(count, line),
        "leave_trees": _total(count, kind == "leave")
        + np.bincount(survey.leave_trees[STAND], minlength=stands),
        "danger_trees": _total(count, kind == "danger"),
        "unconfirmed": _total(count, kind == "unconfirmed"),
        "without_dbh": _total(count, cut & marks["dbh_cm"].isna().to_numpy()),
    }
    whole = {name: pd.Series(values).astype(int) for name, values in {**records, **trees}.items()}
    amounts = {
        "paint_disagrees_expected": pd.Series([one.expected for one in disagreement]),
        "line_trees_basal_area_m2": pd.Series(_total(marks["basal_area_m2"].to_numpy(), line)),
    }
    return [MarkFigures(**row) for row in _rows({**whole, **amounts})]


def volume_figures(
    trees: pd.DataFrame, parts: pd.DataFrame, sold: Sold, *, size_class_rule: str, stands: int
) -> list[VolumeFigures]:
    """
    Volume of each stand by product in its sale unit, and in solid m3 where that is known.

    `trees` are cut trees, located or not: `stand`, `count`, `basal_area_m2`, `size_class`;
    `m3_missing_trees` counts those with a part whose solid volume is not known.
    """
    unknown = parts["m3"].isna()
    missing = trees.loc[parts.loc[unknown, "tree"].drop_duplicates(), [STAND, "count"]]
    solid = solid_sums(parts, parts[STAND], stands)
    by_product = _by_product(parts, trees, sold)
    computed = ~parts["source"].astype("str").str.startswith(NOT_COMPUTED)
    sources = _words(parts.loc[computed, STAND], parts.loc[computed, "source"])
    conversions = _words(parts.loc[~unknown, STAND], parts.loc[~unknown, "conversion"])
    lost = sums(missing["count"], missing[STAND], stands).astype(int).tolist()
    basal_area = sums(trees["basal_area_m2"], trees[STAND], stands).tolist()
    bare = sums(trees["count"].where(~(trees["basal_area_m2"] > 0), 0), trees[STAND], stands)
    return [
        VolumeFigures(
            m3=None if np.isnan(solid[stand]) else float(solid[stand]),
            m3_missing_trees=lost[stand],
            basal_area_m2=basal_area[stand],
            basal_area_missing_trees=int(bare[stand]),
            by_product=by_product.get(stand, {}),
            sources=(
                *sources.get(stand, ()),
                *(word for word in conversions.get(stand, ()) if word),
            ),
            size_class_rule=size_class_rule,
        )
        for stand in range(stands)
    ]


def _by_product(
    parts: pd.DataFrame, trees: pd.DataFrame, sold: Sold
) -> dict[int, dict[str, ProductFigures]]:
    """Figures of each product that a stand has, by stand and in the order of names."""
    own = ~parts["tree"].duplicated()  # the first part is of the tree's own product
    without = without_volume(parts, trees["count"])
    columns = [STAND, "product", "unit", "gross", "net", "source"]
    table = parts[columns].assign(
        trees=np.where(own, parts["tree"].map(trees["count"]), 0),
        size_class=parts["tree"].map(trees["size_class"]),
        **{str(name): without[name] for name in without},
    )
    keys = [STAND, "product"]
    groups = table.groupby(keys)
    counts = groups[["trees", "trees_without", "own_without"]].sum()
    sold_as = pd.concat(
        [groups["unit"].first(), groups[["gross", "net"]].sum(min_count=1), counts], axis=1
    )
    reasons = _reasons(table[own.to_numpy() & (without["own_without"] > 0).to_numpy()], keys)
    by_product: dict[int, dict[str, ProductFigures]] = {}
    rows = sold_as.to_dict("records")
    for (stand, name), row in zip(sold_as.index.tolist(), rows, strict=True):
        by_product.setdefault(stand, {})[name or NOT_STATED] = ProductFigures(
            unit=str(row["unit"]),
            rule=sold.products[name].log_rule if name in sold.products else "",
            gross=_or_none(row["gross"]),
            net=_or_none(row["net"]),
            trees=int(row["trees"]),
            trees_without=int(row["own_without"]),
            parts_without=int(row["trees_without"] - row["own_without"]),
            without=tuple(reasons.get((stand, name), ())),
        )
    return by_product


def _reasons(parts: pd.DataFrame, keys: list[str]) -> dict[tuple[int, str], list[WithoutVolume]]:
    """Trees without a volume by size class and reason, most of them first."""
    found: dict[tuple[int, str], list[WithoutVolume]] = {}
    trees = parts.groupby([*keys, "size_class", "source"])["own_without"].sum()
    trees = trees.sort_values(ascending=False, kind="stable")
    for (stand, product, size, why), count in zip(trees.index.tolist(), trees, strict=True):
        reason = str(why).removeprefix(NOT_COMPUTED)
        one = WithoutVolume(size_class=str(size), reason=reason, trees=int(count))
        found.setdefault((stand, product), []).append(one)
    return found


def _or_none(number: float) -> float | None:
    """A number, None for NaN."""
    return None if np.isnan(number) else float(number)


def _words(stand: pd.Series, words: pd.Series) -> dict[int, list[str]]:
    """Different words of each stand, sorted."""
    once = pd.DataFrame({"stand": stand, "word": words}).drop_duplicates()
    by_stand = once.sort_values(["stand", "word"]).groupby("stand")["word"].agg(list)
    return dict(zip(by_stand.index.tolist(), by_stand.tolist(), strict=True))


def area_names(areas: pd.DataFrame) -> list[str]:
    """What each area given is called."""
    return [
        str(name) or str(place + 1) for place, name in zip(areas.index, areas["name"], strict=True)
    ]


NOTICED_GEODESIC_SHARE = 0.001
"""Difference of planar and geodesic area that is worth a notice."""

NAMED = 10
"""Records named in a notice; the rest are counted."""


def layout_notices(
    figures: Figures, disagreement: Disagreement, *, marks: pd.DataFrame, settings: OpeningSettings
) -> tuple[str, ...]:
    """
    Notices on distortion, paint against position, line trees and unpainted stems.

    Parameters
    ----------
    settings
        The table ``[openings]``.
    """
    found = (
        _distortion(figures),
        _disagreement(disagreement),
        _strays(disagreement, marks),
        _line_trees(figures),
        _unpainted(figures, settings),
    )
    return tuple(notice for notice in found if notice)


def _distortion(figures: Figures) -> str:
    """Planar against geodesic area."""
    off = figures.stand.area_geodesic_m2 / figures.stand.area_m2 - 1
    if abs(off) <= NOTICED_GEODESIC_SHARE:
        return ""
    return (
        f"The area on the ellipsoid differs from the planar area by {off:+.2%}: a working CRS with "
        "less distortion here would be better."
    )


def _disagreement(disagreement: Disagreement) -> str:
    """How many trees plot on the other side than their paint says."""
    if not disagreement.trees:
        return ""
    trees = counted(disagreement.trees, "tree")
    return (
        f"Paint and position name different zones for {trees}; about "
        f"{disagreement.expected:.0f} are to be expected from the position error alone."
    )


def _strays(disagreement: Disagreement, marks: pd.DataFrame) -> str:
    """Those that the position error does not explain."""
    listed = disagreement.listed
    if not len(listed):
        return ""
    away = np.abs(marks["corridor_distance_m"].to_numpy(dtype=float)[listed])
    names = [
        f"{tree} ({metres:.1f} m)"
        for tree, metres in zip(labels_of(marks).array[listed], away, strict=True)
    ]
    more = f" and {len(listed) - NAMED} more" if len(listed) > NAMED else ""
    return (
        f"{disagreement.listed_trees} of them lie beyond {LISTED_ERRORS:g} standard errors of the "
        f"corridor edge: {', '.join(names[:NAMED])}{more}."
    )


def _line_trees(figures: Figures) -> str:
    """Line trees that nobody has confirmed."""
    if not figures.marks.line_trees:
        return ""
    return (
        f"{figures.marks.line_trees} line trees are tallied apart and not to be cut until their "
        "owners agree and the project file says line_trees_confirmed = true."
    )


def solid_notices(count: pd.Series, parts: pd.DataFrame) -> dict[int, str]:
    """Trees that the solid volume of a stand leaves out, those without any volume apart."""
    unknown = parts[parts["m3"].isna()]
    bare = unknown["gross"].isna().groupby(unknown["tree"]).any()
    trees = unknown.drop_duplicates("tree").set_index("tree")[STAND]
    number = count.reindex(trees.index)
    lost = pd.DataFrame({STAND: trees, "bare": number.where(bare, 0), "rest": number.mask(bare, 0)})
    sums = lost.groupby(STAND).sum().astype(int)
    return {
        int(stand): _without_solid(none, rest)
        for stand, none, rest in sums[["bare", "rest"]].itertuples()
    }


def _without_solid(none: int, lost: int) -> str:
    """Trees without a volume, and those whose volume has no conversion."""
    said = [f"{counted(none, 'tree')} without a volume"] if none else []
    said += [f"{counted(lost, 'tree')} whose volume has no conversion to m3"] if lost else []
    return f"The solid volume leaves out {' and '.join(said)}."


def _unpainted(figures: Figures, settings: OpeningSettings) -> str:
    """Stems that openings are cleared of and no tally holds."""
    size = settings.cleared_to_dbh_cm
    if size is None or not figures.openings.count:
        return ""
    return (
        f"Openings are cut clean down to {size / INCH_CM:.1f} in ({size:.1f} cm) DBH: unpainted "
        "stems of that size and larger in them go too, and the tally does not hold them."
    )


def all_confirmed(survey: Survey, *, first: int = 0) -> Survey:
    """The survey with every unconfirmed tree as one to cut in the stands from `first` on."""
    marks = survey.marks
    kind = marks["kind"].mask((marks["kind"] == "unconfirmed") & (marks[STAND] >= first), "cut")
    return replace(survey, marks=marks.assign(kind=kind))


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
