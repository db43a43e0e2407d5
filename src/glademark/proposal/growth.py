"""
What proposals are made from: trees and ground of a stand, and connected sets of its trees.

Sets are grown best-first, all seeds side by side, one tree a step; then come sets that differ from
a good one by a tree at its border: taken in, left out, or exchanged.

A set takes the tree beside it that gives most for the ground that it needs. Prices of the program
(`Prices`) make the same growth look for the sets that the program lacks.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from scipy.sparse import coo_array, csr_array
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

from glademark.contracts.frames import BoolArray, FloatArray, IntArray
from glademark.measure.groups import TOUCH_M
from glademark.measure.holes import EdgeRule

GeometryArray = npt.NDArray[np.object_]

LINK_BONUS = 0.05
"""Each further link to the set makes a tree so much better, which keeps groups compact."""

AT_SIZES = (0.4, 0.6, 0.8, 0.9, 0.97)
"""Shares of the largest ground at which a set is kept, whatever its value."""

TRIED = 5
"""Trees taken in, and trees left out, that are tried for each set."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Stock:
    """Standing trees of one stand."""

    centre: FloatArray
    radius_m: FloatArray
    discs: GeometryArray
    """centre, radius_m and discs: position, shape (n, 2), crown radius and crown disc."""
    gain: FloatArray
    """Points that cutting the tree gains (failing) or, below 0, loses (growing stock)."""
    amounts: FloatArray  # what of each allowance the tree takes, shape (n, allowances)
    may_go: BoolArray
    """Whether a group may have it: not in a corridor, no leave, crop, line or danger tree."""
    cut_first: BoolArray
    """Whether it goes with a corridor, so that a group may have it inside without owning it."""

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
    """Where groups may be, and how their openings are measured."""

    rule: EdgeRule  # edge of openings and the crown radius of standing trees, of one stand
    link_distance_m: float  # gap between crowns that still links them
    boundary: BaseGeometry
    water: BaseGeometry
    barred: BaseGeometry
    """boundary, water and barred: edge of the stand, open water, and ground that no opening may
    touch; perhaps empty."""
    left_standing: GeometryArray  # points of leave, crop, line and danger trees
    all_cut: bool = True  # whether every standing tree inside an opening belongs to it
    strips: GeometryArray
    strip_width_m: FloatArray
    """strips and strip_width_m: corridors that may join openings, and their widths."""
    slope: Callable[[GeometryArray], FloatArray] | None = None
    """Slope of openings as a share, NaN where not known; None without terrain."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Demands:
    """Limits in SI; those that the project does not state ask for nothing."""

    area_min_m2: float = 0.0
    area_max_m2: float = math.inf
    spacing_m: float = 0.0
    boundary_m: float = 0.0
    water_m: float = 0.0
    slope_max: float = math.inf
    combined_max_m2: float = math.inf
    area_total_max_m2: float = math.inf  # of all openings
    amounts_max: tuple[float, ...] = ()
    """What groups may take of each allowance, corridors already deducted."""
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


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Prices:
    """What the program charges a set for."""

    tree: FloatArray  # points of each tree after what it takes of the allowances is paid
    ground: float  # points a square metre of opening
    near: csr_array  # which priced points each tree comes near, shape (trees, points)
    point: FloatArray  # price of each point, paid once a set
    fixed: float  # points that every set pays


def free_of_charge(gain: FloatArray) -> Prices:
    """Prices before there is a program."""
    near: Any = csr_array((len(gain), 0), dtype=np.int32)
    return Prices(tree=gain, ground=0.0, near=near, point=np.zeros(0), fixed=0.0)


@dataclass(frozen=True, kw_only=True, slots=True)
class Sizes:
    """
    Least and largest ground of a set [m2], as the shares of its trees add up, and its trees.

    `ahead` is the part of the value of the trees beside a tree that counts when it is chosen.
    """

    ground_min_m2: float
    ground_max_m2: float
    trees_min: int
    trees_max: int = 400
    ahead: float = 0.5


def grown(
    seeds: IntArray, links: csr_array, share_m2: FloatArray, prices: Prices, sizes: Sizes
) -> csr_array:
    """
    Sets grown from each seed, as a matrix of sets by trees, each set once.

    A set is kept where its value per area reaches a new best, and at some sizes on the way.
    """
    count = len(share_m2)
    state = _State.start(seeds, share_m2, prices)
    key = _look_ahead(links, prices, share_m2, sizes.ahead)
    kept: list[tuple[IntArray, IntArray]] = []
    density = np.full(len(seeds), -np.inf)
    grows = np.ones(len(seeds), dtype=bool)
    for step in range(sizes.trees_max):  # one tree a step for all seeds
        large = state.ground >= sizes.ground_min_m2
        value = (state.value - prices.fixed) / state.ground - prices.ground
        better = grows & large & (step + 1 >= sizes.trees_min) & (value > density)
        density = np.where(better, value, density)
        passed = np.searchsorted(AT_SIZES, state.ground / sizes.ground_max_m2)
        keep = better | (grows & large & (passed > state.passed) & (step + 1 >= sizes.trees_min))
        state.passed = passed
        at = np.flatnonzero(keep)
        kept.append((at, np.full(len(at), step)))
        grows = state.take(links, key, share_m2, prices, sizes, grows)
        if not grows.any():
            break
    return _as_sets(kept, state.order, count)


def _look_ahead(links: csr_array, prices: Prices, share_m2: FloatArray, ahead: float) -> FloatArray:
    """Points per area of each tree, with part of those of the trees beside it."""
    net = prices.tree - prices.ground * share_m2
    beside = np.asarray(links.sum(axis=1)).reshape(-1)
    around = (links @ np.maximum(net, 0.0)) / np.maximum(beside, 1)
    return np.asarray((net + ahead * around) / share_m2)


@dataclass(kw_only=True, slots=True, eq=False)
class _State:
    """Sets on their way: members in order, trees beside them, points that they come near."""

    order: IntArray
    size: int
    ground: FloatArray
    value: FloatArray
    passed: IntArray
    members: IntArray
    beside: IntArray
    paid: IntArray

    @classmethod
    def start(cls, seeds: IntArray, share_m2: FloatArray, prices: Prices) -> "_State":
        """Sets of one tree each."""
        state = cls(
            order=np.full((len(seeds), 64), -1, dtype=np.intp),
            size=0,
            ground=np.zeros(len(seeds)),
            value=np.zeros(len(seeds)),
            passed=np.zeros(len(seeds), dtype=np.intp),
            members=np.zeros(0, dtype=np.intp),
            beside=np.zeros(0, dtype=np.intp),
            paid=np.zeros(0, dtype=np.intp),
        )
        state._add(np.arange(len(seeds)), seeds, share_m2, prices)
        return state

    def take(
        self,
        links: csr_array,
        key: FloatArray,
        share_m2: FloatArray,
        prices: Prices,
        sizes: Sizes,
        grows: BoolArray,
    ) -> BoolArray:
        """Give each set the best tree beside it; which sets got one."""
        count = len(share_m2)
        last = self.order[:, self.size - 1]
        own = np.flatnonzero(grows & (last >= 0))
        row, tree = _expanded(links, last[own])
        more = own[row] * count + tree
        every = np.concatenate([self.beside, more[~_among(more, self.members)]])
        every = every[grows[every // count]]
        self.beside, times = np.unique(every, return_counts=True)
        owner, tree = np.divmod(self.beside, count)
        fits = self.ground[owner] + share_m2[tree] <= sizes.ground_max_m2
        value = key[tree] + LINK_BONUS * np.abs(key[tree]) * (times - 1)
        if len(prices.point):
            value -= self._charged(owner, tree, prices) / share_m2[tree]
        value = np.where(fits, value, -np.inf)
        best = _best_of(owner, value)
        best = best[np.isfinite(value[best])]
        took = np.zeros(len(grows), dtype=bool)
        took[owner[best]] = True
        chosen = self.beside[best]
        self.beside = np.repeat(self.beside, times)
        self.beside = self.beside[~_among(self.beside, np.sort(chosen))]
        self._add(owner[best], tree[best], share_m2, prices)
        return took

    def _add(self, owner: IntArray, tree: IntArray, share_m2: FloatArray, prices: Prices) -> None:
        """Put one tree into each of some sets."""
        if self.size == self.order.shape[1]:
            self.order = np.pad(self.order, ((0, 0), (0, 64)), constant_values=-1)
        if len(prices.point):
            self.value[owner] -= self._charged(owner, tree, prices)
            row, point = _expanded(prices.near, tree)
            paid = owner[row] * len(prices.point) + point
            self.paid = np.unique(np.concatenate([self.paid, paid]))
        self.order[owner, self.size] = tree
        self.size += 1
        self.ground[owner] += share_m2[tree]
        self.value[owner] += prices.tree[tree]
        added = owner * len(share_m2) + tree
        self.members = np.sort(np.concatenate([self.members, added]))

    def _charged(self, owner: IntArray, tree: IntArray, prices: Prices) -> FloatArray:
        """Price of the points that each tree would bring its set near for the first time."""
        row, point = _expanded(prices.near, tree)
        new = ~_among(owner[row] * len(prices.point) + point, self.paid)
        paid: FloatArray = np.bincount(
            row[new], weights=prices.point[point[new]], minlength=len(tree)
        ).astype(float)
        return paid


def _expanded(matrix: csr_array, rows: IntArray) -> tuple[IntArray, IntArray]:
    """Columns of some rows of a matrix: the place among the rows, and the column."""
    start, end = matrix.indptr[rows], matrix.indptr[rows + 1]
    count = (end - start).astype(np.intp)
    place = np.repeat(np.arange(len(rows)), count)
    offset = np.arange(len(place)) - np.repeat(np.cumsum(count) - count, count)
    return place, matrix.indices[np.repeat(start, count) + offset].astype(np.intp)


def _among(values: IntArray, ordered: IntArray) -> BoolArray:
    """Which values are among ordered ones."""
    if not len(ordered):
        return np.zeros(len(values), dtype=bool)
    at = np.minimum(np.searchsorted(ordered, values), len(ordered) - 1)
    return np.asarray(ordered[at] == values)


def _best_of(owner: IntArray, value: FloatArray) -> IntArray:
    """Place of the largest value of each owner; the first of equal ones."""
    order = np.lexsort((np.arange(len(owner)), -value, owner))
    first = np.unique(owner[order], return_index=True)[1]
    return np.asarray(order[first])


def _as_sets(kept: list[tuple[IntArray, IntArray]], order: IntArray, count: int) -> csr_array:
    """The first trees of each seed up to the steps that were kept, each set once."""
    seed = np.concatenate([one for one, _ in kept])
    step = np.concatenate([one for _, one in kept])
    size = step + 1
    row = np.repeat(np.arange(len(seed)), size)
    place = np.arange(len(row)) - np.repeat(np.cumsum(size) - size, size)
    sets = sets_of(row, order[seed[row], place], (len(seed), count))
    return sets[unlike_rows(sets)]


def unlike_rows(sets: csr_array) -> IntArray:
    """Rows of a matrix of sets, the first of equal ones, in order."""
    names = np.random.default_rng(0).integers(1, 2**62, size=sets.shape[1], dtype=np.int64)
    summed = np.concatenate([[0], np.cumsum(names[sets.indices])])  # wraps: equal sets, equal sums
    mark = summed[sets.indptr[1:]] - summed[sets.indptr[:-1]]
    return np.sort(np.unique(mark, return_index=True)[1])


def swapped(
    sets: csr_array,
    area_m2: FloatArray,
    links: csr_array,
    share_m2: FloatArray,
    prices: Prices,
    *,
    area_max_m2: float,
) -> csr_array:
    """The sets with their best changes at the border, as far as their ground may still fit."""
    net = prices.tree - prices.ground * share_m2
    per_area = net / share_m2
    made: list[IntArray] = []
    for row in range(sets.shape[0]):  # some dozens of sets a round, each with a border of its own
        members = sets.indices[sets.indptr[row] : sets.indptr[row + 1]].astype(np.intp)
        near = links[members]
        beside = np.setdiff1d(near.indices, members)
        into = beside[np.argsort(-per_area[beside], kind="stable")[:TRIED]]
        out = members[np.argsort(per_area[members], kind="stable")[:TRIED]]
        room = area_max_m2 - area_m2[row]
        made += [np.append(members, tree) for tree in into if share_m2[tree] <= room]
        made += [np.setdiff1d(members, [tree]) for tree in out]
        made += [
            np.append(np.setdiff1d(members, [old]), new)
            for new in into
            for old in out
            if share_m2[new] - share_m2[old] <= room and net[new] > net[old]
        ]
    if not made:
        return sets[:0]
    rows = np.repeat(np.arange(len(made)), [len(one) for one in made])
    changed = sets_of(rows, np.concatenate(made), (len(made), sets.shape[1]))
    changed.sort_indices()
    return changed[unlike_rows(changed)]
