"""Limits of openings: size, spacing, share, distances."""

import numpy as np
import pandas as pd

from glademark.judge.limits import Case, Limit, Sense, Value, columns_of, number, verdicts
from glademark.measure.openings import spacing_pairs


def _area_max(case: Case, value: Value) -> pd.DataFrame:
    """Each opening, or each combined opening where the project measures those."""
    if case.project.openings.measure == "combined":
        return _combined_area_max(case, value)
    return _by_opening(case, value, "area_m2", "max", "m2", "area of opening {}")


def _area_min(case: Case, value: Value) -> pd.DataFrame:
    """Each opening."""
    return _by_opening(case, value, "area_m2", "min", "m2", "area of opening {}")


def _combined_area_max(case: Case, value: Value) -> pd.DataFrame:
    """Each combined opening, single ones included."""
    combined = case.layout.combined_openings
    rows = columns_of(
        "combined_openings",
        combined["openings"],
        combined["area_m2"],
        subject="combined area of opening {}",
    )
    return verdicts(rows, limit=number(value), sense="max", unit="m2")


def _spacing_min(case: Case, value: Value) -> pd.DataFrame:
    """Each pair that is too close or near it, and the nearest pair of every opening."""
    limit, error = number(value), case.project.marks.position_error_m
    openings = case.layout.openings
    close = spacing_pairs(openings, within_m=limit + error)
    nearest = openings.dropna(subset=["nearest"])
    ends = np.sort(nearest[["opening", "nearest"]].astype(int).to_numpy(), axis=1)
    pairs = pd.DataFrame(
        {"first": ends[:, 0], "second": ends[:, 1], "spacing_m": nearest["spacing_m"].to_numpy()}
    )
    pairs = pd.concat([close, pairs]).drop_duplicates(["first", "second"])
    pairs = pairs.sort_values(["first", "second"])
    names = pairs["first"].astype(str) + ", " + pairs["second"].astype(str)
    rows = columns_of(
        "openings", names, pairs["spacing_m"], subject="crown edge to crown edge of openings {}"
    )
    return verdicts(rows, limit=limit, sense="min", unit="m", near=error)


def _share_max(case: Case, value: Value) -> pd.DataFrame:
    """All openings together."""
    rows = columns_of(
        "openings",
        ["all"],
        [case.layout.figures.openings.share],
        subject="share of the stand in openings",
    )
    return verdicts(rows, limit=number(value), sense="max", unit="share")


def _boundary_min(case: Case, value: Value) -> pd.DataFrame:
    """Each opening from the stand boundary."""
    return _distance(case, value, "boundary_m", "opening {} to the stand boundary")


def _water_min(case: Case, value: Value) -> pd.DataFrame:
    """Each opening from the nearest bank."""
    rows = _distance(case, value, "water_m", "opening {} to the nearest bank")
    if case.layout.water.empty:
        rows = rows.assign(reason="no water is given; add it under [inputs] water")
    return rows


def _by_opening(
    case: Case, value: Value, column: str, sense: Sense, unit: str, subject: str
) -> pd.DataFrame:
    """One row an opening."""
    openings = case.layout.openings
    rows = columns_of("openings", openings["opening"], openings[column], subject=subject)
    return verdicts(rows, limit=number(value), sense=sense, unit=unit)


def _distance(case: Case, value: Value, column: str, subject: str) -> pd.DataFrame:
    """One row an opening, near within the position error."""
    openings = case.layout.openings
    rows = columns_of("openings", openings["opening"], openings[column], subject=subject)
    near = case.project.marks.position_error_m
    return verdicts(rows, limit=number(value), sense="min", unit="m", near=near)


AREA_MAX = Limit(
    id="opening_area_max", title="largest area of an opening", kind="area", judge=_area_max
)
AREA_MIN = Limit(
    id="opening_area_min", title="least area of an opening", kind="area", judge=_area_min
)
COMBINED_AREA_MAX = Limit(
    id="combined_area_max", title="largest combined area", kind="area", judge=_combined_area_max
)
SPACING_MIN = Limit(
    id="opening_spacing_min",
    title="least distance between openings",
    kind="length",
    judge=_spacing_min,
)
SHARE_MAX = Limit(
    id="openings_share_max",
    title="largest share of the stand in openings",
    kind="share",
    judge=_share_max,
)
BOUNDARY_MIN = Limit(
    id="boundary_distance_min",
    title="least distance of an opening to the boundary",
    kind="length",
    judge=_boundary_min,
)
WATER_MIN = Limit(
    id="water_distance_min",
    title="least distance of an opening to water",
    kind="length",
    judge=_water_min,
)
