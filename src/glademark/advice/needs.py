"""
What sparing trees has to bring about: one need for each thing that is beyond its limit.

Every need is monotone: what a set of spared trees brings about, more trees bring about as well. So
a set that falls short proves that one of the trees outside it has to be spared, and each need says
how much each of them can do about it: a row that every answer keeps.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.advice.program import LostArea, Row
from glademark.advice.spared_holes import Faces, Spared, SparedHoles
from glademark.contracts.frames import BoolArray
from glademark.judge.limits import Case
from glademark.measure.figures import area_names


class Need(Protocol):
    """
    One thing that is beyond its limit.

    Attributes
    ----------
    limit
        Key of the limit.
    feature
        What it speaks of, as in the checks.
    trees
        Marks that may be spared and would help.
    """

    @property
    def limit(self) -> str:
        """Key of the limit."""

    @property
    def feature(self) -> str:
        """What it speaks of."""

    @property
    def trees(self) -> Spared:
        """Marks that may be spared and would help."""

    def short(self, spared: Spared) -> float:
        """How much is still missing."""

    def rows(self) -> tuple[Sequence[Row], Sequence[LostArea]]:
        """Rows that every answer keeps, known from the start."""

    def cuts(self, spared: Spared) -> Sequence[Row]:
        """Rows that every answer keeps and that these trees do not."""

    def rough_cuts(self, spared: Spared) -> Sequence[Row]:
        """Those rows of them that say what each other tree does, for a greedy choice."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Amount:
    """An amount of which enough must be spared: volume, basal area, or single trees."""

    limit: str
    feature: str  # limit and feature: as for `Need`
    weights: Mapping[int, float]  # what each mark gives
    least: float  # what all spared must give

    @property
    def trees(self) -> Spared:
        """Marks that give anything."""
        return frozenset(self.weights)

    def short(self, spared: Spared) -> float:
        """Amount still missing."""
        return self.least - sum(self.weights.get(tree, 0.0) for tree in sorted(spared))

    def rows(self) -> tuple[Sequence[Row], Sequence[LostArea]]:
        """The one row that says it all."""
        return [Row(weights=self.weights, least=self.least)], []

    def cuts(self, spared: Spared) -> Sequence[Row]:
        """What is missing, from the others."""
        missing = self.short(spared)
        others = {tree: w for tree, w in self.weights.items() if tree not in spared}
        return [capped(others, missing)]

    def rough_cuts(self, spared: Spared) -> Sequence[Row]:
        """The same."""
        return self.cuts(spared)


def capped(gains: Mapping[int, float], missing: float) -> Row:
    """Row that says that trees must make up for what is missing."""
    weights = {tree: min(gain / missing, 1.0) for tree, gain in gains.items() if gain > 0}
    return Row(weights=weights, least=1.0)


def widest_short(need: Need, spared: Spared, trees: Sequence[int]) -> Spared:
    """As many trees as can be spared while the need is still not met."""
    wide = spared
    for tree in trees:
        more = wide | {tree}
        if need.short(more) > 0:
            wide = more
    return wide


GROUND_RULES = ("exclusion", "setback")
"""Limits on ground where something must not be done."""

NEVER_SPARED = ("corridor", "landing")
"""Zones in which every marked tree has to go."""


def may_be_spared(case: Case) -> BoolArray:
    """Cut marks that do not have to go: not of corridors and landings, not said to go."""
    marks = case.layout.marks
    may = marks["kind"].isin(case.cut_kinds) & ~marks["zone"].isin(NEVER_SPARED)
    if "must_go" in marks:
        may &= ~marks["must_go"].astype(bool)
    return may.to_numpy(dtype=bool)


def cut_inside(case: Case, row: Mapping[str, object] | pd.Series) -> BoolArray:
    """Cut marks in the exclusion or setback that a check speaks of."""
    layout = case.layout
    areas = layout.exclusions if row["limit"] == "exclusion" else layout.setbacks
    area = areas.geometry.to_numpy()[np.array(area_names(areas)) == row["feature"]]
    inside = np.zeros(len(layout.marks), dtype=bool)
    mark = shapely.STRtree(layout.marks.geometry.to_numpy()).query(area, predicate="intersects")[1]
    inside[mark] = True
    return inside & layout.marks["kind"].isin(case.cut_kinds).to_numpy(dtype=bool)


def spared_first(case: Case, checks: pd.DataFrame) -> Mapping[int, str]:
    """Marks that may be spared in ground where nothing is cut, and the ground of each."""
    rows = checks[
        (checks["verdict"] == "exceeded")
        & checks["limit"].isin(GROUND_RULES)
        & (checks["unit"] == "trees")
    ]
    may, ground = may_be_spared(case), dict[int, list[str]]()
    for row in rows.to_dict("records"):
        for tree in np.flatnonzero(
            cut_inside(case, {str(name): value for name, value in row.items()}) & may
        ).tolist():
            ground.setdefault(tree, []).append(f"{row['limit']} {row['feature']}")
    return {tree: "; ".join(dict.fromkeys(names)) for tree, names in sorted(ground.items())}


_WIDER = 1.01
"""Arcs of chords lie inside the circle by less than this."""

_ON_EDGE_M = 1e-3
"""A crown this near to a point of an edge may make it [m]."""

