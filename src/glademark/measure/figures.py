"""Totals of a layout, under the names that they have in the summary."""

from collections.abc import Mapping, Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from glademark.contracts.layout import (
    MarkFigures,
    OpeningFigures,
    ProductFigures,
    VolumeFigures,
    ZoneFigures,
)
from glademark.contracts.survey import Survey
from glademark.measure.combined_openings import Combined
from glademark.measure.holes import Holes
from glademark.measure.sums import exact_sums, least, sums
from glademark.measure.volume import Sold
from glademark.measure.zones import Disagreement

FloatArray = npt.NDArray[np.float64]
GeometryArray = npt.NDArray[np.object_]
IntArray = npt.NDArray[np.intp]


def opening_figures(
    openings: gpd.GeoDataFrame, combined: Combined, holes: Holes, *, stand_m2: FloatArray
) -> list[OpeningFigures]:
    """
    Totals over openings, combined openings and incidental openings of each stand.

    Parameters
    ----------
    openings
        With `area_m2` and `spacing_m`, one stand after the other.
    combined
        With `area_m2`.
    holes
        Components and incidental openings.
    stand_m2
        Area of the stands [m2]; shape (stands,).

    Returns
    -------
    figures
        Zeros and None without openings.
    """
    count, stand = len(stand_m2), holes.opening_stand
    area = openings["area_m2"].to_numpy(dtype=float)
    spacing = openings["spacing_m"].to_numpy(dtype=float)
    apart = np.isfinite(spacing)
    nearest = least(spacing[apart], stand[apart], count, none=np.inf)
    whole = combined.rows["area_m2"].to_numpy(dtype=float)
    taken = sums(area, stand, count)
    columns = {
        "count": np.bincount(stand, minlength=count),
        "area_m2": taken,
        "share": taken / stand_m2,
        "largest_m2": -least(-area, stand, count, none=0.0) + 0.0,  # no -0
        "nearest_spacing_m": nearest,
        "combined_count": np.bincount(combined.stand, minlength=count),
        "combined_largest_m2": -least(-whole, combined.stand, count, none=0.0) + 0.0,
        "components": holes.components,
        "components_area_m2": holes.components_area_m2,
        "incidental_count": np.bincount(holes.incidental_stand, minlength=count),
        "incidental_area_m2": sums(
            shapely.area(holes.incidental.geometry.to_numpy()), holes.incidental_stand, count
        ),
    }
    known = {name: values.tolist() for name, values in columns.items()}
    known["nearest_spacing_m"] = [one if np.isfinite(one) else None for one in nearest.tolist()]
    rows = zip(*known.values(), strict=True)
    return [OpeningFigures(**dict(zip(known, row, strict=True))) for row in rows]


def zone_figures(
    zones: Mapping[str, GeometryArray], marks: gpd.GeoDataFrame, stand: IntArray
) -> list[dict[str, ZoneFigures]]:
    """
    Area and located cut trees of each zone of each stand.

    Parameters
    ----------
    zones
        The partition of every stand.
    marks
        `is_cut`, `count`, `zone`.
    stand
        Place of the stand of each mark.

    Returns
    -------
    figures
        By zone, in the order of precedence.
    """
    cut = marks["is_cut"].to_numpy(dtype=bool)
    place, trees = stand[cut], marks["count"].to_numpy()[cut]
    zone = pd.Index(list(zones)).get_indexer(pd.Index(marks["zone"].to_numpy(dtype=object)[cut]))
    stands = len(next(iter(zones.values())))
    cell = np.where(zone >= 0, place * len(zones) + zone, -1)
    found = sums(trees, cell, stands * len(zones)).reshape(stands, len(zones)).astype(int).tolist()
    area = np.stack([shapely.area(areas) for areas in zones.values()], axis=1).tolist()
    return [
        {
            name: ZoneFigures(area_m2=size, marks=trees)
            for name, size, trees in zip(zones, sizes, counts, strict=True)
        }
        for sizes, counts in zip(area, found, strict=True)
    ]


