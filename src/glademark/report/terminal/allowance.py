"""The allowance on the terminal: standing, allowable removal, marked, remaining."""

import math
from collections.abc import Hashable, Mapping, Sequence
from typing import Any

import pandas as pd
from rich import box
from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from glademark.contracts.layers import Units
from glademark.contracts.layout import ZONE_NAMES, Layout
from glademark.errors import shown
from glademark.measure.standing import BASAL, SOLID
from glademark.report.delivery import Delivery
from glademark.report.quantities import (
    basal_area_unit,
    end_words,
    heading_unit,
    sale_decimals,
    show,
    show_area,
    show_diameter,
    show_length,
    show_number,
    show_share,
)
from glademark.report.terminal.limits import Fitted
from glademark.report.wood import ALL, no_allowance, stays_words, wood_rows
from glademark.units import HECTARE_M2

_ZONES = ("corridor", "opening", "matrix")


def allowance_lines(delivery: Delivery) -> Sequence[RenderableType]:
    """Standing stock, allowable removal, marked by zone and remaining, quantity by quantity."""
    layout, units = delivery.layout, delivery.project.heading.units
    if layout.allowance.empty:
        return [Text(line) for line in _not_computed(layout)]
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False)
    table.add_column("", no_wrap=True)
    rows = layout.allowance.to_dict("records")
    for row in rows:
        table.add_column(Text(_heading(row, units)), justify="right")
    for title, column in _columns(layout.allowance):
        table.add_row(title, *(_cell(row, column, units) for row in rows))
    return [Fitted(table), *map(Text, _after(delivery, units))]


def _not_computed(layout: Layout) -> list[str]:
    """What there is no standing stock of, where there is one of anything or a cruise."""
    unknown = no_allowance(layout)
    named = shown(", ".join(unknown))
    return [f"Standing stock of {named}: not computed"] if unknown else []


def _columns(allowance: pd.DataFrame) -> list[tuple[str, str]]:
    """Rows of the table: what it says, and the column that it comes from."""
    wanted = [
        ("standing", "standing"),
        ("  at least", "standing_low"),
        ("  at most", "standing_high"),
        ("allowable removal", "allowable"),
        ("marked", "marked"),
        ("  corridors", "marked_corridor"),
        ("  openings", "marked_opening"),
        ("  matrix", "marked_matrix"),
        ("  elsewhere", "marked_other"),
        ("  trees without an amount", "trees_without"),
        ("remaining allowance", "remaining"),
        ("  at least", "remaining_low"),
        ("  at most", "remaining_high"),
        ("share taken", "share"),
        ("  of the corridors", "share_corridor"),
        ("  of the openings", "share_opening"),
        ("  of the matrix", "share_matrix"),
        ("  on marked ground", "share_on_marked_ground"),
    ]
    given = (allowance["basis"] != "cruise").all()
    hidden = (
        {"standing_low", "standing_high", "remaining_low", "remaining_high"} if given else set()
    )
    hidden |= {
        column for column in ("marked_other", "trees_without") if not (allowance[column] > 0).any()
    }
    return [
        (title, column)
        for title, column in wanted
        if column not in hidden and allowance[column].notna().any()
    ]


def _heading(row: Mapping[Hashable, object], units: Units) -> str:
    """Quantity and unit over a column."""
    name = str(row["quantity"])
    if name == BASAL:
        return f"basal area, {basal_area_unit(units)[0]}"
    unit = heading_unit("ft3" if name == SOLID and units == "us" else str(row["unit"]))
    return f"{shown(name.replace('_', ' '), longest=22)}, {unit}"


def _cell(row: Mapping[Hashable, object], column: str, units: Units) -> str:
    """One number in the user's unit."""
    number = float(str(row[column]))
    if column == "trees_without":
        return show_number(number, 0) if number else ""
    if column.startswith("share"):
        text = show_share(number)
    elif row["quantity"] == BASAL:
        text = show_number(number / basal_area_unit(units)[1], 0)
    elif row["quantity"] == SOLID:
        text = show(number, "m3", units).split()[0]
    else:
        text = show_number(number, sale_decimals(str(row["unit"])))
    return end_words(row, column, text)


def _mean_diameter(left: Mapping[str, float], units: Units) -> list[str]:
    """Diameter of the tree of mean basal area, before and after."""
    sizes = [left.get(f"{when}quadratic_mean_diameter_cm", math.nan) for when in ("standing_", "")]
    if any(math.isnan(size) for size in sizes):
        return []
    before, after = (show_diameter(size, units) for size in sizes)
    return [f"Quadratic mean diameter {before} now, {after} after"]


