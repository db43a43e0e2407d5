"""Limits of the ground: grade, cross-slope, slope, reach, extraction distance, water crossings."""

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np
import pandas as pd
import shapely

from glademark.contracts.terrain import PERMIT
from glademark.judge.limits import (
    NO_ROWS,
    Case,
    Limit,
    Value,
    columns_of,
    not_checked,
    number,
    rows_of,
    texts,
    verdicts,
)
from glademark.measure.corridors import lane_spacing
from glademark.measure.terrain.profiles import steepest_of_profiles
from glademark.measure.terrain.reach import SLACK_M, entered, measure_reach, stubs_for
from glademark.units import SHOWN_LENGTH_M

NO_TERRAIN = "no terrain is given; add it under [inputs] terrain"
NO_HEIGHTS = "the terrain has no heights there"
NO_LANDING = "no landing is reached; add them under [inputs] landings"
NO_WATER = "no water is given; add it under [inputs] water"

_WEIGHTS = MappingProxyType({"m3": "volume", "basal_area": "basal area", "trees": "trees"})

NAMED = 10
"""Trees named in a reason; the rest are counted."""


def _grade_max(case: Case, value: Value) -> pd.DataFrame:
    """Each corridor, for each length that the limit names."""
    grades = value if isinstance(value, Mapping) else {}
    if case.survey.elevation is None:
        stated = [grade for grade, _ in grades.values()]
        return _without_terrain(
            stated[0] if len(stated) == 1 else value, "steepest grade of corridors"
        )
    lengths = case.project.terrain.grade_lengths_m
    rows = []
    for over, (grade, _) in grades.items():
        over_m = float(over) if over else lengths[0]
        steepest = steepest_of_profiles(case.layout.profiles, over_m=over_m)
        names = steepest.index if len(steepest) else case.layout.corridors["corridor"]
        found = rows_of(
            "corridor_grades",
            names,
            steepest.reindex(names),
            subject=f"steepest grade over {over_m:g} m of corridor {{}}",
        )
        rows.append(verdicts(found, limit=grade, sense="max", unit="share"))
    return _why(pd.concat(rows), NO_HEIGHTS)


def _cross_slope_max(case: Case, value: Value) -> pd.DataFrame:
    """Each corridor."""
    if case.survey.elevation is None:
        return _without_terrain(value, "cross-slope of corridors")
    corridors = case.layout.corridors
    slope = _share(corridors, "cross_slope_pct")
    rows = rows_of("corridors", corridors["corridor"], slope, subject="cross-slope of corridor {}")
    rows = verdicts(rows, limit=number(value), sense="max", unit="share")
    return _why(rows, NO_HEIGHTS)


def _opening_slope_max(case: Case, value: Value) -> pd.DataFrame:
    """Each opening: the slope that nine in ten of its cells keep."""
    if case.survey.elevation is None:
        return _without_terrain(value, "slope of openings, 90th percentile")
    openings = case.layout.openings
    rows = rows_of(
        "openings",
        openings["opening"],
        _share(openings, "slope_p90_pct"),
        subject="slope of opening {}, 90th percentile",
    )
    rows = verdicts(rows, limit=number(value), sense="max", unit="share")
    return _why(rows, NO_HEIGHTS)


def _reach_max(case: Case, value: Value) -> pd.DataFrame:
    """The cut tree farthest from a corridor edge, and what would help where that is too far."""
    reach_m = number(value)
    layout = case.layout
    cut = layout.marks[layout.marks["kind"].isin(case.cut_kinds)]
    points = cut.geometry.to_numpy()
    inside = entered(cut, layout.openings, layout.corridors, case.project.machine)
    away = np.where(inside, 0.0, measure_reach(points, layout.corridors).distance_m)
    beyond = away > reach_m + SLACK_M
    names = _named(cut.loc[beyond, "label"])
    rows = rows_of(
        "marks",
        [names],
        [away.max() if len(away) else np.nan],
        subject="farthest cut tree from the nearest corridor edge",
    )
    near = float(cut["position_error_m"].max()) if len(cut) else 0.0
    rows = verdicts(rows, limit=reach_m, sense="max", unit="m", near=near)
    if not beyond.any():
        return rows
    stubs = stubs_for(points, layout.corridors, reach_m=reach_m, passed=inside)
    length = shapely.length(stubs.lines).sum()
    left = int((beyond & (stubs.served < 0)).sum())
    trees = int(cut.loc[beyond, "count"].sum())
    help_ = (
        f"new stubs of corridor that would bring them within reach: {len(stubs.lines)}, "
        f"{length:.1f} m in all" + (f", but for {left} of the marks" if left else "")
    )
    return rows.assign(reason=f"trees beyond: {trees}; {help_}")


