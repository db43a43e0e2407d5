"""What limits say of an opening, in the words of a caption."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from glademark.report.quantities import MISSING, show, show_against
from glademark.report.review_page.wording import unit_text
from glademark.report.verdicts import WORST_FIRST, words_of

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping, Sequence

    from glademark.contracts.layers import Units

_BOUNDS = {"max": "at most", "min": "at least"}


def bound_words(row: Mapping[Hashable, Any]) -> str:
    """
    Whether a limit is a most or a least.

    Parameters
    ----------
    row
        Of the checks.

    Returns
    -------
    words
        By its margin, else by the end of its key.

    Examples
    --------
    >>> bound_words({"limit": "target", "measured": 3.0, "limit_value": 2.0, "margin": 1.0})
    'at least'
    """
    rising = row["margin"] * (row["measured"] - row["limit_value"])
    if rising > 0:
        return "at least"
    return "at most" if rising < 0 else _BOUNDS.get(str(row["limit"]).rsplit("_", 1)[-1], "at most")


def checks_of(checks: pd.DataFrame, layer: str, feature: str) -> list[dict[Hashable, Any]]:
    """
    Checks that speak of a feature.

    Parameters
    ----------
    checks
        Columns of `contracts.layers.CHECKS`.
    layer
        Of the feature.
    feature
        Its number or name.

    Returns
    -------
    rows
        As dictionaries.
    """
    among = checks["feature"].astype("string").fillna("").str.split(r"[,\s]+", regex=True)
    speaks = pd.Series([feature in found for found in among], index=checks.index, dtype=bool)
    return checks[(checks["layer"] == layer) & speaks].to_dict("records")


def limit_words(row: Mapping[Hashable, Any], units: Units) -> str:
    """
    A limit with its verdict, as it stands behind a measured value.

    Parameters
    ----------
    row
        Of the checks.
    units
        What the project shows.

    Returns
    -------
    words
        Such as ``at most 0.50 acre: EXCEEDED``; what is met needs no word.
    """
    _, limit = show_against(row["measured"], row["limit_value"], str(row["unit"]), units)
    verdict = words_of(str(row["verdict"]))
    if limit == MISSING:
        return verdict
    bound = f"{bound_words(row)} {unit_text(limit)}"
    return bound if verdict == "met" else f"{bound}: {verdict}"


def figure_beside(
    measured: float, unit: str, rows: Sequence[Mapping[Hashable, Any]], units: Units
) -> str:
    """A measured figure with the digits that show on which side of its limits it lies."""
    against = (show_against(measured, row["limit_value"], unit, units)[0] for row in rows)
    return max([show(measured, unit, units), *against], key=len)


def worst_row(rows: list[dict[Hashable, Any]]) -> dict[Hashable, Any]:
    """
    The first of some checks that has the worst verdict.

    Parameters
    ----------
    rows
        Of the checks; one at least.

    Returns
    -------
    row
        Of the checks.
    """
    return next(row for row in rows if row["verdict"] == worst(rows))


def worst(rows: list[dict[Hashable, Any]]) -> str:
    """
    The worst verdict of some checks.

    Parameters
    ----------
    rows
        Of the checks.

    Returns
    -------
    verdict
        As in the checks; empty without any.
    """
    found = {str(row["verdict"]) for row in rows}
    return next((verdict for verdict in WORST_FIRST if verdict in found), "")
