"""
The whole comparison: layout and what was seen after the cut in, one Comparison out.

Also where machines drove against where corridors were laid, and openings as walked after the cut.
"""

from dataclasses import dataclass, field

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

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
from glademark.measure.polygons import split
from glademark.measure.table_use import sold_of
from glademark.measure.zones import edge_distance, nearest_line
from glademark.project.job_settings import CompareSettings
from glademark.project.model import Project
from glademark.units import SHOWN_LENGTH_M

__all__ = ["Comparison", "Driven", "DrivenFigures", "compare", "driven_against", "openings_against"]

ERRORS = 2.0
"""A line is off a corridor where it is farther away than so many standard errors of its track."""

STEP_M = 1.0
"""Distance of the places along a line at which its departure is taken [m]."""

_QUARTER_SEGMENTS = 16

SCALE_WORTH_A_WORD = 1.25
"""Errors that prove larger or smaller than stated by this factor are told."""

SHIFT_MATTERS_M = 0.3
"""Shifts from this size on are taken out before stumps are placed on the layout [m]."""

SHIFT_WORTH_A_WORD_M = 1.0
"""Shifts of a day's positions from this size on are told [m]."""


@dataclass(frozen=True, kw_only=True, slots=True)
class DrivenFigures:
    """Driven lines in figures."""

    length_m: float  # in the stand
    outside_m: float  # of it, off corridors and landings
    beyond_error_m: float  # of that, farther off than two standard errors of the track
    departure_m: float  # widest, from corridors and landings; 0 where nothing is outside
    driven_m2: float  # ground under the machine in the stand
    beyond_m2: float  # of it, off corridors and landings
    beyond_error_m2: float  # of that, farther off than two standard errors of the track
    laid_share: float
    driven_share: float
    """Share of the stand in corridors, and in corridors with what was driven beyond the error."""
    not_driven_m: float  # laid corridor without a driven line on it


@dataclass(frozen=True, kw_only=True, slots=True)
class Driven:
    """Driven lines against corridors."""

    pieces: gpd.GeoDataFrame
    """Stretches off corridors: `name`, `length_m`, `departure_m`, `beyond_error`, `corridor`."""
    figures: DrivenFigures  # totals


def driven_against(
    driven: gpd.GeoDataFrame,
    corridor_lines: gpd.GeoDataFrame,
    *,
    stand: BaseGeometry,
    corridor: BaseGeometry,
    landing: BaseGeometry,
    sizes_m: tuple[float, float],
) -> Driven:
    """
    How far driven lines leave the corridors, and how much ground that takes.

    Parameters
    ----------
    driven
        Line rows with `name`; projected CRS in metres.
    sizes_m
        Width of the machine, and horizontal root mean square error of the track [m].
    """
    width, error = sizes_m
    slack = ERRORS * error / np.sqrt(2)
    laid = shapely.union(corridor, landing)
    wide = shapely.buffer(laid, slack, quad_segs=_QUARTER_SEGMENTS)
    lines = shapely.intersection(driven.geometry.to_numpy(), stand)
    pieces = _pieces(driven["name"].to_numpy(dtype=object), lines, laid, driven.crs)
    depart = _departures(pieces.geometry.to_numpy(), laid)
    frame = pieces.assign(
        length_m=pieces.length,
        departure_m=depart,
        beyond_error=depart > slack,
        corridor=_nearest(pieces.geometry.to_numpy(), corridor_lines),
    )
    track = shapely.union_all(lines)
    ground = shapely.intersection(
        shapely.buffer(track, width / 2, quad_segs=_QUARTER_SEGMENTS), stand
    )
    beyond_error = shapely.difference(ground, wide)
    near = shapely.buffer(track, width / 2 + slack, quad_segs=_QUARTER_SEGMENTS)
    centre = shapely.union_all(corridor_lines.geometry.to_numpy())
    figures = DrivenFigures(
        length_m=float(shapely.length(lines).sum()),
        outside_m=float(frame["length_m"].sum()),
        beyond_error_m=float(shapely.length(shapely.difference(lines, wide)).sum()),
        departure_m=float(depart.max(initial=0.0)),
        driven_m2=float(ground.area),
        beyond_m2=float(shapely.difference(ground, laid).area),
        beyond_error_m2=float(beyond_error.area),
        laid_share=float(corridor.area / stand.area),
        driven_share=float((corridor.area + beyond_error.area) / stand.area),
        not_driven_m=float(shapely.difference(centre, near).length),
    )
    return Driven(pieces=frame, figures=figures)


def _pieces(
    names: npt.NDArray[np.object_],
    lines: npt.NDArray[np.object_],
    laid: BaseGeometry,
    crs: CRS | None,
) -> gpd.GeoDataFrame:
    """Stretches of lines outside an area, one a row."""
    outside = shapely.difference(lines, laid)
    parts, row = shapely.get_parts(outside, return_index=True)
    kept = shapely.length(parts) > 0
    return gpd.GeoDataFrame({"name": names[row[kept]]}, geometry=parts[kept], crs=crs)