def _extraction_distance_max(case: Case, value: Value) -> pd.DataFrame:
    """The mean way of the wood."""
    extraction = case.layout.ground.extraction
    measured = np.nan if extraction is None else extraction.mean_m
    weight = "volume" if extraction is None else _WEIGHTS[extraction.weight]
    subject = f"mean extraction distance along corridors, weighted by {weight}"
    rows = rows_of("extraction", ["all"], [measured], subject=subject)
    rows = verdicts(rows, limit=number(value), sense="max", unit="m")
    return _why(rows, NO_LANDING)


def _water_crossings_max(case: Case, value: Value) -> pd.DataFrame:
    """All crossings of water together."""
    crossings = case.layout.ground.crossings
    measured = np.nan if case.layout.water.empty else float(crossings.water if crossings else 0)
    rows = rows_of(
        "water_crossings", ["all"], [measured], subject="crossings of water by corridors"
    )
    rows = verdicts(rows, limit=number(value), sense="max", unit="crossings", near=-1.0)
    return _why(rows, NO_WATER)


def crossing_checks(case: Case) -> pd.DataFrame:
    """
    One row for all crossings of water and setbacks, to be looked at under local rules.

    With the number of crossings as the measured value and no limit: it is not for this program to
    say whether they are permitted. None without crossings.
    """
    found = case.layout.water_crossings
    if found.empty:
        return NO_ROWS
    of_water = int((found["what"] == "water").sum())
    rows = rows_of(
        "water_crossings",
        [", ".join(found["crossing"].astype(str))],
        [float(len(found))],
        subject=f"corridors cross water {_times(of_water)}, setbacks "
        f"{_times(len(found) - of_water)}",
    )
    return rows.assign(
        limit_value=np.nan, margin=np.nan, unit="crossings", verdict="not_checked", reason=PERMIT
    )


def _times(number: int) -> str:
    """How often."""
    return {0: "nowhere", 1: "once", 2: "twice"}.get(number, f"{number} times")


def _share(frame: pd.DataFrame, column: str) -> pd.Series:
    """A column of per cent as a fraction of 1; NaN where it is absent."""
    if column not in frame:
        return pd.Series(np.nan, index=frame.index)
    return frame[column].astype(float) / 100


def _without_terrain(limit: Value, subject: str) -> pd.DataFrame:
    """The one row of a limit that waits for terrain."""
    return not_checked(reason=NO_TERRAIN, limit=limit, unit="share", subject=subject)


def _why(rows: pd.DataFrame, reason: str) -> pd.DataFrame:
    """Rows with a reason for what could not be measured."""
    return rows.assign(reason=rows["reason"].mask(rows["verdict"] == "not_checked", reason))


def _named(tree_id: pd.Series) -> str:
    """Trees in a row, the first few of many."""
    names = ", ".join(tree_id.iloc[:NAMED].astype(str))
    more = len(tree_id) - NAMED
    return f"{names} and {more} more" if more > 0 else names


