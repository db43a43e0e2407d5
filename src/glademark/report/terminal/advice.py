"""The advice on the terminal: what to leave standing, what that brings, and how sure it is."""

from collections.abc import Iterator

import pandas as pd
from rich.console import Console, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from glademark.advice.outcome import EDGE_WARNING, NO_CUT, RESTS_ON, WHOLE, Advice
from glademark.contracts.layers import Units
from glademark.errors import shown
from glademark.report.quantities import show_diameter, show_in_one_unit, show_volume
from glademark.report.site_rules import cautions
from glademark.report.terminal.limits import Fitted

_LONGEST = 300
_MOST_NAMES = 20


def print_advice(advice: Advice, console: Console, *, units: Units, stand: str = "") -> None:
    """Print which trees to leave standing in a stand, and what that brings."""
    if stand:
        console.print(Text(f"STAND {shown(stand)}", style="bold"))
    if advice.exceeded.empty:
        console.print(Text("No limit is exceeded: there is nothing to mend."))
        return
    for heading, lines in _sections(advice, units):
        if lines:
            console.print(Text(heading, style="bold"))
            for line in lines:
                console.print(Padding(line, (0, 0, 0, 2)))
            console.print()


def _sections(advice: Advice, units: Units) -> Iterator[tuple[str, list[RenderableType]]]:
    """Headings with their lines; those without lines are left out."""
    standing = advice.leave_standing
    is_first = standing["left_as"] == NO_CUT
    first, later = standing[is_first], standing[~is_first]
    yield "LEAVE STANDING FIRST: NOTHING IS CUT WHERE THEY STAND", _trees(first, units)
    notes = [Text(shown(note, longest=_LONGEST)) for note in advice.notes]
    yield "LEAVE STANDING", [*(_trees(later, units) or _nothing(first)), *notes]
    yield "GIVES UP", _wood(advice)
    yield "LIMITS", [Fitted(_limits(advice, units))]
    yield "NOT MENDED BY LEAVING TREES STANDING", [Text(line) for line in _not_mended(advice)]
    yield "PROOF", [Text(line) for line in _proof(advice)]
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
        trees = int(mine["count"].sum())
        yield (
            f"Opening {number} as a whole, all {trees} trees of it: {_names(mine['label'])}. "
            f"Mends {shown(mends, longest=_LONGEST)}."
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
            shown(row["mends"], longest=_LONGEST),
        )
        table.add_row(*map(Text, cells))
    return table


def _wood(advice: Advice) -> list[RenderableType]:
    """Volume given up, each product in its own unit."""
    return [
        Text(
            f"{shown(row['product']) or 'not stated'}: {row['trees']} trees, "
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
        subject = shown(row["subject"], longest=_LONGEST)
        table.add_row(*map(Text, (subject, before, limit, after, verdict)))
    return table


def _not_mended(advice: Advice) -> Iterator[str]:
    """Limits that stay exceeded, and those that give way."""
    for one in advice.unmended:
        names = _names(pd.Series(one.trees, dtype=object))
        behind = f" ({names})" if names else ""
        yield f"{shown(one.subject, longest=_LONGEST)}: {one.reason}{behind}"
    before = set(zip(advice.exceeded["limit"], advice.exceeded["subject"], strict=True))
    before |= {(one.limit, one.subject) for one in advice.unmended}
    left = advice.still_exceeded
    for row in left.to_dict("records"):
        if (row["limit"], row["subject"]) not in before:
            yield (
                f"{shown(row['subject'], longest=_LONGEST)}: was inside its limit and gives "
                "way; no set of trees keeps it and mends the rest"
            )


def _proof(advice: Advice) -> Iterator[str]:
    """How far the search got, and the check by measuring again."""
    for proof in advice.proofs:
        limits = ", ".join(shown(limit) for limit in proof.limits)
        yield f"{limits}: {proof.trees} trees, {proof.words}"
    first, second = ("trees", advice.wood) if advice.by == "trees" else (advice.wood, "trees")
    yield f"Least {first}, then least {second}, then the first ids. {RESTS_ON}"
    if advice.spared:
        yield f"Measured and judged again with these trees standing: {_outcome(advice)}."


def _outcome(advice: Advice) -> str:
    """What is still beyond its limit, in words."""
    if advice.passes:
        return "every limit is met"
    left = ", ".join(shown(one, longest=_LONGEST) for one in advice.still_exceeded["subject"])
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
        yield f"{where}, {trees} {'tree' if trees == 1 else 'trees'}: {_names(mine['label'])}."
    for proof in other.proofs:
        limits = ", ".join(shown(limit) for limit in proof.limits)
        yield f"{limits}: {proof.trees} trees, {proof.words}"
    yield f"Measured and judged again with these trees standing: {_outcome(other)}."


def _cautions(advice: Advice) -> list[str]:
    """What to keep in mind, the trees on edges among it."""
    return [EDGE_WARNING, *cautions()] if advice.touches_edges else list(cautions())
