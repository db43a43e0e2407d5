"""Marks as measured: crown, basal area, size class and distances of every used record."""

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.errors import UnitError
from glademark.forestry import SizeClasses, basal_area_m2
from glademark.forestry.size_classes import DiameterUnit
from glademark.measure.corridors import Corridors
from glademark.measure.crowns import crown_radii
from glademark.measure.zones import edge_distance, nearest_line, painted_zone
from glademark.units import split_quantity


def size_classes_of(setting: tuple[float, ...] | str | None, *, unit: DiameterUnit) -> SizeClasses:
    """
    Size classes as the project file asks for them.

    Parameters
    ----------
    setting
        Lower edges in `unit`, a width such as ``2 in``, or None for the usual width (2 in, 5 cm).
    unit
        Diameter unit of reports: "in" or "cm".

    Returns
    -------
    classes
        With labels and the rule that stands on the table.

    Raises
    ------
    UnitError
        If a width has no diameter unit.
    """
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
    """
    Size class of each tree, read in the unit that was recorded.

    Parameters
    ----------
    trees
        `dbh` and `dbh_unit` as recorded.
    classes
        Size classes.

    Returns
    -------
    labels
        Same index.
    """
    unit = trees["dbh_unit"].where(trees["dbh"].notna(), classes.unit)
    labels = classes.classify(trees["dbh"].to_numpy(dtype=float), unit=unit.to_numpy(dtype=object))
    return pd.Series(labels, index=trees.index, dtype=object)


def with_crowns(
    marks: gpd.GeoDataFrame, *, classes: SizeClasses, default_m: float, confirmed: bool
) -> gpd.GeoDataFrame:
    """
    Marks with what does not hang on the layout: crown, basal area, size class, painted zone.

    Parameters
    ----------
    marks
        As in `glademark.survey.Survey.marks`.
    classes
        Size classes.
    default_m
        Crown radius of a tree that was neither measured nor has an equation [m].
    confirmed
        Whether line trees are confirmed, and so cut.

    Returns
    -------
    marks
        With `crown_radius_m`, `crown_source`, `basal_area_m2` (all trees of the record),
        `size_class`, `zone_painted` and `is_cut`.
    """
    kinds = ["cut", "line_tree"] if confirmed else ["cut"]
    basal_area = basal_area_m2(marks["dbh_cm"].to_numpy(dtype=float)) * marks["count"].to_numpy()
    radii = crown_radii(marks, default_m=default_m)
    return marks.assign(
        crown_radius_m=radii["crown_radius_m"],
        crown_source=radii["crown_source"],
        basal_area_m2=np.nan_to_num(basal_area),
        size_class=size_class(marks, classes=classes),
        zone_painted=painted_zone(marks),
        is_cut=marks["kind"].isin(kinds),
    )


def with_distances(
    marks: gpd.GeoDataFrame, *, corridors: Corridors, edges: list[BaseGeometry]
) -> gpd.GeoDataFrame:
    """
    Marks with their distance to lines that are not made from marks.

    Parameters
    ----------
    marks
        Point rows, projected CRS in metres.
    corridors
        Corridors as measured.
    edges
        Polygons whose outlines count beside the corridors': stand, keep-outs, setbacks.

    Returns
    -------
    marks
        With `line_distance_m`, `corridor_distance_m` (to the edge, negative inside; NaN without
        corridors) and `corridor` (name of the nearest centre line, the first by name where several
        are; empty without corridors).
    """
    points = marks.geometry.to_numpy()
    outlines = [shapely.boundary(area) for area in [corridors.area, *edges]]
    away = edge_distance(points, edges=shapely.union_all(outlines))
    to_corridor = edge_distance(points, edges=corridors.area)
    shapely.prepare(corridors.area)
    inside = shapely.intersects_xy(corridors.area, *shapely.get_coordinates(points).T)
    lines = corridors.lines.sort_values("corridor")
    name = pd.Series("", index=marks.index, dtype=object)
    if len(lines) and len(points):
        nearest = nearest_line(points, lines=lines.geometry.to_numpy())
        name[:] = lines["corridor"].to_numpy()[nearest]
    return marks.assign(
        line_distance_m=away,
        corridor_distance_m=np.where(inside, -to_corridor, to_corridor),
        corridor=name,
    )


def corridor_width_at(marks: gpd.GeoDataFrame, corridors: Corridors) -> pd.Series:
    """
    Width of the corridor nearest to each mark.

    Parameters
    ----------
    marks
        With `corridor`.
    corridors
        Corridors as measured.

    Returns
    -------
    width
        In metres, NaN without corridors; index of `marks`.
    """
    width = corridors.lines.set_index("corridor")["width_m"]
    return marks["corridor"].map(width).astype(float)
