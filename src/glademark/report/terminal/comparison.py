"""The comparison on the terminal: what was seen, how sure, and where to look again."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.table import Table
from rich.text import Text

from glademark.report.cautions import CAUTIONS
from glademark.report.comparison.wording import (
    HOW_TO_READ,
    check_lines,
    damage_lines,
    damage_table,
    findings_table,
    ground_lines,
    look_again,
    match_lines,
    question_lines,
    sample_table,
)
from glademark.report.shown_text import shown_text
from glademark.report.terminal.fitted import Fitted

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from rich.console import Console

    from glademark.compare.comparison import Comparison
    from glademark.project.model import Project
    from glademark.report.comparison.wording import Rows

_LONGEST = 400
_LOOK_AGAIN = 12  # rows on the terminal; more stand on the page


def print_comparison(comparison: Comparison, project: Project, console: Console) -> None:
    """Print the findings of one stand."""
    units = project.heading.units
    title = f"After the cut: {shown_text(project.heading.name)}"
    console.print(Text(f"{title}\n{'=' * min(len(title), console.width)}", style="bold"))
    again, more = look_again(comparison, units)
    _section(console, "MATCH", match_lines(comparison, units))
    _table(console, "FINDINGS", findings_table(comparison, units))
    _section(console, "QUESTIONS", question_lines(comparison))
    _table(console, "SAMPLE", sample_table(comparison, units))
    _section(console, "GROUND", ground_lines(comparison, units))
    _section(console, "LIMITS, OPENINGS AS WALKED", check_lines(comparison, units))
    _table(console, "DAMAGE", damage_table(comparison, units))
    _section(console, "RUTS AND CAUSES", damage_lines(comparison, units))
    shown = type(again)(heads=again.heads, rows=again.rows[:_LOOK_AGAIN])
    _table(console, "LOOK AGAIN", shown)
    left = more + len(again.rows) - len(shown.rows)
    if left:
        console.print(Text(f"  and {left:,} more, in compare.gpkg"))
    _section(console, "NOTICES", [shown_text(one, longest=_LONGEST) for one in comparison.notices])
    _section(console, "HOW TO READ", [*HOW_TO_READ, *CAUTIONS])


def print_files(files: Sequence[Path], console: Console) -> None:
    """Print which files were written."""
    _section(console, "FILES", [str(path) for path in files])


def _section(console: Console, name: str, lines: Sequence[str]) -> None:
    """Lines under a heading, if there are any."""
    if lines:
        console.print(Text(f"\n{name}", style="bold"))
        for line in lines:
            console.print(Text(f"  {line}"))


def _table(console: Console, name: str, rows: Rows) -> None:
    """A table under a heading, if it has rows."""
    if not rows.rows:
        return
    console.print(Text(f"\n{name}", style="bold"))
    grid = Table(box=None, padding=(0, 1), pad_edge=True)
    for head in rows.heads:
        grid.add_column(Text(head))
    for row in rows.rows:
        grid.add_row(*(Text(cell) for cell in row))
    console.print(Fitted(grid))
