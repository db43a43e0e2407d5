"""
Crown discs: the hole that one tree leaves, before any overlap.

A disc is a regular polygon scaled to the area of its circle, so that sums and unions of areas do
not inherit the shortfall of an inscribed polygon (0.16 % with 64 vertices).
"""

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.spatial import cKDTree

from glademark.contracts.frames import STAND
from glademark.errors import counted
from glademark.forestry import PACKAGED_SPECIES, SpeciesNames, crown_radius_m, nearest_species
from glademark.measure.tables import rows_by, sums

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]
GeometryArray = npt.NDArray[np.object_]

DISC_VERTICES = 64
"""Vertices of a disc: the outline stays within 0.1 % of the radius of its circle."""

APART_M = 1e6
"""Third coordinate that keeps trees of different stands apart in a search [m a stand]."""

ASKEW_M = 1e-5
"""Crowns in rows and columns are moved by so little that no three circles meet in a point [m]."""

_EQUAL_AREA = float(np.sqrt(2 * np.pi / (DISC_VERTICES * np.sin(2 * np.pi / DISC_VERTICES))))
_AT_ONCE = 20_000


def longest_edge_bearings(stands: GeometryArray) -> FloatArray:
    """
    Direction of the longest edge of each stand's boundary.

    Discs are turned by it: a polygon is not quite a circle, so that the union of discs would
    otherwise depend, by some 1e-6, on how the map is turned.

    Parameters
    ----------
    stands
        Polygons or MultiPolygons, projected CRS; shape (stands,).

    Returns
    -------
    bearings
        Counterclockwise from the x axis [rad].

    Examples
    --------
    >>> upright_and_flat = shapely.box([0, 0], 0, [1, 9], [9, 1])
    >>> (longest_edge_bearings(upright_and_flat) % np.pi).round(6).tolist()
    [1.570796, 0.0]
    """
    parts, stand = shapely.get_parts(stands, return_index=True)
    rings, part = shapely.get_rings(parts, return_index=True)
    corners, ring = shapely.get_coordinates(rings, return_index=True)
    edges, follows = np.diff(corners, axis=0), ring[1:] == ring[:-1]
    edges, owner = edges[follows], stand[part[ring[1:][follows]]]
    order = np.lexsort((-np.hypot(edges[:, 0], edges[:, 1]), owner))  # the first of equal ones
    longest = edges[order[np.unique(owner[order], return_index=True)[1]]]
    return np.asarray(np.arctan2(longest[:, 1], longest[:, 0]))


def crown_discs(
    points: GeometryArray, *, radius_m: FloatArray, bearing: float | FloatArray
) -> GeometryArray:
    """
    Discs around points, each with exactly the area of its circle.

    Parameters
    ----------
    points
        Points, projected CRS [m]; shape (n,).
    radius_m
        Crown radii, > 0 [m]; shape (n,).
    bearing
        Direction of the first vertex of every disc, one for all or one each [rad]; see
        `longest_edge_bearings`.

    Returns
    -------
    discs
        Polygons, shape (n,).

    Examples
    --------
    >>> centre = np.array([shapely.Point(0, 0)])
    >>> disc = crown_discs(centre, radius_m=np.array([2.0]), bearing=0.0)[0]
    >>> round(float(disc.area) / (np.pi * 2**2), 12)
    1.0
    """
    return inscribed_discs(points, radius_m=radius_m * _EQUAL_AREA, bearing=bearing)


