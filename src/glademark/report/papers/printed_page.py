"""
The printed page that text papers share: size, fonts, headings, tables, running lines.

Pages are made with fonts embedded, text that can be selected, a title and a language, and without a
clock, so that equal input gives equal bytes. Nothing is told by colour.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

from glademark.errors import shown
from glademark.report.papers.printed_text import (
    BOLD,
    LACKING,
    LEADING,
    NO_LETTER,
    SANS,
    cut_to_fit,
    heading_style,
    line_width,
    paragraph,
    printable,
    printed_runs,
    register_fonts,
    text_style,
)
from glademark.report.wording import cautions, edition_words, newest_day

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from reportlab.platypus import Flowable, Paragraph, Table

    from glademark.project.model import Project
    from glademark.report.delivery import Delivery

INK, GREY = "#000000", "#555555"
MARGIN_PT = 40.0
"""White edge of a page [points]: 14 mm, which any printer can leave."""

_PAPER_PT = {"letter": (612.0, 792.0), "A4": (595.276, 841.890)}  # points, upright
_TEXT_PAPER = {"letter": "letter", "tabloid": "letter", "A4": "A4", "A3": "A4"}
_HEAD_PT, _FOOT_PT = 14.0, 26.0  # room for the running lines
_WORD_SHARE = 0.25  # of a table's width that one word may widen its column to
_PADDING_PT = 7.0  # of a cell, left and right
_LINES_BELOW = 6  # that a heading wants on its page

Align = Literal["left", "right"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Paper:
    """What one paper is, and how large its text."""

    title: str  # of the document
    subject: str  # one sentence for the file's properties
    project: Project
    """What was asked: its name stands on every page, its paper and units say the page size."""
    points: float = 9.0  # size of plain text [points]
    columns: int = 1  # columns of text side by side on a page
    edition: str = ""  # in words; stands on every page
    day: str = ""  # of the file's properties, such as ``2025-10-09``; empty where none is known

    @property
    def size_pt(self) -> tuple[float, float]:
        """
        Size of the page.

        Returns
        -------
        size
            Width and height of the paper asked for, halved where that is a map sheet [points].
        """
        by_units = "letter" if self.project.heading.units == "us" else "A4"
        return _PAPER_PT[_TEXT_PAPER[self.project.deliver.paper or by_units]]

    @property
    def width_pt(self) -> float:
        """Width of the text, or of one of its columns."""
        gutters = MARGIN_PT * 0.4 * (self.columns - 1)
        return (self.size_pt[0] - 2 * MARGIN_PT - gutters) / self.columns

    @property
    def height_pt(self) -> float:
        """
        Height of the text on a page.

        Returns
        -------
        height
            Between the running lines [points].
        """
        return self.size_pt[1] - 2 * MARGIN_PT - _FOOT_PT - _HEAD_PT


def papers_of(
    delivery: Delivery, *, title: str, subject: str, sizes: Sequence[float], columns: int = 1
) -> list[Paper]:
    """A paper of a layout in each size of text, with its edition and day."""
    return [
        Paper(
            title=title,
            subject=subject,
            project=delivery.project,
            points=points,
            columns=columns,
            edition=edition_words(delivery),
            day=newest_day(delivery),
        )
        for points in sizes
    ]


@dataclass(frozen=True, kw_only=True, slots=True)
class Grid:
    """A table to be printed."""

    heads: Sequence[str]  # headings of the columns; no head where empty
    rows: Sequence[Sequence[str]]  # cells as text
    widths: Sequence[float]  # parts of the width that the columns take, by their ratio
    aligns: Sequence[Align] = ()  # how each column stands; all to the left where empty
    bold: frozenset[int] = field(default_factory=frozenset)
    """Numbers of the rows that are set in bold."""
    row_pt: float | None = None
    """Height of the rows [points], where they are written into by hand; that of the text if None.
    """


def text(words: str, paper: Paper, *, scale: float = 1.0, bold: bool = False) -> Paragraph:
    """A paragraph."""
    return paragraph(words, text_style(paper.points * scale, bold=bold))


def heading(words: str, paper: Paper) -> list[Flowable]:
    """A heading that does not stand alone at the foot of a page."""
    from reportlab.platypus import CondPageBreak  # noqa: PLC0415 - heavy

    room = CondPageBreak(paper.points * LEADING * _LINES_BELOW)
    return [room, bookmarked(paragraph(words, heading_style(paper.points * 1.15)), words)]


def bookmarked(part: Flowable, words: str) -> Flowable:
    """A part that the outline of the file names."""
    drawn = part.draw

    def draw() -> None:
        """Draw the part, and name it where that is its first page."""
        part.canv.named.setdefault(shown(words), len(part.canv.kept))
        drawn()

    part.draw = draw
    return part


def table(grid: Grid, paper: Paper, *, width_pt: float | None = None) -> Table:
    """
    A table with its head repeated on every page.

    Parameters
    ----------
    width_pt
        Of the table [points]; of the text where not given.
    """
    from reportlab.platypus import Table, TableStyle  # noqa: PLC0415 - heavy

    points = paper.points * 0.92
    rights = [align == "right" for align in grid.aligns] or [False] * len(grid.widths)
    head = [
        _cell(words, points, bold=True, right=right)
        for words, right in zip(grid.heads, rights, strict=bool(grid.heads))
    ]
    rows = [
        [
            _cell(words, points, bold=number in grid.bold, right=right)
            for words, right in zip(row, rights, strict=True)
        ]
        for number, row in enumerate(grid.rows)
    ]
    full = paper.width_pt if width_pt is None else width_pt
    widths = _widths(grid, full, points)
    style: list[Any] = [
        ("FONTNAME", (0, 0), (-1, -1), SANS),
        ("LINEBELOW", (0, 0), (-1, -1), 0.25, GREY),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 2),
        ("RIGHTPADDING", (0, 0), (-1, -1), 4),
        ("TOPPADDING", (0, 0), (-1, -1), 1.2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 1.8),
    ]
    heights: list[float | None] = [grid.row_pt] * len(rows)
    if head:
        heights.insert(0, None)
        style.append(("LINEBELOW", (0, 0), (-1, 0), 0.9, INK))
        rows.insert(0, head)
    return Table(
        rows,
        colWidths=widths,
        rowHeights=heights,
        style=TableStyle(style),
        repeatRows=int(bool(head)),
        hAlign="LEFT",
    )


def _widths(grid: Grid, full: float, points: float) -> list[float]:
    """Widths of columns by their parts, each as wide as its longest word where that is not much."""
    from reportlab.pdfbase.pdfmetrics import stringWidth  # noqa: PLC0415 - heavy

    register_fonts()
    wanted = [full * part / sum(grid.widths) for part in grid.widths]
    columns = [[*grid.heads[at : at + 1], *(row[at] for row in grid.rows)]
               for at in range(len(wanted))]  # fmt: skip
    words = [max((w for cell in cells for w in cell.split()), key=len, default="")
             for cells in columns]  # fmt: skip
    most = full * _WORD_SHARE
    least = [min(stringWidth(word, BOLD, points) + _PADDING_PT, most) for word in words]
    short = [max(low - width, 0.0) for low, width in zip(least, wanted, strict=True)]
    spare = [max(width - low, 0.0) for low, width in zip(least, wanted, strict=True)]
    if not sum(short) or sum(spare) < sum(short):
        return wanted
    given = sum(short) / sum(spare)
    return [
        width + lack - room * given for width, lack, room in zip(wanted, short, spare, strict=True)
    ]


def boxed(content: Sequence[Flowable], paper: Paper, *, width_pt: float | None = None) -> Table:
    """
    Paragraphs in a strong frame.

    Parameters
    ----------
    width_pt
        Of the frame [points]; of the text where not given.
    """
    from reportlab.platypus import Table, TableStyle  # noqa: PLC0415 - heavy

    style: list[Any] = [
        ("FONTNAME", (0, 0), (-1, -1), SANS),
        ("BOX", (0, 0), (-1, -1), 1.6, INK),
        ("TOPPADDING", (0, 0), (-1, -1), 4),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 5),
    ]
    width = paper.width_pt if width_pt is None else width_pt
    return Table([[list(content)]], colWidths=[width], style=TableStyle(style), hAlign="LEFT")


def gap(paper: Paper, *, lines: float = 0.5) -> Flowable:
    """White between two parts."""
    from reportlab.platypus import Spacer  # noqa: PLC0415 - heavy

    return Spacer(0, paper.points * LEADING * lines)


def fitting(words: str, width_pt: float, points: float) -> str:
    """Text that fits on one line of a width [points]."""
    register_fonts()
    return cut_to_fit(shown(words, longest=200), width_pt, points, SANS)


def _draw_line(canvas: Any, place: tuple[float, float], words: str, points: float) -> None:  # noqa: ANN401
    """Write a line in any script, ending at a place."""
    x = place[0] - line_width(words, points, SANS)
    for font, letters in printed_runs(words, SANS):
        canvas.setFont(font, points)
        canvas.drawString(x, place[1], letters)
        x += canvas.stringWidth(letters, font, points)


def write_pdf(path: Path, paper: Paper, story: Sequence[Flowable]) -> int:
    """Write a paper as PDF."""
    from reportlab.platypus import BaseDocTemplate, Frame, PageTemplate  # noqa: PLC0415 - heavy

    register_fonts()
    width, height = paper.size_pt
    document = BaseDocTemplate(
        str(path),
        pagesize=(width, height),
        invariant=1,
        lang="en",
        title=f"{paper.title}: {shown(paper.project.heading.name)}",
        subject=paper.subject,
        author="",
        creator="glademark",
        initialFontName=SANS,
        displayDocTitle=True,
    )
    step = paper.width_pt + MARGIN_PT * 0.4
    frames = [
        Frame(
            MARGIN_PT + step * number,
            MARGIN_PT + _FOOT_PT,
            paper.width_pt,
            paper.height_pt,
            leftPadding=0,
            rightPadding=0,
            topPadding=0,
            bottomPadding=0,
        )
        for number in range(paper.columns)
    ]
    template = PageTemplate(frames=frames, onPage=lambda canvas, _: _running_lines(canvas, paper))
    document.addPageTemplates([template])
    document.build(list(story), canvasmaker=_counting_canvas())
    if not paper.day:
        _take_day_away(path)
    return int(document.page)


def _take_day_away(path: Path) -> None:
    """Leave out the day of a paper whose marks have none: the library writes 1 January 2000."""
    import pikepdf  # noqa: PLC0415 - heavy

    with pikepdf.open(path, allow_overwriting_input=True) as file:
        del file.docinfo["/CreationDate"], file.docinfo["/ModDate"]
        file.save(path, deterministic_id=True)


def write_fitting(
    path: Path,
    papers: Sequence[Paper],
    story: Callable[[Paper], Sequence[Flowable]],
    *,
    pages: Sequence[int] = (1,),
) -> bool:
    """Write a paper on the fewest of some numbers of pages, in the largest size that has room."""
    made: dict[int, tuple[Sequence[Flowable], float]] = {}

    def told(at: int) -> tuple[Sequence[Flowable], float]:
        """Parts in one size, and their height together, each made once."""
        if at not in made:
            parts = story(papers[at])
            made[at] = parts, _height(papers[at], parts)
        return made[at]

    for number in pages:
        room = number * papers[0].height_pt * papers[0].columns
        if told(len(papers) - 1)[1] > room:
            continue  # nor has any other size
        for at, paper in enumerate(papers):
            if told(at)[1] <= room and _fits(path, paper, made.pop(at)[0], number):
                return True
    return False


def _fits(path: Path, paper: Paper, story: Sequence[Flowable], pages: int) -> bool:
    """Whether a paper, now written, stands on so many pages."""
    from reportlab.platypus.doctemplate import LayoutError  # noqa: PLC0415 - heavy

    try:
        return write_pdf(path, paper, story) <= pages
    except LayoutError:  # a part that cannot be split is higher than a page
        return False


def _height(paper: Paper, story: Sequence[Flowable]) -> float:
    """Height of all parts together."""
    return float(sum(part.wrap(paper.width_pt, paper.height_pt)[1] for part in story))


def _counting_canvas() -> Any:  # noqa: ANN401 - a class made of a class that ships no types
    """Canvas that knows the number of all pages when it writes the foot of each."""
    from reportlab.pdfbase.pdfmetrics import getFont  # noqa: PLC0415 - heavy
    from reportlab.pdfgen.canvas import Canvas  # noqa: PLC0415 - heavy

    class Counting(Canvas):  # type: ignore[misc]  # the base ships no types
        """Pages are kept back until all are there."""

        def __init__(self, *args: Any, **settings: Any) -> None:  # noqa: ANN401 - passed on
            super().__init__(*args, **settings)
            self.kept: list[dict[str, Any]] = []
            self.named: dict[str, int] = {}

        def showPage(self) -> None:  # noqa: N802 - the name of the base
            self.kept.append(dict(self.__dict__))
            self._startPage()

        def save(self) -> None:
            letters = getFont(SANS).state[self._doc].assignments
            lacking = LACKING if ord(NO_LETTER) in letters else ""
            named = self.named
            for number, page in enumerate(self.kept, 1):
                self.__dict__.update(page)
                self.setFont(SANS, 6)
                self.drawString(MARGIN_PT, MARGIN_PT - 8, lacking)
                for name in (name for name, page in named.items() if page == number - 1):
                    self.bookmarkPage(name)
                    self.addOutlineEntry(name, name)
                self.setFont(SANS, 7)
                self.drawRightString(
                    self._pagesize[0] - MARGIN_PT, MARGIN_PT, f"Page {number} of {len(self.kept)}"
                )
                super().showPage()
            super().save()

    return Counting


def _running_lines(canvas: Any, paper: Paper) -> None:  # noqa: ANN401 - ships no types
    """Name above, cautions below."""
    width, height = paper.size_pt
    full = width - 2 * MARGIN_PT
    canvas.saveState()
    if paper.day:
        stamp = f"D:{paper.day.replace('-', '')}000000Z"
        canvas.setDateFormatter(lambda *_: stamp)
    canvas.setFont(BOLD, 8)
    canvas.drawString(MARGIN_PT, height - MARGIN_PT, paper.title)
    right = canvas.stringWidth(paper.title, BOLD, 8) + 8
    canvas.setFont(SANS, 7)
    canvas.drawString(MARGIN_PT + right, height - MARGIN_PT, paper.edition)
    right += canvas.stringWidth(paper.edition, SANS, 7) + 8
    canvas.setFont(SANS, 8)
    name = fitting(paper.project.heading.name, full - right, 8)
    _draw_line(canvas, (width - MARGIN_PT, height - MARGIN_PT), name, 8)
    canvas.setLineWidth(0.5)
    canvas.line(MARGIN_PT, height - MARGIN_PT - 4, width - MARGIN_PT, height - MARGIN_PT - 4)
    canvas.line(MARGIN_PT, MARGIN_PT + 20, width - MARGIN_PT, MARGIN_PT + 20)
    canvas.setFont(SANS, 6.5)
    canvas.drawString(MARGIN_PT, MARGIN_PT + 11, " ".join(cautions()[:2]))
    canvas.drawString(MARGIN_PT, MARGIN_PT + 1, " ".join(cautions()[2:]))
    canvas.restoreState()


def _cell(words: str, points: float, *, bold: bool, right: bool) -> Paragraph:
    """One cell of a table."""
    return paragraph(words, text_style(points, bold=bold, right=right))


def line_cell(words: str, width_pt: float, points: float) -> str | Paragraph:
    """A cell of a long list: plain text where that has room on a line, which is fast to set."""
    plain = printable(words)
    register_fonts()
    if (
        printed_runs(plain, SANS) == ((SANS, plain),)
        and line_width(plain, points, SANS) <= width_pt
    ):
        return plain
    return _cell(words, points, bold=False, right=False)
