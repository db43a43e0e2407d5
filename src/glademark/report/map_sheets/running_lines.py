"""What stands on every sheet: its title above, cautions and references below."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from glademark.report.map_sheets.page import GREY, PALE, Fill, Lettering, Stroke
from glademark.report.map_sheets.paper import (
    LEADING,
    Box,
    broken,
    fitted,
    sheet_box,
    text_width,
)
from glademark.report.papers.printed_text import LACKING, lacks_letters, printable
from glademark.report.quantities import show_length
from glademark.report.summary import marking_days
from glademark.report.wording import approval_words, cautions, edition_words, is_proposed

if TYPE_CHECKING:
    from glademark.report.delivery import Delivery
    from glademark.report.map_sheets.page import Page

_HEAD_PT = 33.0
_CAUTION = Lettering(size=6.5)
_APPROVAL = Lettering(size=8.5, face="bold")
_REFERENCE = Lettering(size=6.0, colour=GREY)
_BODY_GAP_PT = 7.0
_PRINTED = "Printed: ____________________"


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


def printed_names(delivery: Delivery) -> list[object]:
    """Names of the user's own that stand on papers."""
    layout, heading = delivery.layout, delivery.project.heading
    frames = (layout.exclusions, layout.setbacks, layout.landings, layout.hazards, layout.water)
    return [
        heading.name,
        heading.season or "",
        *layout.corridors["corridor"],
        *layout.openings["group"].dropna(),
        *layout.marks["species"].dropna().unique(),
        *(name for frame in frames for name in frame["name"].dropna()),
    ]


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
