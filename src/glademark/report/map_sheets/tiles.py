"""Detail sheets: whether they are needed, at which scale, and which ground each one shows."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from glademark.report.map_sheets.drawing.paper import (
    OVERVIEW_FINEST,
    metres_per_point,
    round_scales,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from glademark.report.map_sheets.content import MapContent

Ground = tuple[float, float, float, float]

ENLARGED = 1.45
"""Size of the symbols of trees on detail sheets, against the overview."""

_CROWDED_SHARE = 0.2  # of the trees, whose symbols touch a neighbour's
_ENOUGH_SHARE = 0.12
_THIN_PT = 2.6  # a corridor narrower than that on paper wants a detail sheet
_MOST_SHEETS = 12
_OVERLAP_SHARE = 0.04  # of a sheet's ground that its neighbour shows as well
_FINER = 1.4  # a detail sheet is larger than the overview at least by that
_COARSEST = 30_000


@dataclass(frozen=True, kw_only=True, slots=True)
class Tiling:
    """
    Detail sheets of a stand.

    Attributes
    ----------
    denominator
        Of their scale.
    grounds
        West, south, east and north of each [m], from north to south and west to east.
    """

    denominator: int
    grounds: tuple[Ground, ...]


def touching_share(content: MapContent, denominator: int, *, enlarged: float = 1.0) -> float:
    """Share of the trees to cut, those in openings left out, whose symbols touch a neighbour's."""
    places, widths = _matrix_trees(content)
    if len(places) < 2:  # noqa: PLR2004 - a neighbour
        return 0.0
    points = np.asarray(shapely.points(places))
    (one, other), apart = shapely.STRtree(points).query_nearest(
        points, exclusive=True, return_distance=True, all_matches=False
    )
    reach = (widths[one] + widths[other]) / 2 * enlarged * metres_per_point(denominator)
    return float(np.sum(apart < reach) / len(places))


def _matrix_trees(content: MapContent) -> tuple[np.ndarray, np.ndarray]:
    """Places and sizes of trees to cut that stand in no opening."""
    found = [content.trees[key] for key in ("cut", "corridor_cut")]
    places = np.vstack([trees.places for trees in found])
    widths = np.concatenate([trees.widths for trees in found])
    openings = shapely.union_all(content.layout.openings.geometry.to_numpy())
    shapely.prepare(openings)
    outside = ~shapely.contains_xy(openings, places[:, 0], places[:, 1])
    return places[outside], widths[outside]


def is_crowded(content: MapContent, denominator: int, *, left_out: int) -> bool:
    """Whether an overview asks for detail sheets."""
    widths = content.layout.corridors["width_m"]
    thin = len(widths) and widths.median() / metres_per_point(denominator) < _THIN_PT
    touching = touching_share(content, denominator) > _CROWDED_SHARE
    return bool(left_out or thin or touching)


def detail_tiling(
    content: MapContent, room_pt: tuple[float, float], overview: int
) -> Tiling | None:
    """
    Detail sheets for a stand.

    Parameters
    ----------
    room_pt
        Width and height of a map on such a sheet [points].
    """
    finest = OVERVIEW_FINEST[content.units]
    scales = [s for s in reversed(round_scales(content.units)) if finest <= s <= overview / _FINER]
    best = None
    for scale in (s for s in scales if s <= max(_COARSEST, finest)):
        grounds = tuple(_grounds(content, room_pt, scale))
        if best is not None and len(grounds) > _MOST_SHEETS:
            break
        best = Tiling(denominator=scale, grounds=grounds)
        if not is_crowded_detail(content, scale):
            break
    return best


def is_crowded_detail(content: MapContent, denominator: int) -> bool:
    """Whether symbols on a detail sheet touch, or corridors are mere lines."""
    widths = content.layout.corridors["width_m"]
    thin = len(widths) and widths.median() / metres_per_point(denominator) < _THIN_PT * 2
    return bool(thin or touching_share(content, denominator, enlarged=ENLARGED) > _ENOUGH_SHARE)


def _grounds(content: MapContent, room_pt: tuple[float, float], denominator: int) -> list[Ground]:
    """Ground of each sheet: in rows or in columns, whichever needs fewer sheets."""
    size = metres_per_point(denominator)
    width, height = (side * size * (1 - 2 * _OVERLAP_SHARE) for side in room_pt)
    stand = shapely.buffer(content.stand, min(width, height) * 0.01)
    by_rows = list(_rows_of(stand, width, height))
    turned = shapely.transform(stand, lambda at: -at[:, ::-1])
    by_columns = [
        (-north, -east, -south, -west)
        for west, south, east, north in _rows_of(turned, height, width)
    ]
    return min(by_rows, by_columns, key=len)


def _rows_of(stand: shapely.Geometry, width: float, height: float) -> Iterator[Ground]:
    """Rows from the top, each with as many sheets as what of the stand lies in it needs."""
    west, south, east, north = shapely.bounds(stand)
    rows = max(1, math.ceil((north - south) / height))
    for row in range(rows):
        middle = (south + north) / 2 + ((rows - 1) / 2 - row) * height
        low, high = middle - height / 2, middle + height / 2
        part = shapely.intersection(stand, shapely.box(west - 1, low, east + 1, high))
        if part.is_empty:
            continue
        left, _, right, _ = shapely.bounds(part)
        count = max(1, math.ceil((right - left) / width))
        for column in range(count):
            at = (left + right) / 2 + (column - (count - 1) / 2) * width
            ground = (at - width / 2, low, at + width / 2, high)
            if shapely.intersects(part, shapely.box(*ground)):
                yield ground
