"""
Openings under light and wind: their shape against the height around, and their exposed edge.

The edge that faces the wind is the one across the opening: there the wind that has crossed the
hole meets trees that stood sheltered until now.
"""

from collections.abc import Mapping, Sequence

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.contracts.frames import STAND
from glademark.contracts.terrain import LightFigures
from glademark.measure.edges import outer_rings
from glademark.measure.polygons import union_by
from glademark.project.job_settings import WindSettings

FACING_DEG = 45.0
"""An edge faces the wind where the wind meets it within this angle of square: our own choice, one
quarter of a round opening."""

STEP_M = 2.0
"""Most length of the pieces in which an edge is looked at [m]."""

LIGHT_COLUMNS = (
    "long_axis_deg",
    "width_to_height",
    "corridor_edge_m",
    "windward_edge_m",
    "windward_backed_m",
)
"""Columns of the layer of openings that are there only where there are openings."""

FloatArray = npt.NDArray[np.float64]
GeometryArray = npt.NDArray[np.object_]
IntArray = npt.NDArray[np.intp]


def light_on(
    openings: gpd.GeoDataFrame,
    *,
    corridors: GeometryArray,
    boundary: GeometryArray,
    bare: Sequence[gpd.GeoDataFrame],
    wind: WindSettings,
) -> tuple[dict[str, FloatArray], dict[int, LightFigures]]:
    """
    Shape and edges of openings as columns, and totals of each stand that has any.

    `corridors` and `boundary` are one polygon a stand; `bare` is other ground without standing
    crowns.
    """
    stand, shapes = openings[STAND].to_numpy(), openings.geometry.to_numpy()
    diameter = openings["equivalent_diameter_m"].to_numpy(dtype=float)
    own = diameter / openings["diameter_to_height"].to_numpy(dtype=float)
    width = openings["width_m"].to_numpy(dtype=float)
    columns = {
        "width_to_height": width_to_height(width, own, tree_height_m=wind.tree_height_m),
        "corridor_edge_m": corridor_edges(shapes, corridors[stand]),
    }
    if wind.from_deg is not None:
        areas = [openings, *bare]
        bare_ground = union_by(
            np.concatenate([corridors, *(area.geometry.to_numpy() for area in areas)]),
            np.concatenate(
                [np.arange(len(corridors)), *(area[STAND].to_numpy() for area in areas)]
            ),
            len(corridors),
        )
        stated = wind.tree_height_m
        edges = exposed_edges(
            openings,
            wind_from_deg=wind.from_deg,
            height_m=own if stated is None else np.full(len(openings), stated),
            open_ground=bare_ground[stand],
            stand=boundary[stand],
        )
        columns |= {str(name): edges[name].to_numpy() for name in edges}
    edge = openings["perimeter_m"].to_numpy(dtype=float)
    return columns, _light_figures({**columns, "edge_m": edge}, stand, wind)


def _light_figures(
    columns: Mapping[str, FloatArray], stand: IntArray, wind: WindSettings
) -> dict[int, LightFigures]:
    """Totals over the openings of each stand."""
    names = ("edge_m", "corridor_edge_m", "windward_edge_m", "windward_backed_m")
    known = pd.DataFrame({name: columns.get(name, np.nan) for name in names}, index=stand)
    total = known.groupby(level=0).sum(min_count=1)
    total[["edge_m", "corridor_edge_m"]] = total[["edge_m", "corridor_edge_m"]].fillna(0.0)
    return {
        int(number): LightFigures(
            wind_from_deg=wind.from_deg,
            edge_m=float(row["edge_m"]),
            windward_m=_known(row["windward_edge_m"]),
            windward_backed_m=_known(row["windward_backed_m"]),
            corridor_edge_m=float(row["corridor_edge_m"]),
        )
        for number, row in zip(total.index.tolist(), total.to_dict("records"), strict=True)
    }


def _known(amount: float) -> float | None:
    """An amount, None where it is not known."""
    return None if np.isnan(amount) else float(amount)


