"""The sheet of the residual stand: before, marked and after, what is still to mark, who is kept."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glademark.errors import shown
from glademark.report.delivery import Deliverable, Delivery
from glademark.report.papers.printed_page import (
    Grid,
    Paper,
    gap,
    heading,
    papers_of,
    table,
    text,
    write_fitting,
    write_pdf,
)
from glademark.report.residual_stand import (
    BEFORE_AFTER,
    basis_in_words,
    class_heads,
    class_rows,
    kept_lines,
    species_rows,
    structure_rows,
)

if TYPE_CHECKING:
    from pathlib import Path

    from reportlab.platypus import Flowable

RESIDUAL_FILE = "residual_stand.pdf"
_SIZES = (9.0, 8.5, 8.0, 7.5, 7.0, 6.5)  # points
_CLASS_WIDTHS = (2, 1.5, 1.5, 3.5, 1.5, 2.5, 2.5)


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


def _write(delivery: Delivery, folder: Path) -> None:
    """Write the sheet under its name."""
    write_residual_sheet(delivery, folder / RESIDUAL_FILE)


def _is_any(delivery: Delivery) -> bool:
    """Whether anything of the stand that stays is known."""
    return bool(delivery.layout.residual)


DELIVERABLE = Deliverable(
    id="residual",
    title="Residual stand",
    files=(RESIDUAL_FILE,),
    write=_write,
    wanted=_is_any,
)
"""The sheet of the stand that stays."""
