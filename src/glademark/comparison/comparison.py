"""The whole comparison: layout and what was seen after the cut in, one Comparison out."""

from dataclasses import dataclass, field

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from glademark.comparison.driven_area import Driven, driven_against, openings_against
from glademark.comparison.expected import amounts_of, used_up
from glademark.comparison.findings import Seen, finding_rows, stump_layer, tallied_rows, tree_layer
from glademark.comparison.likeness import Beliefs
from glademark.comparison.matching import Match, Settings, match_stumps
from glademark.comparison.questions import (
    Question,
    damage_questions,
    questions_of,
    sample_rows,
)
from glademark.comparison.records import (
    Places,
    known_trees,
    located,
    paper_trees,
    places_of,
    stump_rows,
)
from glademark.comparison.sample_check import (
    Damage,
    Residual,
    damage_of,
    residual_of,
    with_residual,
)
from glademark.contracts.frames import features, no_rows
from glademark.contracts.job_layers import AFTER_CUT_LAYERS
from glademark.contracts.layers import Units
from glademark.contracts.layout import Layout
from glademark.contracts.survey import AfterCutSurvey, Survey
from glademark.errors import counted
from glademark.measure.table_use import sold_of
from glademark.project.job_settings import CompareSettings
from glademark.project.model import Project
from glademark.units import SHOWN_LENGTH_M

__all__ = ["Comparison", "compare"]

SCALE_WORTH_A_WORD = 1.25
"""Errors that prove larger or smaller than stated by this factor are told."""

SHIFT_MATTERS_M = 0.3
"""Shifts from this size on are taken out before stumps are placed on the layout [m]."""