def inscribed_discs(
    points: GeometryArray, *, radius_m: FloatArray, bearing: float | FloatArray
) -> GeometryArray:
    """
    Discs around points, each with its corners on its circle.

    Parameters
    ----------
    points
        Points, projected CRS [m]; shape (n,).
    radius_m
        Radii, > 0 [m]; shape (n,).
    bearing
        Direction of the first corner of every disc, one for all or one each [rad]; see
        `longest_edge_bearings`.

    Returns
    -------
    discs
        Regular polygons of `DISC_VERTICES` corners, shape (n,).

    Examples
    --------
    >>> centre = np.array([shapely.Point(0, 0)])
    >>> disc = inscribed_discs(centre, radius_m=np.array([2.0]), bearing=0.0)[0]
    >>> [float(edge) for edge in shapely.bounds(disc).round(12)]
    [-2.0, -2.0, 2.0, 2.0]
    """
    turns, disc = np.unique(np.broadcast_to(bearing, len(points)), return_inverse=True)
    turn = turns[:, None] + 2 * np.pi * np.arange(DISC_VERTICES) / DISC_VERTICES
    ring = np.stack([np.cos(turn), np.sin(turn)], axis=2)
    ring = np.concatenate([ring, ring[:, :1]], axis=1)  # closed
    centre = shapely.get_coordinates(points)[:, None, :]
    found = np.empty(len(points), dtype=object)
    for start in range(0, len(points), _AT_ONCE):  # their coordinates are as large as the discs
        part = slice(start, start + _AT_ONCE)
        found[part] = shapely.polygons(centre[part] + radius_m[part, None, None] * ring[disc[part]])
    return found


def crown_radii(
    trees: pd.DataFrame, *, default_m: float, species: SpeciesNames = PACKAGED_SPECIES
) -> dict[str, npt.NDArray[np.float64] | npt.NDArray[np.object_]]:
    """
    Crown radius of every tree, and where it comes from, as columns.

    `crown_radius_m` as measured, else by the published crown-width equation of the species, else
    `default_m`; `crown_source` is measured, the key of the equation, or ``default``.
    """
    measured = trees["crown_radius_m"].to_numpy(dtype=float)
    code = species.crown_codes(trees["species"].to_numpy(dtype=object))
    published, key = crown_radius_m(code, trees["dbh_cm"].to_numpy(dtype=float))
    has_equation = np.isfinite(published) & (published > 0)
    radius = np.where(has_equation, published, default_m)
    source = np.where(has_equation, key, "default")
    is_measured = np.isfinite(measured)
    return {
        "crown_radius_m": np.where(is_measured, measured, radius),
        "crown_source": np.where(is_measured, "measured", source).astype(object),
    }


def crown_cover(
    centre: FloatArray, radius_m: FloatArray, *, stand: IntArray, stands: int
) -> FloatArray:
    """
    Area of the union of circles in each stand.

    The stretches of each circle that others cover are put in order and merged; what is left of all
    circles is the outline, and the line integral along it (Green's theorem) the area.

    Parameters
    ----------
    centre
        Coordinates [m], shape (n, 2).
    radius_m
        Radii, > 0 [m]; shape (n,).

    Returns
    -------
    areas
        In square metres, shape (stands,).

    Examples
    --------
    >>> once = crown_cover(np.zeros((1, 2)), np.ones(1), stand=np.zeros(1, int), stands=1)
    >>> float(once[0] / np.pi)
    1.0
    """
    if not len(centre):
        return np.zeros(stands)
    owner, low, high, _ = bare_arcs(centre, radius_m, stand=stand)
    origin = _origins(centre, stand, stands)[stand[owner]]
    under = _under(centre[owner] - origin, radius_m[owner], low, high)
    return sums(under, stand[owner], stands)


