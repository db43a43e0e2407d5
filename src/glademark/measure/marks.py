"""Marks as measured: crown, basal area, size class and distances of every used record."""

from collections.abc import Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from glademark.contracts.frames import STAND
from glademark.errors import UnitError
from glademark.forestry import SizeClasses, SpeciesNames, basal_area_m2
from glademark.forestry.size_classes import DiameterUnit
from glademark.measure.corridors import Corridors
from glademark.measure.crowns import GeometryArray, crown_radii
from glademark.measure.tables import rows_by
from glademark.measure.zones import line_distances, nearest_line, painted_zone
from glademark.units import INCH_CM, split_quantity

IntArray = npt.NDArray[np.intp]


def size_classes_of(setting: tuple[float, ...] | str | None, *, unit: DiameterUnit) -> SizeClasses:
    """Size classes as the project file asks for them."""
    if isinstance(setting, tuple):
        return SizeClasses.from_edges(setting, unit)
    width, width_unit = split_quantity(setting or ("2 in" if unit == "in" else "5 cm"))
    return SizeClasses.from_width(width, _diameter_unit(width_unit))


def _diameter_unit(unit: str) -> DiameterUnit:
    """The unit, if diameters are measured in it."""
    if unit == "in":
        return "in"
    if unit == "cm":
        return "cm"
    msg = f"[volume] size_classes: the width has the unit {unit!r}; expected in or cm, as in '2 in'"
    raise UnitError(msg)


def size_class(trees: pd.DataFrame, *, classes: SizeClasses) -> pd.Series:
    """Size class of each tree, read in the unit that was recorded."""
    unit = trees["dbh_unit"].where(trees["dbh"].notna(), classes.unit)
    labels = classes.classify(trees["dbh"].to_numpy(dtype=float), unit=unit.to_numpy(dtype=object))
    return pd.Series(labels, index=trees.index, dtype=object)


def with_crowns(
    marks: gpd.GeoDataFrame,
    *,
    classes: SizeClasses,
    default_m: float,
    confirmed: bool,
    species: SpeciesNames,
) -> gpd.GeoDataFrame:
    """
    Marks with what does not hang on the layout.

    These are `crown_radius_m`, `crown_source`, `basal_area_m2` (all trees of the record),
    `size_class`, `zone_painted` and `is_cut`; line trees are cut where `confirmed`.
    """
    kinds = ["cut", "line_tree"] if confirmed else ["cut"]
    basal_area = basal_area_m2(marks["dbh_cm"].to_numpy(dtype=float)) * marks["count"].to_numpy()
    return marks.assign(
        **crown_radii(marks, default_m=default_m, species=species),
        basal_area_m2=np.nan_to_num(basal_area),
        size_class=size_class(marks, classes=classes),
        zone_painted=painted_zone(marks),
        is_cut=marks["kind"].isin(kinds),
    )


def distances(
    marks: gpd.GeoDataFrame, *, corridors: Corridors, edges: Sequence[GeometryArray]
) -> dict[str, npt.NDArray[Any]]:
    """
    Distance of marks to lines that are not made from marks, as columns.

    `edges` are polygons of each stand whose outlines count beside the corridors': stands,
    exclusions, setbacks. `line_distance_m`; `corridor_distance_m` to the edge (negative inside, NaN
    without corridors); `corridor` and `corridor_width_m`, name and width of the nearest centre line
    (the first by name where several are; empty and NaN without).
    """
    points, stand, area = marks.geometry.to_numpy(), marks[STAND].to_numpy(), corridors.area
    every = np.arange(len(area))
    to_corridor, to_edge = (
        line_distances(
            points,
            stand=stand,
            lines=shapely.boundary(np.concatenate(areas)),
            line_stand=np.tile(every, len(areas)),
        )
        for areas in ([area], [*edges])
    )
    shapely.prepare(area)
    inside = shapely.intersects_xy(area[stand], *shapely.get_coordinates(points).T)
    return {
        "line_distance_m": np.fmin(to_corridor, to_edge),
        "corridor_distance_m": np.where(inside, -to_corridor, to_corridor),
        **_nearest_corridors(points, stand, corridors.lines),
    }