def _departures(pieces: npt.NDArray[np.object_], laid: BaseGeometry) -> npt.NDArray[np.float64]:
    """Farthest that each stretch gets from an area [m]; NaN where there is no area."""
    if not len(pieces):
        return np.zeros(0)
    if shapely.is_empty(laid):
        return np.full(len(pieces), np.nan)
    places, row = shapely.get_coordinates(shapely.segmentize(pieces, STEP_M), return_index=True)
    away = edge_distance(_points(places), edges=laid)
    farthest = np.zeros(len(pieces))
    np.maximum.at(farthest, row, away)
    return farthest


def _points(places: npt.NDArray[np.float64]) -> npt.NDArray[np.object_]:
    """Points at coordinates."""
    return np.asarray(shapely.points(places), dtype=object)


def _nearest(pieces: npt.NDArray[np.object_], lines: gpd.GeoDataFrame) -> npt.NDArray[np.object_]:
    """Name of the corridor nearest to the start of each stretch."""
    if not len(pieces) or not len(lines):
        return np.full(len(pieces), "", dtype=object)
    start = _points(shapely.get_coordinates(shapely.get_point(pieces, 0)))
    at = nearest_line(start, lines=lines.geometry.to_numpy())
    return np.asarray(lines["corridor"].to_numpy(dtype=object)[at])


def openings_against(walked: gpd.GeoDataFrame, laid: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """
    Openings as walked after the cut, each beside the laid one that it overlaps the most.

    Parameters
    ----------
    walked
        Polygon rows with `group`; projected CRS in metres.
    """
    shapes, before = walked.geometry.to_numpy(), laid.geometry.to_numpy()
    tree = shapely.STRtree(before)
    one, other = tree.query(shapes, predicate="intersects")
    shared = pd.DataFrame(
        {
            "walked": one,
            "laid": other,
            "m2": shapely.area(shapely.intersection(shapes[one], before[other])),
        }
    )
    best = shared.sort_values(["m2", "laid"]).groupby("walked")["laid"].last()
    mate = best.reindex(range(len(shapes))).to_numpy(dtype=float)
    known = np.isfinite(mate)
    at = mate[known].astype(np.intp)
    every = shapely.union_all(before)
    beyond = np.array([split(shape, every)[1] for shape in shapes], dtype=object)  # few
    short = np.zeros(len(shapes))
    short[known] = shapely.area(shapely.difference(before[at], shapely.union_all(shapes)))
    laid_m2 = np.full(len(shapes), np.nan)
    laid_m2[known] = laid["area_m2"].to_numpy(dtype=float)[at]
    number = pd.Series(pd.NA, index=walked.index, dtype="Int64")
    number[known] = laid["opening"].to_numpy()[at]
    return gpd.GeoDataFrame(
        {
            "group": walked["group"],
            "opening": number,
            "area_m2": shapely.area(shapes),
            "laid_area_m2": laid_m2,
            "beyond_area_m2": shapely.area(beyond) if len(beyond) else np.zeros(0),
            "short_area_m2": short,
            "departure_m": _edge_departure(shapes, every),
        },
        geometry=shapes,
        crs=walked.crs,
    )


def _edge_departure(shapes: npt.NDArray[np.object_], laid: BaseGeometry) -> npt.NDArray[np.float64]:
    """Farthest that each walked edge lies beyond the laid ones [m]; NaN where none are laid."""
    if shapely.is_empty(laid):
        return np.full(len(shapes), np.nan)
    places, row = shapely.get_coordinates(shapely.segmentize(shapes, STEP_M), return_index=True)
    away = shapely.distance(shapely.points(places), laid)
    farthest = np.zeros(len(shapes))
    np.maximum.at(farthest, row, away)
    return farthest


@dataclass(frozen=True, kw_only=True, slots=True)
class Comparison:
    """What was seen after the cut, held against the layout."""

    crs: CRS  # working CRS of every layer
    stumps: gpd.GeoDataFrame
    trees: gpd.GeoDataFrame
    driven_outside: gpd.GeoDataFrame
    openings_after: gpd.GeoDataFrame
    """stumps, trees, driven_outside and openings_after: layers of `contracts.comparison_layers`."""
    findings: pd.DataFrame
    tallied: pd.DataFrame
    sample_check: pd.DataFrame
    shifts: pd.DataFrame  # findings, tallied, sample_check and shifts: tables of the same
    driven: Driven | None  # driven lines in figures; None where none were given
    residual: Residual | None  # basal area left by the plots after the cut; None without plots
    damage_seen: Damage | None
    damage: pd.DataFrame
    """damage_seen and damage: damage to residual trees, None where it was not looked for; and its
    table."""
    questions: tuple[Question, ...]  # what the contract asks, and whether it is settled
    error_scale: float
    """Size of the position errors against what was stated; 1 where it was not estimated."""
    walked_m2: float  # ground on which stumps were looked for
    notices: tuple[str, ...]  # one plain sentence each
    checks: pd.DataFrame = field(default_factory=pd.DataFrame)
    """Limits held against the openings after the cut, columns of `contracts.layers.CHECKS`."""


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
