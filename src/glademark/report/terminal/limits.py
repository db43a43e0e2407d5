"""Limits, openings and ground on the terminal: what is exceeded first, in words."""

import math
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd
from rich import box
from rich.console import Console, ConsoleOptions, RenderableType, RenderResult
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from glademark.contracts.layers import Units
from glademark.contracts.result_tables import CHECKS
from glademark.contracts.terrain import (
    PERMIT,
    CrossingFigures,
    ExtractionFigures,
    GradeFigures,
    LightFigures,
    ReachFigures,
    TerrainFigures,
)
from glademark.errors import listed, shown
from glademark.report.delivery import Delivery
from glademark.report.quantities import (
    MISSING,
    show,
    show_against,
    show_area,
    show_length,
    show_number,
    show_share,
    written_frame,
)
from glademark.report.wording import WORST_FIRST, words_of

VERDICT_STYLES = {"exceeded": "bold red", "near": "yellow", "not_checked": "", "met": "green"}
"""Colour of a verdict; the word says the same."""

_LISTED = WORST_FIRST[:-1]
_MOST_ROWS = 12
_LONGEST = 300
_BEHIND = ("reason", "authority")
_BOUNDS = {"max": "at most", "min": "at least"}

_MOST_OPENINGS = 30

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
    if len(openings) > _MOST_OPENINGS:
        table.caption = f"and {len(openings) - _MOST_OPENINGS} more in openings.csv"
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
    if len(openings) <= _MOST_OPENINGS:
        return openings
    beyond = openings["opening"].map(lambda number: verdicts[number].plain.startswith("EXCEEDED"))
    kept = openings.assign(beyond=beyond).sort_values("beyond", ascending=False, kind="stable")
    return kept.head(_MOST_OPENINGS).sort_index()


def _name(row: Mapping[Any, Any]) -> str:
    """Number of an opening, with the marker's name where that says more."""
    number, group = str(row["opening"]), row["group"]
    named = isinstance(group, str) and group not in {"", number}
    return f"{number} {shown(group, longest=_LONGEST_NAME)}" if named else number


def _nearest(spacing: str, number: object) -> str:
    """Distance to the nearest other opening, and which it is."""
    return MISSING if spacing == MISSING else f"{spacing} to {number}"


def ground_lines(delivery: Delivery) -> list[RenderableType]:
    """What was found of the ground, a line or two a part."""
    units, ground = delivery.project.heading.units, delivery.layout.ground
    lines = [
        *_terrain(ground.terrain, units),
        *_grades(ground.grades, units),
        *_extraction(ground.extraction, units),
        *_reach(ground.reach, units),
        *_crossings(ground.crossings),
        *_light(ground.light, units),
    ]
    return [Text(line) for line in lines]


def _terrain(found: TerrainFigures | None, units: Units) -> Iterator[str]:
    """Heights and slope of the stand."""
    if found is None:
        return
    low, high = show_length(found.lowest_m, units), show_length(found.highest_m, units)
    facing = f", facing {found.aspect}" if found.aspect not in {"", "flat"} else ""
    yield (
        f"Stand from {low} to {high}; slope {show_share(found.slope_mean)} on average, one cell in "
        f"ten above {show_share(found.slope_p90)}{facing}"
    )


def _grades(found: GradeFigures | None, units: Units) -> Iterator[str]:
    """Grades of the corridors."""
    if found is None:
        return
    over = ", ".join(
        f"{show_share(grade)} over {show_length(length, units)}"
        for length, grade in zip(found.lengths_m, found.steepest, strict=True)
    )
    yield f"Corridors: steepest {over}; ground across at most {show_share(found.cross_slope_max)}"
    if found.steep_m > 0:
        yield (
            f"Above {show_share(found.steep_grade)}: {show_length(found.steep_m, units)}, longest "
            f"stretch {show_length(found.longest_steep_m, units)} on "
            f"{shown(found.longest_steep_corridor)}"
        )
    if found.adverse_m or found.favourable_m:
        yield (
            f"To the landing {show_length(found.adverse_m, units)} uphill (adverse), "
            f"{show_length(found.favourable_m, units)} downhill (favourable)"
        )
    if found.without_height_m > 0:
        yield f"No heights along {show_length(found.without_height_m, units)} of corridor"


def _weight(found: ExtractionFigures) -> str:
    """What the mean is weighted by, and why not by volume."""
    if found.weight == "m3":
        return "volume"
    lost = f"{found.trees_without_m3:,} of {found.trees:,} trees have no solid volume"
    return f"{found.weight.replace('_', ' ')}: {lost}"


def _extraction(found: ExtractionFigures | None, units: Units) -> Iterator[str]:
    """The way to the landing."""
    if found is None:
        return
    if math.isfinite(found.mean_m):
        yield (
            f"Extraction {show_length(found.mean_m, units)} on average (by {_weight(found)}), "
            f"at most {show_length(found.farthest_m, units)}; "
            f"{show_share(found.outside_share)} of it outside the stand"
        )
    if found.loads is not None:
        yield (
            f"{show_number(found.loads, 1)} loads of {show(found.payload_m3, 'm3', units)}; layer "
            "extraction says over which corridors"
        )
    if found.unreached:
        yield f"CHECK no landing is reached from corridors {listed(found.unreached)}"


def _reach(found: ReachFigures | None, units: Units) -> Iterator[str]:
    """Trees beyond reach."""
    if found is None:
        return
    within, beyond = show_number(found.trees_within, 0), show_number(found.trees_beyond, 0)
    yield (
        f"{within} trees within reach of {show_length(found.reach_m, units)} from a corridor edge, "
        f"{beyond} beyond"
    )
    if found.stubs:
        left = f", but for {show_number(found.trees_left, 0)} trees" if found.trees_left else ""
        yield (
            f"New stubs of corridor that would bring them within reach{left}: {found.stubs}, "
            f"{show_length(found.stubs_m, units)} in all (layer corridor_stubs)"
        )


def _crossings(found: CrossingFigures | None) -> Iterator[str]:
    """Crossings of water."""
    if found is None or not found.water + found.setbacks:
        return
    yield f"CHECK crossings by corridors: {found.water} of water, {found.setbacks} of setbacks"
    yield PERMIT


def _light(found: LightFigures | None, units: Units) -> Iterator[str]:
    """Edges of openings."""
    if found is None:
        return
    corridor = show_length(found.corridor_edge_m, units)
    line = f"Edge of openings {show_length(found.edge_m, units)}, {corridor} of it on corridors"
    if found.windward_m is not None:
        line += f", {show_length(found.windward_m, units)} facing the wind"
    if found.windward_backed_m is not None:
        line += f" ({show_length(found.windward_backed_m, units)} with trees behind it)"
    yield line
