"""
Holes as they are when some of their marks are spared: the crowns that go are outlined anew.

A hole only shrinks when a tree is spared. Whatever is left of it stays one opening here, however
few its trees and into however many pieces it falls: neither is a way out of a limit.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.contracts.frames import BoolArray
from glademark.measure.crowns import GeometryArray
from glademark.measure.edges import crown_outlines, wider_discs
from glademark.measure.holes import EdgeRule
from glademark.measure.polygons import only_polygon

Spared = frozenset[int]
"""Positions of the marks that are left standing."""


OUTLINED = ("walked", "centre")
"""Openings that are an outline, whatever stands in it."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Opening:
    """One opening and the trees that it hangs on."""

    number: int  # as in the layout
    basis: str  # walked, tagged, centre or crowns
    hole: BaseGeometry  # as measured, nothing spared
    members: tuple[int, ...]  # positions of its marks
    nearby: Spared
    """Positions of the marks that may be spared and whose standing changes the hole; those of other
    openings and of the matrix with a crown in it included."""

    @property
    def is_outline(self) -> bool:
        """Whether no tree can change it."""
        return self.basis in OUTLINED


@dataclass(frozen=True, kw_only=True, slots=True)
class SparedHoles:
    """Every opening, measured again for any set of spared marks."""

    openings: tuple[Opening, ...]  # in the order of their rows
    discs: GeometryArray  # crown disc of each mark, shape (n,)
    spots: GeometryArray  # position of each mark, shape (n,)
    cores: GeometryArray  # ground that each mark opens by itself on the plan's edge, shape (n,)
    rule: EdgeRule  # where openings end, with the trees that stand anyway
    link_distance_m: float  # gap between crowns that is closed [m]
    _known: dict[tuple[int, Spared], BaseGeometry] = field(default_factory=dict)

    def hole(self, place: int, spared: Spared) -> BaseGeometry:
        """What is left of one opening."""
        opening = self.openings[place]
        mine = spared & opening.nearby
        if not mine:
            return opening.hole
        key = (place, mine)
        if key not in self._known:
            self._known[key] = self._measured(place, mine)
        return self._known[key]

    def trees_at(self, places: Iterable[int]) -> Spared:
        """Trees with a crown in one of some openings."""
        return frozenset().union(*(self.openings[place].nearby for place in places))

    def area_m2(self, places: Iterable[int], spared: Spared) -> float:
        """Area of some openings together, ground that lies in several counted once [m2]."""
        holes = [self.hole(place, spared) for place in places]
        return float(shapely.area(holes[0] if len(holes) == 1 else shapely.union_all(holes)))

    def reach_m(self, places: Iterable[int], spared: Spared) -> float:
        """How far from its core a spared tree may take ground that several trees open together."""
        radius = float(self.rule.radius_m[0])
        reach = 0.0 if self.rule.edge == "boles" else self.link_distance_m
        if self.rule.edge == "standing_crowns":
            reach = max(2 * radius, reach)
        elif radius < self.link_distance_m / 2:
            reach = self.link_distance_m
        for place in places:  # ground round leave trees is filled whole, and lost whole
            hole, left = self.hole(place, spared), self._left(place, spared)
            if not self.rule.deducted and left and not self.openings[place].is_outline:
                outline = self._outline(left)[0]
                if shapely.area(hole) > shapely.area(outline) + FILLED_M2:
                    reach = max(reach, float(shapely.length(shapely.envelope(hole))))
        return reach

    def of_trees(self, trees: Sequence[int], spared: Spared) -> BaseGeometry:
        """Hole of some trees beside those that stand anyway and some spared ones."""
        if not len(trees):
            return shapely.MultiPolygon()
        # the hole less the spared crowns is the same ground, but other slivers along equal edges
        rule, more = self.rule, sorted(spared)
        stems = [*shapely.get_parts(rule.leave_stems[0]), *self.spots[more]]
        crowns = shapely.union_all([rule.leave_crowns[0], *self.discs[more]])
        with_spared = replace(
            rule,
            leave_stems=np.array([shapely.MultiPoint(stems)], dtype=object),
            leave_crowns=np.array([crowns], dtype=object),
        )
        one_stand = np.zeros(1, dtype=np.intp)
        return only_polygon(with_spared.finish(self._outline(trees), rule.edge, one_stand)[0])

    def _outline(self, trees: Sequence[int]) -> GeometryArray:
        """Outline of some trees on the plan's edge, whatever else stands; shape (1,)."""
        discs = self.discs[list(trees)]
        outlines = crown_outlines(
            discs,
            np.zeros(len(discs), dtype=np.intp),
            radius_m=np.full(len(discs), self.rule.radius_m[0]),
            link_distance_m=self.link_distance_m,
        )[1]
        return outlines.by(self.rule.edge)

    def _left(self, place: int, spared: Spared) -> list[int]:
        """Trees of an opening that are cut."""
        return [tree for tree in self.openings[place].members if tree not in spared]

    def _measured(self, place: int, spared: Spared) -> BaseGeometry:
        """Crowns that go, outlined as the layout does it."""
        return self.of_trees(self._left(place, spared), spared)


FILLED_M2 = 1e-3
"""Ground round leave trees from which an outline counts as filled [m2]."""


def spared_holes(
    holes: gpd.GeoDataFrame,
    *,
    members: pd.Series,
    crowns: tuple[GeometryArray, GeometryArray],
    may_stay: BoolArray,
    rule: EdgeRule,
    link_distance_m: float,
) -> SparedHoles:
    """
    Openings made ready to be measured again.

    Parameters
    ----------
    holes
        `opening` (number), `basis`; Polygon geometry, projected CRS in metres.
    crowns
        Position and crown disc of each mark, shape (n,).
    may_stay
        Marks that may be spared, shape (n,).
    link_distance_m
        Gap between crowns that is closed [m].
    """
    geometry, (spots, discs) = holes.geometry.to_numpy(), crowns
    stay = np.flatnonzero(may_stay)
    mark, row = shapely.STRtree(geometry).query(discs[stay], predicate="intersects")
    member = pd.Series(members.array).dropna().astype(int)  # by the position of the mark
    own = member[may_stay[member.index]]
    if not rule.deducted:  # a standing crown of another tree takes nothing from an opening
        mark, row = mark[:0], row[:0]
    tree, place = np.concatenate([stay[mark], own.index]), np.concatenate([row, own])
    outline = holes["basis"].isin(OUTLINED).to_numpy()
    openings = tuple(
        Opening(
            number=int(number),
            basis=str(basis),
            hole=hole,
            members=tuple(member.index[member == i].tolist()),
            nearby=frozenset() if outline[i] else frozenset(tree[place == i].tolist()),
        )
        for i, (number, basis, hole) in enumerate(
            zip(holes["opening"], holes["basis"], geometry, strict=True)
        )
    )
    return SparedHoles(
        openings=openings,
        discs=discs,
        spots=spots,
        cores=wider_discs(discs, float(rule.radius_m[0])) if rule.edge == "boles" else discs,
        rule=rule,
        link_distance_m=link_distance_m,
    )
