"""
Openings in every draw, and how sure their areas and distances are, on the plan's edge.

An opening is carried along as drawn discs: the crowns of its trees at positions that they may truly
have, or the corners of its walked outline, as discs without a radius. A distance from a walked
outline is corrected for what noise adds to it: twice the value of the recorded outline, less that
of the one with noise.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TypedDict, cast

import numpy as np
import numpy.typing as npt
import shapely
from scipy.spatial.distance import cdist
from shapely.geometry.base import BaseGeometry

from glademark.contracts.frames import FloatArray, IntArray
from glademark.contracts.layout import Layout
from glademark.contracts.survey import Survey
from glademark.measure.crowns import closed_cover, crown_cover
from glademark.measure.edges import Edge
from glademark.measure.groups import group_key
from glademark.project.job_settings import UncertaintySettings
from glademark.project.model import Project
from glademark.uncertainty.errors import (
    LEAST_ERROR_M,
    PositionErrors,
    chains_for,
    draw_positions,
    line_shifts,
)

GRID_M = 1.0
"""Spacing of the points that stand for the ground of a strip at an opening [m]."""

CANDIDATE_ERRORS = 6.0
"""A disc farther than the nearest by more than so many errors of both cannot be the nearest."""


STEP_M = 2.0
"""Longest step between the places that stand for a walked outline [m]."""

LEAST_RADIUS = 0.2
"""No crown is drawn narrower than this share of its stated radius."""

NO_MODEL = (
    "no interval: crowns alone decide this group, and noise on positions breaks and joins such "
    "groups"
)

NO_TREES = "no interval: no mark on the map makes this opening"


class Circles(TypedDict):
    """Circles as `crown_cover` takes them."""

    centre: FloatArray
    radius_m: FloatArray
    stand: npt.NDArray[np.intp]
    stands: int


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class DrawnOpening:
    """One opening in every draw."""

    recorded: FloatArray  # centres as recorded [m]; shape (n, 2)
    radii_m: FloatArray  # as measured; shape (n,)
    centres: FloatArray  # centres as drawn [m]; shape (draws, n, 2)
    drawn_radii_m: FloatArray  # radii as drawn; shape (draws, n)
    basis: str
    """walked, tagged or centre; the centres of a walked one are places on its outline, in order."""
    leave: tuple[FloatArray, FloatArray]
    """Crowns of leave trees at it: drawn centres (draws, k, 2) and radii (k,)."""
    error_m: float  # largest standard error along an axis [m]
    closed_m: float = 0.0
    """Radius by which crowns are closed, that of standing ones; 0 where the edge is not theirs."""
    more_m2: float = 0.0  # what the opening as recorded has beyond that


def on_edge(one: DrawnOpening, edge: Edge, *, radius_m: float, area_m2: float) -> DrawnOpening:
    """An opening of crowns carried on to an edge on which it has so much area as recorded."""
    wide = radius_m if edge == "boles" else 0.0  # the widened discs are the outline
    one = replace(
        one,
        radii_m=one.radii_m + wide,
        drawn_radii_m=one.drawn_radii_m + wide,
        closed_m=radius_m if edge == "standing_crowns" else 0.0,
    )
    return replace(one, more_m2=area_m2 - float(_net_areas(_as_recorded(one))[0]))


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
    return _net_areas(opening)


def _closing(one: DrawnOpening) -> FloatArray:
    """Ground that closing adds to the crowns in each draw [m2]."""
    if one.closed_m == 0:
        return np.zeros(len(one.centres))
    circles = _circles(one.centres, one.drawn_radii_m)
    return closed_cover(**circles, r=one.closed_m) - crown_cover(**circles)


def _circles(centres: FloatArray, radii: npt.ArrayLike) -> Circles:
    """Discs of every draw as a table in which each draw is a stand."""
    draws, n, _ = centres.shape
    return {
        "centre": centres.reshape(-1, 2),
        "radius_m": np.broadcast_to(np.asarray(radii, dtype=np.float64), (draws, n)).ravel(),
        "stand": np.repeat(np.arange(draws), n),
        "stands": draws,
    }


def union_areas(centres: FloatArray, radii: npt.ArrayLike) -> FloatArray:
    """Area of the union of discs (draws, n, 2), radii (n,) or (draws, n), in each draw [m2]."""
    return crown_cover(**_circles(centres, radii))


def _net_areas(one: DrawnOpening) -> FloatArray:
    """Crowns closed, less the crowns of leave trees that meet them."""
    stay, stay_radii = one.leave
    circles = _circles(one.centres, one.drawn_radii_m)
    areas = closed_cover(**circles, r=one.closed_m) + one.more_m2
    if not len(stay_radii):
        return areas
    both = np.concatenate([one.centres, stay], axis=1)
    stay_radii = np.broadcast_to(stay_radii, stay.shape[:2])
    either = union_areas(both, np.concatenate([one.drawn_radii_m, stay_radii], axis=1))
    return areas + either - crown_cover(**circles) - union_areas(stay, stay_radii)


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
    whole = replace(
        members[0],
        recorded=np.concatenate([one.recorded for one in members]),
        radii_m=np.concatenate([one.radii_m for one in members]),
        centres=np.concatenate([one.centres for one in members], axis=1),
        drawn_radii_m=np.concatenate([one.drawn_radii_m for one in members], axis=1),
        leave=(
            np.concatenate([one.leave[0] for one in members], axis=1),
            np.concatenate([one.leave[1] for one in members]),
        ),
        closed_m=0.0,  # each member is closed by itself
        more_m2=0.0,
    )
    reach = float(whole.radii_m.max() + width_m + 8 * max(one.error_m for one in members))
    near = shapely.buffer(shapely.multipoints(whole.recorded), reach)
    ground = cast("BaseGeometry", shapely.intersection(strips, near))  # of one geometry each
    points = _grid(ground)
    areas = _net_areas(whole) + np.sum([_closing(one) for one in members], axis=0)
    areas += _strip_ground(points, whole, width_m=width_m, shifts=line_shifts)
    still = _as_recorded(whole)
    model = _net_areas(still) + sum(_closing(_as_recorded(one)) for one in members)
    model += _strip_ground(points, still, width_m=width_m, shifts=np.zeros((1, 2)))
    return np.asarray(areas + (measured_m2 - model[0]))


def _as_recorded(one: DrawnOpening) -> DrawnOpening:
    """An opening whose only draw is what was recorded."""
    still = one.leave[0].mean(axis=0)[None], one.leave[1]
    return replace(one, centres=one.recorded[None], drawn_radii_m=one.radii_m[None], leave=still)


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
    points: FloatArray, whole: DrawnOpening, *, width_m: float, shifts: FloatArray
) -> FloatArray:
    """Area of strip within one width of the crowns and under none of them; a loop over draws."""
    added = np.zeros(len(whole.centres))
    for draw in range(len(added) if len(points) else 0):
        away = cdist(points + shifts[draw], whole.centres[draw])
        away -= whole.drawn_radii_m[draw]
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
    return replace(
        opening,
        recorded=opening.recorded[kept],
        radii_m=opening.radii_m[kept],
        centres=opening.centres[:, kept],
        drawn_radii_m=opening.drawn_radii_m[:, kept],
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


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Field:
    """All that openings are drawn from."""

    layout: Layout
    survey: Survey
    project: Project  # layout, survey and project: the layout, the field data and the limits
    settings: UncertaintySettings  # of the draws
    errors: PositionErrors  # of the layout's marks
    shared: FloatArray  # drawn errors that fixes share [m]; shape (draws, marks, 2)

    @property
    def line_error_m(self) -> float:
        """
        Horizontal root mean square error of lines.

        Returns
        -------
        error
            That of the marks where the project does not say [m].
        """
        stated = self.settings.line_error_m
        return self.project.marks.position_error_m if stated is None else stated


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Drawn:
    """Openings in every draw."""

    openings: Mapping[int, DrawnOpening]  # by number
    reasons: Mapping[int, str]  # by number, why an opening could not be drawn
    shifts: npt.NDArray[np.float32]
    """Recorded less drawn position of every mark [m], 0 where no opening draws it; shape (draws,
    marks, 2)."""


def shared_by_chain(shared: FloatArray) -> FloatArray:
    """Shared errors arranged as `draw_positions` arranges its draws."""
    return shared[np.arange(len(shared)) % chains_for(len(shared))]


def drawn_openings(field: Field) -> Drawn:
    """Every opening whose error can be drawn."""
    openings: dict[int, DrawnOpening] = {}
    reasons: dict[int, str] = {}
    shifts = np.zeros(field.shared.shape, dtype=np.float32)
    rows = field.layout.openings
    figures = field.layout.figures.openings
    for number, group, basis, hole in zip(
        rows["opening"].astype(int), rows["group"], rows["basis"], rows.geometry, strict=True
    ):
        rng = np.random.default_rng([field.settings.seed, number])
        key = str(group).strip().casefold()
        if basis == "crowns":
            reasons[number] = NO_MODEL
            continue
        if basis == "tagged":
            mine = _members(field, key)
            if not len(mine):
                reasons[number] = NO_TREES
                continue
            one = _of_trees(field, mine, rng)
            shifts[:, mine] = one.recorded[None] - one.centres
        else:
            one = _of_outline(field, hole, str(basis), key, rng)
        one = _less_leave(field, one, rng)
        openings[number] = one
        if basis == "tagged":
            openings[number] = on_edge(
                one,
                cast("Edge", figures.edge),
                radius_m=figures.standing_crown_radius_m,
                area_m2=float(shapely.area(hole)),
            )
    return Drawn(openings=openings, reasons=reasons, shifts=shifts)


def _members(field: Field, key: str) -> IntArray:
    """Rows of the marks whose crowns make a tagged opening."""
    marks = field.layout.marks
    kinds = ["cut", "line_tree"] if field.project.marks.line_trees_confirmed else ["cut"]
    mine = marks["kind"].isin(kinds) & (group_key(marks["group"]) == key)
    return np.flatnonzero(mine & (marks["zone"] != "corridor"))


def _of_trees(field: Field, mine: IntArray, rng: np.random.Generator) -> DrawnOpening:
    """An opening of the crowns of its trees."""
    marks = field.layout.marks.iloc[mine]
    recorded = shapely.get_coordinates(marks.geometry.to_numpy())
    radii = marks["crown_radius_m"].to_numpy(dtype=float)
    count = len(field.shared)
    own = field.shared[:, mine]
    centres = draw_positions(
        recorded[None] - own[: chains_for(count)],
        radii_m=radii,
        error_m=field.errors.alone_m[mine],
        count=count,
        rng=rng,
    )
    spread = np.where(marks["crown_source"] == "measured", 0.0, field.settings.crown_error)
    scale = np.maximum(1 + spread * rng.standard_normal((count, len(mine))), LEAST_RADIUS)
    return DrawnOpening(
        recorded=recorded,
        radii_m=radii,
        centres=centres,
        drawn_radii_m=radii * scale,
        basis="tagged",
        leave=(np.zeros((count, 0, 2)), np.zeros(0)),
        error_m=float(field.errors.total_m[mine].max()),
    )


def _of_outline(
    field: Field, hole: BaseGeometry, basis: str, key: str, rng: np.random.Generator
) -> DrawnOpening:
    """An opening of a walked outline, or of a stated disc, that keeps its size."""
    kind = "group_centre" if basis == "centre" else "group_boundary"
    marks = field.layout.marks
    points = np.flatnonzero((marks["kind"] == kind) & (group_key(marks["group"]) == key))
    count = len(field.shared)
    parts = shapely.get_parts(hole)
    ring = shapely.get_exterior_ring(parts[np.argmax(shapely.area(parts))])
    corners = shapely.get_coordinates(ring)[:-1]
    surveyed = basis == "walked" and key in set(group_key(field.survey.walked["group"]))
    if surveyed or not len(points):
        error, length = field.line_error_m, field.settings.line_error_length_m
        common = np.zeros((1, 1, 2))
    else:
        error = float(field.errors.alone_m[points].mean()) * np.sqrt(2)
        length, common = 0.0, field.shared[:, points[:1]]
    radii = np.zeros(len(corners))
    if basis == "centre":
        corners = shapely.get_coordinates(shapely.centroid(hole))
        radii = np.array([np.sqrt(shapely.area(hole) / np.pi)])
    noise = line_shifts(corners, error_m=error, length_m=length, count=count, rng=rng) + common
    weights = _between(corners)
    recorded = weights @ corners
    return DrawnOpening(
        recorded=recorded,
        radii_m=np.broadcast_to(radii[:1], len(recorded)),
        centres=recorded[None] - np.einsum("ij,sjk->sik", weights, noise, optimize=True),
        drawn_radii_m=np.broadcast_to(radii[:1], (count, len(recorded))),
        basis=basis,
        leave=(np.zeros((count, 0, 2)), np.zeros(0)),
        error_m=max(error / np.sqrt(2), LEAST_ERROR_M),
    )


def _between(corners: FloatArray) -> FloatArray:
    """Weights of the corners in places along their ring, at most `STEP_M` apart; (places, n)."""
    n = len(corners)
    if n == 1:
        return np.ones((1, 1))
    length = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    pieces = np.maximum(np.ceil(length / STEP_M).astype(int), 1)
    edge = np.repeat(np.arange(n), pieces)
    along = (np.arange(len(edge)) - np.repeat(np.cumsum(pieces) - pieces, pieces)) / pieces[edge]
    weights = np.zeros((len(edge), n))
    weights[np.arange(len(edge)), edge] = 1 - along
    weights[np.arange(len(edge)), (edge + 1) % n] += along
    return weights


def _less_leave(field: Field, one: DrawnOpening, rng: np.random.Generator) -> DrawnOpening:
    """The opening with the leave trees whose crowns may reach into it."""
    trees = field.layout.leave_trees
    counted = field.project.openings.leave_tree_crowns == "counted"
    if trees.empty or one.basis != "tagged" or counted:
        return one
    at = shapely.get_coordinates(trees.geometry.to_numpy())
    radii = trees["crown_radius_m"].to_numpy(dtype=float)
    error = field.project.marks.position_error_m / np.sqrt(2)
    away = np.hypot(*np.moveaxis(at[:, None] - one.recorded[None], 2, 0)) - one.radii_m[None]
    mine = away.min(axis=1) - radii <= 4 * (error + one.error_m)
    noise = rng.standard_normal((len(one.centres), int(mine.sum()), 2)) * error
    return replace(one, leave=(at[mine][None] - noise, radii[mine]))
