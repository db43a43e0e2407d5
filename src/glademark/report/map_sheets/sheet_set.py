"""
The whole set of sheets: what each shows, drawn in their order, written as PDF and picture.

Profile sheets show the ground along each corridor, all of them at one scale.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import shapely

from glademark.report.map_sheets.arrangement import draw_running_lines, is_crowded, sheet_body
from glademark.report.map_sheets.content import STEEP, MapContent, map_content
from glademark.report.map_sheets.openings_sheets import draw_openings, plan_openings
from glademark.report.map_sheets.page import GREY, PALE, Fill, Lettering, Page, Stroke
from glademark.report.map_sheets.paper import (
    LEADING,
    Box,
    broken,
    fitted,
    fitting_scale,
    metres_per_point,
    paper_size,
    scale_words,
    text_width,
)
from glademark.report.map_sheets.pdf_pages import (
    finish,
    pages_as_pdf,
    viewport,
    write_picture,
    write_placing,
)
from glademark.report.map_sheets.stand_sheets import (
    draw_detail,
    draw_overview,
    plan_details,
    plan_overview,
)
from glademark.report.map_sheets.tables import tables
from glademark.report.map_sheets.text_table import Piece, draw_pieces, flowed
from glademark.report.papers.printed_text import printable
from glademark.report.profile_drawing import draw_profile, profiles_of_pieces
from glademark.report.quantities import show_length, show_number, show_share
from glademark.report.wording import newest_day
from glademark.units import SHOWN_LENGTH_M

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    import geopandas as gpd

    from glademark.contracts.layers import Units
    from glademark.contracts.terrain import Profile
    from glademark.report.delivery import Delivery
    from glademark.report.map_sheets.paper import MapFrame
    from glademark.report.profile_drawing import ProfileDrawing

_COLUMNS = 2
_COLUMN_GAP_PT, _ROW_GAP_PT = 26.0, 12.0
_TITLE_PT = 24.0
_HEIGHTS_PT = 30.0  # room for heights left of a profile
_ALONG_PT = 13.0  # room for distances below it
_MOST_PT = 58.0  # height of the tallest profile
_LEAST_PT = 6.0  # height of level ground, so that its numbers have room
_ENLARGED = (10, 5, 2, 1)  # heights against lengths, the first that fits
_SIZE = 6.4
_TICK_PT = 2.5
_GROUND = Stroke(width=1.1)
_AXIS = Stroke(colour="#8a8f94", width=0.4)
_DEFAULT_STEEP = 1.0  # a grade that no corridor has, where none is stated


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class ShownProfile:
    """One profile with its words."""

    profile: Profile  # heights along the corridor
    title: str  # its name
    words: str  # length, heights and steepest piece


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class ProfilesPlan:
    """How the profile sheets are drawn."""

    size: tuple[float, float]  # of a sheet [points]
    denominator: int  # of the scale of lengths
    enlarged: int  # heights against lengths
    drawing_pt: float  # height of the room of a profile
    sheets: tuple[tuple[ShownProfile, ...], ...]  # profiles on each


def plan_profiles(content: MapContent) -> ProfilesPlan | None:
    """Scale and sheets of the profiles."""
    shown = _shown(content)
    if not shown:
        return None
    delivery, units = content.delivery, content.units
    size = paper_size(delivery.project.deliver.paper, units, landscape=False)
    body = _cells_box(size, content)
    width = _column_width(body) - _HEIGHTS_PT
    longest = max(float(one.profile.at_m[-1]) for one in shown)
    highest = max(float(np.ptp(_known(one.profile))) for one in shown)
    denominator = fitting_scale((longest, 0.0), (width, 1.0), units)
    paper = highest / metres_per_point(denominator)
    enlarged = next((times for times in _ENLARGED if times * paper <= _MOST_PT), _ENLARGED[-1])
    drawing_pt = max(enlarged * paper, _LEAST_PT)
    each = _TITLE_PT + drawing_pt + _ALONG_PT + _ROW_GAP_PT
    fitting = max(1, int((body.height + _ROW_GAP_PT) / each)) * _COLUMNS
    return ProfilesPlan(
        size=size,
        denominator=denominator,
        enlarged=enlarged,
        drawing_pt=drawing_pt,
        sheets=tuple(tuple(shown[at : at + fitting]) for at in range(0, len(shown), fitting)),
    )


def _shown(content: MapContent) -> list[ShownProfile]:
    """Every unbroken part of a corridor whose heights are known."""
    pieces, units = content.layout.corridor_grades, content.units
    profiles = profiles_of_pieces(pieces)
    names = [profile.corridor for profile in profiles]
    found = []
    for profile in profiles:  # a drawing each
        mine = (pieces["corridor"] == profile.corridor) & (pieces["part"] == profile.part)
        part = f", part {profile.part}" if names.count(profile.corridor) > 1 else ""
        low, high = (show_length(float(end), units) for end in _ends(profile))
        steepest = show_share(float(pieces.loc[mine, "grade_pct"].abs().max()) / 100)
        found.append(
            ShownProfile(
                profile=profile,
                title=f"Corridor {printable(profile.corridor)}{part}",
                words=f"{show_length(float(profile.at_m[-1]), units)} long, {low} to {high} high, "
                f"steepest piece {steepest}",
            )
        )
    return found


def _known(profile: Profile) -> np.ndarray:
    """Heights that are known."""
    return profile.height_m[~np.isnan(profile.height_m)]


def _ends(profile: Profile) -> tuple[float, float]:
    """Lowest and highest ground."""
    known = _known(profile)
    return float(known.min()), float(known.max())


def draw_profiles(page: Page, *, plan: ProfilesPlan, content: MapContent, at: int) -> tuple[()]:
    """Draw one profile sheet."""
    body = _cells_box(plan.size, content)
    height = _TITLE_PT + plan.drawing_pt + _ALONG_PT
    for number, shown in enumerate(plan.sheets[at]):
        row, column = divmod(number, _COLUMNS)
        width = _column_width(body)
        cell = Box(
            left=body.left + column * (width + _COLUMN_GAP_PT),
            bottom=body.top - row * (height + _ROW_GAP_PT) - height,
            width=width,
            height=height,
        )
        _draw_cell(page, cell, plan, content, shown)
    whole = sheet_body(plan.size, content.delivery)
    lines = _remarks(plan, content, whole.width)
    top = whole.bottom + len(lines) * _SIZE * LEADING
    page.lines_of_text(whole.left, top, lines, Lettering(size=_SIZE))
    return ()


def _cells_box(size: tuple[float, float], content: MapContent) -> Box:
    """What the remarks leave of a sheet."""
    return sheet_body(size, content.delivery).inset(bottom=4 * _SIZE * LEADING)


def _column_width(body: Box) -> float:
    """Width of a cell."""
    return (body.width - (_COLUMNS - 1) * _COLUMN_GAP_PT) / _COLUMNS


def _remarks(plan: ProfilesPlan, content: MapContent, width: float) -> Sequence[str]:
    """What holds for every profile."""
    ground = content.layout.ground
    words = [
        f"Lengths {scale_words(plan.denominator, content.units)}, heights "
        + (f"{plan.enlarged} times enlarged" if plan.enlarged > 1 else "at the same scale")
        + "; all profiles are drawn alike, from where the corridor begins.",
    ]
    if ground.grades is not None:
        steep = show_share(ground.grades.steep_grade)
        words.append(f"Dotted black: piece steeper than {steep}.")
    if ground.terrain is not None:
        words.append(f"Heights from {printable(ground.terrain.file)}; the ground decides.")
    return broken(" ".join(words), width, _SIZE)


def _draw_cell(
    page: Page, cell: Box, plan: ProfilesPlan, content: MapContent, shown: ShownProfile
) -> None:
    """Title, ground and numbers of one profile."""
    title = fitted(shown.title, cell.width, 8.0, "bold")
    page.text(cell.left, cell.top - 8, title, Lettering(size=8.0, face="bold"))
    words = fitted(shown.words, cell.width, _SIZE)
    page.text(cell.left, cell.top - 17, words, Lettering(size=_SIZE, colour=GREY))
    profile, per_point = shown.profile, metres_per_point(plan.denominator)
    grades = content.layout.ground.grades
    low, high = _ends(profile)
    level = high - low <= 0
    box = Box(
        left=cell.left + _HEIGHTS_PT,
        bottom=cell.bottom + _ALONG_PT,
        width=float(profile.at_m[-1]) / per_point,
        height=(1.0 if level else high - low) / per_point * plan.enlarged,
    )
    drawing = draw_profile(
        profile,
        width=box.width,
        height=box.height,
        steep_grade=_DEFAULT_STEEP if grades is None else grades.steep_grade,
        ticks=max(2, int(max(box.width / 50, 1))),
        unit_m=SHOWN_LENGTH_M[content.units],
    )
    _draw_ground(page, box, drawing)
    _draw_numbers(page, box, drawing, content.units)


def _draw_ground(page: Page, box: Box, drawing: ProfileDrawing) -> None:
    """The ground, filled down to its lowest point, and its steep pieces."""
    corner = np.array([box.left, box.bottom])
    for line in drawing.lines:
        at = line + corner
        ends = np.array([[at[-1, 0], box.bottom], [at[0, 0], box.bottom]])
        page.shapes([shapely.Polygon(np.vstack([at, ends]))], Fill(face=PALE), level=3)
        page.shapes([shapely.LineString(at)], _GROUND, level=5)
    steep = [shapely.LineString(line + corner) for line in drawing.steep]
    page.shapes(steep, Stroke(colour="#ffffff", width=3.0), level=4)
    page.shapes([shapely.LineString(line + corner + [0, 2.2]) for line in drawing.steep], STEEP)


def _draw_numbers(page: Page, box: Box, drawing: ProfileDrawing, units: Units) -> None:
    """Round distances below, round heights on the left; those without room are left out."""
    unit = "ft" if units == "us" else "m"
    page.line([box.left, box.right], [box.bottom] * 2, _AXIS, level=4)
    page.line([box.left] * 2, [box.bottom, box.top], _AXIS, level=4)
    free = box.left - 20
    for x, number in drawing.along_ticks:
        last = number == drawing.along_ticks[-1][1]
        words = show_number(number, 0) + (f" {unit}" if last else "")
        half = text_width(show_number(number, 0), _SIZE) / 2
        at = box.left + x
        page.line([at, at], [box.bottom, box.bottom - _TICK_PT], _AXIS, level=4)
        if at - half >= free:
            page.text(at - half, box.bottom - _TICK_PT - _SIZE, words, Lettering(size=_SIZE))
            free = at - half + text_width(words, _SIZE) + 4
    lowest = box.bottom - _SIZE
    for y, number in drawing.height_ticks:
        at = box.bottom + y
        page.line([box.left - _TICK_PT, box.left], [at, at], _AXIS, level=4)
        if at >= lowest + _SIZE + 1:
            words = show_number(number, 0 if float(number).is_integer() else 1)
            page.text(
                box.left - _TICK_PT - 2, at - _SIZE * 0.36, words,
                Lettering(size=_SIZE, align="right"),
            )  # fmt: skip
            lowest = at


@dataclass(frozen=True, kw_only=True, slots=True)
class Sheet:
    """One sheet of the set."""

    title: str  # what it shows
    size: tuple[float, float]  # width and height [points]
    draw: Callable[[Page], tuple[MapFrame, ...]]  # called with its page; gives the maps on it


def write_sheets(
    delivery: Delivery, *, pdf: Path, picture: Path, points: gpd.GeoSeries | None = None
) -> None:
    """
    Write the map sheets of a delivery.

    Parameters
    ----------
    points
        More points to be drawn on the maps, in the working CRS.
    """
    sheets = list(sheet_set(map_content(delivery, points=points)))
    title = f"{printable(delivery.project.heading.name)}: map sheets"
    pages, found = [], []
    for number, sheet in enumerate(sheets, 1):
        page = Page(sheet.size)
        frames = sheet.draw(page)
        draw_running_lines(page, delivery, sheet.title, place=f"Sheet {number} of {len(sheets)}")
        view = viewport(frames[0], delivery.layout.crs) if len(frames) == 1 else None
        found.append((sheet.title, [] if view is None else [view]))
        pages.append(page)
        if number == 1:
            write_picture(page, picture)
            write_placing(frames[0], page.size, delivery.layout.crs, picture)
    finish(
        pages_as_pdf(pages),
        pdf,
        title=title,
        subject="Layout of a marked harvest: corridors, group openings, zones, trees, limits",
        sheets=found,
        day=newest_day(delivery),
    )


def sheet_set(content: MapContent) -> Iterator[Sheet]:
    """Sheets of a delivery."""
    overview = plan_overview(content)
    crowded = is_crowded(content, overview.frame.denominator, left_out=overview.left_out)
    details = plan_details(content, overview.frame.denominator) if crowded else None
    grounds = details.tiling.grounds if details else ()
    numbered = list(enumerate(grounds, 2))
    yield Sheet(
        title="Overview",
        size=overview.arrangement.size,
        draw=partial(draw_overview, plan=overview, content=content, sheets=numbered),
    )
    if details is not None:
        for at in range(len(grounds)):
            yield Sheet(
                title=f"Detail {at + 1} of {len(grounds)}",
                size=details.arrangement.size,
                draw=partial(draw_detail, plan=details, content=content, sheets=numbered, at=at),
            )
    size = overview.arrangement.size
    yield from _openings(content, landscape=size[0] > size[1])
    yield from _profiles(content)
    yield from _tables(content)


def _openings(content: MapContent, *, landscape: bool) -> Iterator[Sheet]:
    """Sheets of the openings."""
    plan = plan_openings(content, landscape=landscape)
    if plan is None:
        return
    for at, rows in enumerate(plan.sheets):
        first, last = rows[0][0]["opening"], rows[-1][0]["opening"]
        title = f"Opening {first}" if first == last else f"Openings {first} to {last}"
        yield Sheet(
            title=title,
            size=plan.size,
            draw=partial(draw_openings, plan=plan, content=content, at=at),
        )


def _profiles(content: MapContent) -> Iterator[Sheet]:
    """Sheets of the corridors' profiles, upright."""
    plan = plan_profiles(content)
    if plan is None:
        return
    for at in range(len(plan.sheets)):
        many = f" {at + 1} of {len(plan.sheets)}" if len(plan.sheets) > 1 else ""
        yield Sheet(
            title=f"Corridor profiles{many}",
            size=plan.size,
            draw=partial(draw_profiles, plan=plan, content=content, at=at),
        )


def _tables(content: MapContent) -> Iterator[Sheet]:
    """Sheets of the tables, upright."""
    delivery = content.delivery
    size = paper_size(delivery.project.deliver.paper, content.units, landscape=False)
    found = flowed(tables(delivery), sheet_body(size, delivery))
    for number, pieces in enumerate(found, 1):
        title = "Tables" if len(found) == 1 else f"Tables {number} of {len(found)}"
        yield Sheet(title=title, size=size, draw=partial(_draw_tables, pieces=pieces))


def _draw_tables(page: Page, *, pieces: Sequence[Piece]) -> tuple[MapFrame, ...]:
    """Draw a sheet of tables, which has no map."""
    draw_pieces(page, pieces)
    return ()