def closed_cover(
    centre: FloatArray, radius_m: FloatArray, *, r: float, stand: IntArray, stands: int
) -> FloatArray:
    """
    Area of the union of circles in each stand, closed by r: no circle of radius r fits beside it.

    Its outline follows the circles where those widened by r are bare, and between them the circle
    of radius r around each corner of the widened outline, where no other of those covers it [m2].
    """
    if r <= 0 or not len(centre):
        return crown_cover(centre, radius_m, stand=stand, stands=stands)
    origin = _origins(centre, stand, stands)
    centre = askew(centre - origin[stand])
    owner, low, high, follows = bare_arcs(centre, radius_m + r, stand=stand)
    under = _under(centre[owner], radius_m[owner], low, high)
    ends = follows >= 0
    one, two, end = owner[ends], follows[ends], high[ends]
    corner = centre[one] + (radius_m[one] + r)[:, None] * np.column_stack(
        [np.cos(end), np.sin(end)]
    )
    east, north = (centre[two] - corner).T
    start = (end + np.pi) % (2 * np.pi)
    beside = start + 2 * np.pi - (start - np.arctan2(north, east)) % (2 * np.pi)
    pairs = _near(corner, np.full(len(corner), r), stand[one])
    away = np.hypot(*(corner[pairs[:, 1]] - corner[pairs[:, 0]]).T)
    pairs, away = pairs[away < 2 * r], away[away < 2 * r]
    circle, other = np.concatenate([pairs, pairs[:, ::-1]]).T
    hidden = _covered(circle, other, np.tile(away, 2), corner, np.full(len(corner), r))
    every = np.arange(len(corner))
    concave, first, last, _ = _left(
        every,
        np.concatenate([every, circle]),
        np.concatenate([start, hidden[0]]),
        np.concatenate([beside, hidden[1]]),
        np.concatenate([every, other]),
    )
    at = stand[one][concave]
    cut = _under(corner[concave], np.full(len(concave), r), first, last)
    return sums(under, stand[owner], stands) - sums(cut, at, stands)


def askew(centre: FloatArray) -> FloatArray:
    """Middles of circles moved by so little that no three of them meet in a point; (n, 2)."""
    turn = np.arange(len(centre)) ** 2
    return centre + ASKEW_M * np.column_stack([np.cos(turn), np.sin(turn)])


def _origins(centre: FloatArray, stand: IntArray, stands: int) -> FloatArray:
    """A place near the circles of each stand, so that little is lost to rounding; (stands, 2)."""
    some, first = np.unique(stand, return_index=True)
    origin = np.zeros((stands, 2))
    origin[some] = centre[first]
    return origin


def _under(centre: FloatArray, radius: FloatArray, low: FloatArray, high: FloatArray) -> FloatArray:
    """Line integral of (x dy - y dx) / 2 along each arc."""
    x, y = centre.T
    turned = radius * (high - low)
    across = x * (np.sin(high) - np.sin(low)) - y * (np.cos(high) - np.cos(low))
    found: FloatArray = radius * (turned + across) / 2
    return found


def _near(centre: FloatArray, radius_m: FloatArray, stand: IntArray) -> IntArray:
    """Pairs of circles of the same stand that may meet; shape (pairs, 2)."""
    place = np.column_stack([centre, stand * APART_M])
    return cKDTree(place).query_pairs(2 * radius_m.max(initial=0.0), output_type="ndarray")


def bare_arcs(
    centre: FloatArray, radius_m: FloatArray, *, stand: IntArray
) -> tuple[IntArray, FloatArray, FloatArray, IntArray]:
    """
    Arcs of circles that no other circle of the same stand covers: their circle, start and end.

    Angles from the x axis, 0 to 2 pi [rad]; an arc across the x axis is two. Last comes the circle
    that covers what follows, -1 at 2 pi. `centre` has the shape (n, 2), with at least one circle.
    """
    one, two = _near(centre, radius_m, stand).T
    away = np.hypot(*(centre[two] - centre[one]).T)
    within = _within(one, two, away, radius_m)
    meet = (away < radius_m[one] + radius_m[two]) & ~within[one] & ~within[two]
    circle = np.concatenate([one[meet], two[meet]])
    other = np.concatenate([two[meet], one[meet]])
    start, end = _covered(circle, other, np.tile(away[meet], 2), centre, radius_m)
    return _left(np.flatnonzero(~within), circle, start, end, other)


def _within(
    one: IntArray, two: IntArray, away: FloatArray, radius: FloatArray
) -> npt.NDArray[np.bool_]:
    """Circles that lie in another one; of equal ones, all but the first."""
    within = np.zeros(len(radius), dtype=bool)
    within[two[away <= radius[one] - radius[two]]] = True
    within[
        one[(away <= radius[two] - radius[one]) & ((away > 0) | (radius[one] < radius[two]))]
    ] = True
    return within


