"""Corridors on the terrain: grades piece by piece, profiles, and what is steep."""

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.contracts.frames import features
from glademark.contracts.terrain import Elevation, GradeFigures, Profile
from glademark.measure.terrain.extraction import Extraction, entries
from glademark.measure.terrain.profiles import (
    LEVEL,
    Samples,
    class_labels,
    grade_classes,
    longest_runs,
    piece_table,
    sample_lines,
    steepest,
)
from glademark.project.job_settings import TerrainSettings

SAME_WAY_M = 0.01
"""Ways to the landing that differ by less are equally long [m]."""

FloatArray = npt.NDArray[np.float64]


def corridor_parts(lines: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Unbroken parts of corridors inside the stand."""
    parts, line = shapely.get_parts(np.asarray(lines.geometry.array), return_index=True)
    long = shapely.length(parts) > 0
    parts, line = parts[long], line[long]
    corridor = lines["corridor"].to_numpy(dtype=object)[line]
    columns = {
        "corridor": pd.Series(corridor, dtype=object),
        "width_m": lines["width_m"].to_numpy(dtype=float)[line],
        "part": pd.Series(corridor, dtype=object).groupby(corridor).cumcount() + 1,
    }
    return features(columns, parts, crs=lines.crs)


def sampled(
    parts: gpd.GeoDataFrame, elevation: Elevation, settings: TerrainSettings
) -> tuple[Samples, pd.DataFrame]:
    """Heights along corridors, and their pieces."""
    samples = sample_lines(
        parts.geometry.to_numpy(), elevation, piece_m=settings.grade_lengths_m[0]
    )
    width = parts["width_m"].to_numpy(dtype=float)
    pieces = piece_table(samples, elevation, width_m=width)
    at = pieces["line"].to_numpy()
    return samples, pieces.assign(
        corridor=parts["corridor"].to_numpy()[at], part=parts["part"].to_numpy()[at]
    )


def to_landing(pieces: pd.DataFrame, extraction: Extraction | None) -> FloatArray:
    """Whether the way to the landing leads along each piece or back."""
    if extraction is None or pieces.empty:
        return np.zeros(len(pieces))
    ways = [
        entries(
            extraction,
            np.asarray(shapely.points(pieces[f"x_{end}"], pieces[f"y_{end}"]), dtype=object),
        ).distance_m
        for end in ("from", "to")
    ]
    reached = np.isfinite(ways[0]) & np.isfinite(ways[1])
    fall = np.where(reached, ways[0], 0.0) - np.where(reached, ways[1], 0.0)
    return np.where(np.abs(fall) > SAME_WAY_M, np.sign(fall), 0.0)


def grade_layer(
    parts: gpd.GeoDataFrame,
    pieces: pd.DataFrame,
    direction: FloatArray,
    settings: TerrainSettings,
) -> gpd.GeoDataFrame:
    """
    Pieces of corridors with their grades.

    Returns
    -------
    layer
        Columns of `contracts.layers.CORRIDOR_GRADES`; LineString rows in the CRS of `parts`.
    """
    grade = pieces["grade"].to_numpy(dtype=float)
    towards = np.where(direction == 0, 1.0, direction) * grade
    words = np.select(
        [(direction == 0) | np.isnan(grade), towards > LEVEL, towards < -LEVEL],
        ["", "adverse", "favourable"],
        "level",
    )
    line = parts.geometry.to_numpy()[pieces["line"]]
    table = pieces.rename(
        columns={"height_from_m": "elevation_from_m", "height_to_m": "elevation_to_m"}
    ).assign(
        grade_pct=100 * towards,
        direction=words.astype(object),
        cross_slope_pct=100 * pieces["cross_slope"],
        grade_class=grade_classes(grade, edges=settings.grade_classes),
        steep=np.abs(grade) > settings.steep_grade,
    )
    shapes = _pieces_of(line, pieces["from_m"].to_numpy(), pieces["to_m"].to_numpy())
    return features(table, shapes, crs=parts.crs)


def _pieces_of(
    lines: npt.NDArray[np.object_], start: FloatArray, end: FloatArray
) -> npt.NDArray[np.object_]:
    """Each line from one distance to another: its own vertices between two new ones."""
    points, row = shapely.get_coordinates(lines, return_index=True)
    step = np.hypot(*np.diff(points, axis=0, prepend=points[:1]).T)
    step[np.concatenate([[True], row[1:] != row[:-1]])] = 0.0
    ran = np.cumsum(step)
    at = ran - ran[np.searchsorted(row, row)]
    between = (at > start[row] + 1e-9) & (at < end[row] - 1e-9)
    number = np.arange(len(lines))
    ends = [
        shapely.get_coordinates(shapely.line_interpolate_point(lines, where))
        for where in (start, end)
    ]
    xy = np.concatenate([ends[0], points[between], ends[1]])
    owner = np.concatenate([number, row[between], number])
    along = np.concatenate([start, at[between], end])
    order = np.lexsort((along, owner))
    return np.asarray(shapely.linestrings(xy[order], indices=owner[order]), dtype=object)


def corridor_summary(
    parts: gpd.GeoDataFrame, samples: Samples, layer: gpd.GeoDataFrame, settings: TerrainSettings
) -> pd.DataFrame:
    """Grades of every corridor."""
    lengths = settings.grade_lengths_m
    names = parts["corridor"].to_numpy()
    runs = longest_runs(layer, above=settings.steep_grade)
    by_line = pd.DataFrame(
        {
            "grade_short_pct": 100 * steepest(samples, over_m=lengths[0]),
            "grade_long_pct": 100 * steepest(samples, over_m=lengths[-1]),
            "steep_m": runs.reindex(range(len(parts))).to_numpy(dtype=float),
        }
    )
    summary = by_line.groupby(names).max()
    summary["cross_slope_pct"] = layer.groupby("corridor")["cross_slope_pct"].max()
    for word in ("adverse", "favourable"):
        length = layer["length_m"].where(layer["direction"] == word, 0.0)
        summary[f"{word}_m"] = length.groupby(layer["corridor"]).sum()
    return summary


def grade_figures(
    samples: Samples, layer: gpd.GeoDataFrame, summary: pd.DataFrame, settings: TerrainSettings
) -> GradeFigures:
    """
    Totals of the corridor grades.

    Returns
    -------
    figures
        Grades as fractions of 1.
    """
    length = layer["length_m"]
    by_class = length.groupby(layer["grade_class"]).sum()
    by_word = length.groupby(layer["direction"]).sum()
    longest = summary["steep_m"].max()
    return GradeFigures(
        lengths_m=settings.grade_lengths_m,
        steepest=tuple(
            float(pd.Series(steepest(samples, over_m=over)).max())
            for over in settings.grade_lengths_m
        ),
        steep_grade=settings.steep_grade,
        steep_m=float(length[layer["steep"]].sum()),
        longest_steep_m=float(longest),
        longest_steep_corridor=str(summary["steep_m"].idxmax()) if longest > 0 else "",
        adverse_m=float(by_word.get("adverse", 0.0)),
        favourable_m=float(by_word.get("favourable", 0.0)),
        level_m=float(by_word.get("level", 0.0)),
        by_class={
            label: float(by_class.get(label, 0.0)) for label in class_labels(settings.grade_classes)
        },
        cross_slope_max=float(layer["cross_slope_pct"].max()) / 100,
        without_height_m=float(by_class.get("no height", 0.0)),
    )


def profiles(
    parts: gpd.GeoDataFrame, samples: Samples, direction: FloatArray
) -> tuple[Profile, ...]:
    """Heights along every unbroken part of a corridor."""
    each = samples.intervals // samples.pieces
    first_piece = np.concatenate([[0], np.cumsum(samples.pieces)])
    found = []
    for line, (corridor, part) in enumerate(zip(parts["corridor"], parts["part"], strict=True)):
        here = slice(samples.first[line], samples.first[line] + samples.intervals[line] + 1)
        mine = direction[first_piece[line] : first_piece[line + 1]]
        found.append(
            Profile(
                corridor=str(corridor),
                part=int(part),
                at_m=samples.at_m[here],
                height_m=samples.height_m[here],
                to_landing=np.repeat(mine, each[line]),
            )
        )
    return tuple(found)


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
