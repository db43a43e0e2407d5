"""
Letters: which font, how wide a text is, how it is broken or shortened to fit.

The font is the one that the plotting library brings along, so that a sheet looks alike everywhere.
"""

from __future__ import annotations

from functools import cache, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from glademark.deliver.shown_text import shown_text

if TYPE_CHECKING:
    from collections.abc import Iterable

    from matplotlib.font_manager import FontProperties
    from matplotlib.ft2font import FT2Font

Face = Literal["plain", "bold", "slanted"]

ASCENT, DESCENT = 0.76, 0.24
"""Height of letters above and below their base line, in parts of the size."""

LEADING = 1.3
"""Distance of two lines, in parts of the size."""

NO_LETTER = "\N{WHITE SQUARE}"
"""What stands for a letter that the font has not got."""

ELLIPSIS = "\N{HORIZONTAL ELLIPSIS}"

_FILES = {"plain": "DejaVuSans", "bold": "DejaVuSans-Bold", "slanted": "DejaVuSans-Oblique"}
_MEASURED = 100.0  # size at which widths are measured [points]
_POINTS_PER_INCH = 72
_FIXED_POINT = 65536  # parts of a pixel in which the font library gives widths
_LONGEST = 300  # characters of a text from a field file


@cache
def font_file(face: Face) -> Path:
    """
    File of a font.

    Parameters
    ----------
    face
        Plain, bold or slanted.

    Returns
    -------
    path
        Inside the plotting library.
    """
    import matplotlib as mpl  # noqa: PLC0415 - heavy

    return Path(mpl.get_data_path()) / "fonts" / "ttf" / f"{_FILES[face]}.ttf"


@cache
def font(face: Face) -> FontProperties:
    """
    A font as the plotting library wants it.

    Parameters
    ----------
    face
        Plain, bold or slanted.

    Returns
    -------
    properties
        Of the file, whatever else is installed; size 100.
    """
    from matplotlib.font_manager import FontProperties  # noqa: PLC0415 - heavy

    return FontProperties(fname=str(font_file(face)), size=_MEASURED)


@cache
def _letters() -> frozenset[int]:
    """Every letter that the plain font has."""
    from matplotlib.ft2font import FT2Font  # noqa: PLC0415 - heavy

    return frozenset(FT2Font(str(font_file("plain"))).get_charmap())


def printable(text: object) -> str:
    """
    A text in which every letter can be printed.

    Parameters
    ----------
    text
        Anything from a field file.

    Returns
    -------
    text
        Control characters as escapes, letters that the font has not got as `NO_LETTER`.
    """
    plain = shown_text(text, longest=_LONGEST)
    return "".join(letter if ord(letter) in _letters() else NO_LETTER for letter in plain)


def lacks_letters(texts: Iterable[object]) -> bool:
    """
    Whether the font has not got some letter.

    Parameters
    ----------
    texts
        From field files.

    Returns
    -------
    lacks
        True where `printable` changes a letter.
    """
    return any(printable(text) != shown_text(text, longest=_LONGEST) for text in texts)


@cache
def _measuring(face: Face) -> FT2Font:
    """A font at the size at which widths are measured."""
    from matplotlib.ft2font import FT2Font  # noqa: PLC0415 - heavy

    found = FT2Font(str(font_file(face)))
    found.set_size(_MEASURED, _POINTS_PER_INCH)
    return found


@lru_cache(maxsize=4096)
def _advance(letter: str, face: Face) -> float:
    """Width of a letter at the size at which widths are measured; kerning is passed over."""
    from matplotlib.ft2font import LoadFlags  # noqa: PLC0415 - heavy

    glyph = _measuring(face).load_char(ord(letter), flags=LoadFlags.NO_HINTING)
    return float(glyph.linearHoriAdvance) / _FIXED_POINT


def text_width(text: str, size: float, face: Face = "plain") -> float:
    """
    Width of a text on the sheet [points].

    Parameters
    ----------
    text
        One line.
    size
        Of its letters [points].
    face
        Plain, bold or slanted.

    Returns
    -------
    width
        In points.
    """
    return sum(_advance(letter, face) for letter in text) * size / _MEASURED


def fitted(text: str, width: float, size: float, face: Face = "plain") -> str:
    """
    A text that fits on one line.

    Parameters
    ----------
    text
        Printable.
    width
        That it may take [points].
    size
        Of its letters [points].
    face
        Plain, bold or slanted.

    Returns
    -------
    text
        Shortened by an ellipsis where it is too long.
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
    text
        Printable.
    width
        That a line may take [points].
    size
        Of its letters [points].
    face
        Plain, bold or slanted.
    most
        Lines; what is left goes into the last, shortened.

    Returns
    -------
    lines
        Broken at spaces, those before the first word kept; a word too long for a line is shortened.
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
