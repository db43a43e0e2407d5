"""Limits of corridors: share, width, spacing."""

import pandas as pd

from glademark.judge.limits import Case, Limit, Value, number, rows_of, verdicts


def _share_max(case: Case, value: Value) -> pd.DataFrame:
    """Corridors alone, and with the landings where there are any."""
    figures = case.layout.figures.corridors
    rows = rows_of("corridors", ["all"], [figures.share], subject="share of the stand in corridors")
    if len(case.layout.landings):
        landings = rows_of(
            "corridors, landings",
            ["all"],
            [figures.share_with_landings],
            subject="share of the stand in corridors and landings",
        )
        rows = pd.concat([rows, landings])
    return verdicts(rows, limit=number(value), sense="max", unit="share")


def _width_max(case: Case, value: Value) -> pd.DataFrame:
    """Each corridor."""
    corridors = case.layout.corridors
    rows = rows_of(
        "corridors", corridors["corridor"], corridors["width_m"], subject="width of corridor {}"
    )
    return verdicts(rows, limit=number(value), sense="max", unit="m")


def _spacing_min(case: Case, value: Value) -> pd.DataFrame:
    """Mean spacing, stand area over length."""
    spacing = case.layout.figures.corridors.mean_spacing_m
    rows = rows_of(
        "corridors",
        ["all"],
        [spacing],
        subject="mean spacing of corridors, centre line to centre line (stand area / length)",
    )
    return verdicts(rows, limit=number(value), sense="min", unit="m")


SHARE_MAX = Limit(
    id="corridor_share_max",
    title="largest share of the stand in corridors",
    kind="share",
    judge=_share_max,
)
WIDTH_MAX = Limit(
    id="corridor_width_max", title="largest width of a corridor", kind="length", judge=_width_max
)
SPACING_MIN = Limit(
    id="corridor_spacing_min",
    title="least mean spacing of corridors",
    kind="length",
    judge=_spacing_min,
)
