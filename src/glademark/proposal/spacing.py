"""
Rows of the program that keep openings apart.

At most one candidate may come within half the spacing of a point. Points are a grid at first, and
then the middle of every gap that is too narrow, until none is: exact, and far tighter than one row
for each pair.

Of openings that corridors join, pairs that would make one hole too large are known beforehand; of
three and more, a choice is barred once it is found too large.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import connected_components

from glademark.measure.openings import TOUCH_M, with_strips
from glademark.proposal.growth import unlike_rows
from glademark.proposal.stock import Demands, FloatArray, GeometryArray, Ground, IntArray, sets_of

APART_M = 2e-6
"""Openings at least this far apart are two [m]."""

ROUNDING = 1e-9
"""Share of the spacing within which a gap counts as wide enough."""

STEPS = 3.0
"""Points of the grid across the mean width of a candidate and its spacing."""


def spacing_of(spacing_m: float) -> float:
    """Least distance between two openings; those that touch would be one."""
    return max(spacing_m, APART_M)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Points:
    """Points of which at most one chosen candidate may be near, and the spacing."""

    place: GeometryArray
    spacing_m: float

    @property
    def reach_m(self) -> float:
        """How near is near."""
        return self.spacing_m / 2 * (1 - ROUNDING)

    def with_more(self, more: GeometryArray) -> "Points":
        """These and more points."""
        return Points(place=np.concatenate([self.place, more]), spacing_m=self.spacing_m)


def grid_of(shapes: GeometryArray, spacing_m: float) -> Points:
    """Grid of points over the ground of the candidates."""
    apart = spacing_of(spacing_m)
    if not len(shapes):
        return Points(place=np.zeros(0, dtype=object), spacing_m=apart)
    width = float(np.sqrt(shapely.area(shapes).mean())) + apart
    step = width / STEPS
    west, south, east, north = shapely.total_bounds(shapes)
    x, y = (np.arange(low, high + step, step) for low, high in ((west, east), (south, north)))
    place: GeometryArray = np.asarray(
        shapely.points(*(one.ravel() for one in np.meshgrid(x, y))), dtype=object
    )
    return Points(place=place, spacing_m=apart)


def packing_rows(points: Points, shapes: GeometryArray) -> tuple[csr_array, IntArray]:
    """Which candidates come near each point, and the points; of two and more, each row once."""
    tree = shapely.STRtree(shapes)
    point, shape = tree.query(points.place, predicate="dwithin", distance=points.reach_m)
    rows = sets_of(point, shape, (len(points.place), len(shapes)))
    rows.sort_indices()
    some = np.flatnonzero(np.diff(rows.indptr) > 1)
    kept = some[unlike_rows(rows[some])]
    return rows[kept], kept


def broken_gaps(shapes: GeometryArray, chosen: FloatArray, points: Points) -> GeometryArray:
    """Middles of the gaps that are too narrow between candidates chosen together."""
    some = np.flatnonzero(chosen > 1e-6)  # noqa: PLR2004 - not chosen at all
    apart = points.spacing_m * (1 - 4 * ROUNDING)
    tree = shapely.STRtree(shapes[some])
    one, two = tree.query(shapes[some], predicate="dwithin", distance=apart)
    once = one < two
    one, two = some[one[once]], some[two[once]]
    together = chosen[one] + chosen[two] > 1 + 1e-6
    one, two = one[together], two[together]
    gap = shapely.shortest_line(shapes[one], shapes[two])
    middle = shapely.line_interpolate_point(gap, 0.5, normalized=True)
    return np.asarray(middle, dtype=object)


"""Share of the limit by which joined openings stay below it."""


def joined_holes(shapes: GeometryArray, ground: Ground) -> GeometryArray:
    """Openings with the parts of corridors at them."""
    return with_strips(shapes, ground.strips, width_m=ground.strip_width_m)


def _no_rows(shapes: GeometryArray) -> csr_array:
    """No row for any candidate."""
    rows: Any = csr_array((0, len(shapes)), dtype=np.int32)
    return rows  # type: ignore[no-any-return]


def too_large_pairs(shapes: GeometryArray, ground: Ground, demands: Demands) -> csr_array:
    """Rows of two candidates each, apart by themselves, that are too large once joined."""
    if not np.isfinite(demands.combined_max_m2) or not len(ground.strips):
        return _no_rows(shapes)
    holes = joined_holes(shapes, ground)
    one, two = shapely.STRtree(holes).query(holes, predicate="dwithin", distance=TOUCH_M)
    once = one < two
    one, two = one[once], two[once]
    area = shapely.area(holes)
    may = area[one] + area[two] > demands.combined_max_m2 * (1 - ROUNDING)
    one, two = one[may], two[may]
    apart = shapely.distance(shapes[one], shapes[two]) >= demands.spacing_m
    one, two = one[apart], two[apart]
    both = shapely.area(shapely.union(holes[one], holes[two]))
    large = both > demands.combined_max_m2 * (1 - ROUNDING)
    pairs = np.column_stack([one, two])[large]
    rows = np.repeat(np.arange(len(pairs)), 2)
    return sets_of(rows, pairs.reshape(-1), (len(pairs), len(shapes)))


def too_large_choices(
    chosen: IntArray, shapes: GeometryArray, ground: Ground, demands: Demands
) -> csr_array:
    """A row for each hole of chosen candidates that corridors make too large together."""
    if not np.isfinite(demands.combined_max_m2) or not len(ground.strips) or not len(chosen):
        return _no_rows(shapes)
    holes = joined_holes(shapes[chosen], ground)
    pairs = shapely.STRtree(holes).query(holes, predicate="dwithin", distance=TOUCH_M)
    links = coo_array((np.ones(pairs.shape[1], bool), tuple(pairs)), shape=(len(holes),) * 2)
    label = connected_components(links, directed=False)[1]
    large = [
        chosen[label == one]
        for one in np.unique(label)  # one a hole
        if (label == one).sum() > 1
        and shapely.union_all(holes[label == one]).area > demands.combined_max_m2 * (1 - ROUNDING)
    ]
    rows = np.repeat(np.arange(len(large)), [len(one) for one in large])
    columns = np.concatenate(large) if large else np.zeros(0, dtype=np.intp)
    return sets_of(rows, columns, (len(large), len(shapes)))
