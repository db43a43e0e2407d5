"""The comparison on the terminal: what was seen, how sure, and where to look again."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich.console import Console
from rich.table import Table
from rich.text import Text

from glademark.errors import shown
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
from glademark.report.site_rules import cautions
from glademark.report.terminal.limits import Fitted

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from rich.console import Console

    from glademark.comparison.comparison import Comparison
    from glademark.contracts.survey import ColumnSeen, FileSeen, LayerSeen
    from glademark.project.model import Project
    from glademark.report.comparison.wording import Rows

_LONGEST = 400
_LOOK_AGAIN = 12  # rows on the terminal; more stand on the page


def print_comparison(comparison: Comparison, project: Project, console: Console) -> None:
    """Print the findings of one stand."""
    units = project.heading.units
    title = f"After the cut: {shown(project.heading.name)}"
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
    first = type(again)(heads=again.heads, rows=again.rows[:_LOOK_AGAIN])
    _table(console, "LOOK AGAIN", first)
    left = more + len(again.rows) - len(first.rows)
    if left:
        console.print(Text(f"  and {left:,} more, in compare.gpkg"))
    _section(console, "NOTICES", [shown(one, longest=_LONGEST) for one in comparison.notices])
    _section(console, "HOW TO READ", [*HOW_TO_READ, *cautions()])


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


_PAINTS_MAX = 20
_NAME_WIDTH = 24
_LONGEST_FINDING = 2000


def print_inspection(files: Sequence[FileSeen], console: Console) -> None:
    """Print what was seen in field files."""
    for file in files:
        for line in inspection_lines(file):
            console.print(Text(line), soft_wrap=True)


def inspection_lines(file: FileSeen) -> Iterator[str]:
    """What was seen in one file, line by line."""
    yield f"{shown(file.file)}  {file.format or 'refused'}"
    for problem in file.problems:
        yield f"  ! {shown(problem, longest=_LONGEST_FINDING)}"
    for layer in file.layers:
        yield from _layer_lines(layer)
    yield ""


def _layer_lines(layer: LayerSeen) -> Iterator[str]:
    """One layer."""
    name = f" '{shown(layer.name)}'" if layer.name else ""
    number = f"{layer.records:,} record{'' if layer.records == 1 else 's'}"
    records = "" if layer.shape == "raster" else f", {number}"
    yield f"  {layer.shape or 'layer'}{name}{records}"
    if layer.input:
        key = "[volume] table" if layer.input == "volume_table" else f"[inputs] {layer.input}"
        yield f"    looks like   {key} ({layer.why})"
    if layer.name_pattern:
        yield f'    names        look like [marks] name_pattern = "{layer.name_pattern}"'
    if layer.crs or layer.crs_needed:
        yield f"    coordinates  {shown(layer.crs or 'system not said; it has to be stated')}"
    if layer.bounds:
        yield f"    lies         {layer.bounds}"
    for column in layer.columns:
        yield f"    column       {_column(column)}"
    if layer.paints:
        paints = ", ".join(f"{shown(name)} {n:,}" for name, n in layer.paints[:_PAINTS_MAX])
        yield f"    paint        {paints}"
    if layer.dbh_unit_needed:
        yield "    diameters    their unit is not said; it has to be stated"
    for problem in layer.problems:
        yield f"    ! {shown(problem, longest=_LONGEST_FINDING)}"


def _column(column: ColumnSeen) -> str:
    """One column: its name, what it is read as, how much of it is filled, and an example."""
    unit = f" [{column.unit}]" if column.unit else ""
    meaning = f"{column.meaning}{unit}" if column.meaning else "kept as it is"
    example = f', such as "{shown(column.example, longest=40)}"' if column.example else ""
    header = shown(column.header, longest=_NAME_WIDTH)
    return f"{header:<{_NAME_WIDTH}} {meaning}; {column.filled:,} filled{example}"
