"""
How sure the corridors' share of the stand is, given the error of their lines.

Noise on vertices makes a line longer than it is, and the recorded line has been made longer once
already. What the noise adds to the recorded line is taken as what it added to the true one.
"""

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.uncertainty.errors import line_shifts

QUAD_SEGS = 4
"""Segments a quarter circle at bends; both sides of a difference have it."""

FloatArray = npt.NDArray[np.float64]


def share_draws(
    lines: gpd.GeoDataFrame,
    *,
    stand: BaseGeometry,
    error_m: float,
    length_m: float,
    count: int,
    rng: np.random.Generator,
) -> FloatArray:
    """
    How far the true share of the corridors may lie from the measured one.

    Parameters
    ----------
    lines
        LineString or MultiLineString rows `width_m`, projected CRS in metres.
    stand
        Polygon in the same CRS.
    error_m
        Horizontal root mean square error of a vertex [m].
    length_m
        Distance over which vertices err alike [m].

    Returns
    -------
    differences
        True less measured share; shape (count,).
    """
    parts = lines[["width_m", "geometry"]].explode(ignore_index=True)
    if parts.empty or error_m <= 0:
        return np.zeros(count)
    width = parts["width_m"].to_numpy(dtype=float)
    vertices, line = shapely.get_coordinates(parts.geometry.to_numpy(), return_index=True)
    shifts = line_shifts(vertices, error_m=error_m, length_m=length_m, count=count, rng=rng)
    moved = vertices[None] + np.concatenate([np.zeros((1, *vertices.shape)), shifts])
    each = line[None] + len(parts) * np.arange(count + 1)[:, None]
    drawn = shapely.linestrings(moved.reshape(-1, 2), indices=each.reshape(-1))
    half = np.tile(width / 2, count + 1)  # shapely before 2.2 takes no array of two dimensions
    strips = shapely.buffer(drawn, half, quad_segs=QUAD_SEGS, cap_style="flat")
    shapely.prepare(stand)
    unions = shapely.union_all(strips.reshape(count + 1, -1), axis=1)
    inside = shapely.intersection(unions, stand)
    share = np.asarray(shapely.area(inside)) / stand.area
    return np.asarray(share[0] - share[1:])
