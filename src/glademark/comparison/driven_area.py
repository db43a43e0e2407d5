"""Where machines drove against where corridors were laid, and openings as walked after the cut."""

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from glademark.measure.polygons import split
from glademark.measure.zones import edge_distance, nearest_line

__all__ = ["Driven", "DrivenFigures", "driven_against", "openings_against"]

ERRORS = 2.0
"""A line is off a corridor where it is farther away than so many standard errors of its track."""

STEP_M = 1.0
"""Distance of the places along a line at which its departure is taken [m]."""

_QUARTER_SEGMENTS = 16


@dataclass(frozen=True, kw_only=True, slots=True)
class DrivenFigures:
    """
    Driven lines in figures.

    Attributes
    ----------
    length_m
        In the stand.
    outside_m
        Of it, off corridors and landings.
    beyond_error_m
        Of that, farther off than two standard errors of the track.
    departure_m
        Widest, from corridors and landings; 0 where nothing is outside.
    driven_m2
        Ground under the machine in the stand.
    beyond_m2
        Of it, off corridors and landings.
    beyond_error_m2
        Of that, farther off than two standard errors of the track.
    laid_share, driven_share
        Corridors, and corridors with what was driven beyond the error, as shares of the stand.
    not_driven_m
        Laid corridor without a driven line on it.
    """

    length_m: float
    outside_m: float
    beyond_error_m: float
    departure_m: float
    driven_m2: float
    beyond_m2: float
    beyond_error_m2: float
    laid_share: float
    driven_share: float
    not_driven_m: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Driven:
    """
    Driven lines against corridors.

    Attributes
    ----------
    pieces
        Stretches off corridors: `name`, `length_m`, `departure_m`, `beyond_error`, `corridor`.
    figures
        Totals.
    """

    pieces: gpd.GeoDataFrame
    figures: DrivenFigures


def driven_against(
    driven: gpd.GeoDataFrame,
    corridor_lines: gpd.GeoDataFrame,
    *,
    stand: BaseGeometry,
    corridor: BaseGeometry,
    landing: BaseGeometry,
    sizes_m: tuple[float, float],
) -> Driven:
    """
    How far driven lines leave the corridors, and how much ground that takes.

    Parameters
    ----------
    driven
        Line rows with `name`; projected CRS in metres.
    sizes_m
        Width of the machine, and horizontal root mean square error of the track [m].
    """
    width, error = sizes_m
    slack = ERRORS * error / np.sqrt(2)
    laid = shapely.union(corridor, landing)
    wide = shapely.buffer(laid, slack, quad_segs=_QUARTER_SEGMENTS)
    lines = shapely.intersection(driven.geometry.to_numpy(), stand)
    pieces = _pieces(driven["name"].to_numpy(dtype=object), lines, laid, driven.crs)
    depart = _departures(pieces.geometry.to_numpy(), laid)
    frame = pieces.assign(
        length_m=pieces.length,
        departure_m=depart,
        beyond_error=depart > slack,
        corridor=_nearest(pieces.geometry.to_numpy(), corridor_lines),
    )
    track = shapely.union_all(lines)
    ground = shapely.intersection(
        shapely.buffer(track, width / 2, quad_segs=_QUARTER_SEGMENTS), stand
    )
    beyond_error = shapely.difference(ground, wide)
    near = shapely.buffer(track, width / 2 + slack, quad_segs=_QUARTER_SEGMENTS)
    centre = shapely.union_all(corridor_lines.geometry.to_numpy())
    figures = DrivenFigures(
        length_m=float(shapely.length(lines).sum()),
        outside_m=float(frame["length_m"].sum()),
        beyond_error_m=float(shapely.length(shapely.difference(lines, wide)).sum()),
        departure_m=float(depart.max(initial=0.0)),
        driven_m2=float(ground.area),
        beyond_m2=float(shapely.difference(ground, laid).area),
        beyond_error_m2=float(beyond_error.area),
        laid_share=float(corridor.area / stand.area),
        driven_share=float((corridor.area + beyond_error.area) / stand.area),
        not_driven_m=float(shapely.difference(centre, near).length),
    )
    return Driven(pieces=frame, figures=figures)


