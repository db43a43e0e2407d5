"""
The field guide: where to begin, what to cut, what to leave, whom to call.

It holds no price and no figure of the cruise or the allowance.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

from glademark.report.delivery import Deliverable, Delivery
from glademark.report.layer_frames import layer_frame, letters_in_words, unconfirmed_marks
from glademark.report.papers.field_guide_tables import (
    area_grid,
    corridor_grid,
    danger_grid,
    landing_grid,
    leave_grid,
    line_grid,
    on_paper_in_openings,
    opening_grid,
    paint_grid,
    places,
    rule_grid,
    single_tree_grid,
)
from glademark.report.papers.printed_page import (
    Grid,
    Paper,
    boxed,
    gap,
    heading,
    table,
    text,
    write_fitting,
    write_pdf,
)
from glademark.report.papers.printed_text import SANS
from glademark.report.quantities import show_number
from glademark.report.wording import (
    approval_words,
    edge_in_short,
    edition_words,
    newest_day,
    say,
    unconfirmed_trees,
)

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from reportlab.platypus import Flowable

    from glademark.project.model import Project

GUIDE_FILE = "field_guide.pdf"

_SIZES = (9.0, 8.0, 7.0)  # points; smaller is not read in the woods
_WRITTEN = 1.9  # height of a line written by hand against the size of the text
_MOST_NAMED = 30  # unconfirmed trees; more are on the map
_MOST_IN_ONE = 6  # rows of a table that need not be halved
_SIZE_OF_MANY = 8.0  # points, where one page cannot hold it


@dataclass(frozen=True, kw_only=True, slots=True)
class Content:
    """What stands on a guide, as text."""

    project: Project  # what was asked
    edition: str
    day: str  # edition and day: of the layout, for the running lines
    approval: str
    season: str
    places: Sequence[str]  # where an ambulance goes
    rules: Grid
    danger: str  # sentence over the danger trees
    danger_trees: Grid
    line_trees: Grid
    unconfirmed: str
    letters: str
    """approval, season, edge, on_paper, unconfirmed and letters: A sentence each; empty where there
    is nothing to say."""
    paint: Grid
    areas: Grid
    edge: str
    openings: Grid
    corridors: Grid
    landings: Grid
    single: Grid
    leave: Grid
    """rules, danger_trees, line_trees, paint, areas, openings, corridors, landings, single and
    this: Tables; those without rows are left out."""
    on_paper: str


def guide_content(delivery: Delivery) -> Content:
    """What stands on the field guide."""
    openings, danger_trees = opening_grid(delivery), danger_grid(delivery)
    marks = layer_frame(delivery, "marks")
    on_paper = delivery.layout.figures.marks.not_located - sum(on_paper_in_openings(delivery))
    known = len(danger_trees.rows)
    return Content(
        project=delivery.project,
        edition=edition_words(delivery),
        day=newest_day(delivery),
        approval=approval_words(delivery),
        season=delivery.project.heading.season or say("season-not-stated"),
        places=places(delivery),
        rules=rule_grid(delivery),
        danger=say("danger-known", number=str(known)) if known else say("danger-none"),
        danger_trees=danger_trees,
        line_trees=line_grid(delivery),
        unconfirmed=_unconfirmed(delivery),
        letters=letters_in_words(marks[marks["kind"].isin(["danger", "line_tree", "unconfirmed"])]),
        paint=paint_grid(delivery),
        areas=area_grid(delivery),
        edge=_edge(delivery),
        openings=openings,
        corridors=corridor_grid(delivery),
        landings=landing_grid(delivery),
        single=single_tree_grid(delivery),
        leave=leave_grid(delivery),
        on_paper=say("counted-more", trees=show_number(on_paper, 0)) if on_paper else "",
    )


def write_guide(content: Content, path: Path) -> None:
    """Write the field guide as PDF: on one page, else on both sides of a sheet, else on more."""
    papers = [_paper(content, points) for points in _SIZES]
    story = partial(_story, content, beside=True)
    if not write_fitting(path, papers, story, pages=(1, 2)):
        paper = _paper(content, _SIZE_OF_MANY)
        write_pdf(path, paper, _story(content, paper, beside=False))


def _unconfirmed(delivery: Delivery) -> str:
    """What holds for trees that are not known to be cut, and which they are."""
    trees = unconfirmed_marks(delivery)["label"].tolist()
    if not trees:
        return ""
    named = f": {', '.join(trees)}" if all(trees) and len(trees) <= _MOST_NAMED else ""
    number = unconfirmed_trees(delivery.layout.figures)
    return f"{say('unconfirmed')} {number[0].upper() + number[1:]}{named}."


def _edge(delivery: Delivery) -> str:
    """Where the openings end whose areas stand on the guide."""
    openings = delivery.layout.figures.openings
    units = delivery.project.heading.units
    return edge_in_short(openings.edge, openings.standing_crown_radius_m, units)


def _paper(content: Content, points: float) -> Paper:
    """The page at one size of text."""
    return Paper(
        title=say("guide-title"),
        subject=say("guide-subject"),
        project=content.project,
        points=points,
        edition=content.edition,
        day=content.day,
    )


def _story(content: Content, paper: Paper, *, beside: bool) -> list[Flowable]:
    """All parts from top to bottom."""
    return [
        *_head(content, paper),
        *_hazards(content, paper),
        *_keys(content, paper, beside=beside),
        *_groups(content, paper, beside=beside),
    ]


def _head(content: Content, paper: Paper) -> list[Flowable]:
    """Season, when to stop, whom to call, where an ambulance goes."""
    people = Grid(
        heads=[say(name) for name in ("whom", "name", "telephone")],
        rows=[(say(who), "", "") for who in ("forester", "owner", "crew-boss", "ambulance")],
        widths=(1, 2, 2),
        row_pt=paper.points * _WRITTEN,
    )
    call = [
        text(say("stop"), paper, bold=True),
        gap(paper, lines=0.3),
        table(people, paper, width_pt=paper.width_pt - 14),
        gap(paper, lines=0.3),
        *(text(line, paper) for line in content.places),
    ]
    season = text(say("season", season=content.season), paper, scale=1.3, bold=True)
    approval = text(content.approval, paper, scale=1.2, bold=True)
    first = [boxed([approval], paper), gap(paper)] if content.approval else []
    rules = [gap(paper), table(content.rules, paper)] if content.rules.rows else []
    return [*first, season, gap(paper), boxed(call, paper), *rules]


def _hazards(content: Content, paper: Paper) -> list[Flowable]:
    """Danger trees and line trees."""
    danger = text(f"{content.danger} {say('two-tree-lengths')}", paper, bold=True)
    story: list[Flowable] = [*heading(say("danger-trees"), paper), danger]
    if content.danger_trees.rows:
        story.append(table(content.danger_trees, paper))
    if content.line_trees.rows:
        story += heading(say("line-trees-title"), paper)
        story += [text(say("line-trees"), paper, bold=True), table(content.line_trees, paper)]
    if content.unconfirmed:
        story += heading(say("unconfirmed-title"), paper)
        story.append(text(content.unconfirmed, paper, bold=True))
    if content.letters:
        story.append(text(content.letters, paper))
    return story


def _keys(content: Content, paper: Paper, *, beside: bool) -> list[Flowable]:
    """What each paint means, and ground with a rule of its own."""
    title = heading(say("paint-title"), paper)
    if not content.paint.rows:
        stop = text(say("no-paint-known"), paper, bold=True)
        return [*title, stop, *_tables([content.areas], paper, ratios=None)]
    ratios = (0.45, 0.55) if beside else None
    return [*title, *_tables([content.paint, content.areas], paper, ratios=ratios)]


def _groups(content: Content, paper: Paper, *, beside: bool) -> list[Flowable]:
    """Trees, products and volumes by corridor in the order of work, by opening, between them."""
    ordered = bool(content.landings.rows)  # without a way to a landing there is no order
    parts = (
        (say("order-title" if ordered else "corridors-title"), content.corridors),
        ("", content.landings),
        (say("openings-title", edge=content.edge), content.openings),
        ("", content.single),
    )
    story: list[Flowable] = []
    for words, grid in parts:
        if grid.rows:
            story += [*(heading(words, paper) if words else [gap(paper)]), table(grid, paper)]
    if content.on_paper:
        story += [gap(paper, lines=0.3), text(content.on_paper, paper)]
    if content.leave.rows:
        ratios = (0.5, 0.5) if beside else None
        story += heading(say("leave-title"), paper)
        story += _tables([content.leave], paper, ratios=ratios)
    return story


def _tables(
    grids: Sequence[Grid], paper: Paper, *, ratios: tuple[float, float] | None
) -> list[Flowable]:
    """Tables that have rows: beside each other where there are two and ratios are given."""
    full = [grid for grid in grids if grid.rows]
    if ratios is not None and len(full) == len(ratios):
        return [_side_by_side(full, paper, ratios)]
    if ratios is not None and len(full) == 1 and len(full[0].rows) > _MOST_IN_ONE:
        return [_side_by_side(_halves(full[0]), paper, (0.5, 0.5))]
    return [table(grid, paper) for grid in full]


def _halves(grid: Grid) -> list[Grid]:
    """A long table in two."""
    middle = (len(grid.rows) + 1) // 2
    return [replace(grid, rows=rows) for rows in (grid.rows[:middle], grid.rows[middle:])]


def _side_by_side(grids: Sequence[Grid], paper: Paper, ratios: tuple[float, float]) -> Flowable:
    """Two tables beside each other."""
    from reportlab.platypus import Table, TableStyle  # noqa: PLC0415 - heavy

    widths = [paper.width_pt * ratio for ratio in ratios]
    cells = [
        table(grid, paper, width_pt=width - 8) for grid, width in zip(grids, widths, strict=True)
    ]
    style = TableStyle(
        [
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("FONTNAME", (0, 0), (-1, -1), SANS),
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ("RIGHTPADDING", (0, 0), (-1, -1), 8),
            ("TOPPADDING", (0, 0), (-1, -1), 2),
        ]
    )
    return Table([cells], colWidths=widths, style=style, hAlign="LEFT")


def _write(delivery: Delivery, folder: Path) -> None:
    """Write ``field_guide.pdf``."""
    write_guide(guide_content(delivery), folder / GUIDE_FILE)


DELIVERABLE = Deliverable(
    id="field_guide", title="Field guide for the crew", files=(GUIDE_FILE,), write=_write
)
"""A page or a sheet for the contractor."""
