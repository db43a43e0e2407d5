"""What holds a combined hole together: a few faces, and the trees of which one must go."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.advice.faces import QUAD_SEGS, Faces
from glademark.advice.spared_holes import Spared
from glademark.measure.crowns import GeometryArray

_LEAST_M2 = 1e-6
"""Ground that two holes must share to be held together by it for certain [m2]."""

_NARROWER = 0.995
"""A circle of chords lies inside its arc: within this part of a distance it is always reached."""

FloatArray = npt.NDArray[np.float64]


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