def _pieces(
    names: npt.NDArray[np.object_],
    lines: npt.NDArray[np.object_],
    laid: BaseGeometry,
    crs: CRS | None,
) -> gpd.GeoDataFrame:
    """Stretches of lines outside an area, one a row."""
    outside = shapely.difference(lines, laid)
    parts, row = shapely.get_parts(outside, return_index=True)
    kept = shapely.length(parts) > 0
    return gpd.GeoDataFrame({"name": names[row[kept]]}, geometry=parts[kept], crs=crs)


def _departures(pieces: npt.NDArray[np.object_], laid: BaseGeometry) -> npt.NDArray[np.float64]:
    """Farthest that each stretch gets from an area [m]; NaN where there is no area."""
    if not len(pieces):
        return np.zeros(0)
    if shapely.is_empty(laid):
        return np.full(len(pieces), np.nan)
    places, row = shapely.get_coordinates(shapely.segmentize(pieces, STEP_M), return_index=True)
    away = edge_distance(_points(places), edges=laid)
    farthest = np.zeros(len(pieces))
    np.maximum.at(farthest, row, away)
    return farthest


def _points(places: npt.NDArray[np.float64]) -> npt.NDArray[np.object_]:
    """Points at coordinates."""
    return np.asarray(shapely.points(places), dtype=object)


def _nearest(pieces: npt.NDArray[np.object_], lines: gpd.GeoDataFrame) -> npt.NDArray[np.object_]:
    """Name of the corridor nearest to the start of each stretch."""
    if not len(pieces) or not len(lines):
        return np.full(len(pieces), "", dtype=object)
    start = _points(shapely.get_coordinates(shapely.get_point(pieces, 0)))
    at = nearest_line(start, lines=lines.geometry.to_numpy())
    return np.asarray(lines["corridor"].to_numpy(dtype=object)[at])


def openings_against(walked: gpd.GeoDataFrame, laid: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """
    Openings as walked after the cut, each beside the laid one that it overlaps the most.

    Parameters
    ----------
    walked
        Polygon rows with `group`; projected CRS in metres.
    """
    shapes, before = walked.geometry.to_numpy(), laid.geometry.to_numpy()
    tree = shapely.STRtree(before)
    one, other = tree.query(shapes, predicate="intersects")
    shared = pd.DataFrame(
        {
            "walked": one,
            "laid": other,
            "m2": shapely.area(shapely.intersection(shapes[one], before[other])),
        }
    )
    best = shared.sort_values(["m2", "laid"]).groupby("walked")["laid"].last()
    mate = best.reindex(range(len(shapes))).to_numpy(dtype=float)
    known = np.isfinite(mate)
    at = mate[known].astype(np.intp)
    every = shapely.union_all(before)
    beyond = np.array([split(shape, every)[1] for shape in shapes], dtype=object)  # few
    short = np.zeros(len(shapes))
    short[known] = shapely.area(shapely.difference(before[at], shapely.union_all(shapes)))
    laid_m2 = np.full(len(shapes), np.nan)
    laid_m2[known] = laid["area_m2"].to_numpy(dtype=float)[at]
    number = pd.Series(pd.NA, index=walked.index, dtype="Int64")
    number[known] = laid["opening"].to_numpy()[at]
    return gpd.GeoDataFrame(
        {
            "group": walked["group"],
            "opening": number,
            "area_m2": shapely.area(shapes),
            "laid_area_m2": laid_m2,
            "beyond_area_m2": shapely.area(beyond) if len(beyond) else np.zeros(0),
            "short_area_m2": short,
            "departure_m": _edge_departure(shapes, every),
        },
        geometry=shapes,
        crs=walked.crs,
    )


def _edge_departure(shapes: npt.NDArray[np.object_], laid: BaseGeometry) -> npt.NDArray[np.float64]:
    """Farthest that each walked edge lies beyond the laid ones [m]; NaN where none are laid."""
    if shapely.is_empty(laid):
        return np.full(len(shapes), np.nan)
    places, row = shapely.get_coordinates(shapely.segmentize(shapes, STEP_M), return_index=True)
    away = shapely.distance(shapely.points(places), laid)
    farthest = np.zeros(len(shapes))
    np.maximum.at(farthest, row, away)
    return farthest
