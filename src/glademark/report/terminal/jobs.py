"""Advice, comparison and proposal on the terminal: what was found, how sure, what to do."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from glademark.advice.outcome import EDGE_WARNING, NO_CUT, RESTS_ON, WHOLE, Advice
from glademark.contracts.job_layers import CAUTIONS
from glademark.errors import counted, shown
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
from glademark.report.quantities import (
    show_area,
    show_diameter,
    show_in_one_unit,
    show_length,
    show_volume,
)
from glademark.report.terminal.limits import Fitted
from glademark.report.wording import PROPOSAL, cautions

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from rich.console import Console, RenderableType

    from glademark.comparison.comparison import Comparison
    from glademark.contracts.layers import Units
    from glademark.contracts.survey import ColumnSeen, FileSeen, LayerSeen
    from glademark.project.model import Project
    from glademark.proposal.outcome import Alternative, Margin, Proposal
    from glademark.report.comparison.wording import Rows

_LONGEST_NOTICE = 400
_LOOK_AGAIN = 12  # rows on the terminal; more stand on the page

_PAINTS_MAX = 20

_NAME_WIDTH = 24

_LONGEST_FINDING = 2000

_LONGEST_NOTE = 300

_MOST_NAMES = 20


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
    _section(
        console, "NOTICES", [shown(one, longest=_LONGEST_NOTICE) for one in comparison.notices]
    )
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


def print_advice(advice: Advice, console: Console, *, units: Units, stand: str = "") -> None:
    """Print which trees to leave standing in a stand, and what that brings."""
    if stand:
        console.print(Text(f"STAND {shown(stand)}", style="bold"))
    if advice.exceeded.empty:
        console.print(Text("No limit is exceeded: there is nothing to mend."))
        return
    for heading, lines in _sections_of_advice(advice, units):
        if lines:
            console.print(Text(heading, style="bold"))
            for line in lines:
                console.print(Padding(line, (0, 0, 0, 2)))
            console.print()


def _sections_of_advice(advice: Advice, units: Units) -> Iterator[tuple[str, list[RenderableType]]]:
    """Headings with their lines; those without lines are left out."""
    standing = advice.leave_standing
    is_first = standing["left_as"] == NO_CUT
    first, later = standing[is_first], standing[~is_first]
    yield "LEAVE STANDING FIRST: NOTHING IS CUT WHERE THEY STAND", _trees(first, units)
    notes = [Text(shown(note, longest=_LONGEST_NOTE)) for note in advice.notes]
    yield "LEAVE STANDING", [*(_trees(later, units) or _nothing(first)), *notes]
    yield "GIVES UP", _wood(advice)
    yield "LIMITS", [Fitted(_limits(advice, units))]
    yield "NOT MENDED BY LEAVING TREES STANDING", [Text(line) for line in _not_mended(advice)]
    yield "PROOF", [Text(line) for line in _proof_of_advice(advice)]
    yield (
        'WITH TREES ON THE EDGES OF GROUPS (groups = "edge_trees")',
        [Text(line) for line in _edge_trees(advice)],
    )
    yield "CAUTION", [Text(line) for line in _cautions(advice)]


def _nothing(first: pd.DataFrame) -> list[RenderableType]:
    """That no tree helps, unless some are spared anyway."""
    if len(first):
        return []
    return [Text("No tree: leaving trees standing mends none of the limits.")]


def _trees(standing: pd.DataFrame, units: Units) -> list[RenderableType]:
    """Whole groups in a line each, then every other tree, by opening."""
    lines: list[RenderableType] = [Text(line) for line in _whole_groups(standing)]
    single = standing[standing["left_as"] != WHOLE]
    if len(single):
        lines.append(Fitted(_tree_table(single, units)))
    if (single["count"] > 1).any():
        lines.append(Text("A record of several trees is spared as a whole."))
    return lines


def _whole_groups(standing: pd.DataFrame) -> Iterator[str]:
    """Each group that stays as a whole; its trees stand in the files."""
    groups = standing[standing["left_as"] == WHOLE]
    for number in groups["opening"].drop_duplicates().tolist():
        mine = groups[groups["opening"] == number]
        mends = "; ".join(dict.fromkeys(name for name in mine["mends"] if name))
        trees = counted(int(mine["count"].sum()), "tree")
        yield (
            f"Opening {number} as a whole, all {trees} of it: {_names(mine['label'])}. "
            f"Mends {shown(mends, longest=_LONGEST_NOTE)}."
        )


def _names(labels: pd.Series) -> str:
    """Trees by their labels, up to a number of them."""
    names = ", ".join(shown(name) for name in labels.iloc[:_MOST_NAMES])
    more = len(labels) - _MOST_NAMES
    return f"{names} and {more} more" if more > 0 else names


def _tree_table(standing: pd.DataFrame, units: Units) -> Table:
    """Every tree with what it mends, or the ground that it stands in."""
    table = Table(box=None, pad_edge=False, header_style="")
    for name in ("tree", "marker", "opening", "species", "DBH", "trees", "left as", "mends"):
        table.add_column(name, overflow="fold")
    for row in standing.drop(columns="geometry").to_dict("records"):
        cells = (
            shown(row["label"]),
            shown(row["marker"]),
            "-" if pd.isna(row["opening"]) else str(row["opening"]),
            shown(row["species"]),
            show_diameter(row["dbh_cm"], units),
            str(row["count"]),
            shown(row["left_as"]),
            shown(row["mends"], longest=_LONGEST_NOTE),
        )
        table.add_row(*map(Text, cells))
    return table


def _wood(advice: Advice) -> list[RenderableType]:
    """Volume given up, each product in its own unit."""
    return [
        Text(
            f"{shown(row['product']) or 'not stated'}: {counted(row['trees'], 'tree')}, "
            f"{show_volume(row['net'], row['unit']) if row['unit'] else 'volume not computed'}"
        )
        for row in advice.given_up.to_dict("records")
    ]


def _limits(advice: Advice, units: Units) -> Table:
    """Each exceeded limit before and after."""
    table = Table(box=None, pad_edge=False, header_style="")
    for name in ("what", "as marked", "limit", "mended", "verdict"):
        table.add_column(name, overflow="fold")
    for row in advice.exceeded.to_dict("records"):
        measured, verdict = advice.again(row)
        numbers = (row["measured"], row["limit_value"], measured)
        before, limit, after = show_in_one_unit(numbers, row["unit"], units)
        subject = shown(row["subject"], longest=_LONGEST_NOTE)
        table.add_row(*map(Text, (subject, before, limit, after, verdict)))
    return table


def _not_mended(advice: Advice) -> Iterator[str]:
    """Limits that stay exceeded, and those that give way."""
    for one in advice.unmended:
        names = _names(pd.Series(one.trees, dtype=object))
        behind = f" ({names})" if names else ""
        yield f"{shown(one.subject, longest=_LONGEST_NOTE)}: {one.reason}{behind}"
    before = set(zip(advice.exceeded["limit"], advice.exceeded["subject"], strict=True))
    before |= {(one.limit, one.subject) for one in advice.unmended}
    left = advice.still_exceeded
    for row in left.to_dict("records"):
        if (row["limit"], row["subject"]) not in before:
            yield (
                f"{shown(row['subject'], longest=_LONGEST_NOTE)}: was inside its limit and gives "
                "way; no set of trees keeps it and mends the rest"
            )


def _proof_of_advice(advice: Advice) -> Iterator[str]:
    """How far the search got, and the check by measuring again."""
    for proof in advice.proofs:
        limits = ", ".join(shown(limit) for limit in proof.limits)
        yield f"{limits}: {counted(proof.trees, 'tree')}, {proof.words}"
    first, second = ("trees", advice.wood) if advice.by == "trees" else (advice.wood, "trees")
    yield f"Least {first}, then least {second}, then the first ids. {RESTS_ON}"
    if advice.spared:
        yield f"Measured and judged again with these trees standing: {_outcome(advice)}."


def _outcome(advice: Advice) -> str:
    """What is still beyond its limit, in words."""
    if advice.passes:
        return "every limit is met"
    left = ", ".join(shown(one, longest=_LONGEST_NOTE) for one in advice.still_exceeded["subject"])
    if advice.mended:
        return f"every limit that trees can mend is met. STILL EXCEEDED: {left}"
    return f"NOT ALL LIMITS MET. STILL EXCEEDED: {left}"


def _edge_trees(advice: Advice) -> Iterator[str]:
    """What trees on the edges of groups would do in place of whole groups."""
    other = advice.edge_trees
    if other is None:
        return
    later = other.leave_standing[other.leave_standing["left_as"] != NO_CUT]
    if later.empty:
        yield "No tree on the edge of a group mends more."
        return
    yield from _whole_groups(later)
    single = later[later["left_as"] != WHOLE]
    for number in single["opening"].drop_duplicates().tolist():
        mine = single[single["opening"].isna() if pd.isna(number) else single["opening"] == number]
        where = "Outside openings" if pd.isna(number) else f"Opening {number}"
        trees = int(mine["count"].sum())
        yield f"{where}, {counted(trees, 'tree')}: {_names(mine['label'])}."
    for proof in other.proofs:
        limits = ", ".join(shown(limit) for limit in proof.limits)
        yield f"{limits}: {counted(proof.trees, 'tree')}, {proof.words}"
    yield f"Measured and judged again with these trees standing: {_outcome(other)}."


def _cautions(advice: Advice) -> list[str]:
    """What to keep in mind, the trees on edges among it."""
    return [EDGE_WARNING, *cautions()] if advice.touches_edges else list(cautions())


def print_proposal(proposal: Proposal, console: Console, *, units: Units, stand: str = "") -> None:
    """Print what is proposed for a stand."""
    if stand:
        console.print(Text(f"STAND {shown(stand)}", style="bold"))
    console.print(Text(PROPOSAL, style="bold"))
    for heading, lines in _sections_of_proposal(proposal, units):
        if lines:
            console.print(Text(heading, style="bold"))
            for line in lines:
                console.print(Padding(line, (0, 0, 0, 2)))
            console.print()


def _sections_of_proposal(
    proposal: Proposal, units: Units
) -> Iterator[tuple[str, list[RenderableType]]]:
    """Headings with their lines; those without lines are left out."""
    yield "CANNOT HOLD TOGETHER", _texts([proposal.infeasible] if proposal.infeasible else [])
    if proposal.alternatives:
        best = proposal.alternatives[0]
        yield "ALTERNATIVES", [Fitted(_alternatives(proposal, units))]
        why = zip(best.groups["group"], best.groups["why"], strict=True)
        yield "GROUPS OF ALTERNATIVE 1", _texts([f"{group}: {said}" for group, said in why])
        yield (
            "WHAT LIMITS COST",
            _texts([_cost(one, units) for one in proposal.margins if _told(one)]),
        )
        yield "PROOF", _texts([_proof_of_proposal(proposal)])
    yield "NOT PROVED", _texts([f"{one}." for one in proposal.not_proved])
    yield "NOTES", _texts([f"{one}." for one in proposal.prepared.notices])
    yield "CAUTION", _texts(list(CAUTIONS))


def _texts(lines: list[str]) -> list[RenderableType]:
    """Lines fit to be shown."""
    return [Text(shown(line, longest=_LONGEST_NOTE)) for line in lines]


def _alternatives(proposal: Proposal, units: Units) -> Table:
    """One row an alternative."""
    table = Table("", "score", "groups", "area", "of stand", "trees", "limits reached", box=None)
    for one in proposal.alternatives:
        table.add_row(*_cells(one, units))
    return table


def _cells(one: Alternative, units: Units) -> list[str]:
    """Cells of one alternative."""
    row = one.row
    return [
        str(one.number),
        f"{row['score']:,.3f}",
        str(row["groups"]),
        show_area(row["area_m2"], units),
        f"{row['area_share']:.1%}",
        f"{row['trees']:,}",
        row["binding"] or "none",
    ]


def _proof_of_proposal(proposal: Proposal) -> str:
    """How sure it is."""
    stopped = "; the search was interrupted" if proposal.interrupted else ""
    return (
        f"No choice from the {proposal.candidates:,} candidates has more than "
        f"{proposal.bound:,.3f} points (gap {proposal.gap:.2%}){stopped}."
    )


def _told(margin: Margin) -> bool:
    """Whether another value of the limit changes the score, as far as it is known."""
    scores = {round(score, 9) for _, score in margin.tried if score is not None}
    return len(scores) > 1


def _cost(margin: Margin, units: Units) -> str:
    """What other values of a limit give."""
    row = margin.row
    known = [
        f"{_value(row.unit, value, units)} {score:,.3f}"
        for value, score in margin.tried
        if score is not None
    ]
    quantity = f" ({row.quantity.replace('_', ' ')})" if row.quantity else ""
    return f"{row.limit}{quantity}: {', '.join(known)} points"


def _value(unit: str, value: float, units: Units) -> str:
    """Value of a limit in the units of the project."""
    if unit == "m2":
        return show_area(value, units)
    if unit == "m":
        return show_length(value, units)
    return f"{value:.1%}" if unit == "share" else f"{value:g} {unit}".strip()
