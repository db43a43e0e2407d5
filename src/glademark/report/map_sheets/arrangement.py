"""
What stands on every sheet and where: title above, cautions below, map and panel between.

Also which ground each sheet shows, and at which scale.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely

from glademark.report.map_sheets.coordinates import BARS_PT, GUTTER_PT, NORTH_PT
from glademark.report.map_sheets.page import GREY, PALE, Fill, Lettering, Stroke
from glademark.report.map_sheets.panel import legend_height
from glademark.report.map_sheets.paper import (
    LEADING,
    OVERVIEW_FINEST,
    Box,
    broken,
    fitted,
    fitting_scale,
    metres_per_point,
    paper_size,
    round_scales,
    sheet_box,
    text_width,
)
from glademark.report.papers.printed_text import LACKING, lacks_letters, printable, printed_names
from glademark.report.quantities import show_length
from glademark.report.summary import marking_days
from glademark.report.wording import approval_words, cautions, edition_words, is_proposed

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from glademark.report.delivery import Delivery
    from glademark.report.map_sheets.content import MapContent
    from glademark.report.map_sheets.page import Page
    from glademark.report.map_sheets.panel import Entry

_HEAD_PT = 33.0
_CAUTION = Lettering(size=6.5)
_APPROVAL = Lettering(size=8.5, face="bold")
_REFERENCE = Lettering(size=6.0, colour=GREY)
_BODY_GAP_PT = 7.0
_PRINTED = "Printed: ____________________"

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

Ground = tuple[float, float, float, float]

ENLARGED = 1.45
"""Size of the symbols of trees on detail sheets, against the overview."""

_CROWDED_SHARE = 0.2  # of the trees, whose symbols touch a neighbour's

_ENOUGH_SHARE = 0.12

_THIN_PT = 2.6  # a corridor narrower than that on paper wants a detail sheet

_MOST_SHEETS = 12

_OVERLAP_SHARE = 0.04  # of a sheet's ground that its neighbour shows as well

_FINER = 1.4  # a detail sheet is larger than the overview at least by that

_COARSEST = 30_000


def sheet_body(size: tuple[float, float], delivery: Delivery) -> Box:
    """What the running lines leave free of a sheet."""
    box = sheet_box(size)
    top = _HEAD_PT + _approval_height(box, delivery) + _BODY_GAP_PT
    return box.inset(top=top, bottom=_foot_height(box, delivery) + _BODY_GAP_PT)


def draw_running_lines(page: Page, delivery: Delivery, title: str, *, place: str) -> None:
    """Draw title, cautions and references of a sheet."""
    box = sheet_box(page.size)
    _draw_head(page, box, delivery, (title, place))
    _draw_foot(page, box, delivery)


def _draw_head(page: Page, box: Box, delivery: Delivery, words: tuple[str, str]) -> None:
    """Name of the project, what the sheet is, and which one."""
    title, place = words
    right = max(text_width(title, 11, "bold"), text_width(place, 7.5))
    room = box.width - right - 18
    name = printable(delivery.project.heading.name)
    page.text(
        box.left, box.top - 13, fitted(name, room, 14, "bold"), Lettering(size=14, face="bold")
    )
    page.text(box.right, box.top - 13, title, Lettering(size=11, face="bold", align="right"))
    page.text(box.right, box.top - 25, place, Lettering(size=7.5, align="right"))
    below = fitted("   ".join(_below_name(delivery)), room, 7.5)
    page.text(box.left, box.top - 25, below, Lettering(size=7.5))
    page.line([box.left, box.right], [box.top - _HEAD_PT] * 2, Stroke(width=1.3))
    lines = _approval_lines(box, delivery)
    if lines:
        height = _approval_height(box, delivery)
        bottom = box.top - _HEAD_PT - height
        page.box(
            Box(left=box.left, bottom=bottom, width=box.width, height=height - 2),
            Fill(face=PALE),
            level=2,
        )
        page.lines_of_text(box.left + 4, bottom + height - 5, lines, _APPROVAL)


def _approval_lines(box: Box, delivery: Delivery) -> list[str]:
    """Lines of what is exceeded; none where nothing is."""
    words = printable(approval_words(delivery))
    return broken(words, box.width - 8, _APPROVAL.size, "bold") if words else []


def _approval_height(box: Box, delivery: Delivery) -> float:
    """Height of what is exceeded below the head."""
    lines = _approval_lines(box, delivery)
    return len(lines) * _APPROVAL.size * LEADING + 9 if lines else 0.0


def _below_name(delivery: Delivery) -> list[str]:
    """What kind of paper it is, the season, and when the marks were taken."""
    proposed = is_proposed(delivery)
    words = ["Layout of proposed groups" if proposed else "Layout of a marked harvest"]
    if delivery.project.heading.season:
        words.append(f"Season: {printable(delivery.project.heading.season)}")
    if dates := field_dates(delivery):
        words.append(f"Marked: {dates}")
    return words


def field_dates(delivery: Delivery) -> str:
    """First and last day on which a mark was recorded."""
    days = marking_days(delivery.layout.marks)
    if not days:
        return ""
    first, last = days[0], days[-1]
    return first if first == last else f"{first} to {last}"


def position_error_words(delivery: Delivery) -> str:
    """How exactly marks are placed."""
    if is_proposed(delivery):
        return "Positions of trees as in the stem map or canopy"
    units = delivery.project.heading.units
    errors = delivery.layout.marks["position_error_m"].dropna()
    if errors.empty:
        errors = pd.Series([delivery.project.marks.position_error_m])
    low, high = (show_length(float(end), units) for end in (errors.min(), errors.max()))
    between = low if low == high else f"{low} to {high}"
    return f"Position error of marks {between} (horizontal root mean square)"


def _references(delivery: Delivery) -> list[str]:
    """CRS and datum, position error, version."""
    crs = delivery.layout.crs
    code = crs.to_authority()
    datum = printable(crs.datum.name) if crs.datum is not None else "not stated"
    name = printable(crs.name) + (f" ({':'.join(code)})" if code else "")
    version = printable(delivery.summary["provenance"]["version"])
    return [
        f"Coordinates: {name}, in metres",
        f"Datum: {datum}",
        position_error_words(delivery),
        f"{edition_words(delivery)}; Glademark {version}",
    ]


def _foot_lines(box: Box, delivery: Delivery) -> tuple[list[str], list[str]]:
    """Lines of the cautions and of the references."""
    words = [*cautions()]
    if delivery.once("lacks letters", lambda: lacks_letters(printed_names(delivery))):
        words.append(LACKING)
    room = box.width - 14 - text_width("CAUTION", _CAUTION.size, "bold") - 8
    room_below = box.width - text_width(_PRINTED, _REFERENCE.size) - 12
    return (
        broken("  ".join(words), room, _CAUTION.size),
        broken("  ·  ".join(_references(delivery)), room_below, _REFERENCE.size),
    )


def _foot_height(box: Box, delivery: Delivery) -> float:
    """Height of cautions and references."""
    cautions, references = _foot_lines(box, delivery)
    return (
        len(cautions) * _CAUTION.size * LEADING
        + 7
        + len(references) * _REFERENCE.size * LEADING
        + 3
    )


def _draw_foot(page: Page, box: Box, delivery: Delivery) -> None:
    """Cautions on a pale ground, references below them."""
    cautions, references = _foot_lines(box, delivery)
    height = len(cautions) * _CAUTION.size * LEADING + 6
    top = box.bottom + _foot_height(box, delivery)
    ground = Box(left=box.left, bottom=top - height, width=box.width, height=height)
    page.box(ground, Fill(face=PALE), level=2)
    page.box(
        Box(left=box.left, bottom=ground.bottom, width=3, height=height),
        Fill(face="#1b1f23"),
        level=3,
    )
    page.text(
        box.left + 9,
        top - 3.4 - _CAUTION.size,
        "CAUTION",
        Lettering(size=_CAUTION.size, face="bold"),
    )
    left = box.left + 14 + text_width("CAUTION", _CAUTION.size, "bold") + 2
    page.lines_of_text(left, top - 3.4, cautions, _CAUTION)
    below = ground.bottom - 3
    page.lines_of_text(box.left, below, references, _REFERENCE)
    page.text(
        box.right, below - _REFERENCE.size, _PRINTED,
        Lettering(size=_REFERENCE.size, align="right"),
    )  # fmt: skip


@dataclass(frozen=True, kw_only=True, slots=True)
class Arrangement:
    """How a map sheet is divided."""

    size: tuple[float, float]  # of the sheet [points]
    map_box: Box  # frame of the map
    panel: Box  # what explains it
    beside: bool  # whether the panel stands right of the map; else below it

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
    from glademark.report.map_sheets.paper import POINT_M  # noqa: PLC0415 - only here

    return max(ground / POINT_M / room for ground, room in zip(ground_m, room_pt, strict=True))


@dataclass(frozen=True, kw_only=True, slots=True)
class Tiling:
    """Detail sheets of a stand."""

    denominator: int  # of their scale
    grounds: tuple[Ground, ...]
    """West, south, east and north of each [m], from north to south and west to east."""


def touching_share(content: MapContent, denominator: int, *, enlarged: float = 1.0) -> float:
    """Share of the trees to cut, those in openings left out, whose symbols touch a neighbour's."""
    places, widths = _matrix_trees(content)
    if len(places) < 2:  # noqa: PLR2004 - a neighbour
        return 0.0
    points = np.asarray(shapely.points(places))
    (one, other), apart = shapely.STRtree(points).query_nearest(
        points, exclusive=True, return_distance=True, all_matches=False
    )
    reach = (widths[one] + widths[other]) / 2 * enlarged * metres_per_point(denominator)
    return float(np.sum(apart < reach) / len(places))