def width_to_height(
    width_m: FloatArray, mean_height_m: FloatArray, *, tree_height_m: float | None
) -> FloatArray:
    """
    Width of openings in heights of the trees.

    Parameters
    ----------
    width_m
        Widest extent at right angles to the longest axis [m].
    mean_height_m
        Mean height of the opening's marks, NaN where none was measured [m].
    tree_height_m
        Height of the trees around, where it is stated [m].

    Returns
    -------
    ratios
        By the stated height, else by that of the marks; NaN without either.
    """
    height = mean_height_m if tree_height_m is None else np.full(len(width_m), tree_height_m)
    return np.asarray(width_m / np.where(height > 0, height, np.nan), dtype=np.float64)


def exposed_edges(
    openings: gpd.GeoDataFrame,
    *,
    wind_from_deg: float,
    height_m: FloatArray,
    open_ground: BaseGeometry | GeometryArray,
    stand: BaseGeometry | GeometryArray,
) -> pd.DataFrame:
    """
    Edge of each opening that faces the wind, and what of it has standing crowns behind it.

    Parameters
    ----------
    openings
        Polygon rows, projected CRS in metres.
    wind_from_deg
        Bearing from which the wind blows, clockwise from north [deg].
    height_m
        Height of the trees around each opening, NaN where unknown [m].

    Returns
    -------
    edges
        On the index of `openings`: `windward_edge_m`, and `windward_backed_m`, the part where the
        wind finds ground of the stand that is not open within one height behind the edge (NaN where
        no height is known).
    """
    pieces, owner = _edge_pieces(openings.geometry.to_numpy())
    towards = np.radians(wind_from_deg + 180)
    wind = np.array([np.sin(towards), np.cos(towards)])
    run = pieces[:, 1] - pieces[:, 0]
    length = np.hypot(*run.T)
    outward = np.column_stack([run[:, 1], -run[:, 0]]) / length[:, None]  # rings run to the left
    faces = outward @ wind >= np.cos(np.radians(FACING_DEG)) - 1e-12
    windward = np.bincount(owner[faces], weights=length[faces], minlength=len(openings))
    middle = pieces[faces].mean(axis=1)
    reach = np.nan_to_num(height_m[owner[faces]])[:, None]
    behind = shapely.linestrings(np.stack([middle, middle + reach * wind], axis=1))
    mine = owner[faces]
    inside, bare = (
        np.broadcast_to(np.asarray(areas, dtype=object), len(openings))[mine]
        for areas in (stand, open_ground)
    )
    standing = shapely.difference(shapely.intersection(behind, inside), bare)
    backed = shapely.length(standing) > 1e-6  # noqa: PLR2004 - rounding
    weight = length[faces] * backed
    found = np.bincount(owner[faces], weights=weight, minlength=len(openings))
    return pd.DataFrame(
        {
            "windward_edge_m": windward,
            "windward_backed_m": np.where(np.isnan(height_m), np.nan, found),
        },
        index=openings.index,
    )


def _edge_pieces(polygons: GeometryArray) -> tuple[FloatArray, npt.NDArray[np.intp]]:
    """Short straight pieces of all edges with the ground to their left, and their polygon."""
    whole = shapely.orient_polygons(outer_rings(polygons))
    parts, part_owner = shapely.get_parts(whole, return_index=True)
    rings, ring_part = shapely.get_rings(parts, return_index=True)
    short = shapely.segmentize(rings, STEP_M)
    points, ring = shapely.get_coordinates(short, return_index=True)
    follows = ring[1:] == ring[:-1]
    pairs = np.stack([points[:-1][follows], points[1:][follows]], axis=1)
    owner = part_owner[ring_part[ring[:-1][follows]]]
    some = np.hypot(*(pairs[:, 1] - pairs[:, 0]).T) > 0
    return pairs[some], owner[some].astype(np.intp)


def corridor_edges(openings: GeometryArray, corridor: BaseGeometry | GeometryArray) -> FloatArray:
    """
    Length of each opening's edge that is already a corridor.

    Parameters
    ----------
    openings
        Polygons or MultiPolygons, projected CRS [m]; shape (n,).

    Returns
    -------
    lengths
        Of the edge that runs within the corridors or along their side [m].
    """
    edge = shapely.boundary(outer_rings(openings))
    return np.asarray(shapely.length(shapely.intersection(edge, corridor)), dtype=np.float64)
