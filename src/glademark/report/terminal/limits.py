"""Limits on the terminal: what is exceeded first, in words."""

from collections.abc import Iterable, Mapping
from typing import Any

import pandas as pd
from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from glademark.contracts.layers import CHECKS, Units
from glademark.report.columns import written_frame
from glademark.report.delivery import Delivery
from glademark.report.quantities import MISSING, show_against
from glademark.report.shown_text import shown_text
from glademark.report.verdicts import words_of

VERDICT_STYLES = {"exceeded": "bold red", "near": "yellow", "not_checked": "", "met": "green"}
"""Colour of a verdict; the word says the same."""

_LISTED = ("exceeded", "near", "not_checked")
_COUNTED = (*_LISTED, "met")
_MOST_ROWS = 12
_LONGEST = 300
_BEHIND = ("reason", "authority")
_BOUNDS = {"max": "at most", "min": "at least"}


def limit_lines(delivery: Delivery) -> list[RenderableType]:
    """
    Verdicts in figures, then every limit that is not plainly met.

    Parameters
    ----------
    delivery
        What is handed over.

    Returns
    -------
    lines
        To print below each other.
    """
    checks = delivery.checks
    if checks.empty:
        return [Text("None given, so none checked. Write them into the project file: [limits]")]
    lines: list[RenderableType] = [_verdict_counts(checks)]
    listed = [checks[checks["verdict"] == verdict] for verdict in _LISTED]
    if any(len(rows) for rows in listed):
        lines.append(_limits_table(listed, delivery.project.heading.units))
    return lines


def _verdict_counts(checks: pd.DataFrame) -> Text:
    """How many of each verdict."""
    line = Text()
    for verdict in _COUNTED:
        number = int((checks["verdict"] == verdict).sum())
        style = VERDICT_STYLES[verdict] if number else ""
        line.append(", " if line else "")
        line.append(f"{number} {words_of(verdict)}", style=style)
    return line


def _limits_table(listed: Iterable[pd.DataFrame], units: Units) -> Table:
    """One row a limit, with its verdict in front."""
    table = Table.grid(padding=(0, 1))
    table.add_column(no_wrap=True)
    table.add_column(ratio=1)
    for rows in listed:
        for row in written_frame(rows.head(_MOST_ROWS), CHECKS, units).to_dict("records"):
            verdict = row["verdict"]
            words = Text(words_of(verdict), style=VERDICT_STYLES[verdict])
            table.add_row(words, Text(checked_words(row, units)))
        if len(rows) > _MOST_ROWS:
            table.add_row(Text(""), Text(f"and {len(rows) - _MOST_ROWS} more in checks.csv"))
    return table


def checked_words(row: Mapping[Any, Any], units: Units) -> str:
    """What is checked, measured against allowed, on whose authority."""
    measured, limit = show_against(row["measured"], row["limit_value"], row["unit"], units)
    shown = [words for words in (measured, f"{_bound(row)} {limit}") if not words.endswith(MISSING)]
    numbers = f": {', '.join(shown)}" if shown else ""
    behind = [shown_text(row[name], longest=_LONGEST) for name in _BEHIND if _is_said(row[name])]
    return (
        shown_text(row["subject"], longest=_LONGEST)
        + numbers
        + "".join(f" ({words})" for words in behind)
    )


def _bound(row: Mapping[Any, Any]) -> str:
    """Whether the limit is the most or the least: its margin tells, else the end of its name."""
    rising = row["margin"] * (row["measured"] - row["limit_value"])
    if rising > 0:
        return "at least"
    if rising < 0:
        return "at most"
    return _BOUNDS.get(row["limit"].rsplit("_", 1)[-1], "limit")


def _is_said(value: object) -> bool:
    """Whether a cell of text holds any."""
    return isinstance(value, str) and bool(value)
