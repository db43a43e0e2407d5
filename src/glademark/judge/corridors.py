"""Limits of corridors: share, width, spacing."""

import pandas as pd

from glademark.judge.limits import Case, Limit, Value, columns_of, number, verdicts

_SHARE_OF = {
    "corridors": "share of the stand in corridors",
    "corridors, landings": "share of the stand in corridors and landings",
}


def _share_max(case: Case, value: Value) -> pd.DataFrame:
    """Corridors alone, and with the landings where there are any."""
    figures = case.layout.figures.corridors
    shares = {"corridors": figures.share}
    if len(case.layout.landings):
        shares["corridors, landings"] = figures.share_with_landings
    rows = [
        verdicts(
            columns_of(layer, ["all"], [share], subject=_SHARE_OF[layer]),
            limit=number(value),
            sense="max",
            unit="share",
        )
        for layer, share in shares.items()
    ]
    return rows[0] if len(rows) == 1 else pd.concat(rows)


def _width_max(case: Case, value: Value) -> pd.DataFrame:
    """Each corridor."""
    corridors = case.layout.corridors
    rows = columns_of(
        "corridors", corridors["corridor"], corridors["width_m"], subject="width of corridor {}"
    )
    return verdicts(rows, limit=number(value), sense="max", unit="m")


def _spacing_min(case: Case, value: Value) -> pd.DataFrame:
    """Mean spacing, stand area over length."""
    spacing = case.layout.figures.corridors.mean_spacing_m
    rows = columns_of(
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
