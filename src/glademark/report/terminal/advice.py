"""The advice on the terminal: what to leave standing, what that brings, and how sure it is."""

from collections.abc import Iterator

import pandas as pd
from rich.console import Console, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from glademark.advise.outcome import RESTS_ON, Advice
from glademark.contracts.layers import Units
from glademark.report.cautions import CAUTIONS
from glademark.report.quantities import show_against, show_diameter, show_volume
from glademark.report.shown_text import shown_text
from glademark.report.terminal.fitted import Fitted

_LONGEST = 300
_MOST_NAMES = 20


def print_advice(advice: Advice, console: Console, *, units: Units, stand: str = "") -> None:
    """Print which trees to leave standing in a stand, and what that brings."""
    if stand:
        console.print(Text(f"STAND {shown_text(stand)}", style="bold"))
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
    yield "LEAVE STANDING", _trees(advice, units)
    yield "GIVES UP", _wood(advice)
    yield "LIMITS", [Fitted(_limits(advice, units))]
    yield "NOT MENDED BY LEAVING TREES STANDING", [Text(line) for line in _not_mended(advice)]
    yield "PROOF", [Text(line) for line in _proof(advice)]
    yield "CAUTION", [Text(line) for line in CAUTIONS]


def _trees(advice: Advice, units: Units) -> list[RenderableType]:
    """Every tree, by opening."""
    standing = advice.leave_standing
    if standing.empty:
        return [Text("No tree: leaving trees standing mends none of the limits.")]
    table = Table(box=None, pad_edge=False, header_style="")
    for name in ("tree", "marker", "opening", "species", "DBH", "trees", "mends"):
        table.add_column(name, overflow="fold")
    for row in standing.drop(columns="geometry").to_dict("records"):
        cells = (
            shown_text(row["label"]),
            shown_text(row["marker"]),
            "-" if pd.isna(row["opening"]) else str(row["opening"]),
            shown_text(row["species"]),
            show_diameter(row["dbh_cm"], units),
            str(row["count"]),
            shown_text(row["mends"], longest=_LONGEST),
        )
        table.add_row(*map(Text, cells))
    lines: list[RenderableType] = [Fitted(table)]
    if (standing["count"] > 1).any():
        lines.append(Text("A record of several trees is spared as a whole."))
    return lines


def _wood(advice: Advice) -> list[RenderableType]:
    """Volume given up, each product in its own unit."""
    return [
        Text(
            f"{shown_text(row['product']) or 'not stated'}: {row['trees']} trees, "
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
        before, limit = show_against(row["measured"], row["limit_value"], row["unit"], units)
        after, _ = show_against(measured, row["limit_value"], row["unit"], units)
        subject = shown_text(row["subject"], longest=_LONGEST)
        table.add_row(*map(Text, (subject, before, limit, after, verdict)))
    return table


def _not_mended(advice: Advice) -> Iterator[str]:
    """Limits that stay exceeded, and those that give way."""
    for one in advice.unmended:
        names = ", ".join(shown_text(name) for name in one.trees[:_MOST_NAMES])
        more = len(one.trees) - _MOST_NAMES
        names += f" and {more} more" if more > 0 else ""
        behind = f" ({names})" if names else ""
        yield f"{shown_text(one.subject, longest=_LONGEST)}: {one.reason}{behind}"
    before = set(zip(advice.exceeded["limit"], advice.exceeded["subject"], strict=True))
    left = advice.still_exceeded
    for row in left.to_dict("records"):
        if (row["limit"], row["subject"]) not in before:
            yield (
                f"{shown_text(row['subject'], longest=_LONGEST)}: was inside its limit and gives "
                "way; no set of trees keeps it and mends the rest"
            )


def _proof(advice: Advice) -> Iterator[str]:
    """How far the search got, and the check by measuring again."""
    for proof in advice.proofs:
        limits = ", ".join(shown_text(limit) for limit in proof.limits)
        yield f"{limits}: {proof.trees} trees, {proof.words}"
    first, second = ("trees", advice.wood) if advice.by == "trees" else (advice.wood, "trees")
    yield f"Least {first}, then least {second}, then the first ids. {RESTS_ON}"
    if advice.spared:
        word = "every limit that trees can mend is met" if advice.mended else "NOT ALL LIMITS MET"
        yield f"Measured and judged again with these trees standing: {word}."
