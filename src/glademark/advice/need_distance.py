"""Needs of distance: two openings too close, an opening too close to the boundary or to water."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.advice.cover import LostArea, Row
from glademark.advice.faces import Faces
from glademark.advice.spared_holes import Spared, SparedHoles

_WIDER = 1.01
"""Arcs of chords lie inside the circle by less than this."""

_ON_EDGE_M = 1e-3
"""A crown this near to a point of an edge may make it [m]."""

_LOOSE_M = 1e-6
"""A face counts as too close from so much inside the limit on [m]."""

IntArray = npt.NDArray[np.intp]


@dataclass(frozen=True, kw_only=True, slots=True)
class Apart:
    """
    Two openings that are too close to each other.

    Attributes
    ----------
    limit, feature
        As for `glademark.advice.needs.Need`.
    holes
        Openings.
    places
        Of the two.
    faces
        Of the two.
    least_m
        Distance that they must have, rounding allowed for.
    """

    limit: str
    feature: str
    holes: SparedHoles
    places: tuple[int, int]
    faces: tuple[Faces, Faces]
    least_m: float

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
    """
    An opening that is too close to a line or an area.

    Attributes
    ----------
    limit, feature
        As for `glademark.advice.needs.Need`.
    holes
        Openings.
    place
        Of the opening.
    faces
        Of the opening.
    other
        The boundary, or the water.
    least_m
        Distance that it must have, rounding allowed for.
    """

    limit: str
    feature: str
    holes: SparedHoles
    place: int
    faces: Faces
    other: BaseGeometry
    least_m: float

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
