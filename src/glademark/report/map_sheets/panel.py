"""The panel beside a map: a legend of exactly what is on it, and the figures of the layout."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from glademark.report.map_sheets.content import (
    AREAS,
    BOUNDARY,
    BOUNDARY_BAND,
    COMBINED,
    CONTOUR,
    INDEX_CONTOUR,
    SHEET_EDGE,
    STEEP,
    TREES,
    cut_width,
    draw_trees,
)
from glademark.report.map_sheets.page import GREY, WHITE, Fill, Lettering, Stroke
from glademark.report.map_sheets.paper import LEADING, Box, broken
from glademark.report.papers.printed_text import printable
from glademark.report.quantities import (
    show_area,
    show_length,
    show_number,
    show_share,
    show_sum,
)
from glademark.report.wording import cut_words, edge_in_short, unit_text
from glademark.units import INCH_CM

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from glademark.contracts.layers import Units
    from glademark.report.delivery import Delivery
    from glademark.report.map_sheets.content import MapContent
    from glademark.report.map_sheets.map_drawing import Drawn
    from glademark.report.map_sheets.page import Page

TEXT = Lettering(size=6.6)
_SEEN_PT = 3.0  # least width of a tree's symbol in a legend; sizes below are not told apart
_WIDEST_CM = 60.0
_SWATCH_PT = 20.0
_GAP_PT = 6.0
_LEAST_ROW_PT = 11.6
_WORDS = {
    "water": "Water, to its bank",
    "existing": "Corridor there already, to width",
    "new": "New corridor, to width",
    "landings": "Landing",
    "incidental_openings": "Incidental opening: marked crowns that touch",
    "openings": "Group opening to its edge, with number and area",
    "no_cut": "Setback: no tree may be cut",
    "no_machine": "Setback: no machine enters",
    "residual_basal_area": "Setback: some basal area stays",
    "exclusions": "EXCLUSION: nothing is cut, no machine enters",
    "hazards": "HAZARD: keep away",
    "danger_circles": "Two tree lengths around a danger tree",
}
_ORDER = ("danger", "line", "line_confirmed", "unconfirmed", "leave", "cut", "corridor_cut")
_AREA_ORDER = ("danger_circles", "hazards", "exclusions", "no_cut", "no_machine",
               "residual_basal_area",
               "openings", "incidental_openings", "new", "existing", "landings",
               "water")  # fmt: skip
_SIZES = {
    "us": (INCH_CM, "in", (6, 12, 18, 24, 30, 36)),
    "metric": (1.0, "cm", (15, 30, 45, 60, 75, 90)),
}
_MOST_SIZES = 4

_SIZE = 6.8

_NAME_PT = 62.0

_VERDICTS = (
    ("exceeded", "EXCEEDED"),
    ("near", "near"),
    ("met", "met"),
    ("not_checked", "not checked"),
)

_COUNTS = ("trees", "trees_without", "parts_without")

_MOST_PRODUCTS = 6


@dataclass(frozen=True, kw_only=True, slots=True)
class Entry:
    """One line of a legend."""

    words: str  # what the symbol means
    draw: Callable[[Page, Box], None]  # called with the sheet and the box of the symbol


def legend_entries(content: MapContent, drawn: Drawn, *, indexed: bool = False) -> list[Entry]:
    """Lines of the legend of a map."""
    words = {key: cut_words(content.delivery, symbol.title) for key, symbol in TREES.items()}
    shown = [key for key in dict.fromkeys((*_ORDER, *TREES)) if key in drawn.trees]
    entries = [_tree_entry(key, words[key], drawn.enlarged) for key in shown if key in _ORDER]
    widest = cut_width(np.array([_WIDEST_CM]), enlarged=drawn.enlarged)[0]
    if {"cut", "corridor_cut"} & set(drawn.trees) and widest >= _SEEN_PT:
        entries.append(_size_entry(content, drawn))
    entries += [_tree_entry(key, words[key], drawn.enlarged) for key in shown if key not in _ORDER]
    entries.append(_entry("Stand boundary", _boundary_swatch))
    entries += [_area_entry(key) for key in _AREA_ORDER if key in drawn.areas]
    return [*entries, *_line_entries(content, drawn, indexed=indexed)]


def _line_entries(content: MapContent, drawn: Drawn, *, indexed: bool) -> Iterator[Entry]:
    """Lines of the map that are no edges of areas."""
    if drawn.combined:
        yield _entry("Hole of several openings and the corridors at them", _line_swatch(COMBINED))
    if drawn.steep:
        grades = content.layout.ground.grades
        steep = f" than {grades.steep_grade:.0%}" if grades else ""
        yield _entry(f"Corridor steeper{steep}", _line_swatch(STEEP))
    if drawn.contours:
        unit = "ft" if content.units == "us" else "m"
        words = f"Contour every {drawn.interval} {unit}"
        index = any(contour.is_index for contour in drawn.contours)
        yield _entry(words, _line_swatch(INDEX_CONTOUR if index else CONTOUR))
    if indexed:
        yield _entry("Detail sheet, with its number", _line_swatch(SHEET_EDGE))


def legend_height(entries: Sequence[Entry], width: float, *, columns: int = 1) -> float:
    """Height of a legend [points]."""
    room = _column_width(width, columns)
    heights = [_height(entry, room) for entry in entries]
    return max((sum(part) for part in _shared(heights, columns)), default=0.0)


def draw_legend(page: Page, box: Box, entries: Sequence[Entry], *, columns: int = 1) -> None:
    """Draw a legend from the top of a box."""
    room = _column_width(box.width, columns)
    heights = [_height(entry, room) for entry in entries]
    number = 0
    for column, part in enumerate(_shared(heights, columns)):
        left, y = box.left + column * (room + _GAP_PT * 2), box.top
        for height in part:
            swatch = Box(left=left, bottom=y - height, width=_SWATCH_PT, height=height)
            entries[number].draw(page, swatch)
            _draw_words(page, swatch, entries[number], room)
            y -= height
            number += 1


def _column_width(width: float, columns: int) -> float:
    """Width of one column of a legend."""
    return (width - _GAP_PT * 2 * (columns - 1)) / columns


def _words_of(entry: Entry, room: float) -> list[str]:
    """Words of a line, broken to their room."""
    return broken(entry.words, room - _SWATCH_PT - _GAP_PT, TEXT.size)


def _height(entry: Entry, room: float) -> float:
    """Height of a line."""
    return max(_LEAST_ROW_PT, len(_words_of(entry, room)) * TEXT.size * LEADING + 2.6)


def _draw_words(page: Page, swatch: Box, entry: Entry, room: float) -> None:
    """Words right of a symbol, in its middle."""
    lines = _words_of(entry, room)
    middle = swatch.bottom + swatch.height / 2
    top = middle + (len(lines) * TEXT.size * LEADING - TEXT.size * 0.3) / 2
    page.lines_of_text(swatch.right + _GAP_PT, top, lines, TEXT)


def _shared(heights: Sequence[float], columns: int) -> list[list[float]]:
    """Heights shared out to columns in order, the highest column as low as can be."""
    limit = max([*heights, sum(heights) / columns], default=0.0)
    while True:
        parts: list[list[float]] = [[]]
        for height in heights:
            if parts[-1] and sum(parts[-1]) + height > limit + 0.01:
                parts.append([])
            parts[-1].append(height)
        if len(parts) <= columns:
            return parts
        limit += 1.0


def _entry(words: str, draw: Callable[[Page, Box], None]) -> Entry:
    return Entry(words=words, draw=draw)


def _middle(box: Box) -> tuple[float, float]:
    """Middle of a box."""
    return box.left + box.width / 2, box.bottom + box.height / 2


def _tree_entry(key: str, words: str, enlarged: float) -> Entry:
    """A tree's symbol in its own size, a cut tree's in that of a middling one, as can be seen."""
    symbol = TREES[key]
    width = (
        symbol.width * max(enlarged, 1.0)
        if symbol.width
        else float(cut_width(np.array([32.0]), enlarged=enlarged)[0])
    )

    def draw(page: Page, box: Box) -> None:
        places = np.array([_middle(box)])
        draw_trees(page, key, places, np.array([min(max(width, _SEEN_PT), 13.0)]), level=6)

    return _entry(words, draw)


def _size_entry(content: MapContent, drawn: Drawn) -> Entry:
    """Sizes of symbols of cut trees by their diameter."""
    size, unit, all_steps = _SIZES[content.units]
    marks = content.layout.marks
    largest = marks.loc[marks["kind"] == "cut", "dbh_cm"].max()
    steps = [step for step in all_steps if not step * size > largest][:_MOST_SIZES]
    steps = steps or [all_steps[0]]
    widths = cut_width(np.array(steps) * size, enlarged=drawn.enlarged)
    key = "cut" if "cut" in drawn.trees else "corridor_cut"

    def draw(page: Page, box: Box) -> None:
        x, y = box.left + 2, _middle(box)[1]
        at = x + np.cumsum(widths + 1.6) - widths / 2
        at += (box.width - 4 - (at[-1] + widths[-1] / 2 - x)) / 2
        places = np.column_stack([at, np.full(len(at), y)])
        draw_trees(page, key, places, widths, level=6)

    return _entry(f"Size by DBH: {', '.join(map(str, steps))} {unit}", draw)


def _area_entry(key: str) -> Entry:
    """A patch of an area."""

    def draw(page: Page, box: Box) -> None:
        x, y = _middle(box)
        patch = shapely.box(x - 9, y - 4.2, x + 9, y + 4.2)
        page.shapes([patch], AREAS[key], level=6)

    return _entry(_WORDS[key], draw)


def _boundary_swatch(page: Page, box: Box) -> None:
    """A piece of the boundary."""
    x, y = _middle(box)
    ends = ([x - 10, x + 10], [y, y])
    page.line(*ends, BOUNDARY_BAND, level=6)
    page.line(*ends, BOUNDARY, level=6.1)


def _line_swatch(stroke: Stroke) -> Callable[[Page, Box], None]:
    """A piece of a line."""

    def draw(page: Page, box: Box) -> None:
        x, y = _middle(box)
        page.shapes([shapely.box(x - 10, y - 3, x + 10, y + 3)], Fill(face=WHITE), level=5.9)
        page.line([x - 10, x + 10], [y, y], stroke, level=6)

    return draw


def facts(delivery: Delivery) -> list[tuple[str, str]]:
    """Names and values of the figures at a glance."""
    units, summary = delivery.project.heading.units, delivery.summary
    stand, corridors, openings = (summary[name] for name in ("stand", "corridors", "openings"))
    marks = summary["marks"]
    found = [
        ("Stand", f"{show_area(stand['area_m2'], units)}"),
        ("Operable", show_area(stand["operable_m2"], units)),
        (
            "Corridors",
            _corridors(corridors, units),
        ),
        ("Openings", _openings(openings, units)),
        *_edge(openings, units),
        (
            cut_words(delivery, "Trees to cut"),
            f"{show_number(marks['trees'], 0)} on the map"
            + (
                f", {show_number(marks['not_located'], 0)} not located"
                if marks["not_located"]
                else ""
            ),
        ),
        *_volumes(summary["volume"]["by_product"]),
        ("Limits", _limits(summary["checks"])),
    ]
    return [(name, unit_text(value)) for name, value in found]


def _corridors(corridors: Mapping[str, float], units: Units) -> str:
    """Length, area and share of the corridors."""
    if not corridors["length_m"] > 0:
        return "none"
    length, area = show_length(corridors["length_m"], units), show_area(corridors["area_m2"], units)
    return f"{length}, {area}, {show_share(corridors['share'])} of the stand"


def _openings(openings: Mapping[str, float], units: Units) -> str:
    """How many openings, what they take, and the largest."""
    if not openings["count"]:
        return "none"
    words = (
        f"{openings['count']}, {show_area(openings['area_m2'], units)}, "
        f"{show_share(openings['share'])} of the stand; largest "
        f"{show_area(openings['largest_m2'], units)}"
    )
    if (openings["combined_largest_m2"] or 0.0) > (openings["largest_m2"] or 0.0):
        words += f", combined hole {show_area(openings['combined_largest_m2'], units)}"
    return words


def _edge(openings: Mapping[str, Any], units: Units) -> list[tuple[str, str]]:
    """Where the openings end, where there are any."""
    if not openings["count"]:
        return []
    radius = float(openings["standing_crown_radius_m"])
    return [("Their edge", edge_in_short(str(openings["edge"]), radius, units))]


def _number(value: object) -> float | None:
    """A number of the summary; None where there is none."""
    return float(value) if isinstance(value, int | float) else None


def _volumes(products: dict[str, dict[str, object]]) -> list[tuple[str, str]]:
    """Net volume of each product in its sale unit."""
    shown = list(products.items())[:_MOST_PRODUCTS]
    found = []
    for name, product in shown:
        trees = {key: int(str(product.get(key, 0))) for key in _COUNTS}
        amount = show_sum(_number(product["net"]), str(product["unit"]), **trees)
        found.append((printable(name).capitalize(), amount))
    if len(products) > len(shown):
        found.append(("Others", f"{len(products) - len(shown)} more products: tables sheet"))
    return found


def _limits(checks: dict[str, int]) -> str:
    """How many of each verdict."""
    words = [f"{checks[name]} {word}" for name, word in _VERDICTS if checks.get(name)]
    return ", ".join(words) or "none given, so none checked"


def facts_height(delivery: Delivery, width: float) -> float:
    """Height of the figures at a glance [points]."""
    lines = sum(len(_lines(value, width)) for _, value in facts(delivery))
    return lines * _SIZE * LEADING + len(facts(delivery)) * 1.6


def draw_facts(page: Page, box: Box, delivery: Delivery) -> None:
    """Draw the figures at a glance from the top of a box."""
    y = box.top
    for name, value in facts(delivery):
        page.text(box.left, y - _SIZE, name, Lettering(size=_SIZE, colour=GREY))
        loud = name == "Limits" and "EXCEEDED" in value
        lettering = Lettering(size=_SIZE, face="bold" if loud else "plain")
        y = page.lines_of_text(box.left + _NAME_PT, y, _lines(value, box.width), lettering) - 1.6


def _lines(value: str, width: float) -> list[str]:
    """A value in lines."""
    return broken(value, width - _NAME_PT, _SIZE, "bold" if "EXCEEDED" in value else "plain")


def draw_heading(page: Page, box: Box, words: str) -> Box:
    """Draw the heading of a part of the panel."""
    page.text(box.left, box.top - 7.5, words, Lettering(size=7.6, face="bold"))
    page.line([box.left, box.right], [box.top - 10] * 2, Stroke(width=0.5))
    return box.inset(top=13)