GRADE_MAX = Limit(
    id="corridor_grade_max", title="largest grade of a corridor", kind="grade", judge=_grade_max
)
CROSS_SLOPE_MAX = Limit(
    id="corridor_cross_slope_max",
    title="largest cross-slope of a corridor",
    kind="share",
    judge=_cross_slope_max,
)
OPENING_SLOPE_MAX = Limit(
    id="opening_slope_max",
    title="largest slope of an opening",
    kind="share",
    judge=_opening_slope_max,
)
REACH_MAX = Limit(
    id="reach_max",
    title="largest distance of a cut tree to a corridor edge",
    kind="length",
    judge=_reach_max,
)
EXTRACTION_DISTANCE_MAX = Limit(
    id="extraction_distance_max",
    title="largest mean extraction distance",
    kind="length",
    judge=_extraction_distance_max,
)
WATER_CROSSINGS_MAX = Limit(
    id="water_crossings_max",
    title="most crossings of water by corridors",
    kind="count",
    judge=_water_crossings_max,
)


ONE_LANE = "no two corridors run side by side, within 30 degrees of each other"


def _share_max(case: Case, value: Value) -> pd.DataFrame:
    """Corridors alone."""
    share = case.layout.figures.corridors.share
    rows = columns_of("corridors", ["all"], [share], subject="share of the stand in corridors")
    return verdicts(rows, limit=number(value), sense="max", unit="share")


def _with_landings_max(case: Case, value: Value) -> pd.DataFrame:
    """Corridors and landings, whose overlap counts once."""
    share = case.layout.figures.corridors.share_with_landings
    subject = "share of the stand in corridors and landings"
    rows = columns_of("corridors, landings", ["all"], [share], subject=subject)
    return verdicts(rows, limit=number(value), sense="max", unit="share")


def _density_max(case: Case, value: Value) -> pd.DataFrame:
    """Length of all centre lines over the area of the stand."""
    density = case.layout.figures.corridors.density_m_per_ha
    subject = "density of corridors (length / stand area)"
    rows = columns_of("corridors", ["all"], [density], subject=subject)
    return verdicts(rows, limit=number(value), sense="max", unit="m/ha")


def _width_max(case: Case, value: Value) -> pd.DataFrame:
    """Each corridor."""
    corridors = case.layout.corridors
    rows = columns_of(
        "corridors", corridors["corridor"], corridors["width_m"], subject="width of corridor {}"
    )
    return verdicts(rows, limit=number(value), sense="max", unit="m")


def _spacing_min(case: Case, value: Value) -> pd.DataFrame:
    """Each pair of neighbouring lanes, by the median of their distances."""
    limit = number(value)
    subject = "spacing of neighbouring corridors {}, centre line to centre line"
    lines = case.layout.corridor_lines
    pairs = lane_spacing(lines, least_m=limit)
    if pairs.empty:
        reason = ONE_LANE if len(lines) else "the layout has no corridors"
        return not_checked(reason=reason, limit=limit, unit="m", subject=subject.format("").strip())
    names = pairs["first"].astype(str) + ", " + pairs["second"].astype(str)
    rows = columns_of("corridors", names, pairs["median_m"], subject=subject)
    checked = verdicts(rows, limit=limit, sense="min", unit="m")
    units = case.project.heading.units
    unit = "ft" if units == "us" else "m"
    least = [
        f"median; the least single distance is {away:.1f} {unit}"
        for away in pairs["least_m"] / SHOWN_LENGTH_M[units]
    ]
    return checked.assign(reason=texts(least))


SHARE_MAX = Limit(
    id="corridor_share_max",
    title="largest share of the stand in corridors",
    kind="share",
    judge=_share_max,
)
WIDTH_MAX = Limit(
    id="corridor_width_max", title="largest width of a corridor", kind="length", judge=_width_max
)
WITH_LANDINGS_MAX = Limit(
    id="corridors_and_landings_share_max",
    title="largest share of the stand in corridors and landings",
    kind="share",
    judge=_with_landings_max,
)
DENSITY_MAX = Limit(
    id="corridor_density_max",
    title="largest density of corridors",
    kind="density",
    judge=_density_max,
)
SPACING_MIN = Limit(
    id="corridor_spacing_min",
    title="least spacing of neighbouring corridors",
    kind="length",
    judge=_spacing_min,
)
