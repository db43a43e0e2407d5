"""The printed page: text that fits, text that is never mark-up, pages that are counted."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pypdf
from hypothesis import given
from hypothesis import strategies as st
from reportlab.pdfbase.pdfmetrics import stringWidth

from glademark.project.model import Project
from glademark.report.papers.printed_page import Grid, Paper, fitting, table, text, write_pdf
from glademark.report.papers.printed_text import SANS


def paper_of(project_of: Callable[..., Project]) -> Paper:
    """A plain page."""
    return Paper(title="Test", subject="A test", project=project_of())


@given(st.text(max_size=60), st.floats(20, 200), st.floats(5, 12))
def test_fitted_text_is_no_wider_than_its_place(words: str, width: float, points: float) -> None:
    """Whatever the text, it stays in its column, or is cut with an ellipsis."""
    shown = fitting(words, width, points)

    assert stringWidth(shown, SANS, points) <= width
    assert shown == words or shown.endswith("\N{HORIZONTAL ELLIPSIS}") or not words.isprintable()


def test_short_text_is_left_alone() -> None:
    """What fits is not touched."""
    assert fitting("oak", 100, 8) == "oak"


def test_markup_is_printed_as_it_is(project_of: Callable[..., Project], tmp_path: Path) -> None:
    """Angle brackets, ampersands and control letters of the field files are text."""
    paper = paper_of(project_of)
    grid = Grid(heads=("<b>", "&"), rows=[("<i>x</i>", "a\x07b")], widths=(1, 1))
    write_pdf(tmp_path / "a.pdf", paper, [text("<para> & more", paper), table(grid, paper)])

    words = pypdf.PdfReader(tmp_path / "a.pdf").pages[0].extract_text()

    for expected in ("<para> & more", "<b>", "&", "<i>x</i>", "a\\x07b"):
        assert expected in words


def test_a_paper_is_as_old_as_its_marks(project_of: Callable[..., Project], tmp_path: Path) -> None:
    """Without a day of the marks it names none, and not one that nobody was in the woods."""
    days = []
    for day in ("2025-10-09", ""):
        paper = replace(paper_of(project_of), day=day)
        write_pdf(tmp_path / "a.pdf", paper, [text("oak", paper)])
        days.append((pypdf.PdfReader(tmp_path / "a.pdf").metadata or {}).get("/CreationDate"))

    assert days == ["D:20251009000000Z", None]


def test_long_tables_repeat_their_head(project_of: Callable[..., Project], tmp_path: Path) -> None:
    """A table over several pages has its head on each of them, and each page says of how many."""
    paper = paper_of(project_of)
    grid = Grid(heads=("Number",), rows=[(str(n),) for n in range(200)], widths=(1,))
    pages = write_pdf(tmp_path / "a.pdf", paper, [table(grid, paper)])

    read = [page.extract_text() for page in pypdf.PdfReader(tmp_path / "a.pdf").pages]

    assert len(read) == pages > 1
    assert all("Number" in words for words in read)
    assert all(f"Page {number} of {pages}" in words for number, words in enumerate(read, 1))
    assert all("licensed practice" in words for words in read)


def test_words_are_not_broken_per_letter(
    project_of: Callable[..., Project], tmp_path: Path
) -> None:
    """A column is as wide as its longest word, at the cost of columns that have room."""
    paper = paper_of(project_of)
    heads = ("No.", "Boundary", "What")
    rows = [("Windwurfgruppe Buchenloch", "32.3 m", "met")]
    grid = Grid(heads=heads, rows=rows, widths=(0.4, 0.3, 9), aligns=("left", "right", "left"))
    write_pdf(tmp_path / "a.pdf", paper, [table(grid, paper)])
    words = pypdf.PdfReader(tmp_path / "a.pdf").pages[0].extract_text().split()

    assert {"Boundary", "Windwurfgruppe", "Buchenloch"} <= set(words)
