"""
What sparing must not break: an opening that gets too small, and one that falls into two.

An opening of crowns that falls apart would be two openings when the layout is run again, too close
to each other or too small. Trees can be spared so that it does not come to that, or so that less of
a piece is left than makes an opening.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.advice.cover import Row
from glademark.advice.spared_holes import Spared, SparedHoles
from glademark.measure.groups import TOUCH_M, crown_components
from glademark.measure.holes import Thresholds

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]


@dataclass(frozen=True, kw_only=True, slots=True)
class LeastArea:
    """
    An opening that is large enough and has to stay so.

    Attributes
    ----------
    holes
        Openings.
    place
        Of the opening.
    least_m2
        Area that it must keep, rounding allowed for.
    may_go
        Whether it may be given up as a whole: then it is no opening that is too small.
    """

    holes: SparedHoles
    place: int
    least_m2: float
    may_go: bool = False

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
    """
    An opening of crowns that must not become two openings that break a limit.

    Attributes
    ----------
    holes
        Openings.
    place
        Of the opening.
    marks
        `count`, `crown_radius_m`; Point geometry.
    thresholds
        What makes crown-linked trees an opening.
    apart_m
        Distance that two openings must have; 0 where there is no such limit.
    least_m2
        Area that an opening must have; 0 where there is no such limit.
    """

    holes: SparedHoles
    place: int
    marks: gpd.GeoDataFrame
    thresholds: Thresholds
    apart_m: float
    least_m2: float

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
