"""Group openings on the terminal: one line each, with what limits say of it."""

import re
from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd
from rich import box
from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from glademark.contracts.layers import Units
from glademark.errors import shown
from glademark.report.delivery import Delivery
from glademark.report.quantities import MISSING, show_area, show_length, show_number
from glademark.report.terminal.limits import VERDICT_STYLES, Fitted
from glademark.report.verdicts import words_of

_MOST_ROWS = 30
_LONGEST_NAME = 16
_SHORT = {
    "opening_area_max": "size",
    "opening_area_min": "size",
    "combined_area_max": "combined size",
    "opening_width_heights_max": "width",
    "opening_width_heights_min": "width",
    "opening_spacing_min": "spacing",
    "boundary_distance_min": "boundary",
    "water_distance_min": "water",
}


def openings_table(delivery: Delivery) -> Fitted:
    """One row an opening: trees, area, nearest neighbour, verdict."""
    units, openings = delivery.project.heading.units, delivery.layout.openings
    verdicts = opening_verdicts(delivery.checks, openings)
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False)
    table.add_column("Opening", no_wrap=True)
    table.add_column("Trees", justify="right")
    table.add_column("Area", justify="right", no_wrap=True)
    table.add_column("Crowns, boles", justify="right", width=len("0.00, 0.00"))
    table.add_column("Nearest", justify="right", no_wrap=True)
    table.add_column("Limits")
    for row in _most_telling(openings, verdicts).to_dict("records"):
        table.add_row(
            Text(_name(row)),
            show_number(row["trees"], 0),
            show_area(row["area_m2"], units),
            f"{_number_of(row, 'area_marked_crowns_m2', units)}, "
            f"{_number_of(row, 'area_boles_m2', units)}",
            _nearest(show_length(row["spacing_m"], units), row["nearest"]),
            verdicts[row["opening"]],
        )
    if len(openings) > _MOST_ROWS:
        table.caption = f"and {len(openings) - _MOST_ROWS} more in openings.csv"
    return Fitted(table)


def _number_of(row: Mapping[Any, Any], column: str, units: Units) -> str:
    """An area without its unit, which the judged one beside it has."""
    return show_area(row.get(column), units).split(" ")[0]


def combined_lines(delivery: Delivery) -> list[RenderableType]:
    """Openings that corridors join into one hole."""
    units, combined = delivery.project.heading.units, delivery.layout.combined_openings
    return [
        Text(
            f"Openings {shown(row['openings'])} and the corridors at them make one hole of "
            f"{show_area(row['area_m2'], units)} "
            f"({show_area(row['net_of_corridor_m2'], units)} without the corridors)"
        )
        for row in combined[combined["openings_count"] > 1].to_dict("records")
    ]


def opening_verdicts(checks: pd.DataFrame, openings: pd.DataFrame) -> dict[object, Text]:
    """What limits say of each opening, by its number."""
    return {number: _verdict(spoken) for number, spoken in _spoken_of(checks, openings).items()}


def _verdict(spoken: Sequence[tuple[str, str]]) -> Text:
    """The worst of some verdicts, with the limits that give it."""
    for verdict in ("exceeded", "near"):
        limits = dict.fromkeys(limit for limit, said in spoken if said == verdict)
        if limits:
            names = ", ".join(_SHORT.get(limit, limit.replace("_", " ")) for limit in limits)
            return Text(f"{words_of(verdict)}: {names}", style=VERDICT_STYLES[verdict])
    if any(said == "met" for _, said in spoken):
        return Text("met")
    return Text("not checked" if spoken else "no limit")


def _spoken_of(checks: pd.DataFrame, openings: pd.DataFrame) -> dict[object, list[tuple[str, str]]]:
    """Limit and verdict of each check that speaks of an opening or its hole, by the opening."""
    spoken: dict[object, list[tuple[str, str]]] = {number: [] for number in openings["opening"]}
    named: dict[tuple[str, str], list[object]] = {}
    holes = openings["combined"].astype("Int64")
    for number, hole in zip(openings["opening"], holes, strict=True):
        named.setdefault(("openings", str(number)), []).append(number)
        named.setdefault(("combined_openings", str(hole)), []).append(number)
    telling = checks[checks["layer"].isin(["openings", "combined_openings"])]
    columns = (telling[name] for name in ("layer", "feature", "limit", "verdict"))
    for layer, features, limit, verdict in zip(*columns, strict=True):
        for feature in re.split(r"[,\s]+", str(features)):
            for number in named.get((layer, feature), ()):
                spoken[number].append((limit, verdict))
    return spoken


def _most_telling(openings: pd.DataFrame, verdicts: dict[object, Text]) -> pd.DataFrame:
    """All openings, or so many as fit, those beyond a limit kept, in their order."""
    if len(openings) <= _MOST_ROWS:
        return openings
    beyond = openings["opening"].map(lambda number: verdicts[number].plain.startswith("EXCEEDED"))
    kept = openings.assign(beyond=beyond).sort_values("beyond", ascending=False, kind="stable")
    return kept.head(_MOST_ROWS).sort_index()


def _name(row: Mapping[Any, Any]) -> str:
    """Number of an opening, with the marker's name where that says more."""
    number, group = str(row["opening"]), row["group"]
    named = isinstance(group, str) and group not in {"", number}
    return f"{number} {shown(group, longest=_LONGEST_NAME)}" if named else number


def _nearest(spacing: str, number: object) -> str:
    """Distance to the nearest other opening, and which it is."""
    return MISSING if spacing == MISSING else f"{spacing} to {number}"
