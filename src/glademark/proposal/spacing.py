"""
Rows of the program that keep openings apart.

At most one candidate may come within half the spacing of a point. Points are a grid at first, and
then the middle of every gap that is too narrow, until none is: exact, and far tighter than one row
for each pair.
"""

from dataclasses import dataclass

import numpy as np
import shapely
from scipy.sparse import csr_array

from glademark.proposal.growth import unlike_rows
from glademark.proposal.stock import FloatArray, GeometryArray, IntArray, sets_of

TOUCH_M = 2e-6
"""Openings at least this far apart are two [m]."""

ROUNDING = 1e-9
"""Share of the spacing within which a gap counts as wide enough."""

STEPS = 3.0
"""Points of the grid across the mean width of a candidate and its spacing."""


def spacing_of(spacing_m: float) -> float:
    """Least distance between two openings; those that touch would be one."""
    return max(spacing_m, TOUCH_M)


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