def mark_figures(
    surveys: Sequence[Survey],
    marks: gpd.GeoDataFrame,
    stand: IntArray,
    disagreement: Sequence[Disagreement],
) -> list[MarkFigures]:
    """
    Records and trees of the mark files and the paper tally of each stand.

    Parameters
    ----------
    surveys
        Counts of records.
    marks
        `is_cut`, `kind`, `count`, `basal_area_m2`.
    stand
        Place of the stand of each mark.
    disagreement
        Of paint and position.

    Returns
    -------
    figures
        Trees and records apart.
    """
    kind, count = marks["kind"].to_numpy(dtype=object), marks["count"].to_numpy()
    cut = marks["is_cut"].to_numpy(dtype=bool)
    line = (kind == "line_tree") & ~cut

    def _total(amount: npt.NDArray[Any], chosen: npt.NDArray[np.bool_]) -> list[float]:
        """Sum over the chosen marks of each stand."""
        return list(sums(amount[chosen], stand[chosen], len(surveys)).tolist())

    trees, lines, stay, danger = (
        _total(count, chosen) for chosen in (cut, line, kind == "leave", kind == "danger")
    )
    basal_area = _total(marks["basal_area_m2"].to_numpy(), line)
    found = []
    for place, (survey, differs) in enumerate(zip(surveys, disagreement, strict=True)):
        files = [one for one in survey.counts if one.input == "marks"]
        found.append(
            MarkFigures(
                read=sum(one.read for one in files),
                used=sum(one.used for one in files),
                rejected=sum(one.rejected for one in files),
                trees=int(trees[place]),
                not_located=int(survey.tally["count"].sum()) if len(survey.tally) else 0,
                paint_disagrees=differs.trees,
                paint_disagrees_expected=differs.expected,
                paint_disagrees_listed=differs.listed_trees,
                line_trees=int(lines[place]),
                line_trees_basal_area_m2=basal_area[place],
                leave_trees=int(stay[place]) + len(survey.leave_trees),
                danger_trees=int(danger[place]),
            )
        )
    return found


def volume_figures(
    trees: pd.DataFrame,
    parts: pd.DataFrame,
    sold: Sold,
    *,
    size_class_rule: str,
    stands: int,
) -> list[VolumeFigures]:
    """
    Volume of each stand by product in its sale unit, and in solid m3 where that is known.

    Parameters
    ----------
    trees
        Cut trees, located or not: `stand`, `count`, `basal_area_m2`.
    parts
        As from `glademark.measure.volume.volumes`.
    sold
        Table and products.
    size_class_rule
        Rule of the size classes.
    stands
        Number of stands.

    Returns
    -------
    figures
        `m3_missing_trees` counts trees with a part that could not be converted.
    """
    count, stand = trees["count"].to_numpy(), trees["stand"].to_numpy(dtype=np.intp)
    tree = trees.index.get_indexer(pd.Index(parts["tree"]))
    mine = stand[tree]
    unknown = parts["m3"].isna().to_numpy()
    missing = np.unique(tree[unknown])
    solid = exact_sums(parts["m3"], mine, stands)
    by_product = _by_product(parts, mine, count[tree], sold)
    sources, conversions = (
        _words_by_stand(parts[name].to_numpy(dtype=object)[chosen], mine[chosen], stands)
        for name, chosen in (("source", slice(None)), ("conversion", ~unknown))
    )
    lost = sums(count[missing], stand[missing], stands).astype(int).tolist()
    basal_area = sums(trees["basal_area_m2"], stand, stands).tolist()
    return [
        VolumeFigures(
            m3=None if np.isnan(solid[place]) else float(solid[place]),
            m3_missing_trees=lost[place],
            basal_area_m2=basal_area[place],
            by_product=by_product.get(place, {}),
            sources=(*sources[place], *(word for word in conversions[place] if word)),
            size_class_rule=size_class_rule,
        )
        for place in range(stands)
    ]


def _by_product(
    parts: pd.DataFrame, stand: IntArray, trees: npt.NDArray[Any], sold: Sold
) -> dict[int, dict[str, ProductFigures]]:
    """Figures of each product that a stand has, by its place; in the order of names."""
    product, products = pd.factorize(parts["product"].to_numpy(dtype=object), sort=True)
    pair, at, code = np.unique(
        stand * max(len(products), 1) + product, return_index=True, return_inverse=True
    )
    first = np.unique(parts["tree"].to_numpy(), return_index=True)[1]
    sold_as = sums(trees[first], code[first], len(pair)).astype(int).tolist()
    gross, net = (
        np.nan_to_num(exact_sums(parts[name], code, len(pair))).tolist()
        for name in ("gross", "net")
    )
    units = parts["unit"].to_numpy(dtype=object)[at]
    found: dict[int, dict[str, ProductFigures]] = {}
    for place, one in enumerate(pair.tolist()):  # a product of a stand each
        of_stand, of_product = divmod(one, len(products))
        name = str(products[of_product])
        if name:
            found.setdefault(of_stand, {})[name] = ProductFigures(
                unit=str(units[place]),
                rule=sold.products[name].log_rule if name in sold.products else "",
                gross=gross[place],
                net=net[place],
                trees=sold_as[place],
            )
    return found


def _words_by_stand(
    words: npt.NDArray[np.object_], stand: IntArray, stands: int
) -> list[list[str]]:
    """Different words of each stand, sorted."""
    code, names = pd.factorize(words, sort=True)
    found: list[list[str]] = [[] for _ in range(stands)]
    for one in np.unique(stand * max(len(names), 1) + code).tolist():
        found[one // len(names)].append(str(names[one % len(names)]))
    return found


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
