"""Sheets to carry: the stump check, the form for damage to the trees left, the residual stand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from glademark.errors import counted, shown
from glademark.report.delivery import Deliverable, Delivery
from glademark.report.layer_frames import (
    cut_marks,
    kept_line_trees,
    layer_frame,
    letters_in_words,
    unconfirmed_marks,
    worded,
)
from glademark.report.papers.printed_page import (
    INK,
    Grid,
    Paper,
    bookmarked,
    gap,
    heading,
    line_cell,
    papers_of,
    table,
    text,
    write_fitting,
    write_pdf,
)
from glademark.report.papers.printed_text import SANS, line_width
from glademark.report.quantities import MISSING, show_diameter, show_number
from glademark.report.wood import (
    BEFORE_AFTER,
    basis_in_words,
    class_heads,
    class_rows,
    kept_lines,
    species_rows,
    structure_rows,
)

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from reportlab.platypus import Flowable

    from glademark.contracts.layers import Units

STUMP_FILE = "stump_check.pdf"

_POINTS = 7.5
_SMALL = 0.82  # size of species and product against the rest
_COLUMNS = 3
_BOX = "\N{BALLOT BOX}"
_SHARE = 0.35  # of the width of a column that the label of a tree may have
_PADDING_PT = 3.2  # of a cell, left and right

DAMAGE_FILE = "damage_form.pdf"

ROWS = 24

ROW_PT = 21.0  # room to write by hand

_FORM_POINTS = 8.0

RESIDUAL_FILE = "residual_stand.pdf"

_SIZES = (9.0, 8.5, 8.0, 7.5, 7.0, 6.5)  # points

_CLASS_WIDTHS = (2, 1.5, 1.5, 3.5, 1.5, 2.5, 2.5)


@dataclass(frozen=True, kw_only=True, slots=True)
class Group:
    """Trees that are looked up together."""

    title: str  # where they are
    trees: int  # how many
    rows: Sequence[tuple[str, ...]]  # box, tree, species and product, DBH of each mark


def stump_groups(delivery: Delivery) -> list[Group]:
    """Marks by where they are looked up."""
    cut = cut_marks(delivery)
    words = _words(delivery, cut)
    opening = cut["opening"].where(cut["zone"] == "opening")
    corridor = cut["corridor"].where(cut["corridor"] != "", "no corridor")
    inside = corridor.where((cut["zone"] == "corridor") & opening.isna())
    single = corridor.where(opening.isna() & inside.isna())
    return [
        *_groups("Opening", opening, cut, words),
        *_groups("Corridor", inside, cut, words),
        *_groups("Single, near", single, cut, words),
    ]


def standing_group(delivery: Delivery) -> Group:
    """Trees that must still stand."""
    marks = layer_frame(delivery, "marks")
    parts = [
        ("leave", layer_frame(delivery, "leave_trees")),
        ("leave", marks[marks["kind"] == "leave"]),
        ("LINE TREE", kept_line_trees(delivery)),
        ("UNCONFIRMED", unconfirmed_marks(delivery)),
    ]
    units = delivery.project.heading.units
    rows = [
        (_BOX, tree, f"{species} {word}".strip(), show_diameter(dbh_cm, units))
        for word, trees in parts
        for tree, species, dbh_cm in zip(
            trees["label"], trees["species"], trees["dbh_cm"], strict=True
        )
    ]
    return Group(title="Must still stand", trees=len(rows), rows=rows)


def write_stump_check(delivery: Delivery, path: Path) -> None:
    """Write the stump check as PDF, in three columns."""
    subject = "Every mark with a box, by opening and corridor"
    (paper,) = papers_of(
        delivery, title="Stump check", subject=subject, sizes=(_POINTS,), columns=_COLUMNS
    )
    story = _head(delivery, paper)
    groups = [one for one in (*stump_groups(delivery), standing_group(delivery)) if one.rows]
    widths = _column_widths([row for group in groups for row in group.rows], paper)
    story += [_printed(group, paper, widths) for group in groups]
    write_pdf(path, paper, story)


def _apart(delivery: Delivery) -> str:
    """Which stumps without paint are within the order, and are written down apart."""
    cleared_cm, units = delivery.project.openings.cleared_to_dbh_cm, delivery.project.heading.units
    if cleared_cm is None:
        return ""
    return f" (apart: those of {show_diameter(cleared_cm, units)} and larger in openings)"


def _head(delivery: Delivery, paper: Paper) -> list[Flowable]:
    """Who, when, how."""
    on_paper = delivery.layout.figures.marks.not_located
    lines = [
        "Checked by ____________________",
        "Date __________________________",
        (
            "Tick a box where the stump carries its paint below the cut. Write down every stump "
            f"without paint{_apart(delivery)}, and every painted tree that still stands."
        ),
        "Stay two tree lengths away from work and from danger trees.",
    ]
    letters = letters_in_words(cut_marks(delivery))
    lines += [letters] if letters else []
    if on_paper:
        lines.append(
            f"{show_number(on_paper, 0)} more trees were counted on paper and have no row here."
        )
    story: list[Flowable] = []
    for line in lines:
        story += [text(line, paper), gap(paper, lines=0.35)]
    return story


def _words(delivery: Delivery, cut: pd.DataFrame) -> list[tuple[str, ...]]:
    """Box, tree, species and product, DBH of each mark."""
    units = delivery.project.heading.units
    tree = cut["label"].replace("", MISSING)
    several = " \N{MULTIPLICATION SIGN}" + cut["count"].astype("string")
    tree = tree.where(cut["count"] == 1, tree + several)
    what = (cut["species"] + " " + cut["product"]).str.strip()
    dbh = worded(cut["dbh_cm"], lambda value: show_diameter(value, units))
    return [(_BOX, *row) for row in zip(tree, what, dbh, strict=True)]


def _groups(
    word: str, keys: pd.Series, cut: pd.DataFrame, words: Sequence[tuple[str, ...]]
) -> list[Group]:
    """Groups of marks that share a key."""
    rows: pd.Series = pd.Series(list(words), index=cut.index, dtype=object)
    return [
        Group(
            title=f"{word} {key}",
            trees=int(cut.loc[members.index, "count"].sum()),
            rows=rows[members.index].tolist(),
        )
        for key, members in keys.dropna().groupby(keys)
    ]


def _column_widths(rows: Sequence[tuple[str, ...]], paper: Paper) -> list[float]:
    """Widths of box, tree and DBH, as wide as any of them to a share, and of what is between."""
    most = paper.width_pt * _SHARE
    box, tree, dbh = (
        min(max(line_width(row[at], paper.points, SANS) for row in rows) + _PADDING_PT, most)
        if rows
        else most
        for at in (0, 1, 3)
    )
    return [box, tree, paper.width_pt - box - tree - dbh, dbh]


def _printed(group: Group, paper: Paper, widths: Sequence[float]) -> Flowable:
    """A group as its heading, its rows, and a line for the sum found."""
    from reportlab.platypus import Table, TableStyle  # noqa: PLC0415 - heavy

    points = [paper.points, paper.points, paper.points * _SMALL, paper.points]
    room = [width - _PADDING_PT for width in widths]
    rows = [
        [line_cell(*cell) for cell in zip(row, room, points, strict=True)] for row in group.rows
    ]
    words = f"{group.title}: {counted(group.trees, 'tree')}, found ____"
    head = [bookmarked(text(words, paper, bold=True), group.title)]
    style: list[Any] = [
        ("FONT", (0, 0), (-1, -1), SANS, paper.points, paper.points * 1.3),
        ("FONTSIZE", (2, 1), (2, -1), points[2]),
        ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
        ("SPAN", (0, 0), (-1, 0)),
        ("LINEBELOW", (0, 0), (-1, 0), 0.8, INK),
        ("LINEBELOW", (0, 1), (-1, -1), 0.2, INK),
        ("ALIGN", (-1, 1), (-1, -1), "RIGHT"),
        ("LEFTPADDING", (0, 0), (-1, -1), 1),
        ("RIGHTPADDING", (0, 0), (-1, -1), 2),
        ("TOPPADDING", (0, 0), (-1, -1), 0.8),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 1.6),
    ]
    cells = [[*head, "", "", ""], *rows]
    return Table(
        cells,
        colWidths=widths,
        style=TableStyle(style),
        repeatRows=1,
        hAlign="LEFT",
        spaceAfter=paper.points * 0.8,
    )


def _write_stump_check(delivery: Delivery, folder: Path) -> None:
    """Write ``stump_check.pdf``."""
    write_stump_check(delivery, folder / STUMP_FILE)


STUMP_CHECK = Deliverable(
    id="stump_check", title="Stump check sheet", files=(STUMP_FILE,), write=_write_stump_check
)
"""Boxes to tick after the cut."""


def form_heads(units: Units) -> tuple[str, ...]:
    """Headings of the form, which are those of a file for ``glademark compare --damage``."""
    area, length, depth = ("in2", "ft", "in") if units == "us" else ("cm2", "m", "cm")
    return (
        "plot", "count", "species", "damaged", f"wound_area_{area}", f"wound_height_{length}",
        "cause", "root", "crown", f"rut_depth_{depth}", f"rut_length_{length}", "regen",
        "bent", f"corridor_distance_{length}",
    )  # fmt: skip


def write_form(delivery: Delivery, path: Path) -> None:
    """Write the form as PDF, one page."""
    title, subject = "Damage to the trees left", "Form to record damage after the cut"
    (paper,) = papers_of(delivery, title=title, subject=subject, sizes=(_FORM_POINTS,))
    lines = (
        "Recorded by ____________________  Date ____________  Plot size ____________",
        (
            "Look at every tree left on the plot, damaged or not: one row a tree, or one row with "
            "the count of trees that have no damage. Damaged, root and crown: yes or no. Lay plots "
            "out before you see them. A row of a rut or of young trees (regen, and how many of "
            "them are bent) names no tree."
        ),
        "Stay two tree lengths away from work and from danger trees.",
    )
    story = [part for line in lines for part in (text(line, paper), gap(paper, lines=0.35))]
    heads = tuple(head.replace("_", " ") for head in form_heads(delivery.project.heading.units))
    blank = tuple(("\N{NO-BREAK SPACE}",) * len(heads) for _ in range(ROWS))
    widths = (1, 1.1, 1.9, 1.5, 1.2, 1.2, 1.6, 1, 1.1, 1.1, 1.2, 1.1, 1, 1.5)
    grid = Grid(heads=heads, rows=blank, widths=widths, row_pt=ROW_PT)
    write_pdf(path, paper, [*story, table(grid, paper)])


def _write_damage_form(delivery: Delivery, folder: Path) -> None:
    """Write ``damage_form.pdf``."""
    write_form(delivery, folder / DAMAGE_FILE)


DAMAGE_FORM = Deliverable(
    id="damage_form", title="Damage form", files=(DAMAGE_FILE,), write=_write_damage_form
)
"""A form to fill in after the cut."""


def write_residual_sheet(delivery: Delivery, path: Path) -> None:
    """Write the sheet as PDF."""
    subject = "The stand before, marked and after, and what is kept"
    papers = papers_of(delivery, title="Residual stand", subject=subject, sizes=_SIZES)
    if not write_fitting(path, papers, lambda paper: _story(delivery, paper)):
        write_pdf(path, papers[0], _story(delivery, papers[0]))


def _story(delivery: Delivery, paper: Paper) -> list[Flowable]:
    """Tables, then sentences."""
    layout, units = delivery.layout, delivery.project.heading.units
    heads = class_heads(layout)
    grids = {
        "The stand": Grid(
            heads=("", *BEFORE_AFTER), rows=structure_rows(layout, units), widths=(3, 4, 2.5, 4)
        ),
        "Trees of the stand by size class": Grid(
            heads=heads, rows=class_rows(layout), widths=_CLASS_WIDTHS[: len(heads)]
        ),
        "Share of the basal area by species": Grid(
            heads=("Species", "Before", "After"),
            rows=[(shown(name), *shares) for name, *shares in species_rows(layout)],
            widths=(4, 2, 2),
        ),
    }
    story: list[Flowable] = []
    for title, grid in grids.items():
        if grid.rows:
            story += [*heading(title, paper), table(grid, paper)]
    basis = basis_in_words(layout.residual, delivery.project.allowance.confidence)
    if basis:
        story.append(text(basis, paper))
    lines = [*kept_lines(layout, units)]
    if lines:
        story += [gap(paper), *heading("Kept and freed", paper)]
        story += [text(line, paper) for line in lines]
    return story


def _write_residual_sheet(delivery: Delivery, folder: Path) -> None:
    """Write the sheet under its name."""
    write_residual_sheet(delivery, folder / RESIDUAL_FILE)


def _is_any(delivery: Delivery) -> bool:
    """Whether anything of the stand that stays is known."""
    return bool(delivery.layout.residual)


RESIDUAL_SHEET = Deliverable(
    id="residual",
    title="Residual stand",
    files=(RESIDUAL_FILE,),
    write=_write_residual_sheet,
    wanted=_is_any,
)
"""The sheet of the stand that stays."""