def _covered(
    circle: IntArray, other: IntArray, away: FloatArray, centre: FloatArray, radius: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Stretch of each circle that another one covers, as angles; its start is from 0 to 2 pi."""
    east, north = (centre[other] - centre[circle]).T
    mine = radius[circle]
    cosine = (away**2 + mine**2 - radius[other] ** 2) / (2 * away * mine)
    half = np.arccos(np.clip(cosine, -1.0, 1.0))
    start = (np.arctan2(north, east) - half) % (2 * np.pi)
    return start, start + 2 * half


def _left(
    outer: IntArray, circle: IntArray, start: FloatArray, end: FloatArray, other: IntArray
) -> tuple[IntArray, FloatArray, FloatArray, IntArray]:
    """Stretches of the outer circles that no other one covers, as `bare_arcs` gives them."""
    turn = 2 * np.pi
    beyond = end > turn  # goes on from 0
    at_0, at_turn, none = (np.full(len(outer), some) for some in (0.0, turn, -1))
    owner = np.concatenate([circle, circle[beyond], outer, outer])
    low = np.concatenate([start, np.zeros(np.count_nonzero(beyond)), at_0, at_turn])
    high = np.concatenate([np.minimum(end, turn), end[beyond] - turn, at_0, at_turn])
    cover = np.concatenate([other, other[beyond], none, none])
    order = np.lexsort((low, owner))
    owner, low, high, cover = owner[order], low[order], high[order], cover[order]
    by_end = np.lexsort((high, owner))
    rank = np.empty(len(order), dtype=np.intp)
    rank[by_end] = np.arange(len(order))
    reached = high[by_end[np.maximum.accumulate(rank)]]  # the furthest end so far on the circle
    follows = (owner[1:] == owner[:-1]) & (low[1:] > reached[:-1])
    return owner[1:][follows], reached[:-1][follows], low[1:][follows], cover[1:][follows]


NAMED = 3
"""Unknown species named in a notice; the rest are counted."""


def unknown_species_notices(frames: Iterable[pd.DataFrame], names: SpeciesNames) -> dict[int, str]:
    """One sentence a stand about species that are not known, from trees of every input."""
    unknown = pd.concat([_unknown(frame, names) for frame in frames])
    trees = unknown.groupby([STAND, "species"], as_index=False)["count"].sum()
    return {
        stand: _unknown_species_notice(trees.iloc[rows].set_index("species")["count"])
        for stand, rows in rows_by(trees[STAND]).items()
    }


def _unknown(trees: pd.DataFrame, names: SpeciesNames) -> pd.DataFrame:
    """Trees of species that are not known, by the one name of each."""
    species = trees["species"].to_numpy(dtype=object)
    unknown = ~names.known(species)
    count = trees["count"].to_numpy() if "count" in trees else np.ones(len(trees), dtype=int)
    columns = {
        STAND: trees[STAND].to_numpy(dtype=np.int64)[unknown],
        "species": names.fold(species[unknown]),
        "count": count[unknown].astype(np.int64),
    }
    return pd.DataFrame(columns)


def _unknown_species_notice(trees: pd.Series) -> str:
    """One sentence about trees by the name of a species that is not known."""
    some = trees.sort_values(ascending=False, kind="stable")
    told = [f"{name!r}, {number:,}{_nearest(str(name))}" for name, number in some.items()][:NAMED]
    more = f"; and {len(some) - NAMED:,} more species" if len(some) > NAMED else ""
    number = int(some.sum())
    return (
        f"{counted(number, 'tree')} {'is' if number == 1 else 'are'} of species that are not "
        f"known: {'; '.join(told)}{more}. They keep their name and have no published volume or "
        "crown width; a table [species.NAME] in the project file can give them those of another "
        "species."
    )


def _nearest(name: str) -> str:
    """What a name may have been meant for."""
    near = nearest_species(name, count=2)
    return f" (nearest: {', '.join(near)})" if near else ""
