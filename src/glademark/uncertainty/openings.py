"""
How sure the openings' areas, combined areas, spacing and distances are, on the plan's edge.

An opening is carried along as drawn discs: the crowns of its trees at positions that they may truly
have, or the corners of its walked outline, as discs without a radius. A distance from a walked
outline is corrected for what noise adds to it: twice the value of the recorded outline, less that
of the one with noise.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import shapely
from scipy.spatial.distance import cdist
from shapely.geometry.base import BaseGeometry

from glademark.measure.edges import Edge

GRID_M = 1.0
"""Spacing of the points that stand for the ground of a strip at an opening [m]."""

CANDIDATE_ERRORS = 6.0
"""A disc farther than the nearest by more than so many errors of both cannot be the nearest."""

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class DrawnOpening:
    """
    One opening in every draw.

    Attributes
    ----------
    recorded
        Centres as recorded [m]; shape (n, 2).
    radii_m
        As measured; shape (n,).
    centres
        Centres as drawn [m]; shape (draws, n, 2).
    drawn_radii_m
        Radii as drawn; shape (draws, n).
    basis
        walked, tagged or centre; the centres of a walked one are places on its outline, in order.
    leave
        Crowns of leave trees at it: drawn centres (draws, k, 2) and radii (k,).
    error_m
        Largest standard error along an axis [m].
    between_m, between
        Crown radius of the standing trees, and the share of the ground between the crowns cut and
        the boles around that the plan's edge takes in as recorded; both 0 where it takes none.
    """

    recorded: FloatArray
    radii_m: FloatArray
    centres: FloatArray
    drawn_radii_m: FloatArray
    basis: str
    leave: tuple[FloatArray, FloatArray]
    error_m: float
    between_m: float = 0.0
    between: float = 0.0


def on_edge(one: DrawnOpening, edge: Edge, *, radius_m: float, area_m2: float) -> DrawnOpening:
    """An opening of crowns carried on to an edge on which it has so much area as recorded."""
    r = radius_m
    if edge == "boles":  # the widened discs are the outline
        return replace(one, radii_m=one.radii_m + r, drawn_radii_m=one.drawn_radii_m + r)
    if edge == "marked_crowns" or r == 0:
        return one
    still = one.leave[0].mean(axis=0)[None], one.leave[1]
    net = float(net_areas(one.recorded[None], one.radii_m[None], still)[0])
    crowns, wider = (float(union_areas(one.recorded[None], one.radii_m + by)[0]) for by in (0, r))
    added = max(area_m2 - net, 0.0)
    return replace(one, between_m=r, between=added / (wider - crowns))


def area_draws(opening: DrawnOpening, *, measured_m2: float) -> FloatArray:
    """
    Areas that an opening may truly have.

    Returns
    -------
    areas
        In square metres; shape (draws,).
    """
    if opening.basis == "centre":
        return np.full(len(opening.centres), measured_m2)
    if opening.basis == "walked":
        noise = _ring_areas(opening.centres) - _ring_areas(opening.recorded[None])
        return np.asarray(measured_m2 - noise)
    net = net_areas(opening.centres, opening.drawn_radii_m, opening.leave)
    return net + _between(opening)


def _between(opening: DrawnOpening) -> FloatArray:
    """
    Ground that the plan's edge adds to the crowns in each draw.

    The share of the ground between crowns and boles that is open is taken as recorded: necks open
    and close with the positions, but over a group that evens out.
    """
    if opening.between == 0:
        return np.zeros(len(opening.centres))
    radii = opening.drawn_radii_m
    wider = union_areas(opening.centres, radii + opening.between_m)
    return opening.between * (wider - union_areas(opening.centres, radii))


def net_areas(
    centres: FloatArray, radii: FloatArray, leave: tuple[FloatArray, FloatArray]
) -> FloatArray:
    """Union of crowns less the crowns of leave trees."""
    stay, stay_radii = leave
    if not len(stay_radii):
        return union_areas(centres, radii)
    both = np.concatenate([centres, stay], axis=1)
    each = np.concatenate([radii, np.broadcast_to(stay_radii, stay.shape[:2])], axis=1)
    return union_areas(both, each) - union_areas(stay, stay_radii)


def _ring_areas(rings: FloatArray) -> FloatArray:
    """Areas of open rings, by the shoelace formula; shape (draws,)."""
    x, y = np.moveaxis(rings - rings[:, :1], 2, 0)
    return np.asarray(
        np.abs((x * np.roll(y, -1, axis=1) - np.roll(x, -1, axis=1) * y).sum(axis=1)) / 2
    )


def combined_draws(
    members: list[DrawnOpening],
    strips: BaseGeometry,
    *,
    width_m: float,
    measured_m2: float,
    line_shifts: FloatArray,
) -> FloatArray:
    """
    Areas that a hole of several openings, joined by corridors, may truly have.

    Parameters
    ----------
    strips
        Ground of the corridors that meet them, projected CRS in metres.
    width_m
        Width of those corridors [m].
    line_shifts
        Drawn shifts of the corridors [m]; shape (draws, 2).

    Returns
    -------
    areas
        In square metres; shape (draws,). The ground of the strips is counted on points a metre
        apart; what that misses in the recorded hole is put right in every draw.
    """
    drawn = np.concatenate([one.centres for one in members], axis=1)
    radii = np.concatenate([one.drawn_radii_m for one in members], axis=1)
    recorded = np.concatenate([one.recorded for one in members])[None]
    plain = np.concatenate([one.radii_m for one in members])[None]
    leave = (
        np.concatenate([one.leave[0] for one in members], axis=1),
        np.concatenate([one.leave[1] for one in members]),
    )
    reach = float(plain.max() + width_m + 8 * max(one.error_m for one in members))
    ground = shapely.intersection(strips, shapely.buffer(shapely.multipoints(recorded[0]), reach))
    points = _grid(ground)
    areas = net_areas(drawn, radii, leave)
    areas += np.sum([_between(one) - _between(_as_recorded(one)) for one in members], axis=0)
    areas += _strip_ground(points, drawn, radii, width_m=width_m, shifts=line_shifts)
    still = np.zeros((1, 2))
    model = union_areas(recorded, plain) + _strip_ground(
        points, recorded, plain, width_m=width_m, shifts=still
    )
    stay = (leave[0].mean(axis=0)[None], leave[1])
    lost = union_areas(recorded, plain) - net_areas(recorded, plain, stay)
    return np.asarray(areas + (measured_m2 - (model - lost)[0]))


def _as_recorded(one: DrawnOpening) -> DrawnOpening:
    """An opening whose only draw is what was recorded."""
    return replace(one, centres=one.recorded[None], drawn_radii_m=one.radii_m[None])


def _grid(ground: BaseGeometry) -> FloatArray:
    """Points of a square grid in some ground; shape (k, 2)."""
    if shapely.is_empty(ground):
        return np.zeros((0, 2))
    west, south, east, north = shapely.bounds(ground)
    x, y = np.meshgrid(np.arange(west, east, GRID_M), np.arange(south, north, GRID_M))
    shapely.prepare(ground)
    inside = shapely.intersects_xy(ground, x, y)
    return np.column_stack([x[inside], y[inside]])


def _strip_ground(
    points: FloatArray,
    centres: FloatArray,
    radii: FloatArray,
    *,
    width_m: float,
    shifts: FloatArray,
) -> FloatArray:
    """Area of strip within one width of the crowns and under none of them; a loop over draws."""
    added = np.zeros(len(centres))
    for draw in range(len(centres) if len(points) else 0):
        away = cdist(points + shifts[draw], centres[draw])
        away -= radii[draw]
        nearest = away.min(axis=1)
        added[draw] = ((nearest > 0) & (nearest <= width_m)).sum() * GRID_M**2
    return added


def spacing_draws(one: DrawnOpening, other: DrawnOpening) -> FloatArray:
    """
    Distances that two openings may truly have, crown edge to crown edge.

    Returns
    -------
    spacing
        In metres, 0 where they touch; shape (draws,).
    """
    gap = cdist(one.recorded, other.recorded) - one.radii_m[:, None] - other.radii_m[None]
    slack = 2 * CANDIDATE_ERRORS * max(one.error_m, other.error_m)
    mine = gap.min(axis=1) <= gap.min() + slack
    theirs = gap.min(axis=0) <= gap.min() + slack
    a, b = _only(one, mine), _only(other, theirs)
    noisy = _least_gap(a.centres, a.drawn_radii_m, b.centres, b.drawn_radii_m)
    if "walked" not in (one.basis, other.basis):
        return np.maximum(noisy, 0.0)
    still = [
        np.broadcast_to(end.recorded, end.centres.shape) if end.basis == "walked" else end.centres
        for end in (a, b)
    ]
    sure = _least_gap(still[0], a.drawn_radii_m, still[1], b.drawn_radii_m)
    return np.maximum(2 * sure - noisy, 0.0)


def _only(opening: DrawnOpening, kept: npt.NDArray[np.bool_]) -> DrawnOpening:
    """Some discs of an opening."""
    return DrawnOpening(
        recorded=opening.recorded[kept],
        radii_m=opening.radii_m[kept],
        centres=opening.centres[:, kept],
        drawn_radii_m=opening.drawn_radii_m[:, kept],
        basis=opening.basis,
        leave=opening.leave,
        error_m=opening.error_m,
        between_m=opening.between_m,
        between=opening.between,
    )


def _least_gap(
    a: FloatArray, a_radii: FloatArray, b: FloatArray, b_radii: FloatArray
) -> FloatArray:
    """Least gap between two sets of discs in each draw; negative where they overlap."""
    x = a[:, :, None, 0] - b[:, None, :, 0]
    y = a[:, :, None, 1] - b[:, None, :, 1]
    gap = np.sqrt(x**2 + y**2) - a_radii[:, :, None] - b_radii[:, None]
    return np.asarray(gap.min(axis=(1, 2)))


def distance_draws(opening: DrawnOpening, geometry: BaseGeometry) -> FloatArray:
    """
    Distances that an opening may truly have from something fixed.

    Parameters
    ----------
    geometry
        Lines or polygons, projected CRS in metres.

    Returns
    -------
    distance
        Crown edge to its nearest point [m], 0 where it reaches it; shape (draws,). NaN where
        `geometry` is empty.
    """
    if shapely.is_empty(geometry):
        return np.full(len(opening.centres), np.nan)
    shapely.prepare(geometry)
    gap = shapely.distance(shapely.points(opening.recorded), geometry) - opening.radii_m
    near = _only(opening, gap <= gap.min() + 2 * CANDIDATE_ERRORS * opening.error_m)
    away = shapely.distance(shapely.points(near.centres), geometry) - near.drawn_radii_m
    noisy = away.min(axis=1)
    true = 2 * gap.min() - noisy if opening.basis == "walked" else noisy
    return np.asarray(np.maximum(true, 0.0))


TURN = 2 * np.pi
APART = 16.0
"""Offset between the arcs of two circles in one sorted row; more than two turns."""

CHUNK = 1_000_000
"""Pairs of crowns looked at together: keeps memory under some 50 MB."""


def union_areas(centres: FloatArray, radii: npt.ArrayLike) -> FloatArray:
    """
    Area of the union of discs, in each draw.

    Parameters
    ----------
    centres
        Coordinates [m]; shape (draws, n, 2).
    radii
        Radii, > 0 [m]; shape (n,) or (draws, n).

    Returns
    -------
    areas
        In square metres; shape (draws,); 0 without discs.

    Examples
    --------
    >>> round(float(union_areas(np.zeros((1, 2, 2)), [1.0, 2.0])[0] / np.pi), 9)
    4.0
    """
    draws, n, _ = centres.shape
    reach = np.broadcast_to(np.asarray(radii, dtype=np.float64), (draws, n))
    areas = np.zeros(draws)
    if n:
        step = max(1, CHUNK // n**2)
        for start in range(0, draws, step):
            part = slice(start, start + step)
            areas[part] = _union_areas(centres[part], reach[part])
    return areas


def _union_areas(centres: FloatArray, radii: FloatArray) -> FloatArray:
    """Areas of a few draws."""
    draws, n, _ = centres.shape
    middle = centres - centres.mean(axis=1, keepdims=True)
    x, y = middle[..., 0], middle[..., 1]
    squared = np.square(x[:, :, None] - x[:, None]) + np.square(y[:, :, None] - y[:, None])
    meets = squared < np.square(radii[:, :, None] + radii[:, None])
    meets[:, np.arange(n), np.arange(n)] = False
    draw, mine, other = np.nonzero(meets)
    distance = np.sqrt(squared[draw, mine, other])
    r, s = radii[draw, mine], radii[draw, other]
    circle = draw * n + mine
    hidden = np.zeros(draws * n, dtype=bool)
    hidden[circle[(distance <= s - r) & ((s > r) | (other < mine))]] = True
    cut = distance > np.abs(r - s)
    draw, mine, other, circle = draw[cut], mine[cut], other[cut], circle[cut]
    distance, r, s = distance[cut], r[cut], s[cut]
    half = np.arccos(np.clip((r**2 + distance**2 - s**2) / (2 * r * distance), -1.0, 1.0))
    towards = np.arctan2(y[draw, other] - y[draw, mine], x[draw, other] - x[draw, mine])
    start = (towards - half) % TURN
    owner, low, high = _bare_arcs(circle, start, start + 2 * half, count=draws * n)
    seen = ~hidden[owner]
    owner, low, high = owner[seen], low[seen], high[seen]
    r, x, y = radii.reshape(-1)[owner], x.reshape(-1)[owner], y.reshape(-1)[owner]
    across = x * (np.sin(high) - np.sin(low)) - y * (np.cos(high) - np.cos(low))
    part = r / 2 * (r * (high - low) + across)
    return np.bincount(owner // n, weights=part, minlength=draws).astype(np.float64)


def _bare_arcs(
    circle: npt.NDArray[np.intp], start: FloatArray, end: FloatArray, *, count: int
) -> tuple[npt.NDArray[np.intp], FloatArray, FloatArray]:
    """Arcs that no cover reaches: their circle, beginning and end [rad]."""
    wrapped = np.zeros(count)
    np.maximum.at(wrapped, circle, end - TURN)
    every = np.arange(count)
    owner = np.concatenate([every, circle, every])
    begins = np.concatenate([np.zeros(count), start, np.full(count, TURN)])
    ends = np.concatenate([wrapped, end, np.full(count, TURN)])
    order = np.argsort(owner * APART + begins, kind="stable")
    owner, begins, ends = owner[order], begins[order], ends[order]
    reach = np.maximum.accumulate(owner * APART + ends) - owner * APART
    bare = (owner[1:] == owner[:-1]) & (begins[1:] > reach[:-1])
    return owner[1:][bare], reach[:-1][bare], begins[1:][bare]
