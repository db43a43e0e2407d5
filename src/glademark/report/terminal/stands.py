"""Many stands on the terminal: one line each, those with something wrong first."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.table import Table
from rich.text import Text

from glademark.errors import shown
from glademark.report.quantities import (
    MISSING,
    heading_unit,
    show_area,
    show_number,
    show_share,
)
from glademark.report.site_rules import NOT_TO_BE_CUT, cautions
from glademark.report.terminal.limits import Fitted
from glademark.report.wood_by_zone import added, amount_words

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path
    from typing import Any

    from rich.console import Console

    from glademark.contracts.layers import Units
    from glademark.project.model import Heading

MOST_LINES = 40
"""Stands that are listed; the files hold all."""


def print_stands(
    rows: Sequence[Mapping[str, Any]],
    console: Console,
    *,
    heading: Heading,
    files: Sequence[Path],
) -> None:
    """Print what a run over many stands gave."""
    done = [row for row in rows if row["outcome"] == "laid_out"]
    broken = sum(row["exceeded"] > 0 for row in done)
    console.print(Text(shown(heading.name)), style="bold")
    console.print(
        Text(
            f"{len(done):,} of {len(rows):,} stands laid out, {broken:,} of them with a limit "
            "exceeded"
        )
    )
    unconfirmed = [row["unconfirmed"] for row in done if row.get("unconfirmed")]
    if unconfirmed:
        console.print(
            Text(
                f"UNCONFIRMED: {sum(unconfirmed):,} trees without listed paint in "
                f"{len(unconfirmed):,} stands: {NOT_TO_BE_CUT}"
            )
        )
    ordered = sorted(rows, key=_worst_first)
    console.print(Fitted(_table(ordered[:MOST_LINES], heading.units)))
    volumes = added([row.get("by_product", {}) for row in done])
    if volumes:
        console.print(Text("To cut, net"), style="bold")
        console.print(Fitted(_volumes(ordered[:MOST_LINES], volumes)))
        for line in _left_out(volumes):
            console.print(Text(line))
    if len(rows) > MOST_LINES:
        console.print(Text(f"{len(rows) - MOST_LINES:,} more stands are in the files"))
    for row in ordered[:MOST_LINES]:
        if row["outcome"] == "refused":
            console.print(Text(f"{shown(str(row['stand_id']))}: {shown(row['reason'])}"))
    for caution in cautions():
        console.print(Text(caution))
    for path in files:
        console.print(Text(str(path)))


def _worst_first(row: Mapping[str, Any]) -> tuple[int, int]:
    """Order of the list; equal ones keep the order of the file."""
    if row["outcome"] == "refused":
        return 0, 0
    return (1, -row["exceeded"]) if row["exceeded"] else (2, -row["near"])


def _table(rows: Sequence[Mapping[str, Any]], units: Units) -> Table:
    """One line a stand."""
    table = Table(box=None, pad_edge=False)
    table.add_column("Stand")
    for title in ("Area", "Corridors", "Openings", "Largest", "Trees"):
        table.add_column(title, justify="right")
    table.add_column("Limits")
    for row in rows:
        if row["outcome"] == "refused":
            table.add_row(Text(shown(str(row["stand_id"]))), *[""] * 5, Text("REFUSED"))
            continue
        largest = row["largest_opening_m2"]
        table.add_row(
            Text(shown(str(row["stand_id"]))),
            show_area(row["area_m2"], units),
            show_share(row["corridor_share"]),
            show_number(row["openings"], 0),
            "" if largest is None else show_area(largest, units),
            show_number(row["trees"], 0),
            Text(_limits(row)),
        )
    return table


def _volumes(rows: Sequence[Mapping[str, Any]], volumes: Mapping[str, Mapping[str, Any]]) -> Table:
    """Net volume by product of each stand that was laid out, and of all stands."""
    table = Table(box=None, pad_edge=False)
    table.add_column("Stand")
    for name, every in volumes.items():
        unit = heading_unit(every["unit"])
        title = name if unit in ("", name.rsplit(", ", 1)[-1]) else f"{name}, {unit}"
        table.add_column(Text(shown(title)), justify="right")
    done = [row for row in rows if row["outcome"] == "laid_out"]
    for row in done:
        alone = added([row.get("by_product", {})])
        cells = [_amount(_of_product(alone, name, every)) for name, every in volumes.items()]
        table.add_row(Text(shown(str(row["stand_id"]))), *cells)
    table.add_row("all stands", *(_amount(every) for every in volumes.values()), style="bold")
    return table


def _of_product(
    alone: Mapping[str, Mapping[str, Any]], name: str, every: Mapping[str, Any]
) -> Mapping[str, Any] | None:
    """Figures of a stand for a column of the table; None where it has none of that."""
    unit = heading_unit(every["unit"]) or "not computed"
    one = alone.get(name) or alone.get(name.removesuffix(f", {unit}"))
    return one if one is not None and one["unit"] == every["unit"] else None


def _amount(one: Mapping[str, Any] | None) -> str:
    """Net volume, a least where trees have none."""
    if one is None:
        return MISSING
    return amount_words(one["net"], one["unit"], one["trees_without"] + one["parts_without"])


def _left_out(volumes: Mapping[str, Mapping[str, Any]]) -> list[str]:
    """Trees of all stands that the volumes leave out."""
    return [
        f"{shown(name)}: {one['trees_without']:,} of {one['trees']:,} trees without a volume"
        for name, one in volumes.items()
        if one["trees_without"]
    ]


def _limits(row: Mapping[str, Any]) -> str:
    """Verdicts of a stand in few words."""
    words = {"exceeded": "EXCEEDED", "near": "near", "not_checked": "not checked"}
    said = [f"{row[verdict]} {word}" for verdict, word in words.items() if row[verdict]]
    return ", ".join(said) or ("met" if row["met"] else "none asked")
