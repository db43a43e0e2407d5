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

from glademark.measure.crowns import (
    APART_M,
    DISC_VERTICES,
    GeometryArray,
    askew,
    bare_arcs,
    crown_discs,
)
from glademark.measure.polygons import only_polygons, shared_out, union_by, united, without
from glademark.measure.tables import rows_by

Edge = Literal["marked_crowns", "standing_crowns", "boles"]
Along = Literal["standing_crowns", "boles"]

EDGES: tuple[Edge, ...] = ("marked_crowns", "standing_crowns", "boles")
"""From the least area to the largest."""

QUAD_SEGS = 16
"""Segments a quarter circle of widening and narrowing."""

CHORDS = 32
"""Chords of a whole circle in a quick union."""

SECTOR_STEPS = 12
"""Chords of the arc of a slice."""

LONGER = 1.001
"""So much longer than the radius is a slice, that its chords lie outside the circle."""

SLIVER_M2 = 0.01
"""Parts up to this size are rounding of the overlay, far less than any crown [m2]."""

FITS_M2 = 1e-3
"""Ground for the middle of a standing crown up to this size is rounding [m2]."""

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Outlines:
    """
    Each hole by the three definitions, from the least to the largest; perhaps empty.

    Those at the standing crowns take half of the time and are None where nothing is judged by them.
    """

    marked_crowns: GeometryArray
    standing_crowns: GeometryArray | None
    boles: GeometryArray

    def by(self, edge: Edge) -> GeometryArray:
        """The outlines on one edge."""
        found: GeometryArray | None = getattr(self, edge)
        if found is None:
            msg = f"the outlines on the edge {edge} were not asked for"
            raise ValueError(msg)
        return found

    @property
    def edges(self) -> tuple[Edge, ...]:
        """Definitions whose outlines are there."""
        return tuple(edge for edge in EDGES if getattr(self, edge) is not None)


def widened(shapes: GeometryArray, by_m: FloatArray | float) -> GeometryArray:
    """Polygons widened, or narrowed where `by_m` is negative [m]."""
    found: GeometryArray = shapely.buffer(shapes, by_m, quad_segs=QUAD_SEGS)
    return found


def united_by(discs: GeometryArray, owner: IntArray) -> tuple[IntArray, GeometryArray]:
    """Owners, sorted, and the union of the discs of each."""
    rows = rows_by(owner)
    parts = [discs[some] for some in rows.values()]
    union = shared_out(united, parts)
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
    with_standing: bool = True,
) -> tuple[IntArray, Outlines]:
    """
    Owners, sorted, and the outlines of the crowns of each, at the standing crowns if asked for.

    `radius_m` is that of the standing crown of each owner, on every disc of it [m]. Where it is
    half the link distance or less, closing by it adds nothing.
    """
    owner = np.asarray(owner, dtype=np.intp)
    numbers, union = united_by(discs, owner)
    crowns = closed(union, link_distance_m)
    at, first = np.unique(owner, return_index=True)
    r = np.asarray(radius_m, dtype=np.float64)
    wide = r > link_distance_m / 2
    boles = crowns.copy()
    narrow = ~wide[first]
    boles[narrow] = widened(crowns[narrow], r[first][narrow])
    standing = crowns.copy() if with_standing else None
    if wide.any():
        place = np.searchsorted(at, owner[wide])
        circles = _circles(discs[wide], r[wide])
        wider = union_by(_discs(*circles), place, len(at))
        boles[~narrow] = wider[~narrow]
        if standing is not None:
            filled = _filled(wider, circles, place, r[wide])
            some = np.flatnonzero(~shapely.is_empty(filled))
            standing[some] = shapely.union(crowns[some], _without_slivers(filled[some]))
    return numbers, Outlines(marked_crowns=crowns, standing_crowns=standing, boles=boles)


def _without_slivers(shapes: GeometryArray) -> GeometryArray:
    """Polygons without parts so small that no crown is in them."""
    parts, owner = shapely.get_parts(only_polygons(shapes), return_index=True)
    large = shapely.area(parts) > SLIVER_M2
    return only_polygons(union_by(parts[large], owner[large], len(shapes)))


