"""Limits of corridors: share, density, width, spacing."""

import pandas as pd

from glademark.judge.limits import (
    Case,
    Limit,
    Value,
    columns_of,
    not_checked,
    number,
    texts,
    verdicts,
)
from glademark.measure.lane_spacing import lane_spacing
from glademark.units import SHOWN_LENGTH_M

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