def _nearest_corridors(
    points: GeometryArray, stand: IntArray, lines: gpd.GeoDataFrame
) -> dict[str, npt.NDArray[Any]]:
    """Name and width of the nearest centre line of each point's stand, the first by name."""
    name = np.full(len(points), "", dtype=object)
    width = np.full(len(points), np.nan)
    lines = lines.sort_values([STAND, "corridor"], kind="stable")
    names = lines["corridor"].to_numpy(dtype=object)
    widths, shapes = lines["width_m"].to_numpy(dtype=float), lines.geometry.to_numpy()
    of_stand = rows_by(lines[STAND])
    for key, rows in rows_by(stand).items():
        if key in of_stand:
            nearest = of_stand[key][nearest_line(points[rows], lines=shapes[of_stand[key]])]
            name[rows], width[rows] = names[nearest], widths[nearest]
    return {"corridor": name, "corridor_width_m": width}


_OF_TREES = (
    "zone", "species", "product", "size_class", "dbh_unit", "volume_unit", "count", "basal_area_m2",
    "dbh", "dbh_cm", "height_m", "volume", "defect_share", "cull",
)  # fmt: skip


def cut_trees(
    marks: gpd.GeoDataFrame, tally: pd.DataFrame, classes: SizeClasses, species: SpeciesNames
) -> pd.DataFrame:
    """Cut trees with a position, then those of the paper tally, by stand under one index."""
    is_cut = marks["is_cut"].to_numpy(dtype=bool)
    rows = marks.index.to_numpy()[is_cut]
    columns: dict[str, Any] = {name: marks[name].to_numpy()[is_cut] for name in _OF_TREES}
    for name, blank in (("logs", np.nan), ("reason", "")):
        if name in marks or name in tally:
            columns[name] = np.broadcast_to(marks.get(name, blank), len(marks))[is_cut]
    columns |= {STAND: marks[STAND].to_numpy()[is_cut], "located": np.full(len(rows), "located")}
    columns["paper_group"] = np.full(len(rows), "", dtype=object)
    if len(tally):
        columns = {
            name: np.concatenate([columns[name], values])
            for name, values in _paper_columns(tally, classes, species).items()
            if name in columns
        }
        first = int(marks.index.max()) + 1 if len(marks) else 0
        rows = np.concatenate([rows, np.arange(first, first + len(tally))])
    order = np.argsort(columns[STAND], kind="stable")
    ordered = {name: values[order] for name, values in columns.items()}
    return pd.DataFrame(ordered, index=rows[order])


def _paper_columns(
    tally: pd.DataFrame, classes: SizeClasses, species: SpeciesNames
) -> dict[str, npt.NDArray[Any]]:
    """Columns of the trees of the paper tally."""
    dbh_cm = tally["dbh"].where(tally["dbh_unit"] == "cm", tally["dbh"] * INCH_CM).to_numpy()
    each = np.nan_to_num(basal_area_m2(dbh_cm.astype(float)))
    known = {
        "species": species.fold(tally["species"].to_numpy(dtype=object)),
        "dbh_cm": dbh_cm,
        "height_m": np.broadcast_to(tally.get("height_m", np.nan), len(tally)),
        "logs": np.broadcast_to(tally.get("logs", np.nan), len(tally)),
        "reason": np.broadcast_to(tally.get("reason", ""), len(tally)),
        "size_class": size_class(tally, classes=classes).to_numpy(),
        "basal_area_m2": each * tally["count"].to_numpy(dtype=float),
        "located": np.full(len(tally), "not_located"),
        "paper_group": np.broadcast_to(tally.get("group", ""), len(tally)),
    }
    return {
        name: known[name] if name in known else tally[name].to_numpy()
        for name in (*_OF_TREES, "logs", "reason", STAND, "located", "paper_group")
    }
