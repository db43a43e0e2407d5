"""
An opening cut into faces: ground that lies under the same crowns, and is lost or kept as a whole.

A face is lost to the opening as soon as one tree whose crown covers it stands again, where the
crowns of leave trees are deducted. Where they are counted it takes all of those trees, and the sum
over faces is a most that the integer program starts from and measuring brings down.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from scipy.sparse import csr_array
from shapely.geometry.base import BaseGeometry

from glademark.advise.spared_holes import Spared, SparedHoles
from glademark.measure.crowns import GeometryArray

QUAD_SEGS = 16
"""Segments a quarter circle round a crown within which closed gaps may open again."""

_WIDER = 1.01
"""A circle of chords lies inside its arc by 0.12 %; widened by this it lies outside."""

_SLIVER_M2 = 1e-12
"""Faces up to this size are rounding of the overlay [m2]."""

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Faces:
    """
    Faces of one opening that some tree can take away.

    Attributes
    ----------
    geometry
        Polygons, shape (n,).
    area_m2
        Shape (n,).
    trees
        Trees that take each face away, any one of them: rows of a sparse matrix, shape (n, marks).
        Where gaps were closed, a face of the fill may be lost only with several of them.
    """

    geometry: GeometryArray
    area_m2: FloatArray
    trees: csr_array

    def kept(self, spared: Spared) -> npt.NDArray[np.intp]:
        """
        Faces that no spared tree takes away.

        Parameters
        ----------
        spared
            Marks left standing.

        Returns
        -------
        places
            Of the faces.
        """
        stands = np.zeros(self.trees.shape[1])
        stands[list(spared)] = 1.0
        return np.flatnonzero(self.trees @ stands == 0)

    def of(self, place: int) -> Spared:
        """
        Trees that take one face away.

        Parameters
        ----------
        place
            Of the face.

        Returns
        -------
        trees
            Positions of the marks.
        """
        start, end = self.trees.indptr[place : place + 2]
        return frozenset(self.trees.indices[start:end].tolist())


def faces_of(holes: SparedHoles, place: int) -> Faces:
    """
    Faces of one opening.

    Parameters
    ----------
    holes
        Openings.
    place
        Of the opening.

    Returns
    -------
    faces
        Those that no tree can take away left out.
    """
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
    some = np.unique(face)
    size = (len(polygons), len(holes.discs))
    matrix = csr_array((np.ones(len(face)), (face, trees[tree])), shape=size)
    return Faces(geometry=polygons[some], area_m2=shapely.area(polygons[some]), trees=matrix[some])


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