def _rest(allowance: pd.DataFrame, units: Units) -> list[str]:
    """Remaining allowance on ground not marked so far."""
    rows = allowance[
        (allowance["quantity"] == BASAL) & allowance["remaining_per_ha_elsewhere"].notna()
    ]
    if rows.empty:
        return []
    remaining, per_ha = rows[["remaining", "remaining_per_ha_elsewhere"]].to_numpy(dtype=float)[0]
    if not per_ha > 0:
        return ["No allowance remains for ground not marked so far"]
    ground = show_area(remaining / per_ha * HECTARE_M2, units)
    each = end_words(rows.iloc[0].to_dict(), "remaining", show(per_ha, "m2/ha", units))
    return [f"Remaining allowance on the {ground} not marked so far: {each}"]


def _after(delivery: Delivery, units: Units) -> list[str]:
    """What stays, and on what the figures rest."""
    layout = delivery.layout
    lines = []
    if layout.stock_left:
        lines.append(f"Stays: {stays_words(delivery)}")
        lines += _mean_diameter(layout.stock_left, units)
    lines += _rest(layout.allowance, units)
    lines += _not_computed(layout)
    lines.append("Standing stock taken as even per hectare over the operable area")
    return lines


_LONGEST_NAME = 24


def volume_table(delivery: Delivery) -> Fitted:
    """Trees, basal area and net volume of each product by zone, each in its sale unit."""
    tally = delivery.layout.volume_by_zone
    cells = tally[tally["row"] == "cell"]
    zones = [zone for zone in ZONE_NAMES if (cells["zone"] == zone).any()]
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False)
    table.add_column("To cut, net")
    for zone in (*zones, ALL):
        table.add_column(zone.replace("_", " "), justify="right", no_wrap=True)
    _add_rows(table, cells, zones, delivery.project.heading.units)
    unlocated = cells[cells["located"] == "not_located"]
    if len(unlocated):
        table.add_section()
        table.add_row(Text("of it not located (paper tally)", style="italic"))
        _add_rows(table, unlocated, zones, delivery.project.heading.units)
    return Fitted(table)


def _add_rows(table: Table, cells: pd.DataFrame, zones: list[str], units: Units) -> None:
    """Trees, basal area, then one row a product and sale unit."""
    for row in wood_rows(cells, zones, units):
        parts = (shown(row.title, longest=_LONGEST_NAME), row.before, row.unit)
        heading = ", ".join(part for part in parts if part)
        numbers = (show_number(number, row.decimals) for number in row.numbers)
        table.add_row(Text(heading), *numbers)


def uncertainty_lines(delivery: Delivery) -> list[Text]:
    """Intervals of the figures, then the marks whose better position would settle most."""
    found: Mapping[str, Any] = delivery.summary.get("uncertainty", {})
    if not found:
        return []
    error = show_length(delivery.project.marks.position_error_m, delivery.project.heading.units)
    each = f"{found['interval']:.0%} of {found['draws']} draws lie in each interval"
    lines = [f"Position error {error} carried through; {each}", *_intervals(delivery, found)]
    missing = len(found["no_interval"])
    if missing:
        lines.append(f"{missing} figures without an interval: column no_interval says why")
    return [Text(line) for line in (*lines, *_again(found["remeasure"]))]


def _intervals(delivery: Delivery, found: Mapping[str, Any]) -> list[str]:
    """Share of corridors, and area of each opening."""
    units, openings = delivery.project.heading.units, delivery.layout.openings
    lines = []
    low, high = found["corridor_share"]
    if low is not None:
        share = show_share(delivery.layout.figures.corridors.share)
        lines.append(f"Corridors {share} of the stand: {show_share(low)} to {show_share(high)}")
    known = [
        f"{number}: {show_area(low, units)} to {show_area(high, units)}"
        for number in openings["opening"].astype(str)
        for low, high in [found["opening_area_m2"].get(number, (None, None))]
        if low is not None
    ]
    if known:
        lines.append(f"Area of openings {'; '.join(known)}")
    return lines


def _again(marks: Sequence[Mapping[str, Any]]) -> list[str]:
    """The first marks to measure again."""
    if not marks:
        return []
    names = [
        f"{shown(mark['tree'] or 'without number')} ({shown(mark['file'])}"
        + (f", opening {mark['opening']})" if mark["opening"] is not None else ")")
        for mark in marks
    ]
    return [f"Measure again first, for the verdicts: {', '.join(names)}"]
