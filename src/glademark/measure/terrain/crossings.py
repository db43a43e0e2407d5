"""Where corridors cross water or a setback: each crossing a point, with its angle to the bank."""

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.contracts.frames import features

LEAST_M = 0.01
"""Shorter crossings come from edges that were drawn alike [m]."""

COLUMNS = ("corridor", "what", "name", "rule", "angle_deg", "length_m", "in_stand")
"""Columns of `find_crossings`."""

GeometryArray = npt.NDArray[np.object_]


def find_crossings(
    lines: gpd.GeoDataFrame,
    *,
    water: gpd.GeoDataFrame,
    setbacks: gpd.GeoDataFrame,
    stand: BaseGeometry,
) -> gpd.GeoDataFrame:
    """
    Crossings of water and of setbacks by corridor lines.

    Parameters
    ----------
    lines
        LineString or MultiLineString rows `corridor`, projected CRS in metres.
    water
        Polygon rows `name`: open water out to its banks.
    setbacks
        Polygon rows `name`, `rule`.
    stand
        Polygon.

    Returns
    -------
    crossings
        Point rows with `COLUMNS`, in the middle of the way through: water first, then setbacks. A
        setback that goes on behind the water in it is crossed once. The angle is that to the
        nearest bank or edge, 0 along it to 90 square to it, the mean over both sides; NaN where the
        corridor reaches none. `in_stand` says whether the point lies in the stand.
    """
    geometry, line = shapely.get_parts(np.asarray(lines.geometry.array), return_index=True)
    names = lines["corridor"].to_numpy(dtype=object)[line]
    banks = shapely.union_all(water.geometry.to_numpy())
    tables = [
        _through(geometry, names, water.assign(rule="", what="water"), wet=None),
        _through(geometry, names, setbacks.assign(what="setback"), wet=banks),
    ]
    table = pd.concat(tables, ignore_index=True)
    point = table.pop("geometry").to_numpy(dtype=object)
    table["in_stand"] = np.asarray(shapely.intersects(stand, point), dtype=bool)
    return features(table[list(COLUMNS)], point, crs=lines.crs)


def _through(
    lines: GeometryArray,
    names: npt.NDArray[np.object_],
    areas: gpd.GeoDataFrame,
    *,
    wet: BaseGeometry | None,
) -> pd.DataFrame:
    """Crossings of some areas."""
    shapes = areas.geometry.to_numpy()
    line, area = shapely.STRtree(shapes).query(lines, predicate="intersects")
    order = np.lexsort((area, line))
    line, area = line[order], area[order]
    bodies = shapes if wet is None else shapely.union(shapes, wet)
    ways = shapely.line_merge(shapely.intersection(lines[line], bodies[area]))
    pieces, row = shapely.get_parts(ways, return_index=True)
    within = shapely.difference(pieces, shapely.boundary(bodies[area[row]]))  # not along the bank
    long = (shapely.get_dimensions(pieces) == 1) & (shapely.length(within) > LEAST_M)
    long &= shapely.intersects(pieces, shapes[area[row]])
    pieces, row = pieces[long], row[long]
    area = area[row]
    return pd.DataFrame(
        {
            "corridor": names[line[row]],
            "what": areas["what"].to_numpy()[area],
            "name": areas["name"].to_numpy()[area],
            "rule": areas["rule"].to_numpy()[area],
            "angle_deg": _angles(pieces, bodies[area]),
            "length_m": shapely.length(pieces),
            "geometry": shapely.line_interpolate_point(pieces, 0.5, normalized=True),
        }
    )


def _angles(pieces: GeometryArray, bodies: GeometryArray) -> npt.NDArray[np.float64]:
    """Mean angle to the edges at both ends of each way through [deg]; a loop over crossings."""
    return np.array(
        [_angle(piece, body) for piece, body in zip(pieces, bodies, strict=True)], dtype=np.float64
    )


def _angle(piece: BaseGeometry, body: BaseGeometry) -> float:
    """Mean angle to the edge at those ends of a way through that lie on it."""
    edge = shapely.boundary(body)
    coordinates = shapely.get_coordinates(piece)
    found = []
    for end, inner in ((0, 1), (-1, -2)):
        point = shapely.Point(coordinates[end])
        if shapely.dwithin(point, edge, LEAST_M):
            along = _direction_at(edge, point)
            way = coordinates[inner] - coordinates[end]
            sine = abs(way[0] * along[1] - way[1] * along[0]) / (np.hypot(*way) * np.hypot(*along))
            found.append(float(np.degrees(np.arcsin(min(sine, 1.0)))))
    return float(np.mean(found)) if found else float("nan")


def _direction_at(edge: BaseGeometry, point: shapely.Point) -> npt.NDArray[np.float64]:
    """Direction of the straight piece of an outline that is nearest to a point."""
    coordinates, ring = shapely.get_coordinates(shapely.get_parts(edge), return_index=True)
    follows = ring[1:] == ring[:-1]
    pairs = np.stack([coordinates[:-1][follows], coordinates[1:][follows]], axis=1)
    nearest = int(np.argmin(shapely.distance(shapely.linestrings(pairs), point)))
    return np.asarray(pairs[nearest, 1] - pairs[nearest, 0])
