"""The filing figures as a text document, to be filled in and handed on."""

from __future__ import annotations

import io
import zipfile
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from glademark.errors import shown
from glademark.report.delivery import NO_DAY, add_file
from glademark.report.papers.filing_figures import ANSWERED, blanks, filing_tables
from glademark.report.papers.printed_page import Paper
from glademark.report.wording import approval_words, cautions, edition_words, newest_day

if TYPE_CHECKING:
    from pathlib import Path

    from glademark.report.delivery import Delivery
    from glademark.report.papers.printed_page import Grid

_MARGIN_PT = 45.0
_POINTS = 9.0
_BLANK_PT = 22.0


def write_form(delivery: Delivery, path: Path) -> None:
    """Write the filing figures as a text document."""
    import docx  # noqa: PLC0415 - heavy
    from docx.shared import Pt  # noqa: PLC0415 - heavy

    document = docx.Document()
    name = shown(delivery.project.heading.name)
    _set_page(document, delivery)
    _set_properties(document, f"Filing figures: {name}", newest_day(delivery))
    document.styles["Normal"].font.size = Pt(_POINTS)
    document.add_heading("Filing figures", 1)
    document.add_paragraph(f"{name}. {edition_words(delivery)}.")
    if approval := approval_words(delivery):
        document.add_paragraph().add_run(approval).bold = True
    for title, grid in filing_tables(delivery).items():
        document.add_heading(title, 2)
        if grid.rows:
            _add_table(document, grid)
        else:
            document.add_paragraph("None.")
    document.add_heading("To be filled in", 2)
    for row in _table(document, blanks(delivery), columns=2).rows:
        row.height = Pt(_BLANK_PT)
    for words in (ANSWERED, *cautions()):
        document.add_paragraph(words)
    _save(document, path, newest_day(delivery))


def _set_page(document: Any, delivery: Delivery) -> None:  # noqa: ANN401 - ships no types
    """Size of the printed papers, with equal margins."""
    from docx.shared import Pt  # noqa: PLC0415 - heavy

    (section,) = document.sections
    paper = Paper(title="", subject="", project=delivery.project)
    section.page_width, section.page_height = (Pt(size) for size in paper.size_pt)
    for side in ("left", "right", "top", "bottom"):
        setattr(section, f"{side}_margin", Pt(_MARGIN_PT))


def _set_properties(document: Any, title: str, day: str) -> None:  # noqa: ANN401 - as above
    """Title, language and date of the file."""
    properties = document.core_properties
    properties.title, properties.language, properties.author = title, "en", ""
    properties.comments = ""
    made = datetime.fromisoformat(day or NO_DAY).replace(tzinfo=UTC)
    properties.created = properties.modified = made


def _add_table(document: Any, grid: Grid) -> None:  # noqa: ANN401 - as above
    """A table with its head, the rows in bold that are so in print."""
    table = _table(document, [grid.heads, *grid.rows] if grid.heads else grid.rows,
                   columns=len(grid.widths))  # fmt: skip
    loud = {0, *(number + 1 for number in grid.bold)} if grid.heads else grid.bold
    for number in loud:
        for cell in table.rows[number].cells:
            for run in cell.paragraphs[0].runs:
                run.bold = True


def _table(document: Any, rows: Any, *, columns: int) -> Any:  # noqa: ANN401 - as above
    """Rows of text as a table with lines."""
    table = document.add_table(rows=len(rows), cols=columns, style="Table Grid")
    cells = table._cells  # noqa: SLF001 - table.cell() looks all of them up again each time
    for cell, words in zip(cells, (words for row in rows for words in row), strict=True):
        cell.text = shown(words, longest=2000)
    return table


def _save(document: Any, path: Path, day: str) -> None:  # noqa: ANN401 - as above
    """Write the document without the time at which it was made."""
    made = io.BytesIO()
    document.save(made)
    with (
        zipfile.ZipFile(made) as source,
        zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive,
    ):
        for name in source.namelist():
            add_file(archive, name, source.read(name), day)
