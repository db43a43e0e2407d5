"""
Holes as they are when some of their marks are spared: the spared crowns stand again.

A hole only shrinks when a tree is spared. Whatever is left of it stays one opening here, however
few its trees and into however many pieces it falls: neither is a way out of a limit.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.measure.crowns import GeometryArray
from glademark.measure.holes import closed_union
from glademark.measure.polygons import only_polygon

Spared = frozenset[int]
"""Positions of the marks that are left standing."""

BoolArray = npt.NDArray[np.bool_]

OUTLINED = ("walked", "centre")
"""Openings that are an outline, whatever stands in it."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Opening:
    """
    One opening and the trees that it hangs on.

    Attributes
    ----------
    number
        As in the layout.
    basis
        walked, tagged, centre or crowns.
    hole
        As measured, nothing spared.
    members
        Positions of its marks.
    nearby
        Positions of the marks that may be spared and whose standing changes the hole; those of
        other openings and of the matrix with a crown in it included.
    """

    number: int
    basis: str
    hole: BaseGeometry
    members: tuple[int, ...]
    nearby: Spared

    @property
    def is_outline(self) -> bool:
        """
        Whether no tree can change it.

        Returns
        -------
        outline
            True for walked and centred openings.
        """
        return self.basis in OUTLINED


@dataclass(frozen=True, kw_only=True, slots=True)
class SparedHoles:
    """
    Every opening, measured again for any set of spared marks.

    Attributes
    ----------
    openings
        In the order of their rows.
    discs
        Crown disc of each mark, shape (n,).
    leave_crowns
        Union of the crowns that stand anyway.
    link_distance_m
        Gap between crowns that is closed [m].
    """

    openings: tuple[Opening, ...]
    discs: GeometryArray
    leave_crowns: BaseGeometry
    link_distance_m: float
    _known: dict[tuple[int, Spared], BaseGeometry] = field(default_factory=dict)

    def hole(self, place: int, spared: Spared) -> BaseGeometry:
        """
        What is left of one opening.

        Parameters
        ----------
        place
            Of the opening, from 0.
        spared
            Marks left standing.

        Returns
        -------
        hole
            Polygon or MultiPolygon, perhaps empty.
        """
        opening = self.openings[place]
        mine = spared & opening.nearby
        if not mine:
            return opening.hole
        key = (place, mine)
        if key not in self._known:
            self._known[key] = self._measured(place, mine)
        return self._known[key]

    def trees_at(self, places: Iterable[int]) -> Spared:
        """
        Trees with a crown in one of some openings.

        Parameters
        ----------
        places
            Of the openings.

        Returns
        -------
        trees
            Their positions.
        """
        return frozenset().union(*(self.openings[place].nearby for place in places))

    def area_m2(self, places: Iterable[int], spared: Spared) -> float:
        """
        Area of some openings together, each counted in full.

        Parameters
        ----------
        places
            Of the openings.
        spared
            Marks left standing.

        Returns
        -------
        area
            In square metres.
        """
        return float(sum(self.hole(place, spared).area for place in places))

    def closed(self, place: int, spared: Spared) -> BaseGeometry:
        """
        Union of the crowns that are cut in one opening, closed, before any crown is taken out.

        Parameters
        ----------
        place
            Of the opening.
        spared
            Marks left standing.

        Returns
        -------
        union
            Empty where all are spared.
        """
        left = [tree for tree in self.openings[place].members if tree not in spared]
        if not left:
            return shapely.MultiPolygon()
        union: BaseGeometry = closed_union(
            self.discs[left], np.zeros(len(left), int), link_distance_m=self.link_distance_m
        ).iloc[0]
        return union

    def _measured(self, place: int, spared: Spared) -> BaseGeometry:
        """Crowns that go, joined anew, less those that stand: the overlay that the layout makes."""
        # the hole less the spared crowns is the same ground, but other slivers along equal edges
        stands = shapely.union_all([self.leave_crowns, *self.discs[sorted(spared)]])
        closed = self.closed(place, spared)
        return only_polygon(shapely.difference(closed, stands))


def spared_holes(
    holes: gpd.GeoDataFrame,
    *,
    members: pd.Series,
    discs: GeometryArray,
    may_stay: BoolArray,
    leave_crowns: BaseGeometry,
    link_distance_m: float,
) -> SparedHoles:
    """
    Openings made ready to be measured again.

    Parameters
    ----------
    holes
        `opening` (number), `basis`; Polygon geometry, projected CRS in metres.
    members
        Row of `holes` for each mark, <NA> for none.
    discs
        Crown discs of the marks, shape (n,).
    may_stay
        Marks that may be spared, shape (n,).
    leave_crowns
        Union of the crowns that stand anyway.
    link_distance_m
        Gap between crowns that is closed [m].

    Returns
    -------
    openings
        On the rows of `holes`.
    """
    geometry = holes.geometry.to_numpy()
    stay = np.flatnonzero(may_stay)
    mark, row = shapely.STRtree(geometry).query(discs[stay], predicate="intersects")
    member = pd.Series(members.array).dropna().astype(int)  # by the position of the mark
    own = member[may_stay[member.index]]
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
        leave_crowns=leave_crowns,
        link_distance_m=link_distance_m,
    )
