"""Where the map of a sheet stands, and where the panel that explains it: beside it or below."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from glademark.report.map_sheets.drawing.coordinates import GUTTER_PT
from glademark.report.map_sheets.drawing.paper import (
    OVERVIEW_FINEST,
    Box,
    fitting_scale,
    paper_size,
)
from glademark.report.map_sheets.legend import legend_height
from glademark.report.map_sheets.running_lines import sheet_body
from glademark.report.map_sheets.scale_bar import BARS_PT, NORTH_PT

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from glademark.report.map_sheets.content import MapContent
    from glademark.report.map_sheets.legend import Entry

BESIDE_PT = 182.0
"""Width of a panel beside the map."""

HEADING_PT = 13.0
"""Height of the heading of a part of the panel."""

NOTE_PT = 11.0
"""Height of a remark below the legend."""

EDGE_PT = 12.0
"""Room between the ground that a map has to show and its frame."""

LEGEND_SHARES = (0.27, 0.46, 0.27)
"""Widths of the parts of a panel below the map: facts, legend, scale."""

_GAP_PT = 10.0
_SCALE_PT = BARS_PT + NORTH_PT


@dataclass(frozen=True, kw_only=True, slots=True)
class Arrangement:
    """
    How a map sheet is divided.

    Attributes
    ----------
    size
        Of the sheet [points].
    map_box
        Frame of the map.
    panel
        What explains it.
    beside
        Whether the panel stands right of the map; else below it.
    """

    size: tuple[float, float]
    map_box: Box
    panel: Box
    beside: bool

    @property
    def room(self) -> tuple[float, float]:
        """Width and height of the map that its ground may take [points]."""
        return self.map_box.width - 2 * EDGE_PT, self.map_box.height - 2 * EDGE_PT


def arrangements(
    content: MapContent, entries: Sequence[Entry], *, first_pt: Callable[[float], float]
) -> Iterator[Arrangement]:
    """Ways to divide a map sheet; `first_pt` is the height of what stands first, by its width."""
    paper = content.delivery.project.deliver.paper
    for landscape in (True, False):
        size = paper_size(paper, content.units, landscape=landscape)
        body = sheet_body(size, content.delivery)
        legend = legend_height(entries, BESIDE_PT)
        beside = first_pt(BESIDE_PT) + legend + NOTE_PT + _SCALE_PT + 2 * HEADING_PT + 3 * _GAP_PT
        if beside <= body.height:
            panel = body.inset(left=body.width - BESIDE_PT)
            yield _arranged(size, body.inset(right=BESIDE_PT + _GAP_PT), panel, beside=True)
        first, middle, _ = (box.width for box in body.columns(LEGEND_SHARES, gap=2 * _GAP_PT))
        legend = legend_height(entries, middle, columns=2)
        height = max(first_pt(first), legend + NOTE_PT, _SCALE_PT + 8 - HEADING_PT) + HEADING_PT
        panel = body.inset(top=body.height - height)
        yield _arranged(size, body.inset(bottom=height + _GAP_PT), panel, beside=False)


def _arranged(size: tuple[float, float], outer: Box, panel: Box, *, beside: bool) -> Arrangement:
    """An arrangement with room for coordinates around the map."""
    map_box = outer.inset(left=GUTTER_PT, bottom=GUTTER_PT, top=GUTTER_PT)
    return Arrangement(size=size, map_box=map_box, panel=panel, beside=beside)


def best_arrangement(found: Sequence[Arrangement], content: MapContent) -> tuple[Arrangement, int]:
    """The arrangement in which a stand is largest, and its scale."""
    west, south, east, north = content.extent
    ground = (east - west, north - south)
    finest = OVERVIEW_FINEST[content.units]
    asked = content.delivery.project.deliver.scale

    ranks = [
        (
            fitting_scale(ground, arrangement.room, content.units, finest=finest),
            _stretch(arrangement, ground) + (0.0 if arrangement.beside else 0.05),
            number,
        )
        for number, arrangement in enumerate(found)
    ]
    best = found[min(ranks)[-1]]
    fitting = fitting_scale(ground, best.room, content.units, finest=finest)
    least = fitting_scale_exact(ground, best.room)
    return best, asked if asked is not None and asked >= least else fitting


def _stretch(arrangement: Arrangement, ground_m: tuple[float, float]) -> float:
    """How far the shape of a map is from that of the ground; 1 where they are alike."""
    shape = arrangement.room[0] / arrangement.room[1] / (ground_m[0] / ground_m[1])
    return max(shape, 1 / shape)


def fitting_scale_exact(ground_m: tuple[float, float], room_pt: tuple[float, float]) -> float:
    """Least denominator at which some ground fits on some paper, round or not."""
    from glademark.report.map_sheets.drawing.paper import POINT_M  # noqa: PLC0415 - only here

    return max(ground / POINT_M / room for ground, room in zip(ground_m, room_pt, strict=True))
