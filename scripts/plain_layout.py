"""
The main job as an able analyst would write it in one sitting: geopandas, dissolve, overlay.

It gives the numbers that the package is compared with, in the benchmark and in a test: corridor
strips, crown discs, tagged openings, zones and a volume table of one stand. It reads nothing that
the package wrote and shares no code with it.
"""

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

VERTICES = 64
"""Corners of a crown disc, whose polygon has the area of its circle."""


@dataclass(frozen=True)
class PlainLayout:
    """Numbers of one stand, in square metres and trees."""

    corridor_m2: float
    opening_m2: pd.Series
    components: int
    zone_m2: pd.Series
    trees: pd.Series


def discs(marks: gpd.GeoDataFrame) -> gpd.GeoSeries:
    """Crown disc of every mark."""
    turn = 2 * np.pi * np.arange(VERTICES) / VERTICES
    even = np.sqrt(2 * np.pi / (VERTICES * np.sin(2 * np.pi / VERTICES)))
    shapes = [
        shapely.Polygon(
            np.column_stack([p.x + r * even * np.cos(turn), p.y + r * even * np.sin(turn)])
        )
        for p, r in zip(marks.geometry, marks["crown_radius_m"], strict=True)
    ]
    return gpd.GeoSeries(shapes, index=marks.index, crs=marks.crs)


def lay_out_plainly(
    stand: gpd.GeoDataFrame, lines: gpd.GeoDataFrame, marks: gpd.GeoDataFrame
) -> PlainLayout:
    """
    Layout of one stand.

    Parameters
    ----------
    stand
        One polygon.
    lines
        Corridor centre lines with `width_m`; they cross the stand and end outside it.
    marks
        Points with `paint` (pink for corridor trees), `group`, `crown_radius_m`.

    Returns
    -------
    layout
        What the benchmark compares.
    """
    area = stand.geometry.iloc[0]
    strips = lines.buffer(lines["width_m"] / 2, cap_style="flat", quad_segs=16)
    corridors = gpd.GeoDataFrame(geometry=strips, crs=lines.crs).clip(area).dissolve()
    others = marks[marks["paint"] != "pink"]
    crowns = gpd.GeoDataFrame({"group": others["group"]}, geometry=discs(others), crs=marks.crs)
    touching = gpd.sjoin(crowns, crowns[["geometry"]], predicate="intersects")
    components = _components(crowns.index, touching)
    openings = crowns[crowns["group"] != ""].dissolve("group")
    inside = openings.dissolve().clip(area)
    opening = gpd.overlay(inside[["geometry"]], corridors[["geometry"]], how="difference")
    taken = pd.concat([corridors[["geometry"]], opening[["geometry"]]]).dissolve()
    matrix = gpd.overlay(stand[["geometry"]], taken, how="difference")
    zone = _zones(marks, opening)
    return PlainLayout(
        corridor_m2=float(corridors.area.sum()),
        opening_m2=openings.area,
        components=components,
        zone_m2=pd.Series(
            {
                "corridor": corridors.area.sum(),
                "opening": opening.area.sum(),
                "matrix": matrix.area.sum(),
            }
        ),
        trees=zone.value_counts(),
    )


def _components(index: pd.Index, touching: pd.DataFrame) -> int:
    """Number of groups of crowns that touch, by walking from crown to crown."""
    neighbours: dict[int, list[int]] = {i: [] for i in index}
    for i, j in zip(touching.index, touching["index_right"], strict=True):
        neighbours[i].append(j)
    seen: set[int] = set()
    found = 0
    for start in index:
        if start in seen:
            continue
        found += 1
        stack = [start]
        while stack:
            crown = stack.pop()
            if crown not in seen:
                seen.add(crown)
                stack += neighbours[crown]
    return found


def _zones(marks: gpd.GeoDataFrame, opening: gpd.GeoDataFrame) -> pd.Series:
    """Zone of every mark: by its paint, its group, else where it stands."""
    in_opening = gpd.sjoin(marks[["geometry"]], opening[["geometry"]], predicate="intersects")
    zone = pd.Series("matrix", index=marks.index)
    zone[in_opening.index] = "opening"
    zone[marks["group"] != ""] = "opening"
    zone[marks["paint"] == "pink"] = "corridor"
    return zone
