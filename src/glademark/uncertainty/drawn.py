"""Openings of a layout in every draw: trees of groups, walked outlines, stated discs."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, cast

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.contracts.layout import Layout
from glademark.contracts.survey import Survey
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
from glademark.uncertainty.openings import DrawnOpening, on_edge

if TYPE_CHECKING:
    from glademark.measure.edges import Edge

STEP_M = 2.0
"""Longest step between the places that stand for a walked outline [m]."""

LEAST_RADIUS = 0.2
"""No crown is drawn narrower than this share of its stated radius."""

NO_MODEL = (
    "no interval: crowns alone decide this group, and noise on positions breaks and joins such "
    "groups"
)
NO_TREES = "no interval: no mark on the map makes this opening"

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Field:
    """
    All that openings are drawn from.

    Attributes
    ----------
    layout, survey, project
        The layout, the field data and the limits.
    settings
        Of the draws.
    errors
        Of the layout's marks.
    shared
        Drawn errors that fixes share [m]; shape (draws, marks, 2).
    """

    layout: Layout
    survey: Survey
    project: Project
    settings: UncertaintySettings
    errors: PositionErrors
    shared: FloatArray

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
    """
    Openings in every draw.

    Attributes
    ----------
    openings
        By number.
    reasons
        By number, why an opening could not be drawn.
    shifts
        Recorded less drawn position of every mark [m], 0 where no opening draws it; shape (draws,
        marks, 2).
    """

    openings: Mapping[int, DrawnOpening]
    reasons: Mapping[int, str]
    shifts: npt.NDArray[np.float32]


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