_LOOSE_M = 1e-6
"""A face counts as too close from so much inside the limit on [m]."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Apart:
    """Two openings that are too close to each other."""

    limit: str
    feature: str  # limit and feature: as for `glademark.advice.needs.Need`
    holes: SparedHoles  # openings
    places: tuple[int, int]  # of the two
    faces: tuple[Faces, Faces]  # of the two
    least_m: float  # distance that they must have, rounding allowed for

    @property
    def trees(self) -> Spared:
        """Trees with a crown in one of the two."""
        return self.holes.trees_at(self.places)

    def short(self, spared: Spared) -> float:
        """Distance still missing."""
        one, two = (self.holes.hole(place, spared) for place in self.places)
        if shapely.is_empty(one) or shapely.is_empty(two):
            return -np.inf
        return self.least_m - float(shapely.distance(one, two))

    def rows(self) -> tuple[Sequence[Row], Sequence[LostArea]]:
        """A first round of faces that are too close to each other."""
        return self._pairs(frozenset()), []

    def cuts(self, spared: Spared) -> Sequence[Row]:
        """Pairs of faces that are left and too close: one of each pair must go."""
        rows = self._pairs(spared)
        if rows:
            return rows
        between = shapely.shortest_line(*(self.holes.hole(place, spared) for place in self.places))
        ends = [shapely.get_point(between, end) for end in (0, -1)]
        return [_one_of(self.holes, [*zip(self.places, ends, strict=True)], spared)]

    def rough_cuts(self, spared: Spared) -> Sequence[Row]:
        """The same."""
        return self.cuts(spared)

    def _pairs(self, spared: Spared) -> list[Row]:
        """One row a pair of faces, those on the fewest trees first, no tree in two rows."""
        one, two = self.faces
        left = [faces.kept(spared) for faces in self.faces]
        first, second = left
        reach = self.least_m - _LOOSE_M
        tree = shapely.STRtree(two.geometry[second])
        a, b = tree.query(one.geometry[first], predicate="dwithin", distance=reach)
        a, b = first[a], second[b]
        size = np.diff(one.trees.indptr)[a] + np.diff(two.trees.indptr)[b]
        order = np.lexsort((b, a, size))
        return _apart_rows([one.of(int(a[k])) | two.of(int(b[k])) for k in order[: 20 * _ROWS_MAX]])


_ROWS_MAX = 400
"""Most rows of one round."""


def _apart_rows(sets: Sequence[Spared]) -> list[Row]:
    """Rows of the sets, in order, that share no tree with one before."""
    taken: set[int] = set()
    rows = []
    for trees in sets:
        if taken.isdisjoint(trees):
            taken |= trees
            rows.append(Row(weights=dict.fromkeys(sorted(trees), 1.0), least=1.0))
    return rows[:_ROWS_MAX]


def _one_of(holes: SparedHoles, ends: Sequence[tuple[int, BaseGeometry]], spared: Spared) -> Row:
    """One tree of those without which none of some points of openings is lost."""
    trees = frozenset[int]()
    for place, point in ends:
        others = np.array(sorted(holes.openings[place].nearby - spared), dtype=np.intp)
        reach = max(holes.reach_m([place], spared) * _WIDER, _ON_EDGE_M)
        near = shapely.dwithin(holes.cores[others], point, reach)
        trees |= frozenset(others[near].tolist())
    return Row(weights=dict.fromkeys(sorted(trees), 1.0), least=1.0)


@dataclass(frozen=True, kw_only=True, slots=True)
class Away:
    """An opening that is too close to a line or an area."""

    limit: str
    feature: str  # limit and feature: as for `glademark.advice.needs.Need`
    holes: SparedHoles  # openings
    place: int  # of the opening
    faces: Faces  # of the opening
    other: BaseGeometry  # the boundary, or the water
    least_m: float  # distance that it must have, rounding allowed for

    @property
    def trees(self) -> Spared:
        """Trees with a crown in the opening."""
        return self.holes.trees_at([self.place])

    def short(self, spared: Spared) -> float:
        """Distance still missing."""
        hole = self.holes.hole(self.place, spared)
        if shapely.is_empty(hole):
            return -np.inf
        return self.least_m - float(shapely.distance(hole, self.other))

    def rows(self) -> tuple[Sequence[Row], Sequence[LostArea]]:
        """Every face that is too close must go."""
        return self._close(frozenset()), []

    def cuts(self, spared: Spared) -> Sequence[Row]:
        """Faces that are left and too close."""
        rows = self._close(spared)
        if rows:
            return rows
        away = shapely.shortest_line(self.holes.hole(self.place, spared), self.other)
        return [_one_of(self.holes, [(self.place, shapely.get_point(away, 0))], spared)]

    def rough_cuts(self, spared: Spared) -> Sequence[Row]:
        """The same."""
        return self.cuts(spared)

    def _close(self, spared: Spared) -> list[Row]:
        """One row a face that is left."""
        left = self.faces.kept(spared)
        reach = self.least_m - _LOOSE_M
        close = left[shapely.dwithin(self.faces.geometry[left], self.other, reach)]
        sets = {self.faces.of(int(face)) for face in close}
        return [Row(weights=dict.fromkeys(sorted(trees), 1.0), least=1.0) for trees in sets]