def _filled(
    wider: GeometryArray,
    circles: tuple[FloatArray, FloatArray, FloatArray],
    place: IntArray,
    r: FloatArray,
) -> GeometryArray:
    """
    What closing by r adds to the discs of each owner, of `wider`, the union of their `circles`.

    That is the widened union less its sectors (the slices from a middle to an arc of the outline)
    and less the standing crowns that touch two discs, whose middles are the corners of the outline.
    """
    (centre, radius, towards), count = circles, len(wider)
    arc, low, high, _ = bare_arcs(centre, radius, stand=place)
    corner = centre[arc] + radius[arc, None] * np.column_stack([np.cos(low), np.sin(low)])
    alone = np.bincount(place, minlength=count) == 1
    some = ~alone[place[arc]]
    touching = _discs(corner[some], r[arc][some], towards[arc][some])
    middle = (low + high) / 2
    halves = [
        _sectors(centre[arc][some], radius[arc][some], ends[0][some], ends[1][some])
        for ends in ((low, middle), (middle, high))
    ]
    owner = place[arc][some]
    cutters = union_by(np.concatenate([touching, *halves]), np.tile(owner, 3), count)
    filled = np.full(count, shapely.MultiPolygon(), dtype=object)
    filled[~alone] = without(wider[~alone], cutters[~alone])
    return filled


def _circles(discs: GeometryArray, r: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Middles, radii widened by r, and bearings of crown discs."""
    rim = shapely.get_coordinates(discs).reshape(len(discs), DISC_VERTICES + 1, 2)
    centre = rim[:, :-1].mean(axis=1)
    towards = np.arctan2(*(rim[:, 0] - centre).T[::-1])
    return centre, np.sqrt(shapely.area(discs) / np.pi) + r, towards


def united_circles(centre: FloatArray, radius_m: FloatArray, owner: IntArray) -> GeometryArray:
    """
    Union of the circles of each owner (numbers from 0, sorted), from its bare arcs, in one overlay.

    Corners within an arc lie so far outside that its chords have the area of the arc.
    """
    centre = askew(centre)
    arc, low, high, _ = bare_arcs(centre, radius_m, stand=owner)
    chords = np.maximum(np.ceil((high - low) * CHORDS / (2 * np.pi)), 2).astype(np.intp)
    step = (high - low) / chords
    sine = np.sin(step)
    turned = chords * step
    outward = turned / (sine + np.sqrt(sine**2 + (chords - 2) * sine * turned))
    corners = chords + 1
    row = np.repeat(np.arange(len(arc)), corners)
    number = np.arange(len(row)) - np.repeat(np.cumsum(corners) - corners, corners)
    angle = low[row] + number * step[row]
    is_end = number == chords[row]
    reach = radius_m[arc][row] * np.where((number == 0) | is_end, 1.0, outward[row])
    place = centre[arc][row] + reach[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    apart = owner[arc] * APART_M
    start, end = (np.column_stack([place[some], apart]) for some in (number == 0, is_end))
    place[is_end] = start[cKDTree(start).query(end)[1], :2]  # the arc that follows
    lines = shapely.multilinestrings(shapely.linestrings(place, indices=row), indices=owner[arc])
    found: GeometryArray = shapely.build_area(lines)
    return found


def wider_discs(discs: GeometryArray, r: float) -> GeometryArray:
    """Crown discs with a radius larger by r [m]."""
    return _discs(*_circles(discs, np.full(len(discs), r)))


def _discs(centre: FloatArray, radius: FloatArray, bearing: FloatArray) -> GeometryArray:
    """Crown discs around coordinates."""
    points = np.asarray(shapely.points(centre), dtype=object)
    return crown_discs(points, radius_m=radius, bearing=bearing)


def _sectors(
    centre: FloatArray, radius: FloatArray, low: FloatArray, high: FloatArray
) -> GeometryArray:
    """Slices of circles up to half a turn, a little longer than the radius."""
    step = np.linspace(0, 1, SECTOR_STEPS + 1)
    angle = low[:, None] + (high - low)[:, None] * step
    reach = LONGER * radius / np.cos((high - low) / SECTOR_STEPS / 2)
    rim = centre[:, None] + reach[:, None, None] * np.stack([np.cos(angle), np.sin(angle)], axis=2)
    slices = shapely.polygons(np.concatenate([centre[:, None], rim], axis=1))
    return np.asarray(slices, dtype=object)


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
