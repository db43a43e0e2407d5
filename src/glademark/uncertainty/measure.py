"""The whole step: a Layout in, the uncertainty in each of its figures out."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from glademark.contracts.frames import FloatArray
from glademark.contracts.layout import ZONE_NAMES, Layout
from glademark.contracts.survey import Survey
from glademark.measure.groups import group_key
from glademark.measure.openings import spacing_pairs
from glademark.project.job_settings import UncertaintySettings
from glademark.project.model import Project
from glademark.uncertainty.errors import position_errors, shared_draws
from glademark.uncertainty.openings import (
    Drawn,
    Field,
    area_draws,
    combined_draws,
    distance_draws,
    drawn_openings,
    shared_by_chain,
    spacing_draws,
)
from glademark.uncertainty.zone_chances import (
    Places,
    final_zones,
    share_draws,
    trees_inside,
    zone_draws,
)

PAIRS_WITHIN_M = 100.0
"""Pairs of openings up to this far apart are drawn, and the nearest one of each."""

WALKED_COMBINED = "no interval: a walked outline is part of a combined hole"

Key = tuple[str, str]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Uncertainty:
    """What the measured figures may truly be."""

    settings: UncertaintySettings  # of the draws
    draws: Mapping[Key, FloatArray]
    """By quantity and feature, in SI; shape (draws,). Quantities: opening_area, combined_area,
    spacing, boundary, water, openings_share, corridor_share, corridor_landing_share,
    trees_in_exclusion, trees_in_setbacks."""
    reasons: Mapping[Key, str]  # by quantity and feature, why there are no draws
    shifts: npt.NDArray[np.float32]
    """Recorded less drawn position of the layout's marks [m], 0 where no opening draws it; shape
    (draws, marks, 2)."""
    zones: npt.NDArray[np.int8]
    """Number in `ZONE_NAMES` of the final zone of each cut mark in each draw, -1 for other marks;
    shape (draws, marks)."""

    def interval(self, quantity: str, feature: str) -> tuple[float, float]:
        """
        Interval that holds the project's share of the draws.

        Returns
        -------
        ends
            NaN where there are no draws.
        """
        drawn = self.draws.get((quantity, feature))
        return (np.nan, np.nan) if drawn is None else self.ends(drawn)

    def ends(self, drawn: FloatArray) -> tuple[float, float]:
        """Interval that holds the project's share of some draws, as much left out on each side."""
        tail = (1 - self.settings.interval) / 2
        low, high = np.quantile(drawn, [tail, 1 - tail], method="weibull")
        return float(low), float(high)


def measure_uncertainty(layout: Layout, survey: Survey, project: Project) -> Uncertainty | None:
    """
    The position error carried through to every figure that hangs on it.

    Parameters
    ----------
    project
        What was asked; its table ``[uncertainty]`` says how.
    """
    settings = project.uncertainty
    if settings is None or settings.off:
        return None
    errors = position_errors(
        layout.marks.assign(time=survey.marks["time"].to_numpy()),
        shared_share=settings.shared,
        together=settings.shared_by,
        minutes=settings.shared_minutes,
    )
    rng = np.random.default_rng([settings.seed])
    shared = shared_by_chain(shared_draws(errors, settings.draws, rng))
    field = Field(
        layout=layout,
        survey=survey,
        project=project,
        settings=settings,
        errors=errors,
        shared=shared,
    )
    drawn = drawn_openings(field)
    draws = dict(_opening_draws(field, drawn))
    draws |= dict(_pair_draws(layout, drawn))
    draws |= dict(_combined(field, drawn, rng))
    draws |= dict(_corridor_draws(field, rng))
    cut, places = _cut_places(field)
    zones = _zones(field, cut, places, rng)
    mine = replace(field, shared=field.shared[:, cut])
    count = layout.marks["count"].to_numpy(dtype=float)[cut]
    draws |= dict(trees_inside(mine, places, count, rng))
    return Uncertainty(
        settings=settings,
        draws=draws,
        reasons=dict(_reasons(layout, drawn, draws)),
        shifts=drawn.shifts,
        zones=zones,
    )


def _opening_draws(field: Field, drawn: Drawn) -> Iterator[tuple[Key, FloatArray]]:
    """Area and distances of each opening, and the share of the stand in all of them."""
    layout = field.layout
    stand = layout.stand.geometry.iloc[0]
    boundary = shapely.boundary(stand)
    water = shapely.union_all(layout.water.geometry.to_numpy())
    measured = layout.openings.set_index("opening")["area_m2"]
    total = np.zeros(len(field.shared))
    for number, one in drawn.openings.items():
        area = area_draws(one, measured_m2=float(measured[number]))
        total += area
        if np.isfinite(measured[number]):
            yield ("opening_area", str(number)), area
        yield ("boundary", str(number)), distance_draws(one, boundary)
        if not shapely.is_empty(water):
            yield ("water", str(number)), distance_draws(one, water)
    if drawn.openings and not drawn.reasons and measured.notna().all():
        yield ("openings_share", "all"), total / shapely.area(stand)


def _pair_draws(layout: Layout, drawn: Drawn) -> Iterator[tuple[Key, FloatArray]]:
    """Spacing of pairs."""
    close = spacing_pairs(layout.openings, within_m=PAIRS_WITHIN_M)
    nearest = layout.openings.dropna(subset=["nearest"])
    pairs = {*zip(close["first"], close["second"], strict=True)}
    ends = np.sort(nearest[["opening", "nearest"]].astype(int).to_numpy(), axis=1)
    pairs |= {(int(a), int(b)) for a, b in ends}
    for a, b in sorted(pairs):
        if a in drawn.openings and b in drawn.openings:
            yield ("spacing", f"{a}, {b}"), spacing_draws(drawn.openings[a], drawn.openings[b])


