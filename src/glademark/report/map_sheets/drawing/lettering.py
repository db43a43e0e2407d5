"""Letters: how wide a text is, its outline, how it is broken or shortened to fit."""

from __future__ import annotations

from functools import cache, lru_cache
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal

import numpy as np

from glademark.report.map_sheets.drawing.outlines import Outline, from_quadratic, joined
from glademark.report.papers.printed_fonts import (
    BOLD,
    PER_SIZE,
    SANS,
    SLANTED,
    font_file,
    letter_widths,
)
from glademark.report.shown_text import shown_text

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from matplotlib.ft2font import FT2Font

Face = Literal["plain", "bold", "slanted"]

ASCENT, DESCENT = 0.76, 0.24
"""Height of letters above and below their base line, in parts of the size."""

LEADING = 1.3
"""Distance of two lines, in parts of the size."""

NO_LETTER = "\N{WHITE SQUARE}"
"""What stands for a letter that the font has not got."""

ELLIPSIS = "\N{HORIZONTAL ELLIPSIS}"

FONTS: Mapping[Face, str] = MappingProxyType({"plain": SANS, "bold": BOLD, "slanted": SLANTED})
"""Names of the fonts."""

_OUTLINED = 100.0  # size at which outlines of letters are taken [points]
_POINTS_PER_INCH = 72
_LONGEST = 300  # characters of a text from a field file


def printable(text: object) -> str:
    """A text in which every letter can be printed."""
    plain, known = shown_text(text, longest=_LONGEST), letter_widths(SANS)
    return "".join(letter if ord(letter) in known else NO_LETTER for letter in plain)


def lacks_letters(texts: Iterable[object]) -> bool:
    """Whether the font has not got some letter."""
    return any(printable(text) != shown_text(text, longest=_LONGEST) for text in texts)


@lru_cache(maxsize=16384)
def text_width(text: str, size: float, face: Face = "plain") -> float:
    """
    Width of a text on the sheet [points].

    Parameters
    ----------
    size
        Of its letters [points].
    """
    widths = letter_widths(FONTS[face])
    return sum(widths.get(ord(letter), 0.0) for letter in text) * size / PER_SIZE


@cache
def _outlined(face: Face) -> FT2Font:
    """A font at the size at which outlines are taken."""
    from matplotlib.ft2font import FT2Font  # noqa: PLC0415 - heavy

    found = FT2Font(str(font_file(FONTS[face])))
    found.set_size(_OUTLINED, _POINTS_PER_INCH)
    return found


@lru_cache(maxsize=1024)
def _letter_outline(letter: str, face: Face) -> Outline:
    """Outline of a letter at the size at which outlines are taken."""
    from matplotlib.ft2font import LoadFlags  # noqa: PLC0415 - heavy

    font = _outlined(face)
    font.load_char(ord(letter), flags=LoadFlags.NO_HINTING)
    points, steps = font.get_path()
    return from_quadratic(np.asarray(points, dtype=float), np.asarray(steps))


def text_outline(text: str, size: float, face: Face = "plain") -> Outline:
    """
    Outline of the letters of a text.

    Parameters
    ----------
    size
        Of its letters [points].

    Returns
    -------
    outline
        From the left end of its base line [points].
    """
    letters = [_letter_outline(letter, face) for letter in text]
    ends = np.cumsum([text_width(letter, size, face) for letter in text])
    lengths = [len(letter.steps) for letter in letters]
    found = joined(letters)
    points = found.points * (size / _OUTLINED)
    points[:, 0] += np.repeat(np.concatenate([[0.0], ends[:-1]]), lengths)
    return Outline(points=points, steps=found.steps)


def fitted(text: str, width: float, size: float, face: Face = "plain") -> str:
    """
    A text that fits on one line.

    Parameters
    ----------
    width
        That it may take [points].
    size
        Of its letters [points].
    """
    if text_width(text, size, face) <= width:
        return text
    short, long = 0, len(text)
    while short < long:
        middle = (short + long + 1) // 2
        if text_width(text[:middle].rstrip() + ELLIPSIS, size, face) <= width:
            short = middle
        else:
            long = middle - 1
    return text[:short].rstrip() + ELLIPSIS


def broken(
    text: str, width: float, size: float, face: Face = "plain", *, most: int = 99
) -> list[str]:
    """
    A text in lines that fit.

    Parameters
    ----------
    width
        That a line may take [points].
    size
        Of its letters [points].
    """
    lines: list[str] = []
    line = ""
    words = text.split()
    if words:
        words[0] = " " * (len(text) - len(text.lstrip())) + words[0]
    for number, word in enumerate(words):
        longer = f"{line} {word}" if line else word
        if not line or text_width(longer, size, face) <= width:
            line = longer
            continue
        if len(lines) == most - 1:
            line = " ".join([line, *words[number:]])
            break
        lines.append(line)
        line = word
    return [fitted(found, width, size, face) for found in (*lines, line) if found]
