"""Openings and incidental openings with all that is reported of each: size, wood, distances."""

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from glademark.contracts.frames import STAND, features
from glademark.measure.combined_openings import combine_openings
from glademark.measure.corridors import Corridors
from glademark.measure.cover import Covers
from glademark.measure.holes import Holes
from glademark.measure.openings import hole_measures, nearest_other
from glademark.measure.sums import known_sums, sums

WHOLE = {"board foot": 0}
"""Decimals of a volume in words, where not two."""

IntArray = npt.NDArray[np.intp]


def wood_in(
    owner: pd.Series, count: int, *, marks: pd.DataFrame, parts: pd.DataFrame
) -> dict[str, npt.NDArray[Any]]:
    """
    Trees, basal area and volume of the cut marks of each of the owners 0..count-1.

    `owner` is that of each mark, <NA> for none; `tree` of `parts` is the index of `marks`. Columns
    `trees`, `basal_area_m2`, `volume_m3` (NaN where nothing can be converted), `volume` (text by
    product) and `mean_height_m`.
    """
    chosen = marks["is_cut"].to_numpy(dtype=bool) & owner.notna().to_numpy()
    rows = owner[chosen].astype(int)
    trees, basal_area, height = (
        marks[name].to_numpy()[chosen] for name in ("count", "basal_area_m2", "height_m")
    )
    measured = sums(~np.isnan(height), rows, count)
    part_owner = parts["tree"].map(rows)
    known = part_owner.notna()
    owned, part_owner = parts[known.to_numpy()], part_owner[known].astype(int)
    return {
        "trees": sums(trees, rows, count).astype(int),
        "basal_area_m2": sums(basal_area, rows, count),
        "mean_height_m": sums(height, rows, count) / np.where(measured > 0, measured, np.nan),
        "volume_m3": known_sums(owned["m3"], part_owner, count),
        "volume": _by_product(owned, part_owner.to_numpy(), count),
    }


def measured_openings(
    openings: gpd.GeoDataFrame,
    *,
    corridors: Corridors,
    ground: Covers,
    wood: Mapping[str, npt.NDArray[Any]] | None = None,
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """
    Openings with size, neighbours, distances and wood, by stand and number; combined openings.

    `openings` has `stand`, `opening`, `group`, `basis`, `net_of_leave_m2`; `wood` is that of
    `wood_in`, None where it does not matter.
    """
    combined, row_of = combine_openings(openings, corridors)
    shapes, number = openings.geometry.to_numpy(), openings["opening"].to_numpy()
    stand = openings[STAND].to_numpy()
    corridor, boundary, water = (
        areas[stand] for areas in (corridors.area, ground.stand, ground.water)
    )
    nearest, spacing = nearest_other(shapes, number=number, stand=stand)
    measures = hole_measures(shapes)
    columns = {
        **{name: openings[name].array for name in openings.columns if name != "geometry"},
        **measures,
        "in_corridor_m2": shapely.area(shapely.intersection(shapes, corridor)),
        "combined": combined["combined"].to_numpy()[row_of],
        "combined_area_m2": combined["area_m2"].to_numpy()[row_of],
        "nearest": nearest,
        "spacing_m": spacing,
        "boundary_m": shapely.distance(shapes, shapely.boundary(boundary)),
        "water_m": shapely.distance(shapes, water),
        "corridor_m": shapely.distance(shapes, corridor),
        **(with_heights(wood, measures["equivalent_diameter_m"]) if wood is not None else {}),
    }
    order = np.lexsort((number, stand))
    ordered = {name: values[order] for name, values in columns.items()}
    return features(ordered, shapes[order], crs=openings.crs), combined


def with_heights(
    wood: Mapping[str, npt.NDArray[Any]], diameter_m: npt.NDArray[np.float64]
) -> dict[str, npt.NDArray[Any]]:
    """
    The wood of holes, and how wide these are for the height of the trees.

    Parameters
    ----------
    wood
        As from `wood_in`.
    diameter_m
        Diameter of the circle of equal area [m].

    Returns
    -------
    columns
        The same with `diameter_to_height`, NaN where no height is known.
    """
    height = wood["mean_height_m"]
    return {**wood, "diameter_to_height": diameter_m / np.where(height > 0, height, np.nan)}


def measured_incidental(
    holes: Holes, *, marks: pd.DataFrame, parts: pd.DataFrame
) -> gpd.GeoDataFrame:
    """Incidental openings with size and wood, numbered north to south, west to east by stand."""
    shapes, stand = holes.incidental.geometry.to_numpy(), holes.incidental[STAND].to_numpy()
    centre = shapely.get_coordinates(shapely.centroid(shapes))
    order = np.lexsort((centre[:, 0], -centre[:, 1], stand))
    measures = hole_measures(shapes)
    wood = wood_in(holes.incidental_of, len(shapes), marks=marks, parts=parts)
    columns = {
        STAND: stand,
        "net_of_leave_m2": holes.incidental["net_of_leave_m2"].to_numpy(),
        **measures,
        **with_heights(wood, measures["equivalent_diameter_m"]),
    }
    table = {name: values[order] for name, values in columns.items()}
    number = pd.Series(table[STAND]).groupby(table[STAND]).cumcount().to_numpy() + 1
    return features({"incidental": number, **table}, shapes[order], crs=holes.incidental.crs)


def _by_product(parts: pd.DataFrame, owner: IntArray, count: int) -> npt.NDArray[np.object_]:
    """Net volume of each owner in words, by product and unit; missing where nothing is known."""
    groups = parts["net"].groupby([owner, parts["product"], parts["unit"]])
    total = known_sums(parts["net"], groups.ngroup(), groups.ngroups)
    net = pd.Series(total, index=groups.size().index).dropna()
    words = pd.Series(
        [
            f"{product} {amount:,.{WHOLE.get(unit, 2)}f} {unit}"
            for (_, product, unit), amount in net.items()
        ],
        index=net.index.get_level_values(0),
        dtype=object,
    )
    told = words.groupby(level=0).agg("; ".join).reindex(np.arange(count))
    return told.to_numpy(dtype=object)
