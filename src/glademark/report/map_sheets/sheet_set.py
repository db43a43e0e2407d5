"""The whole set of sheets: what each shows, drawn in their order, written as PDF and picture."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

from glademark.report.map_sheets.arrangement import is_crowded
from glademark.report.map_sheets.content import MapContent, map_content
from glademark.report.map_sheets.drawing.page import Page
from glademark.report.map_sheets.drawing.paper import paper_size
from glademark.report.map_sheets.drawing.pdf_pages import (
    finish,
    pages_as_pdf,
    viewport,
    write_picture,
    write_placing,
)
from glademark.report.map_sheets.drawing.text_table import Piece, draw_pieces, flowed
from glademark.report.map_sheets.openings_sheets import draw_openings, plan_openings
from glademark.report.map_sheets.profile_sheets import draw_profiles, plan_profiles
from glademark.report.map_sheets.running_lines import draw_running_lines, sheet_body
from glademark.report.map_sheets.stand_sheets import (
    draw_detail,
    draw_overview,
    plan_details,
    plan_overview,
)
from glademark.report.map_sheets.tables import tables
from glademark.report.papers.printed_text import printable
from glademark.report.wording import newest_day

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    import geopandas as gpd

    from glademark.report.delivery import Delivery
    from glademark.report.map_sheets.drawing.paper import MapFrame


@dataclass(frozen=True, kw_only=True, slots=True)
class Sheet:
    """
    One sheet of the set.

    Attributes
    ----------
    title
        What it shows.
    size
        Width and height [points].
    draw
        Called with its page; gives the maps on it.
    """

    title: str
    size: tuple[float, float]
    draw: Callable[[Page], tuple[MapFrame, ...]]


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
