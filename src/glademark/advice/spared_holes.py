"""
Holes as they are when some of their marks are spared, and openings cut into faces.

A hole only shrinks when a tree is spared; the crowns that go are outlined anew. Whatever is left of
it stays one opening here, however few its trees and into however many pieces it falls: neither is a
way out of a limit.

A face is ground that lies under the same crowns. It is lost to the opening as soon as one tree
whose crown covers it stands again, where the crowns of leave trees are deducted. Where they are
counted it takes all of those trees, and the sum over faces is a most that the integer program
starts from and measuring brings down.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.sparse import csr_array, vstack
from shapely.geometry.base import BaseGeometry

from glademark.contracts.frames import BoolArray, FloatArray, IntArray
from glademark.measure.crowns import GeometryArray
from glademark.measure.edges import crown_outlines, wider_discs
from glademark.measure.holes import EdgeRule
from glademark.measure.polygons import only_polygon

Spared = frozenset[int]
"""Positions of the marks that are left standing."""


OUTLINED = ("walked", "centre")
"""Openings that are an outline, whatever stands in it."""

FILLED_M2 = 1e-3
"""Ground round leave trees from which an outline counts as filled [m2]."""

QUAD_SEGS = 16
"""Segments a quarter circle round a crown within which closed gaps may open again."""

_WIDER = 1.01
"""A circle of chords lies inside its arc by 0.12 %; widened by this it lies outside."""

_SLIVER_M2 = 1e-12
"""Faces up to this size are rounding of the overlay [m2]."""

_LEAST_M2 = 1e-6
"""Ground that two holes must share to be held together by it for certain [m2]."""

_NARROWER = 0.995
"""A circle of chords lies inside its arc: within this part of a distance it is always reached."""


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
            with_standing=self.rule.edge == "standing_crowns",
        )[1]
        return outlines.by(self.rule.edge)

    def _left(self, place: int, spared: Spared) -> list[int]:
        """Trees of an opening that are cut."""
        return [tree for tree in self.openings[place].members if tree not in spared]

    def _measured(self, place: int, spared: Spared) -> BaseGeometry:
        """Crowns that go, outlined as the layout does it."""
        return self.of_trees(self._left(place, spared), spared)


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


@dataclass(frozen=True, kw_only=True, slots=True)
class Spots:
    """Ground for middles of standing crowns, in pieces that need the same trees spared."""

    trees: csr_array
    """Trees that must all stand before a crown may stand there: a matrix, shape (m, marks)."""
    face: IntArray
    spot: IntArray
    """face and spot: pairs of a face and ground from which a standing crown reaches it."""

    def fewest(self, spared: Spared, faces: int) -> FloatArray:
        """Trees to be spared beside some before anything of each face is lost, 1 or more."""
        goes = np.ones(self.trees.shape[1])
        goes[list(spared)] = 0.0
        missing = (self.trees @ goes)[self.spot]
        least = np.full(faces, np.inf)
        np.minimum.at(least, self.face, missing)
        found: FloatArray = np.where(np.isfinite(least), np.maximum(least, 1.0), 1.0)
        return found


@dataclass(frozen=True, kw_only=True, slots=True)
class Faces:
    """Faces of one opening that some tree can take away."""

    geometry: GeometryArray  # polygons, shape (n,)
    area_m2: FloatArray  # shape (n,)
    trees: csr_array  # trees that each face hangs on: rows of a sparse matrix, shape (n, marks)
    near: csr_array  # trees that can have a part in its loss, beside any others: a matrix alike
    takes_all: BoolArray
    """Whether a face is lost only with all of its trees, shape (n,); else any of them takes it
    away, or in the fill of closed gaps may have a part in that."""
    spots: Spots | None = None
    """Where a standing crown that reaches the faces may stand; None where that is not known."""

    def fewest(self, spared: Spared) -> FloatArray:
        """Number of other trees without which nothing of a face is lost, 1 or more."""
        if self.spots is None:
            return np.ones(len(self.area_m2))
        return self.spots.fewest(spared, len(self.area_m2))

    def kept(self, spared: Spared) -> npt.NDArray[np.intp]:
        """Faces of which every tree is cut."""
        stands = np.zeros(self.trees.shape[1])
        stands[list(spared)] = 1.0
        return np.flatnonzero(self.trees @ stands == 0)

    def of(self, place: int) -> Spared:
        """Trees that one face hangs on."""
        start, end = self.trees.indptr[place : place + 2]
        return frozenset(self.trees.indices[start:end].tolist())


def faces_of(holes: SparedHoles, place: int) -> Faces:
    """Faces of one opening; those that no tree can take away are left out."""
    opening = holes.openings[place]
    trees = np.array(sorted(opening.nearby), dtype=np.intp)
    crowns = holes.cores[trees]
    fill: BaseGeometry = shapely.MultiPolygon()
    reach, far = crowns, holes.reach_m([place], frozenset())
    if far > 0 and len(trees):
        fill = shapely.difference(opening.hole, shapely.union_all(holes.cores[[*opening.members]]))
        reach = _where_gaps_open(trees, crowns, set(opening.members), far)
    polygons = np.concatenate(
        [
            _pieces(shapely.difference(opening.hole, fill), crowns),
            _pieces(fill, reach),
        ]
    )
    inside = shapely.point_on_surface(polygons)
    face, tree = _covered(inside, crowns, reach, fill)
    counted = not holes.rule.deducted
    some = np.unique(face)
    if counted:  # under the crown of a tree that goes anyway nothing is lost
        goes = shapely.union_all(holes.cores[sorted(set(opening.members) - opening.nearby)])
        some = some[~shapely.intersects(goes, inside[some])]
    shapely.prepare(fill)
    size = (len(polygons), len(holes.discs))
    matrix = csr_array((np.ones(len(face)), (face, trees[tree])), shape=size)[some]
    spots = _spots(holes, place, polygons[some])
    near = matrix
    if spots is not None:
        pairs = csr_array(
            (np.ones(len(spots.face)), (spots.face, spots.spot)),
            shape=(len(some), spots.trees.shape[0]),
        )
        near = csr_array(pairs @ spots.trees)
        near.data[:] = 1.0
    elif far > 0:
        face, tree = shapely.STRtree(reach).query(polygons[some], predicate="intersects")
        near = csr_array((np.ones(len(face)), (face, trees[tree])), shape=matrix.shape)
    return Faces(
        geometry=polygons[some],
        area_m2=shapely.area(polygons[some]),
        trees=matrix,
        near=near,
        takes_all=counted & ~shapely.intersects(fill, inside[some]),
        spots=spots,
    )


def _spots(holes: SparedHoles, place: int, faces: GeometryArray) -> Spots | None:
    """Where standing crowns that reach the faces may stand, for outlines closed by such crowns."""
    rule, radius = holes.rule, float(holes.rule.radius_m[0])
    closed = rule.edge == "standing_crowns" and radius > holes.link_distance_m / 2
    if rule.deducted or not closed:
        return None
    opening = holes.openings[place]
    wide = wider_discs(holes.discs[[*opening.members]], radius)
    ground = _pieces(shapely.union_all(wide), wide)
    spot, tree = shapely.STRtree(wide).query(
        shapely.point_on_surface(ground), predicate="intersects"
    )
    tree = np.array(opening.members, dtype=np.intp)[tree]
    shape = (len(ground), len(holes.discs))
    trees = csr_array((np.ones(len(spot)), (spot, tree)), shape=shape)
    goes = np.zeros(len(holes.discs))
    goes[[*set(opening.members) - opening.nearby]] = 1.0
    free = np.flatnonzero(trees @ goes == 0)
    face, spot = shapely.STRtree(ground[free]).query(
        faces, predicate="dwithin", distance=radius * _WIDER
    )
    return Spots(trees=trees[free], face=face, spot=spot)


def kept_faces_of(holes: SparedHoles, place: int, lost: Faces) -> Faces:
    """
    Ground that stays part of an opening as long as all of a few trees are cut.

    Where leave trees are counted, that is the crown of each tree by itself, and the fill.
    """
    if holes.rule.deducted:
        return lost
    trees = np.array(sorted(holes.openings[place].nearby), dtype=np.intp)
    cores, fill = holes.cores[trees], np.flatnonzero(~lost.takes_all)
    alone = csr_array(
        (np.ones(len(trees)), (np.arange(len(trees)), trees)), shape=(len(trees), len(holes.discs))
    )
    hangs = csr_array(vstack([alone, lost.trees[fill]]))
    return Faces(
        geometry=np.concatenate([cores, lost.geometry[fill]]),
        area_m2=np.concatenate([shapely.area(cores), lost.area_m2[fill]]),
        trees=hangs,
        near=hangs,
        takes_all=np.zeros(len(trees) + len(fill), dtype=bool),
    )


def left_m2(holes: SparedHoles, place: int, faces: Faces, spared: Spared) -> FloatArray:
    """Area of each face that is left in its opening."""
    area = faces.area_m2.copy()
    stands = np.zeros(faces.trees.shape[1])
    stands[list(spared)] = 1.0
    some = np.flatnonzero(faces.trees @ stands > 0)
    lost = shapely.get_parts(
        shapely.difference(holes.openings[place].hole, holes.hole(place, spared))
    )
    part, face = shapely.STRtree(faces.geometry[some]).query(lost, predicate="intersects")
    gone = shapely.area(shapely.intersection(lost[part], faces.geometry[some[face]]))
    np.subtract.at(area, some[face], gone)
    return np.maximum(area, 0.0)


def _where_gaps_open(
    trees: npt.NDArray[np.intp], crowns: GeometryArray, members: set[int], far: float
) -> GeometryArray:
    """Ground where sparing a tree may open a closed gap again."""
    width = np.array([tree in members for tree in trees.tolist()]) * far * _WIDER
    around: GeometryArray = shapely.buffer(crowns, width, quad_segs=QUAD_SEGS)
    return around


def _pieces(area: BaseGeometry, cutters: GeometryArray) -> GeometryArray:
    """An area cut along the outlines of others."""
    if shapely.is_empty(area):
        return np.array([], dtype=object)
    lines = shapely.intersection(shapely.boundary(cutters), area)
    network = shapely.union_all([shapely.boundary(area), *lines])
    pieces = shapely.get_parts(shapely.polygonize(shapely.get_parts(network)))
    pieces = pieces[shapely.area(pieces) > _SLIVER_M2]
    shapely.prepare(area)
    inside = shapely.intersects(area, shapely.point_on_surface(pieces))
    found: GeometryArray = pieces[inside]
    return found


def _covered(
    points: GeometryArray, crowns: GeometryArray, reach: GeometryArray, fill: BaseGeometry
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Pairs of point and tree: under its crown, or in the fill within its reach."""
    if not len(points):
        return np.array([], dtype=np.intp), np.array([], dtype=np.intp)
    point, tree = shapely.STRtree(reach).query(points, predicate="intersects")
    shapely.prepare(fill)
    keep = shapely.intersects(fill, points)[point]
    keep |= shapely.intersects(crowns[tree], points[point])
    return point[keep], tree[keep]


