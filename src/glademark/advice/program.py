"""
The integer program that chooses which trees to spare, and rows that every answer keeps.

How groups may be touched: trees spared together, or only with all others, or only at the edge. What
sparing must not break: an opening of crowns that falls apart would be two openings when the layout
is run again, too close to each other or too small; trees can be spared so that it does not come to
that, or so that less of a piece is left than makes an opening.

Solved by HiGHS through SciPy. The program knows of trees as no more than columns.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array, csr_array
from shapely.geometry.base import BaseGeometry

from glademark.advice.spared_holes import Faces, Spared, SparedHoles
from glademark.contracts.frames import BoolArray, FloatArray, IntArray
from glademark.measure.crowns import GeometryArray
from glademark.measure.groups import TOUCH_M, crown_components
from glademark.measure.holes import Thresholds
from glademark.process import without_native_lines
from glademark.project.job_settings import GroupRule

NODES_MAX = 20_000
"""Most nodes of one search of the solver: beyond, the answer is bounded instead of proved."""

_OPTIMAL, _LIMIT, _INFEASIBLE = 0, 1, 2

_Part = tuple[FloatArray, FloatArray, FloatArray]


QUAD_SEGS = 16
"""Segments a quarter circle where the outline of a group is closed between its crowns."""

_TOUCH_M = 0.01
"""A crown this near to the outline of its group reaches it [m]."""

CRUMB_M2 = 1.0
"""Bits of ground up to this size, left between standing crowns, are no piece of a group [m2]."""


def with_all(trees: frozenset[int], together: Mapping[int, frozenset[int]]) -> frozenset[int]:
    """Trees with all that are spared with one of them."""
    return trees.union(*(together.get(tree, frozenset()) for tree in trees))


@dataclass(frozen=True, kw_only=True, slots=True)
class Row:
    """One sum that must stay between two numbers."""

    weights: Mapping[int, float]  # by tree
    least: float = -math.inf
    most: float = math.inf  # least and most: of the sum over the trees spared
    faces: Mapping[tuple[str, int], float] = field(default_factory=dict)
    """Weights of lost faces beside those of trees, by name of the area and number of the face."""


@dataclass(frozen=True, kw_only=True, slots=True)
class LostArea:
    """Area that must be lost, as a sum over faces, each lost with any of its trees or with all."""

    area_m2: FloatArray  # of the faces, shape (n,)
    trees: csr_array  # rows of a sparse matrix, shape (n, marks)
    takes_all: npt.NDArray[np.bool_]
    """Whether a face is lost only with all of its trees, shape (n,)."""
    least: float = -math.inf  # area to be lost at least [m2]
    most: float = math.inf  # area that may be lost at most [m2]
    name: str = ""  # by which rows speak of its faces


@dataclass(frozen=True, kw_only=True, slots=True)
class Program:
    """Trees and the rows that bind them."""

    trees: npt.NDArray[np.intp]  # positions of the marks that may be spared, shape (n,)
    rows: tuple[Row, ...] = ()
    areas: tuple[LostArea, ...] = ()  # rows and areas: what every answer keeps

    def with_rows(self, *rows: Row) -> "Program":
        """The program with more rows."""
        return replace(self, rows=(*self.rows, *rows))


@dataclass(frozen=True, kw_only=True, slots=True)
class Answer:
    """What the solver found."""

    spared: frozenset[int] | None  # positions of the marks; None where it found no answer
    bound: float  # no answer costs less; infinite where there is none at all
    proved: bool  # whether nothing was left open
    last: frozenset[int] = frozenset()  # the last set that was tried where none is the answer


def solve(program: Program, costs: FloatArray, *, relaxed: bool = False) -> Answer:
    """Trees whose sparing costs least; where `relaxed`, only the bound that parts of trees give."""
    size = len(program.trees)
    if not size:
        empty = np.zeros(0, bool)
        fits = all(row.least <= 0 <= row.most for row in program.rows) and not any(
            area.least > 0 for area in program.areas
        )
        return _answer(program, empty, 0.0) if fits else _none(math.inf)
    matrix, low, high, faces = _matrix(program)
    with without_native_lines():
        found = milp(
            np.concatenate([costs, np.zeros(faces)]),
            constraints=LinearConstraint(matrix, low, high) if len(low) else (),
            bounds=Bounds(0, 1),
            integrality=np.concatenate([np.full(size, float(not relaxed)), np.zeros(faces)]),
            options={"mip_rel_gap": 0.0, "node_limit": NODES_MAX},
        )
    if found.status == _INFEASIBLE:
        return _none(math.inf)
    if relaxed:
        bound = float(found.fun) if found.fun is not None else -math.inf
        return Answer(spared=None, bound=bound, proved=False)
    bound = float(found.mip_dual_bound) if found.mip_dual_bound is not None else -math.inf
    if found.x is None:
        return Answer(spared=None, bound=bound, proved=False)
    answer = _answer(program, found.x[:size] > 1 / 2, bound)
    return replace(answer, proved=found.status == _OPTIMAL)


def _none(bound: float) -> Answer:
    """There is no answer."""
    return Answer(spared=None, bound=bound, proved=True)


def _answer(program: Program, chosen: npt.NDArray[np.bool_], bound: float) -> Answer:
    """The trees chosen."""
    return Answer(spared=frozenset(program.trees[chosen].tolist()), bound=bound, proved=True)


def _matrix(program: Program) -> tuple[csr_array, FloatArray, FloatArray, int]:
    """All rows over trees and faces, their bounds, and the number of faces."""
    size = len(program.trees)
    column = {tree: i for i, tree in enumerate(program.trees.tolist())}
    faces, first = 0, dict[str, int]()
    parts: list[tuple[FloatArray, FloatArray, FloatArray]] = []
    low: list[float] = []
    high: list[float] = []
    for area in program.areas:
        first[area.name] = size + faces
        part, ends, number = _area_rows(area, program.trees, (len(low), size + faces))
        parts.append(part)
        low += ends[0]
        high += ends[1]
        faces += number
    for row in program.rows:
        known = [(column[tree], weight) for tree, weight in row.weights.items() if tree in column]
        known += [(first[name] + face, weight) for (name, face), weight in row.faces.items()]
        at = np.array([place for place, _ in known], dtype=float)
        weights = np.array([weight for _, weight in known], dtype=float)
        parts.append((np.full(len(at), float(len(low))), at, weights))
        low.append(row.least)
        high.append(row.most)
    at_row, at_column, value = (
        (np.concatenate([part[i] for part in parts]) for i in range(3))
        if parts
        else (np.zeros(0) for _ in range(3))
    )
    shape = (len(low), size + faces)
    places = (at_row.astype(int), at_column.astype(int))
    return coo_array((value, places), shape=shape).tocsr(), np.array(low), np.array(high), faces


def _area_rows(
    area: LostArea, trees: npt.NDArray[np.intp], start: tuple[int, int]
) -> tuple[_Part, tuple[list[float], list[float]], int]:
    """Rows of one area: the sum over its faces, and what each face takes to be lost."""
    first_row, first_face = start
    covers = area.trees[:, trees].tocoo()
    faces = len(area.area_m2)
    at_row: list[FloatArray] = [np.full(faces, float(first_row))]
    at_column: list[FloatArray] = [first_face + np.arange(faces, dtype=float)]
    value: list[FloatArray] = [area.area_m2]
    low, high = [area.least], [area.most]
    face, tree = covers.coords[0].astype(float), covers.coords[1].astype(float)
    if math.isfinite(area.least):  # lost at most where one of its trees is spared, or all are
        whole = area.takes_all[covers.coords[0]]
        at = np.where(
            whole, np.cumsum(whole) - 1.0 + faces, face
        )  # a row of its own, or one a face
        first = np.flatnonzero(~area.takes_all).astype(float)
        row, pairs = first_row + len(low), np.arange(int(whole.sum()), dtype=float)
        at_row += [row + first, row + faces + pairs, row + at]
        at_column += [first_face + first, first_face + face[whole], tree]
        value += [np.ones(len(first) + len(pairs)), -np.ones(len(face))]
        low += [-math.inf] * (faces + len(pairs))
        high += [0.0] * (faces + len(pairs))
    if math.isfinite(area.most):  # lost for sure where one of its trees is spared
        row = first_row + len(low)
        pairs = np.arange(len(face), dtype=float)
        at_row += [row + pairs, row + pairs]
        at_column += [first_face + face, tree]
        value += [np.ones(len(face)), -np.ones(len(face))]
        low += [0.0] * len(face)
        high += [math.inf] * len(face)
    part = (np.concatenate(at_row), np.concatenate(at_column), np.concatenate(value))
    return part, (low, high), faces


@dataclass(frozen=True, kw_only=True, slots=True)
class LeastArea:
    """An opening that is large enough and has to stay so."""

    holes: SparedHoles  # openings
    place: int  # of the opening
    least_m2: float  # area that it must keep, rounding allowed for
    may_go: bool = False
    """Whether it may be given up as a whole: then it is no opening that is too small."""

    def __call__(self, spared: Spared) -> Sequence[Row]:
        """Row that says which of these trees cannot all be spared."""
        opening = self.holes.openings[self.place]
        cut = sorted(frozenset(opening.members) - spared) if self.may_go else []
        mine = spared & opening.nearby
        if (self.may_go and not cut) or not self._too_small(mine):
            return []
        for tree in sorted(mine):
            if self._too_small(mine - {tree}):
                mine -= {tree}
        weights = dict.fromkeys(sorted(mine), 1.0) | dict.fromkeys(cut[:1], -1.0)
        return [Row(weights=weights, most=len(mine) - 1.0)]

    def _too_small(self, spared: Spared) -> bool:
        """Whether too little is left."""
        return self.holes.hole(self.place, spared).area < self.least_m2


@dataclass(frozen=True, kw_only=True, slots=True)
class OnePiece:
    """An opening of crowns that must not become two openings that break a limit."""

    holes: SparedHoles  # openings
    place: int  # of the opening
    marks: gpd.GeoDataFrame  # `count`, `crown_radius_m`; Point geometry
    thresholds: Thresholds  # what makes crown-linked trees an opening
    apart_m: float  # distance that two openings must have; 0 where there is no such limit
    least_m2: float  # area that an opening must have; 0 where there is no such limit

    def __call__(self, spared: Spared) -> Sequence[Row]:
        """Rows that say which trees keep pieces from being openings that break a limit."""
        opening = self.holes.openings[self.place]
        if not spared & opening.nearby:
            return []
        pieces = self._pieces([tree for tree in opening.members if tree not in spared])
        found = []
        for trees in pieces:
            hole = self._hole(trees, spared)
            if hole.area >= self.thresholds.min_area_m2 and hole.area > 0:
                found.append((trees, hole))
        small = [trees for trees, hole in found if hole.area < self.least_m2]
        close = [
            np.concatenate([one, two])
            for i, (one, hole) in enumerate(found)
            for two, other in found[i + 1 :]
            if shapely.distance(hole, other) < self.apart_m
        ]
        return [self._row(trees, spared) for trees in (*small, *close)]

    def _pieces(self, left: Sequence[int]) -> list[IntArray]:
        """Crown-linked components that have enough trees."""
        trees = np.array(left, dtype=np.intp)
        component = crown_components(
            self.marks.geometry.to_numpy()[trees],
            radius_m=self._radius()[trees],
            link_distance_m=self.thresholds.link_distance_m,
            stand=self.marks["stand"].to_numpy()[trees],
        )
        count = self.marks["count"].to_numpy()[trees]
        size = np.bincount(component, weights=count)
        enough = np.flatnonzero(size >= self.thresholds.min_trees)
        return [trees[component == one] for one in enough]

    def _radius(self) -> FloatArray:
        """Crown radius of every mark."""
        return self.marks["crown_radius_m"].to_numpy(dtype=float)

    def _hole(self, trees: IntArray, spared: Spared) -> BaseGeometry:
        """What a piece leaves of the opening: that of the opening within its own crowns."""
        return self.holes.of_trees(trees.tolist(), spared & self.holes.openings[self.place].nearby)

    def _row(self, trees: IntArray, spared: Spared) -> Row:
        """The pieces stay as they are unless a tree of theirs is spared, or a neighbour is cut."""
        spot = shapely.get_coordinates(self.marks.geometry.to_numpy())
        radius = self._radius()
        mine = np.array(sorted(spared & self.holes.openings[self.place].nearby), dtype=np.intp)
        gap = np.hypot(*(spot[mine][:, None] - spot[trees][None, :]).transpose(2, 0, 1))
        gap -= radius[mine][:, None] + radius[trees][None, :]
        beside = mine[(gap <= self.thresholds.link_distance_m + TOUCH_M).any(axis=1)]
        weights = dict.fromkeys(trees.tolist(), 1.0) | dict.fromkeys(beside.tolist(), -1.0)
        return Row(weights=weights, least=1.0 - len(beside))


@dataclass(frozen=True, kw_only=True, slots=True)
class Bonds:
    """Which trees may be spared, and which of them only with others."""

    rule: GroupRule  # how groups may be touched
    may_stay: BoolArray  # trees that may be spared at all, shape (n,)
    edge: BoolArray  # trees on the edge of their group that may be spared alone, shape (n,)
    together: Mapping[int, Spared]
    """Trees that are spared with a tree, itself among them; those that stand alone are left out."""
    rows: Mapping[int, Sequence[Row]]  # by place of the opening

    def with_all(self, trees: Spared) -> Spared:
        """Trees with all that are spared with one of them."""
        return with_all(trees, self.together)

    def without(self, spared: Spared, tree: int) -> Spared:
        """Trees that are still spared where one is not."""
        return frozenset(one for one in spared if tree not in self.together.get(one, {one}))


def bonds_of(
    holes: SparedHoles, stems: GeometryArray, may_stay: BoolArray, rule: GroupRule
) -> Bonds:
    """Bonds of all openings; other marks in an opening are spared only with all of it."""
    may, edge = may_stay.copy(), np.zeros(len(may_stay), dtype=bool)
    together: dict[int, Spared] = {}
    rows: dict[int, Sequence[Row]] = {}
    if rule == "free":
        return Bonds(rule=rule, may_stay=may, edge=edge, together=together, rows=rows)
    in_group = np.zeros(len(may), dtype=bool)
    in_group[[tree for opening in holes.openings for tree in opening.members]] = True
    loose = np.flatnonzero(may_stay & ~in_group)
    for place, opening in enumerate(holes.openings):
        members = np.array(opening.members, dtype=np.intp)
        at_edge = np.zeros(len(members), dtype=bool)
        if rule == "edge_trees" and not opening.is_outline:
            at_edge = on_edge(holes.discs[members])
        edge[members[at_edge]] = may_stay[members[at_edge]]
        inside = loose[shapely.intersects(stems[loose], opening.hole)]
        inner = np.concatenate([members[~at_edge], inside])
        if len(members) and may_stay[members].all():
            whole = frozenset(members.tolist())
            for tree in inner.tolist():
                together[tree] = together.get(tree, frozenset({tree})) | whole
            rows[place] = _rows(members[~at_edge], members[at_edge], inside)
        else:  # it cannot be spared as a whole
            may[inner] = False
    return Bonds(rule=rule, may_stay=may, edge=edge, together=together, rows=rows)


def _rows(core: IntArray, at_edge: IntArray, inside: IntArray) -> Sequence[Row]:
    """The core is spared as one, with the whole edge; what else stands inside, only with both."""
    as_one = [
        Row(weights={one: 1.0, two: -1.0}, least=0.0, most=0.0)
        for one, two in pairwise(core.tolist())
    ]
    first = core[:1].tolist()
    with_edge = [
        Row(weights={one: 1.0, two: -1.0}, most=0.0) for one in first for two in at_edge.tolist()
    ]
    others = first or at_edge.tolist()
    with_all = [
        Row(weights={one: 1.0, two: -1.0}, most=0.0) for one in inside.tolist() for two in others
    ]
    return [*as_one, *with_edge, *with_all]


def on_edge(discs: GeometryArray) -> BoolArray:
    """Crowns of a group that reach its outline: no crown of middle size fits in between."""
    middle = float(np.median(np.sqrt(shapely.area(discs) / np.pi))) if len(discs) else 0.0
    union = shapely.union_all(discs)
    closed = shapely.buffer(
        shapely.buffer(union, middle, quad_segs=QUAD_SEGS), -middle, quad_segs=QUAD_SEGS
    )
    outline = shapely.get_exterior_ring(shapely.get_parts(shapely.union(union, closed)))
    reaches: BoolArray = shapely.dwithin(
        shapely.boundary(discs), shapely.multilinestrings(outline), _TOUCH_M
    )
    return reaches


@dataclass(frozen=True, kw_only=True, slots=True)
class Unsplit:
    """An opening of which no part may fall in two."""

    holes: SparedHoles
    place: int  # holes and place: openings, and which of them
    faces: Faces  # of the opening

    def __call__(self, spared: Spared) -> Sequence[Row]:
        """Rows that say what keeps the pieces together, or takes one of them away."""
        mine = spared & self.holes.openings[self.place].nearby
        if not mine:
            return []
        parts, owner = self._parts(mine)
        rows = []
        for one in np.unique(owner):
            pieces = parts[owner == one]
            pieces = pieces[np.argsort(-shapely.area(pieces), kind="stable")]
            rows += [self._row(pieces[0], other, mine) for other in pieces[1:]]
        return rows

    def _parts(self, spared: Spared) -> tuple[GeometryArray, IntArray]:
        """Parts of what is left, and the part of the whole opening that each was."""
        left = shapely.get_parts(self.holes.hole(self.place, spared))
        left = left[shapely.area(left) > CRUMB_M2]
        whole = shapely.get_parts(self.holes.openings[self.place].hole)
        away = shapely.distance(shapely.point_on_surface(left)[:, None], whole[None, :])
        return left, away.argmin(axis=1) if len(left) else np.zeros(0, dtype=np.intp)

    def _row(self, one: BaseGeometry, two: BaseGeometry, spared: Spared) -> Row:
        """Of the trees between two pieces one is cut, or ground of one piece is lost."""
        spots, kept = [], frozenset[int]()
        places = self.faces.kept(spared)
        inside = shapely.point_on_surface(self.faces.geometry[places])
        for piece in (one, two):
            here = places[shapely.intersects(piece, inside)]
            large = here[self.faces.area_m2[here] > CRUMB_M2].tolist()
            sets = [self.faces.of(place) for place in (large or here.tolist())]
            if large:
                fewest = min(range(len(sets)), key=lambda i: (len(sets[i]), sorted(sets[i])))
                spots.append(shapely.point_on_surface(self.faces.geometry[large[fewest]]))
                kept |= sets[fewest]
            else:
                spots.append(shapely.point_on_surface(piece))
                kept = kept.union(*sets)
        between = spared
        for tree in sorted(spared):
            if self._parted(between - {tree}, spots):
                between -= {tree}
        weights = dict.fromkeys(sorted(kept), 1.0) | dict.fromkeys(sorted(between), -1.0)
        return Row(weights=weights, least=1.0 - len(between))

    def _parted(self, spared: Spared, spots: Sequence[Any]) -> bool:
        """Whether two spots lie in different pieces of what is left."""
        parts = shapely.get_parts(self.holes.hole(self.place, spared))
        return not any(shapely.intersects(parts, spots[0]) & shapely.intersects(parts, spots[1]))
