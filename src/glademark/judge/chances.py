"""Chances that limits are exceeded, and the verdicts that follow from them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Iterator

    from glademark.judge.limits import Case
    from glademark.uncertainty.measure import Key, Uncertainty

_QUANTITY = {
    ("opening_area_max", "openings", "m2"): "opening_area",
    ("opening_area_max", "combined_openings", "m2"): "combined_area",
    ("opening_area_min", "openings", "m2"): "opening_area",
    ("combined_area_max", "combined_openings", "m2"): "combined_area",
    ("opening_spacing_min", "openings", "m"): "spacing",
    ("openings_share_max", "openings", "share"): "openings_share",
    ("boundary_distance_min", "openings", "m"): "boundary",
    ("water_distance_min", "openings", "m"): "water",
    ("corridor_share_max", "corridors", "share"): "corridor_share",
    ("corridors_and_landings_share_max", "corridors, landings", "share"): "corridor_landing_share",
    ("exclusion", "exclusions", "trees"): "trees_in_exclusion",
    ("setback", "setbacks", "trees"): "trees_in_setbacks",
}
"""Quantity that is drawn for a limit, a layer and a unit."""

_INSIDE = "a cut tree inside"


def with_chances(checks: pd.DataFrame, case: Case) -> pd.DataFrame:
    """
    Checks with the chance that each limit is exceeded.

    Parameters
    ----------
    checks
        As `glademark.judge.limits.verdicts` makes them, with `limit`.
    case
        What was asked, brought home and measured, with the uncertainty in it.

    Returns
    -------
    checks
        With `chance_exceeded`, NaN where it is not known. Inside the limit, a row with a chance is
        near from the project's setting up, else met; beyond it, it stays exceeded.
    """
    if case.uncertainty is None or checks.empty:
        return checks.assign(chance_exceeded=np.nan)
    uncertainty = case.uncertainty
    rows = checks.reset_index(drop=True)
    chance = np.full(len(rows), np.nan)
    limits = rows["limit_value"].to_numpy(dtype=float)
    least = rows["limit"].str.endswith("_min").to_numpy(dtype=bool)
    for row, key in known_quantities(rows, uncertainty):
        drawn = uncertainty.draws[key]
        beyond = drawn < limits[row] if least[row] else drawn > limits[row]
        chance[row] = beyond.mean()
    inside = np.isfinite(chance) & rows["verdict"].isin(["met", "near"]).to_numpy()
    near = np.where(chance >= uncertainty.settings.near_chance, "near", "met")
    verdict = rows["verdict"].mask(inside, pd.Series(near))
    words = [
        _words(value, limit=name) if np.isfinite(value) else reason
        for value, name, reason in zip(chance, rows["limit"], rows["reason"], strict=True)
    ]
    return rows.assign(verdict=verdict, reason=words, chance_exceeded=chance)


def known_quantities(checks: pd.DataFrame, uncertainty: Uncertainty) -> Iterator[tuple[int, Key]]:
    """
    Checks whose figure was drawn.

    Parameters
    ----------
    checks
        Columns of `contracts.layers.CHECKS`, index 0..n-1.
    uncertainty
        What the figures may truly be.

    Yields
    ------
    row_and_key
        Number of the row, and the key of its figure in `Uncertainty.draws`.
    """
    names = ["limit", "layer", "unit", "feature", "measured"]
    columns = zip(*(checks[name] for name in names), strict=True)
    for row, (limit, layer, unit, feature, measured) in enumerate(columns):
        key = (_QUANTITY.get((limit, layer, unit), ""), feature)
        if key in uncertainty.draws and np.isfinite(measured):
            yield row, key


def _words(chance: float, *, limit: str) -> str:
    """A chance in plain words."""
    over = _INSIDE if limit in {"exclusion", "setback"} else "over the limit"
    where = "under the limit" if limit.endswith("_min") else over
    of_hundred = round(100 * chance)
    if of_hundred == 0:
        return f"{where} in fewer than 1 of 100"
    if of_hundred == 100:  # noqa: PLR2004 - all of them
        return f"{where} in more than 99 of 100"
    return f"{where} in {of_hundred} of 100"