SHIFT_WORTH_A_WORD_M = 1.0
"""Shifts of a day's positions from this size on are told [m]."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Comparison:
    """
    What was seen after the cut, held against the layout.

    Attributes
    ----------
    crs
        Working CRS of every layer.
    stumps, trees, driven_outside, openings_after
        Layers of `contracts.comparison_layers`.
    findings, tallied, sample_check, shifts
        Tables of the same.
    driven
        Driven lines in figures; None where none were given.
    residual
        Basal area left by the plots after the cut; None without plots.
    damage_seen, damage
        Damage to residual trees, None where it was not looked for; and its table.
    questions
        What the contract asks, and whether it is settled.
    error_scale
        Size of the position errors against what was stated; 1 where it was not estimated.
    walked_m2
        Ground on which stumps were looked for.
    checks
        Limits held against the openings after the cut, columns of `contracts.layers.CHECKS`.
    notices
        One plain sentence each.
    """

    crs: CRS
    stumps: gpd.GeoDataFrame
    trees: gpd.GeoDataFrame
    driven_outside: gpd.GeoDataFrame
    openings_after: gpd.GeoDataFrame
    findings: pd.DataFrame
    tallied: pd.DataFrame
    sample_check: pd.DataFrame
    shifts: pd.DataFrame
    driven: Driven | None
    residual: Residual | None
    damage_seen: Damage | None
    damage: pd.DataFrame
    questions: tuple[Question, ...]
    error_scale: float
    walked_m2: float
    notices: tuple[str, ...]
    checks: pd.DataFrame = field(default_factory=pd.DataFrame)


def compare(survey: Survey, layout: Layout, project: Project, seen: AfterCutSurvey) -> Comparison:
    """What was seen after the cut, held against the layout; what was not given is empty."""
    settings = project.compare
    cleared_to_cm = project.openings.cleared_to_dbh_cm
    places = places_of(layout, seen, cleared=cleared_to_cm is not None)
    stated = settings.stump_error_m
    error = project.marks.position_error_m if stated is None else stated
    sold = sold_of(survey, project)
    trees = known_trees(
        survey, layout, project, places=places, stump_error_m=error, species=sold.species
    )
    stumps = stump_rows(seen, places=places, species=sold.species)
    paper = paper_trees(survey, layout, project, places=places, species=sold.species)
    match = match_stumps(trees, stumps, ground_m2=places.ground_m2, settings=_matching(settings))
    shift = match.rates.shifts.against_trees(stumps["day"], trees["day"])
    if np.abs(shift).max(initial=0.0) > SHIFT_MATTERS_M:  # as the marks saw it
        stumps = located(stumps, places=places, shift_m=shift)
        match = match_stumps(
            trees, stumps, ground_m2=places.ground_m2, settings=_matching(settings)
        )
    expected = used_up(
        match,
        stumps,
        paper,
        errors=(settings.diameter_error, settings.species_error),
        ground_m2=places.ground_m2,
        cleared_to_cm=cleared_to_cm,
    )
    found = Seen(
        trees=trees,
        stumps=stumps,
        tree_wood=amounts_of(trees, sold),
        stump_wood=amounts_of(stumps, sold),
        expected=expected,
    )
    given = len(seen.stumps) > 0
    findings = _no_rows("findings")
    if given:
        findings = finding_rows(match, found, confidence=settings.confidence)
    sample = sample_rows(match, found, seen.sampled, places, confidence=settings.confidence)
    driven = _driven(seen, layout, project, places)
    residual = residual_of(survey, layout, project, seen)
    units = project.heading.units
    damage = damage_of(seen.damage, layout.corridors, confidence=settings.confidence, units=units)
    return Comparison(
        crs=layout.crs,
        stumps=stump_layer(match, found, crs=layout.crs, doubtful_below=settings.doubtful_below),
        trees=(
            tree_layer(match, found, crs=layout.crs, doubtful_below=settings.doubtful_below)
            if given
            else _no_layer("trees", layout.crs)
        ),
        driven_outside=_no_layer("driven_outside", layout.crs) if driven is None else driven.pieces,
        openings_after=openings_against(seen.openings, layout.openings),
        findings=with_residual(findings, residual),
        sample_check=sample,
        tallied=tallied_rows(expected) if given else _no_rows("tallied"),
        shifts=_shift_rows(match, found) if given else _no_rows("shifts"),
        driven=driven,
        residual=residual,
        damage_seen=damage,
        damage=_no_rows("damage") if damage is None else damage.table,
        questions=(
            *questions_of(findings, sample, stumps=len(stumps), settings=settings),
            *damage_questions(damage, limit=settings.residual_damage_share_max),
        ),
        error_scale=match.rates.scale,
        walked_m2=float(places.walked.area),
        notices=(*seen.notices, *(_notices(match, found, seen, units) if given else ())),
    )


def _matching(settings: CompareSettings) -> Settings:
    """What is held of the records, from the project file."""
    return Settings(
        beliefs=Beliefs(
            diameter_error=settings.diameter_error,
            species_error=settings.species_error,
            low_mark_kept=settings.low_mark_kept,
            low_mark_false=settings.low_mark_false,
        ),
        adjust_error=settings.adjust_error,
    )


def _no_rows(name: str) -> pd.DataFrame:
    """A table without rows."""
    kinds = {"text": "object", "integer": "Int64", "real": "float64", "flag": "bool"}
    layer = AFTER_CUT_LAYERS[name]
    return no_rows(layer.names, {one.name: kinds[one.kind] for one in layer.columns})


def _no_layer(name: str, crs: CRS) -> gpd.GeoDataFrame:
    """A layer without rows."""
    return features(_no_rows(name), [], crs=crs)


def _driven(
    seen: AfterCutSurvey, layout: Layout, project: Project, places: Places
) -> Driven | None:
    """Driven lines against corridors, where any are given."""
    if seen.driven.empty:
        return None
    settings = project.compare
    width = settings.machine_width_m or project.corridors.width_m
    return driven_against(
        seen.driven,
        layout.corridor_lines,
        stand=places.stand,
        corridor=places.corridor,
        landing=shapely.union_all(layout.landings.geometry.to_numpy()),
        sizes_m=(width, settings.driven_error_m),
    )


def _shift_rows(match: Match, found: Seen) -> pd.DataFrame:
    """Shift of each day with its number of positions."""
    rows = []
    for of, frame, shift in (
        ("stumps", found.stumps, match.rates.shifts.stump),
        ("marks", found.trees, match.rates.shifts.tree),
    ):
        days = frame.groupby("day", sort=True)["day_name"].agg(["first", "size"])
        for day, (name, size) in zip(days.index, days.to_numpy().tolist(), strict=True):
            east, north = shift[int(day)].tolist()
            rows.append({"of": of, "day": name, "trees": size, "east_m": east, "north_m": north})
    return pd.DataFrame(rows, columns=list(AFTER_CUT_LAYERS["shifts"].names))


def _notices(match: Match, found: Seen, seen: AfterCutSurvey, units: Units) -> list[str]:
    """What should be known of the match."""
    notices = []
    scale = match.rates.scale
    if not 1 / SCALE_WORTH_A_WORD < scale < SCALE_WORTH_A_WORD:
        size = "larger" if scale > 1 else "smaller"
        notices.append(
            f"Stumps and marks lie {scale:.1f} times as far apart as the stated position errors "
            f"mean: the errors are taken as that much {size}. Check what was stated."
        )
    shift = match.rates.shifts.stump[:, None, :] - match.rates.shifts.tree[None, :, :]
    largest = float(np.hypot(shift[..., 0], shift[..., 1]).max(initial=0.0))
    if largest >= SHIFT_WORTH_A_WORD_M:
        far = f"{largest / SHOWN_LENGTH_M[units]:.1f} {'ft' if units == 'us' else 'm'}"
        notices.append(
            f"Positions of one day are shifted together, by up to {far} between a day of marks and "
            "a day of stumps: this was taken out before matching."
        )
    lost = int(seen.stumps["count"].sum()) - len(found.stumps)
    if lost:
        notices.append(f"{lost:,} stumps lie outside the places walked and take no part.")
    if found.stumps["dbh_cm"].isna().any():
        number = int(found.stumps["dbh_cm"].isna().sum())
        notices.append(f"{counted(number, 'stump')} without a diameter: counted, without wood.")
    marked = found.trees["to_cut"].to_numpy(dtype=float)
    without = (round(float(marked @ found.tree_wood.unlisted)), found.stump_wood.unlisted.sum())
    if sum(without):
        trees = f"{counted(without[0], 'tree')} marked to cut" if without[0] else ""
        stumps = counted(round(without[1]), "stump") if round(without[1]) else ""
        notices.append(
            f"{' and '.join(filter(None, [trees, stumps]))} without a volume: they state no "
            "product, or no other of that product has one. They are counted, without wood."
        )
    if found.stumps["low_mark"].isna().all():
        notices.append(
            "No stump says whether a low mark was seen; looking for it would make most doubtful "
            "matches sure."
        )
    return notices