def _matrix_trees(content: MapContent) -> tuple[np.ndarray, np.ndarray]:
    """Places and sizes of trees to cut that stand in no opening."""
    found = [content.trees[key] for key in ("cut", "corridor_cut")]
    places = np.vstack([trees.places for trees in found])
    widths = np.concatenate([trees.widths for trees in found])
    openings = shapely.union_all(content.layout.openings.geometry.to_numpy())
    shapely.prepare(openings)
    outside = ~shapely.contains_xy(openings, places[:, 0], places[:, 1])
    return places[outside], widths[outside]


def is_crowded(content: MapContent, denominator: int, *, left_out: int) -> bool:
    """Whether an overview asks for detail sheets."""
    widths = content.layout.corridors["width_m"]
    thin = len(widths) and widths.median() / metres_per_point(denominator) < _THIN_PT
    touching = touching_share(content, denominator) > _CROWDED_SHARE
    return bool(left_out or thin or touching)


def detail_tiling(
    content: MapContent, room_pt: tuple[float, float], overview: int
) -> Tiling | None:
    """
    Detail sheets for a stand.

    Parameters
    ----------
    room_pt
        Width and height of a map on such a sheet [points].
    """
    finest = OVERVIEW_FINEST[content.units]
    scales = [s for s in reversed(round_scales(content.units)) if finest <= s <= overview / _FINER]
    best = None
    for scale in (s for s in scales if s <= max(_COARSEST, finest)):
        grounds = tuple(_grounds(content, room_pt, scale))
        if best is not None and len(grounds) > _MOST_SHEETS:
            break
        best = Tiling(denominator=scale, grounds=grounds)
        if not is_crowded_detail(content, scale):
            break
    return best


