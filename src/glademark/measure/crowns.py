"""
Crown discs: the hole that one tree leaves, before any overlap.

A disc is a regular polygon scaled to the area of its circle, so that sums and unions of areas do
not inherit the shortfall of an inscribed polygon (0.16 % with 64 vertices).
"""

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from glademark.forestry import PACKAGED_SPECIES, SpeciesNames, crown_radius_m

DISC_VERTICES = 64
"""Vertices of a disc: the outline stays within 0.1 % of the radius of its circle."""

APART_M = 1e6
"""Third coordinate that keeps trees of different stands apart in a search [m a stand]."""

_EQUAL_AREA = float(np.sqrt(2 * np.pi / (DISC_VERTICES * np.sin(2 * np.pi / DISC_VERTICES))))

FloatArray = npt.NDArray[np.float64]
GeometryArray = npt.NDArray[np.object_]


def longest_edge_bearings(stands: GeometryArray) -> FloatArray:
    """
    Direction of the longest edge of each stand's boundary.

    Discs are turned by it: a polygon is not quite a circle, so that the union of discs would
    otherwise depend, by some 1e-6, on how the map is turned.

    Parameters
    ----------
    stands
        Polygons or MultiPolygons, projected CRS; shape (stands,).

    Returns
    -------
    bearings
        Counterclockwise from the x axis [rad].

    Examples
    --------
    >>> upright_and_flat = shapely.box([0, 0], 0, [1, 9], [9, 1])
    >>> (longest_edge_bearings(upright_and_flat) % np.pi).round(6).tolist()
    [1.570796, 0.0]
    """
    parts, stand = shapely.get_parts(stands, return_index=True)
    rings, part = shapely.get_rings(parts, return_index=True)
    corners, ring = shapely.get_coordinates(rings, return_index=True)
    edges, follows = np.diff(corners, axis=0), ring[1:] == ring[:-1]
    edges, owner = edges[follows], stand[part[ring[1:][follows]]]
    order = np.lexsort((-np.hypot(edges[:, 0], edges[:, 1]), owner))  # the first of equal ones
    longest = edges[order[np.unique(owner[order], return_index=True)[1]]]
    return np.asarray(np.arctan2(longest[:, 1], longest[:, 0]))


def crown_discs(
    points: GeometryArray, *, radius_m: FloatArray, bearing: float | FloatArray
) -> GeometryArray:
    """
    Discs around points, each with exactly the area of its circle.

    Parameters
    ----------
    points
        Points, projected CRS [m]; shape (n,).
    radius_m
        Crown radii, > 0 [m]; shape (n,).
    bearing
        Direction of the first vertex of every disc, one for all or one each [rad]; see
        `longest_edge_bearings`.

    Returns
    -------
    discs
        Polygons, shape (n,).

    Examples
    --------
    >>> centre = np.array([shapely.Point(0, 0)])
    >>> disc = crown_discs(centre, radius_m=np.array([2.0]), bearing=0.0)[0]
    >>> round(float(disc.area) / (np.pi * 2**2), 12)
    1.0
    """
    return inscribed_discs(points, radius_m=radius_m * _EQUAL_AREA, bearing=bearing)


def inscribed_discs(
    points: GeometryArray, *, radius_m: FloatArray, bearing: float | FloatArray
) -> GeometryArray:
    """
    Discs around points, each with its corners on its circle.

    Parameters
    ----------
    points
        Points, projected CRS [m]; shape (n,).
    radius_m
        Radii, > 0 [m]; shape (n,).
    bearing
        Direction of the first corner of every disc, one for all or one each [rad]; see
        `longest_edge_bearings`.

    Returns
    -------
    discs
        Regular polygons of `DISC_VERTICES` corners, shape (n,).

    Examples
    --------
    >>> centre = np.array([shapely.Point(0, 0)])
    >>> disc = inscribed_discs(centre, radius_m=np.array([2.0]), bearing=0.0)[0]
    >>> [float(edge) for edge in shapely.bounds(disc).round(12)]
    [-2.0, -2.0, 2.0, 2.0]
    """
    turns, disc = np.unique(np.broadcast_to(bearing, len(points)), return_inverse=True)
    turn = turns[:, None] + 2 * np.pi * np.arange(DISC_VERTICES) / DISC_VERTICES
    ring = np.stack([np.cos(turn), np.sin(turn)], axis=2)
    ring = np.concatenate([ring, ring[:, :1]], axis=1)  # closed
    centre = shapely.get_coordinates(points)[:, None, :]
    coordinates = centre + radius_m[:, None, None] * ring[disc]
    return np.asarray(shapely.polygons(coordinates), dtype=object)


def crown_radii(
    trees: pd.DataFrame, *, default_m: float, species: SpeciesNames = PACKAGED_SPECIES
) -> pd.DataFrame:
    """
    Crown radius of every tree, and where it comes from.

    Parameters
    ----------
    trees
        `species` (text), `dbh_cm`, `crown_radius_m` (measured, else NaN).
    default_m
        Radius of a tree that was neither measured nor has an equation [m].
    species
        Names of species.

    Returns
    -------
    radii
        `crown_radius_m` and `crown_source` on the index of `trees`: measured, the key of the
        published crown-width equation of the species, or ``default``.
    """
    measured = trees["crown_radius_m"].to_numpy(dtype=float)
    code = species.crown_codes(trees["species"].to_numpy(dtype=object))
    published, key = crown_radius_m(code, trees["dbh_cm"].to_numpy(dtype=float))
    has_equation = np.isfinite(published) & (published > 0)
    radius = np.where(has_equation, published, default_m)
    source = np.where(has_equation, key, "default")
    is_measured = np.isfinite(measured)
    return pd.DataFrame(
        {
            "crown_radius_m": np.where(is_measured, measured, radius),
            "crown_source": np.where(is_measured, "measured", source).astype(object),
        },
        index=trees.index,
    )