def _combined(
    field: Field, drawn: Drawn, rng: np.random.Generator
) -> Iterator[tuple[Key, FloatArray]]:
    """Area of each combined hole whose openings are drawn as discs."""
    layout = field.layout
    shifts = rng.standard_normal((len(field.shared), 2)) * field.line_error_m / np.sqrt(2)
    holes = layout.openings.set_index("opening").geometry
    strips = layout.corridors.geometry.to_numpy()
    for names, area in zip(
        layout.combined_openings["openings"], layout.combined_openings["area_m2"], strict=True
    ):
        numbers = [int(number) for number in names.split(", ")]
        members = [drawn.openings[number] for number in numbers if number in drawn.openings]
        if len(members) < len(numbers) or not np.isfinite(area):
            continue
        hole = shapely.union_all([holes[number] for number in numbers])
        meets = shapely.intersects(strips, hole)
        if len(members) == 1 and not meets.any():
            yield ("combined_area", names), area_draws(members[0], measured_m2=area)
        elif all(one.basis != "walked" for one in members):
            width = layout.corridors.loc[meets, "width_m"].max() if meets.any() else 0.0
            yield (
                ("combined_area", names),
                combined_draws(
                    members,
                    shapely.union_all(strips[meets]),
                    width_m=float(width),
                    measured_m2=area,
                    line_shifts=shifts,
                ),
            )


def _corridor_draws(field: Field, rng: np.random.Generator) -> Iterator[tuple[Key, FloatArray]]:
    """Share of the stand in corridors."""
    figures = field.layout.figures.corridors
    if field.layout.corridor_lines.empty:
        return
    difference = share_draws(
        field.layout.corridor_lines,
        stand=field.layout.stand.geometry.iloc[0],
        error_m=field.line_error_m,
        length_m=field.settings.line_error_length_m,
        count=len(field.shared),
        rng=rng,
    )
    yield ("corridor_share", "all"), figures.share + difference
    yield ("corridor_landing_share", "all"), figures.share_with_landings + difference


def _cut_places(field: Field) -> tuple[npt.NDArray[np.intp], Places]:
    """Rows of the cut marks, and what decides their zones."""
    marks = field.layout.marks
    kinds = ["cut", "line_tree"] if field.project.marks.line_trees_confirmed else ["cut"]
    cut = np.flatnonzero(marks["kind"].isin(kinds))
    mine = marks.iloc[cut]
    tags = set(group_key(field.layout.openings["group"])) - {""}
    by_crown = set(field.layout.openings.loc[field.layout.openings["basis"] == "crowns", "opening"])
    key = pd.Series(group_key(mine["group"]), index=mine.index)
    grouped = key.isin(tags) | mine["opening"].isin(by_crown)
    painted = mine["zone_painted"]
    kind = np.where(grouped, -1, painted.map({"": 0, "not_corridor": 1, "corridor": 2}))
    return cut, Places(
        recorded=shapely.get_coordinates(mine.geometry.to_numpy()),
        errors=field.errors.only(cut),
        final=final_zones(painted, grouped),
        layer=kind.astype(np.intp),
    )


def _zones(
    field: Field, cut: npt.NDArray[np.intp], places: Places, rng: np.random.Generator
) -> npt.NDArray[np.int8]:
    """Final zone of each cut mark in each draw."""
    zones = np.full((len(field.shared), len(field.layout.marks)), -1, dtype=np.int8)
    if not len(cut):
        return zones
    partition = dict(zip(field.layout.zones["zone"], field.layout.zones.geometry, strict=True))
    zones[:, cut] = zone_draws(
        places,
        {name: partition[name] for name in ZONE_NAMES if name in partition},
        shared=field.shared[:, cut],
        line=(field.line_error_m, field.settings.line_error_length_m),
        rng=rng,
    )
    return zones


def _reasons(
    layout: Layout, drawn: Drawn, draws: Mapping[Key, FloatArray]
) -> Iterator[tuple[Key, str]]:
    """Why an opening or combined hole has no interval."""
    for number, reason in drawn.reasons.items():
        yield ("opening_area", str(number)), reason
        yield ("boundary", str(number)), reason
        yield ("water", str(number)), reason
    for names in layout.combined_openings["openings"]:
        if ("combined_area", names) not in draws:
            known = [drawn.reasons.get(int(number), "") for number in names.split(", ")]
            yield ("combined_area", names), max(known) or WALKED_COMBINED


def uncertainty_settled(
    uncertainty: Uncertainty, checks: Iterable[tuple[Key, float]]
) -> FloatArray:
    """How much of the uncertainty in some checks the true position of each mark would settle."""
    draws, marks, _ = uncertainty.shifts.shape
    settled = np.zeros(marks)
    moved = np.flatnonzero(np.ptp(uncertainty.shifts, axis=0).any(axis=1))
    if not len(moved):
        return settled
    away = uncertainty.shifts[:, moved].astype(np.float64)
    away -= away.mean(axis=0)
    away = away / away.std(axis=0)
    between = np.einsum("smk,sml->mkl", away, away, optimize=True) / draws
    for key, chance in checks:
        figure = uncertainty.draws[key]
        if 0 < chance < 1 and figure.std() > 0:
            score = (figure - figure.mean()) / figure.std()
            slope = np.einsum("s,smk->mk", score, away, optimize=True) / draws
            fitted = np.linalg.solve(between, slope[..., None])[..., 0]
            explained = (slope * fitted).sum(axis=1) - 2 / draws
            settled[moved] += chance * (1 - chance) * np.clip(explained, 0.0, 1.0)
    return settled
