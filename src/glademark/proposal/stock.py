"""What proposals are made from: the trees of one stand, its ground, and what limits demand."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import shapely
from scipy.sparse import coo_array, csr_array
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

from glademark.measure.groups import TOUCH_M
from glademark.measure.holes import EdgeRule

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]
BoolArray = npt.NDArray[np.bool_]
GeometryArray = npt.NDArray[np.object_]


@dataclass(frozen=True, kw_only=True, eq=False)
class Stock:
    """
    Standing trees of one stand.

    Attributes
    ----------
    centre, radius_m, discs
        Position, shape (n, 2), crown radius and crown disc.
    gain
        Points that cutting the tree gains (failing) or, below 0, loses (growing stock).
    amounts
        What of each allowance the tree takes, shape (n, allowances).
    may_go
        Whether a group may have it: not in a corridor, no leave, crop, line or danger tree.
    cut_first
        Whether it goes with a corridor, so that a group may have it inside without owning it.
    """

    centre: FloatArray
    radius_m: FloatArray
    discs: GeometryArray
    gain: FloatArray
    amounts: FloatArray
    may_go: BoolArray
    cut_first: BoolArray

    @cached_property
    def points(self) -> GeometryArray:
        """Positions."""
        found: GeometryArray = np.asarray(shapely.points(self.centre), dtype=object)
        return found

    @cached_property
    def tree(self) -> shapely.STRtree:
        """Positions, to be found by place."""
        return shapely.STRtree(self.points)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Ground:
    """
    Where groups may be, and how their openings are measured.

    Attributes
    ----------
    rule
        Edge of openings and the crown radius of standing trees, of one stand.
    link_distance_m
        Gap between crowns that still links them.
    boundary, water, barred
        Edge of the stand, open water, and ground that no opening may touch; perhaps empty.
    left_standing
        Points of leave, crop, line and danger trees.
    all_cut
        Whether every standing tree inside an opening belongs to it.
    strips, strip_width_m
        Corridors that may join openings, and their widths.
    slope
        Slope of openings as a share, NaN where not known; None without terrain.
    """

    rule: EdgeRule
    link_distance_m: float
    boundary: BaseGeometry
    water: BaseGeometry
    barred: BaseGeometry
    left_standing: GeometryArray
    all_cut: bool = True
    strips: GeometryArray
    strip_width_m: FloatArray
    slope: Callable[[GeometryArray], FloatArray] | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Demands:
    """
    Limits in SI; those that the project does not state ask for nothing.

    Attributes
    ----------
    area_total_max_m2
        Of all openings.
    amounts_max
        What groups may take of each allowance, corridors already deducted.
    """

    area_min_m2: float = 0.0
    area_max_m2: float = math.inf
    spacing_m: float = 0.0
    boundary_m: float = 0.0
    water_m: float = 0.0
    slope_max: float = math.inf
    combined_max_m2: float = math.inf
    area_total_max_m2: float = math.inf
    amounts_max: tuple[float, ...] = ()
    groups_min: int = 1
    groups_max: int = 12
    min_trees: int = 4


def crown_links(stock: Stock, *, link_distance_m: float) -> csr_array:
    """Trees whose crowns come within the link distance, symmetric; only of those that may go."""
    some = np.flatnonzero(stock.may_go)
    reach = stock.radius_m[some]
    longest = 2 * float(reach.max(initial=0.0)) + link_distance_m + TOUCH_M
    pairs = cKDTree(stock.centre[some]).query_pairs(longest, output_type="ndarray")
    away = np.hypot(*(stock.centre[some[pairs[:, 0]]] - stock.centre[some[pairs[:, 1]]]).T)
    pairs = some[pairs[away - reach[pairs].sum(axis=1) <= link_distance_m + TOUCH_M]]
    ends = np.concatenate([pairs, pairs[:, ::-1]])
    links = coo_array((np.ones(len(ends), bool), (ends[:, 0], ends[:, 1])), shape=_square(stock))
    return csr_array(links)


def _square(stock: Stock) -> tuple[int, int]:
    """Shape of a matrix of trees by trees."""
    return len(stock.gain), len(stock.gain)


def ground_shares(stock: Stock, *, margin_m: float) -> FloatArray:
    """Ground nearest to each tree, no farther from it than its crown and the margin [m2]."""
    spot, at, count = np.unique(stock.centre, axis=0, return_inverse=True, return_counts=True)
    at = at.reshape(-1)
    reach = np.zeros(len(spot))
    np.maximum.at(reach, at, stock.radius_m + margin_m)
    circle = np.pi * reach**2
    if len(spot) < 4:  # noqa: PLR2004 - too few to share ground out between
        return (circle / count)[at]
    cells = shapely.get_parts(shapely.voronoi_polygons(shapely.multipoints(spot), ordered=True))
    near = shapely.buffer(shapely.points(spot), reach, quad_segs=8)
    own = shapely.area(shapely.intersection(cells, near))
    return np.asarray((own / count)[at])


def sets_of(rows: IntArray, trees: IntArray, shape: tuple[int, int]) -> csr_array:
    """Sets of trees as a matrix of sets by trees."""
    return csr_array((np.ones(len(rows), dtype=np.int32), (rows, trees)), shape=shape)
