"""
An opening cut into faces: ground that lies under the same crowns, and is lost or kept as a whole.

A face is lost to the opening as soon as one tree whose crown covers it stands again, where the
crowns of leave trees are deducted. Where they are counted it takes all of those trees, and the sum
over faces is a most that the integer program starts from and measuring brings down.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from scipy.sparse import csr_array, vstack
from shapely.geometry.base import BaseGeometry

from glademark.advice.spared_holes import Spared, SparedHoles
from glademark.contracts.frames import BoolArray, FloatArray, IntArray
from glademark.measure.crowns import GeometryArray
from glademark.measure.edges import wider_discs

QUAD_SEGS = 16
"""Segments a quarter circle round a crown within which closed gaps may open again."""

_WIDER = 1.01
"""A circle of chords lies inside its arc by 0.12 %; widened by this it lies outside."""

_SLIVER_M2 = 1e-12
"""Faces up to this size are rounding of the overlay [m2]."""


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


_LEAST_M2 = 1e-6
"""Ground that two holes must share to be held together by it for certain [m2]."""

_NARROWER = 0.995
"""A circle of chords lies inside its arc: within this part of a distance it is always reached."""


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