def holds_together(
    left: GeometryArray,
    faces: Sequence[Faces],
    *,
    strips: GeometryArray,
    width_m: FloatArray,
    spared: Spared,
) -> Spared | None:
    """
    Trees of which one at least has to be spared to part a combined hole.

    Parameters
    ----------
    left
        What is left of the openings in it, shape (n,).
    strips, width_m
        Ground and width of the corridors, shape (m,).
    """
    wholes = [_with_strips(hole, strips, width_m) for hole in left]
    reached, trees = {0}, frozenset[int]()
    while len(reached) < len(left):
        links = [
            (i, j, shapely.intersection(wholes[i], wholes[j]))
            for i in sorted(reached)
            for j in range(len(left))
            if j not in reached
        ]
        links = [link for link in links if link[2].area > _LEAST_M2]
        if not links:
            return None
        i, j, shared = links[0]
        spot = shapely.point_on_surface(shared)
        sides = [_side(left[k], faces[k], spot, (strips, width_m), spared) for k in (i, j)]
        if sides[0] is None or sides[1] is None:
            return None
        trees |= sides[0] | sides[1]
        reached.add(j)
    return trees


def _with_strips(hole: BaseGeometry, strips: GeometryArray, width_m: FloatArray) -> BaseGeometry:
    """A hole with the parts of the strips that meet it, out to one strip width."""
    met = shapely.intersects(strips, hole)
    around = shapely.buffer(hole, width_m[met], quad_segs=QUAD_SEGS)
    return shapely.union_all([hole, *shapely.intersection(strips[met], around)])


