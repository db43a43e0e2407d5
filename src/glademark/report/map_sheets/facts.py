"""The figures of a layout at a glance, as lines of a panel."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from glademark.report.edge_words import edge_in_short
from glademark.report.map_sheets.drawing.lettering import LEADING, broken
from glademark.report.map_sheets.drawing.page import GREY, Lettering, Stroke
from glademark.report.papers.printed_scripts import printable
from glademark.report.quantities import (
    show_area,
    show_length,
    show_number,
    show_share,
    show_sum,
)
from glademark.report.review_page.wording import unit_text
from glademark.report.verdicts import cut_words

if TYPE_CHECKING:
    from collections.abc import Mapping

    from glademark.contracts.layers import Units
    from glademark.report.delivery import Delivery
    from glademark.report.map_sheets.drawing.page import Page
    from glademark.report.map_sheets.drawing.paper import Box

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
