"""
Where an opening ends: the crowns cut, the standing crowns around them, or the boles of these.

With U the union of the crowns cut (closed by half the link distance) and r the radius of a
standing crown: `marked_crowns` is U; `boles` is U widened by r, the nearest that a bole can stand
whose crown only touches; `standing_crowns` is `boles` narrowed by r, so that no standing crown fits
into what it adds to U.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
import shapely
from scipy.spatial import cKDTree

from glademark.measure.crowns import APART_M, DISC_VERTICES, GeometryArray, closed_arcs, origins
from glademark.measure.polygons import only_polygons, shared_out, union_by, united
from glademark.measure.tables import rows_by

Edge = Literal["marked_crowns", "standing_crowns", "boles"]
Along = Literal["standing_crowns", "boles"]

EDGES: tuple[Edge, ...] = ("marked_crowns", "standing_crowns", "boles")
"""From the least area to the largest."""

QUAD_SEGS = 16
"""Segments a quarter circle of widening and narrowing."""

CHORDS = 64
"""Chords of a whole circle."""

CHORDS_OFF = 1e-5
"""Share of an area by which that within chords is off where these cross each other."""

FITS_M2 = 1e-3
"""Ground for the middle of a standing crown up to this size is rounding [m2]."""

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Outlines:
    """Each hole by the three definitions, from the least to the largest; perhaps empty."""

    marked_crowns: GeometryArray
    standing_crowns: GeometryArray
    boles: GeometryArray

    def by(self, edge: Edge) -> GeometryArray:
        """The outlines on one edge."""
        found: GeometryArray = getattr(self, edge)
        return found


def widened(shapes: GeometryArray, by_m: FloatArray | float) -> GeometryArray:
    """Polygons widened, or narrowed where `by_m` is negative [m]."""
    found: GeometryArray = shapely.buffer(shapes, by_m, quad_segs=QUAD_SEGS)
    return found


def united_by(discs: GeometryArray, owner: IntArray) -> tuple[IntArray, GeometryArray]:
    """Owners, sorted, and the union of the discs of each."""
    rows = rows_by(owner)
    parts = [discs[some] for some in rows.values()]
    union = shared_out(lambda part: part[0] if len(part) == 1 else united(part), parts)
    return np.array([*rows], dtype=np.intp), union


def closed(union: GeometryArray, link_distance_m: float) -> GeometryArray:
    """Unions of crowns closed by half the link distance [m]."""
    if link_distance_m <= 0:
        return union
    half = link_distance_m / 2
    found: GeometryArray = shapely.union(union, widened(widened(union, half), -half))
    return found  # chords for arcs would take some of the crowns away


def crown_outlines(
    discs: GeometryArray,
    owner: npt.ArrayLike,
    *,
    radius_m: FloatArray,
    link_distance_m: float,
) -> tuple[IntArray, Outlines]:
    """
    Owners, sorted, and the outlines of the crowns of each.

    `radius_m` is that of the standing crown of each owner, on every disc of it [m]. Where it is
    half the link distance or less, closing by it adds nothing.
    """
    owner = np.asarray(owner, dtype=np.intp)
    order = np.argsort(owner, kind="stable")
    numbers, first, place = np.unique(owner[order], return_index=True, return_inverse=True)
    centre, radius = circles_of(discs[order])
    r = np.asarray(radius_m, dtype=np.float64)[order]
    half = np.full(len(r), link_distance_m / 2)
    crowns = closed_circles(centre, radius, place, r=half)
    standing = closed_circles(centre, radius, place, r=np.maximum(r, half))
    boles = united_circles(centre, radius + r, place)
    narrow = r[first] < link_distance_m / 2  # closing adds ground that no wider circle covers
    boles[narrow] = widened(crowns[narrow], r[first][narrow])
    return numbers, Outlines(marked_crowns=crowns, standing_crowns=standing, boles=boles)


def circles_of(discs: GeometryArray) -> tuple[FloatArray, FloatArray]:
    """Middles and radii of crown discs."""
    rim = shapely.get_coordinates(discs).reshape(len(discs), DISC_VERTICES + 1, 2)
    return rim[:, :-1].mean(axis=1), np.sqrt(shapely.area(discs) / np.pi)


def united_circles(centre: FloatArray, radius_m: FloatArray, owner: IntArray) -> GeometryArray:
    """Union of the circles of each owner (numbers from 0, sorted)."""
    return closed_circles(centre, radius_m, owner, r=np.zeros(len(owner)))


def closed_circles(
    centre: FloatArray, radius_m: FloatArray, owner: IntArray, *, r: FloatArray
) -> GeometryArray:
    """
    Union of the circles of each owner (numbers from 0, sorted), closed by r: `closed_arcs`.

    Corners within an arc lie so far outside that its chords have the area of the arc.
    """
    if not len(owner):
        return np.zeros(0, dtype=object)
    count = int(owner[-1]) + 1
    origin = origins(centre, owner, count)
    arcs = closed_arcs(centre - origin[owner], radius_m, r=r, stand=owner)
    turn = arcs.end - arcs.start
    chords = np.maximum(np.ceil(np.abs(turn) * CHORDS / (2 * np.pi)), 2).astype(np.intp)
    step = turn / chords
    sine = np.sin(np.abs(step))
    turned = np.abs(turn)
    outward = turned / (sine + np.sqrt(sine**2 + (chords - 2) * sine * turned))
    corners = chords + 1
    row = np.repeat(np.arange(len(chords)), corners)
    number = np.arange(len(row)) - np.repeat(np.cumsum(corners) - corners, corners)
    angle = arcs.start[row] + number * step[row]
    is_end = number == chords[row]
    reach = arcs.radius_m[row] * np.where((number == 0) | is_end, 1.0, outward[row])
    towards = np.column_stack([np.cos(angle), np.sin(angle)])
    place = arcs.centre[row] + origin[arcs.stand[row]] + reach[:, None] * towards
    apart = arcs.stand * APART_M
    start, end = (np.column_stack([place[some], apart]) for some in (number == 0, is_end))
    place[is_end] = start[cKDTree(start).query(end)[1], :2]  # the arc that follows
    lines = shapely.linestrings(place, indices=row)
    order = np.argsort(arcs.stand, kind="stable")
    rings = shapely.multilinestrings(lines[order], indices=arcs.stand[order])
    found: GeometryArray = shapely.build_area(rings)
    exact = arcs.areas(count)
    off = np.abs(shapely.area(found) - exact) > CHORDS_OFF * exact
    for which in np.flatnonzero(off | ~shapely.is_valid(found)):  # arcs that all but touch
        some = owner == which
        around = radius_m[some] + r[some]
        circles = shapely.buffer(shapely.points(centre[some]), around, quad_segs=CHORDS)
        found[which] = shapely.union_all(circles).buffer(-r[some][0], quad_segs=CHORDS)
    return found


def wider_discs(discs: GeometryArray, r: float) -> GeometryArray:
    """Crown discs with a radius larger by r [m]."""
    centre, radius = circles_of(discs)
    rim = shapely.get_coordinates(discs).reshape(len(discs), DISC_VERTICES + 1, 2)
    from_centre = (rim - centre[:, None]) * (1 + r / radius)[:, None, None]
    return np.asarray(shapely.polygons(centre[:, None] + from_centre), dtype=object)


def walked_outlines(
    outline: GeometryArray, along: npt.NDArray[np.object_], *, radius_m: FloatArray
) -> tuple[GeometryArray, GeometryArray]:
    """Walked outlines brought to the standing crowns and to the boles; perhaps empty."""
    to_boles = along == "boles"
    standing = np.where(to_boles, widened(outline, -radius_m), outline)
    boles = np.where(to_boles, outline, widened(outline, radius_m))
    return only_polygons(standing), only_polygons(boles)


def leave_trees_within(
    outline: GeometryArray,
    edge: Edge,
    *,
    radius_m: FloatArray,
    stems: GeometryArray,
    crowns: GeometryArray,
) -> GeometryArray:
    """
    Outlines with those inner rings filled that hold nothing but recorded leave trees.

    A ring is filled where a leave tree stands in it and no standing crown of `radius_m` fits beside
    those; `stems` are MultiPoints and `crowns` unions of crowns, one each for every outline.
    """
    filled = outline.copy()
    holds = np.flatnonzero(_inner_count(outline) & ~shapely.is_empty(stems))
    for place in holds:  # few outlines have a tree left inside
        rings = _inner_rings(outline[place])
        rings = rings[shapely.intersects(rings, stems[place])]
        r = float(radius_m[place])
        middle = rings if edge == "boles" else widened(rings, -r)
        left = shapely.difference(middle, widened(crowns[place], r))
        full = rings[shapely.area(left) <= FITS_M2]
        filled[place] = shapely.union_all([outline[place], *full])
    return filled


def _inner_count(outline: GeometryArray) -> npt.NDArray[np.bool_]:
    """Which outlines have inner rings."""
    parts, owner = shapely.get_parts(outline, return_index=True)
    inner = shapely.get_num_interior_rings(parts)
    return np.bincount(owner, weights=inner, minlength=len(outline)) > 0


def _inner_rings(outline: object) -> GeometryArray:
    """Inner rings of one outline as polygons."""
    parts = shapely.get_parts(np.asarray(outline, dtype=object))
    rings, part = shapely.get_rings(parts, return_index=True)
    inner = np.concatenate([[False], part[1:] == part[:-1]])  # the first of a part is its outer one
    found: GeometryArray = shapely.polygons(rings[inner])
    return found


def outer_rings(polygons: GeometryArray) -> GeometryArray:
    """Polygons without their inner rings."""
    found = np.array(polygons, dtype=object)
    some = np.flatnonzero(_inner_count(found))
    parts, owner = shapely.get_parts(found[some], return_index=True)
    shells: GeometryArray = np.asarray(shapely.polygons(shapely.get_exterior_ring(parts)), object)
    found[some] = union_by(shells, owner, len(some))
    return found