def _side(
    hole: BaseGeometry,
    faces: Faces,
    spot: BaseGeometry,
    corridors: tuple[GeometryArray, FloatArray],
    spared: Spared,
) -> Spared | None:
    """Trees that can take a spot from one hole with its strips."""
    strips, width_m = corridors
    kept = faces.kept(spared)
    away = shapely.distance(faces.geometry[kept], spot)
    if shapely.intersects(hole, spot):
        return _fewest(faces, kept[away <= 0])
    found = []
    for strip, wide in zip(strips, width_m, strict=True):
        if shapely.intersects(strip, spot) and shapely.intersects(strip, hole):
            meets = shapely.area(shapely.intersection(faces.geometry[kept], strip)) > _LEAST_M2
            near = _fewest(faces, kept[away < wide * _NARROWER])
            over = _fewest(faces, kept[meets])
            if near is not None and over is not None:
                found.append(near | over)
    return min(found, key=lambda trees: (len(trees), sorted(trees)), default=None)


def _fewest(faces: Faces, places: npt.NDArray[np.intp]) -> Spared | None:
    """Trees of the face that hangs on the fewest; None without faces."""
    sets = (faces.of(int(place)) for place in places)
    return min(sets, key=lambda trees: (len(trees), sorted(trees)), default=None)
