"""A form to record damage to the trees left, plot by plot, in the columns that compare reads."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glademark.report.delivery import Deliverable, Delivery
from glademark.report.papers.printed_page import Grid, gap, papers_of, table, text, write_pdf

if TYPE_CHECKING:
    from pathlib import Path

    from glademark.contracts.layers import Units

DAMAGE_FILE = "damage_form.pdf"
ROWS = 24
ROW_PT = 21.0  # room to write by hand

_POINTS = 8.0


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
    (paper,) = papers_of(delivery, title=title, subject=subject, sizes=(_POINTS,))
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


def _write(delivery: Delivery, folder: Path) -> None:
    """Write ``damage_form.pdf``."""
    write_form(delivery, folder / DAMAGE_FILE)


DELIVERABLE = Deliverable(id="damage_form", title="Damage form", files=(DAMAGE_FILE,), write=_write)
"""A form to fill in after the cut."""
