"""Limits on the terminal: what is exceeded first, in words."""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd
from rich.console import Console, ConsoleOptions, RenderableType, RenderResult
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from glademark.contracts.layers import Units
from glademark.contracts.result_tables import CHECKS
from glademark.errors import shown
from glademark.report.columns import written_frame
from glademark.report.delivery import Delivery
from glademark.report.quantities import MISSING, show_against
from glademark.report.verdicts import WORST_FIRST, words_of

VERDICT_STYLES = {"exceeded": "bold red", "near": "yellow", "not_checked": "", "met": "green"}
"""Colour of a verdict; the word says the same."""

_LISTED = WORST_FIRST[:-1]
_MOST_ROWS = 12
_LONGEST = 300
_BEHIND = ("reason", "authority")
_BOUNDS = {"max": "at most", "min": "at least"}


def limit_lines(delivery: Delivery) -> list[RenderableType]:
    """Verdicts in figures, then every limit that is not plainly met."""
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
    for verdict in WORST_FIRST:
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
    known = [words for words in (measured, f"{_bound(row)} {limit}") if not words.endswith(MISSING)]
    numbers = f": {', '.join(known)}" if known else ""
    behind = [shown(row[name], longest=_LONGEST) for name in _BEHIND if _is_said(row[name])]
    return (
        shown(row["subject"], longest=_LONGEST)
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


@dataclass(frozen=True)
class Fitted:
    """A table whose rows stand below each other where its columns have no room for every word."""

    table: Table

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Print the table, or its rows."""
        lines = console.render_lines(self.table, options, pad=False)
        left = Counter(" ".join(part.text for line in lines for part in line).split())
        asked = Counter(word for cell in self._cells() for word in cell.plain.split())
        if asked <= left:
            yield self.table
        else:
            yield from self._stacked()

    def _cells(self) -> Iterator[Text]:
        """Every cell, heads among them."""
        for column in self.table.columns:
            yield _text(column.header)
            yield from map(_text, column.cells)

    def _stacked(self) -> Iterator[RenderableType]:
        """Each row as its first cell, and below it the others behind their heads."""
        heads = [_text(column.header) for column in self.table.columns]
        for row in zip(*(column.cells for column in self.table.columns), strict=True):
            first, *others = map(_text, row)
            yield Text.assemble(heads[0], " " if heads[0] else "", first, overflow="fold")
            for head, cell in zip(heads[1:], others, strict=True):
                if cell:
                    line = Text.assemble(head, ": " if head else "", cell, overflow="fold")
                    yield Padding(line, (0, 0, 0, 2))
        if self.table.caption:
            yield _text(self.table.caption)


def _text(cell: RenderableType | None) -> Text:
    """A cell as text."""
    return cell if isinstance(cell, Text) else Text.from_markup(str(cell or ""))