def is_crowded_detail(content: MapContent, denominator: int) -> bool:
    """Whether symbols on a detail sheet touch, or corridors are mere lines."""
    widths = content.layout.corridors["width_m"]
    thin = len(widths) and widths.median() / metres_per_point(denominator) < _THIN_PT * 2
    return bool(thin or touching_share(content, denominator, enlarged=ENLARGED) > _ENOUGH_SHARE)


def _grounds(content: MapContent, room_pt: tuple[float, float], denominator: int) -> list[Ground]:
    """Ground of each sheet: in rows or in columns, whichever needs fewer sheets."""
    size = metres_per_point(denominator)
    width, height = (side * size * (1 - 2 * _OVERLAP_SHARE) for side in room_pt)
    stand = shapely.buffer(content.stand, min(width, height) * 0.01)
    by_rows = list(_rows_of(stand, width, height))
    turned = shapely.transform(stand, lambda at: -at[:, ::-1])
    by_columns = [
        (-north, -east, -south, -west)
        for west, south, east, north in _rows_of(turned, height, width)
    ]
    return min(by_rows, by_columns, key=len)


def _rows_of(stand: shapely.Geometry, width: float, height: float) -> Iterator[Ground]:
    """Rows from the top, each with as many sheets as what of the stand lies in it needs."""
    west, south, east, north = shapely.bounds(stand)
    rows = max(1, math.ceil((north - south) / height))
    for row in range(rows):
        middle = (south + north) / 2 + ((rows - 1) / 2 - row) * height
        low, high = middle - height / 2, middle + height / 2
        part = shapely.intersection(stand, shapely.box(west - 1, low, east + 1, high))
        if part.is_empty:
            continue
        left, _, right, _ = shapely.bounds(part)
        count = max(1, math.ceil((right - left) / width))
        for column in range(count):
            at = (left + right) / 2 + (column - (count - 1) / 2) * width
            ground = (at - width / 2, low, at + width / 2, high)
            if shapely.intersects(part, shapely.box(*ground)):
                yield ground
