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
from glademark.report.papers.printed_scripts import (
    cut_to_fit,
    line_width,
    lines_that_fit,
    printed_runs,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matplotlib.ft2font import FT2Font

Face = Literal["plain", "bold", "slanted"]

ASCENT, DESCENT = 0.76, 0.24
"""Height of letters above and below their base line, in parts of the size."""

LEADING = 1.3
"""Distance of two lines, in parts of the size."""

FONTS: Mapping[Face, str] = MappingProxyType({"plain": SANS, "bold": BOLD, "slanted": SLANTED})
"""Names of the fonts."""

_OUTLINED = 100.0  # size at which outlines of letters are taken [points]
_POINTS_PER_INCH = 72


def text_width(text: str, size: float, face: Face = "plain") -> float:
    """Width of a text on the sheet [points]."""
    return line_width(text, size, FONTS[face])


@cache
def _outlined(font: str) -> FT2Font:
    """A font at the size at which outlines are taken."""
    from matplotlib.ft2font import FT2Font  # noqa: PLC0415 - heavy

    found = FT2Font(str(font_file(font)))
    found.set_size(_OUTLINED, _POINTS_PER_INCH)
    return found


@lru_cache(maxsize=1024)
def _letter_outline(letter: str, font: str) -> Outline:
    """Outline of a letter at the size at which outlines are taken."""
    from matplotlib.ft2font import LoadFlags  # noqa: PLC0415 - heavy

    found = _outlined(font)
    found.load_char(ord(letter), flags=LoadFlags.NO_HINTING)
    points, steps = found.get_path()
    return from_quadratic(np.asarray(points, dtype=float), np.asarray(steps))


def text_outline(text: str, size: float, face: Face = "plain") -> Outline:
    """Outline of the letters of a text, from the left end of its base line [points]."""
    seen = [(one, run.font) for run in printed_runs(text, FONTS[face]) for one in run.letters]
    letters = [_letter_outline(one, font) for one, font in seen]
    ends = np.cumsum([letter_widths(font).get(ord(one), 0.0) for one, font in seen])
    lengths = [len(letter.steps) for letter in letters]
    found = joined(letters)
    points = found.points * (size / _OUTLINED)
    starts = np.concatenate([[0.0], ends[:-1]]) * size / PER_SIZE
    points[:, 0] += np.repeat(starts, lengths)
    return Outline(points=points, steps=found.steps)


def fitted(text: str, width: float, size: float, face: Face = "plain") -> str:
    """A text that fits on one line."""
    return cut_to_fit(text, width, size, FONTS[face])


def broken(
    text: str, width: float, size: float, face: Face = "plain", *, most: int = 99
) -> list[str]:
    """A text in lines that fit."""
    return lines_that_fit(text, width, size, FONTS[face], most=most)
