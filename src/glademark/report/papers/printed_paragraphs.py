"""Paragraphs of the printed page: their styles, and lines in any script."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

from glademark.report.papers.printed_fonts import BOLD, SANS, register_fonts
from glademark.report.papers.printed_scripts import lines_that_fit, printable, printed_runs

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Paragraph

PALE = "#e6e6e6"
"""Ground of headings."""

LEADING = 1.25
"""Distance of two lines, in parts of the size."""

_SLACK_PT = 0.1  # by which lines ended here are shorter, so that they are not ended again


@cache
def text_style(points: float, *, bold: bool = False, right: bool = False) -> ParagraphStyle:
    """Style of a paragraph."""
    from reportlab.lib.styles import ParagraphStyle  # noqa: PLC0415 - heavy

    register_fonts()
    return ParagraphStyle(
        f"plain-{points}-{bold}-{right}",
        fontName=BOLD if bold else SANS,
        fontSize=points,
        leading=points * LEADING,
        alignment=2 if right else 0,
        splitLongWords=1,
    )


@cache
def heading_style(points: float) -> ParagraphStyle:
    """Style of a heading."""
    from reportlab.lib.styles import ParagraphStyle  # noqa: PLC0415 - heavy

    return ParagraphStyle(
        f"heading-{points}",
        parent=text_style(points, bold=True),
        spaceBefore=points * 0.6,
        spaceAfter=points * 0.3,
        backColor=PALE,
        borderPadding=(1.5, 2, 1.5, 2),
    )


def paragraph(words: str, style: ParagraphStyle) -> Paragraph:
    """A text of which nothing is read as mark-up."""
    from reportlab.platypus import Paragraph  # noqa: PLC0415 - heavy

    lines = [printable(line) for line in str(words).splitlines()]
    if all(printed_runs(line, style.fontName) == ((style.fontName, line),) for line in lines):
        return Paragraph("", style, frags=_fragments(lines, style))
    return _paragraph_of_scripts()(lines, style)


def _fragments(lines: Sequence[str], style: ParagraphStyle) -> list[Any]:
    """Lines as the parts of a paragraph, each in the font that has its letters."""
    letters, end = _letters_and_end(style)
    return [
        one
        for line in lines
        for one in (
            *(letters.clone(fontName=font, text=text)
              for font, text in printed_runs(line, style.fontName)),
            end.clone(),
        )
    ][:-1]  # fmt: skip


@cache
def _letters_and_end(style: ParagraphStyle) -> Any:  # noqa: ANN401 - ships no types
    """What a paragraph has for letters, and for the end of a line."""
    from reportlab.platypus import Paragraph  # noqa: PLC0415 - heavy

    return Paragraph("x<br/>", style).frags[:2]


@cache
def _paragraph_of_scripts() -> Any:  # noqa: ANN401 - a class made of a class that ships no types
    """Paragraphs whose lines are ended here, before each is brought into the order as seen."""
    from reportlab.platypus import Paragraph  # noqa: PLC0415 - heavy

    class OfScripts(Paragraph):  # type: ignore[misc]  # the base ships no types
        """Lines of any script."""

        def __init__(self, lines: Sequence[str], style: ParagraphStyle) -> None:
            self.lines = lines
            super().__init__("", style, frags=[])

        def wrap(self, width: float, height: float) -> Any:  # noqa: ANN401 - of the base
            font, size = self.style.fontName, self.style.fontSize
            room = width - _SLACK_PT
            fitting = [one for line in self.lines for one in lines_that_fit(line, room, size, font)]
            self.frags = _fragments(fitting, self.style)
            return super().wrap(width, height)

        def split(self, width: float, height: float) -> Any:  # noqa: ANN401 - of the base
            self.wrap(width, height)
            return Paragraph("", self.style, frags=self.frags).split(width, height)

    return OfScripts
