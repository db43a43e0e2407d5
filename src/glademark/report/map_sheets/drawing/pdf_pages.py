"""Sheets as pages of a file: plain operators of the page description, letters from the fonts."""

from __future__ import annotations

import math
from functools import cache
from io import BytesIO
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np

from glademark.report.map_sheets.drawing.lettering import FONTS
from glademark.report.map_sheets.drawing.outlines import CLOSE, CURVE, LINE, MOVE
from glademark.report.map_sheets.drawing.page import Shape, Stroke, Symbols, Words
from glademark.report.papers.printed_fonts import SANS, register_font

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from glademark.report.map_sheets.drawing.outlines import Outline
    from glademark.report.map_sheets.drawing.page import Drawing, Page
    from glademark.report.map_sheets.drawing.paper import Box

_POINT = "%.3f %.3f "  # a thousandth of a point: 0.0004 mm on paper
_CURVE_POINTS = 3
_OPERATORS: Mapping[int, str] = MappingProxyType(
    {MOVE: _POINT + "m\n", LINE: _POINT + "l\n", CURVE: _POINT, CLOSE: "h\n"}
)
_LAST_OF_CURVE = _POINT + "c\n"
_PAINTS = {(True, True): "B", (True, False): "f", (False, True): "S", (False, False): "n"}


def pages_as_pdf(pages: Sequence[Page]) -> bytes:
    """
    A file of sheets.

    Parameters
    ----------
    pages
        One or more.

    Returns
    -------
    file
        Fonts embedded; without a clock. Its pages are not packed.
    """
    from reportlab.pdfgen.canvas import Canvas  # noqa: PLC0415 - heavy

    register_font(SANS)
    canvas = Canvas(
        BytesIO(), pageCompression=0, invariant=1, initialFontName=SANS, pdfVersion=(1, 7)
    )
    for page in pages:
        canvas.setPageSize(page.size)
        for drawing in page.drawings():
            _draw(canvas, drawing)
        canvas.showPage()
    return bytes(canvas.getpdfdata())


def _draw(canvas: Any, drawing: Drawing) -> None:  # noqa: ANN401 - ships no types
    """Draw one thing."""
    if isinstance(drawing, Words):
        _write(canvas, drawing)
    elif isinstance(drawing, Shape):
        code = _path(drawing.outline) + _paint(drawing.face, drawing.edge)
        canvas.addLiteral(_set_up(drawing.face, drawing.edge, drawing.clip, join=1) + code + "Q")
    else:
        canvas.addLiteral(_symbols(drawing))


def _write(canvas: Any, found: Words) -> None:  # noqa: ANN401 - ships no types
    """Write a line of text."""
    lettering = found.lettering
    turn = math.radians(lettering.turned)
    register_font(FONTS[lettering.face])
    text = canvas.beginText()
    text.setTextTransform(
        math.cos(turn), math.sin(turn), -math.sin(turn), math.cos(turn), *found.place
    )
    text.setFont(FONTS[lettering.face], lettering.size)
    text.setFillColorRGB(*colour_parts(lettering.colour))
    text.textOut(found.words)
    canvas.drawText(text)


def _symbols(found: Symbols) -> str:
    """Operators of symbols, each painted over those before it."""
    style, outline = found.style, found.outline
    is_point = outline.steps != CLOSE
    points = outline.points[is_point] * found.sizes[:, None, None] + found.places[:, None]
    one = _words(outline) + _paint(style.face, style.edge)
    code = one * len(points) % tuple(points.ravel().tolist())
    return _set_up(style.face, style.edge, found.clip, join=0) + code + "Q"


def _path(outline: Outline) -> str:
    """Operators of an outline."""
    points = outline.points[outline.steps != CLOSE]
    return _words(outline) % tuple(points.ravel().tolist())


def _words(outline: Outline) -> str:
    """Operators of an outline, its numbers left open."""
    steps = outline.steps
    curved = steps == CURVE
    ends = curved & (np.cumsum(curved) % _CURVE_POINTS == 0)
    return "".join(
        _LAST_OF_CURVE if end else _OPERATORS[step]
        for step, end in zip(steps.tolist(), ends.tolist(), strict=True)
    )


def _set_up(face: str, edge: Stroke | None, clip: Box | None, *, join: int) -> str:
    """Operators that say how the next ones are painted, until the state is taken back."""
    code = ["q"]
    if clip is not None:
        code.append(f"{clip.left:.3f} {clip.bottom:.3f} {clip.width:.3f} {clip.height:.3f} re W n")
    if face:
        code.append(f"{_colour(face)} rg")
    if edge is not None:
        dashes = " ".join(f"{length:g}" for length in edge.dashes)
        code.append(f"{_colour(edge.colour)} RG {edge.width:g} w {join} j")
        code.append(f"{int(edge.rounded)} J" + (f" [{dashes}] 0 d" if dashes else ""))
    return "\n".join(code) + "\n"


def _paint(face: str, edge: Stroke | None) -> str:
    """Operator that paints a path."""
    return _PAINTS[bool(face), edge is not None] + "\n"


def colour_parts(colour: str) -> tuple[float, float, float]:
    """
    Red, green and blue of a colour.

    Parameters
    ----------
    colour
        Such as ``#1b1f23``.

    Returns
    -------
    parts
        From 0 to 1.
    """
    red, green, blue = bytes.fromhex(colour.removeprefix("#"))
    return red / 255, green / 255, blue / 255


@cache
def _colour(colour: str) -> str:
    """A colour as the file has it."""
    return " ".join(f"{part:.4g}" for part in colour_parts(colour))
