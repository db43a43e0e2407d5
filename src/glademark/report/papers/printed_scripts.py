"""Lines in any script as they are printed: letters joined, right to left turned, fonts found."""

from __future__ import annotations

import re
import unicodedata
from functools import cache, lru_cache
from itertools import groupby
from typing import TYPE_CHECKING, Any, NamedTuple

from glademark.errors import shown
from glademark.report.papers.printed_fonts import PER_SIZE, SANS, fonts_behind, letter_widths

if TYPE_CHECKING:
    from collections.abc import Iterable

NO_LETTER = "\N{WHITE SQUARE}"
"""What stands for a letter that no font has."""

LACKING = (
    f"Letters of names that no font has are printed as {NO_LETTER}; page and workbook have them."
    " A font for Chinese, Japanese and Korean: pip install glademark[cjk]."
)
"""What is said where there are such letters."""

ELLIPSIS = "\N{HORIZONTAL ELLIPSIS}"

_LONGEST = 2000  # characters of a text from a field file
_LEFT_TO_RIGHT = "\N{LEFT-TO-RIGHT MARK}"
_TURNED = "\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc"
"""Letters written from right to left: Hebrew to Arabic, and their joined forms."""

_TURNED_PART = re.compile(rf"[{_TURNED}](?:[^A-Za-z]*[{_TURNED}])?")
_JOINERS = dict.fromkeys((0x200C, 0x200D, ord(_LEFT_TO_RIGHT)))  # seen only in what they do
_WITHOUT_SPACES = re.compile("(?<=[\u2e80-\u9fff\uf900-\ufaff\uff00-\uffef])")
"""Letters of scripts without spaces, whose lines end anywhere."""


class Run(NamedTuple):
    """Letters of one font, from left to right."""

    font: str
    letters: str


def printable(text: object) -> str:
    """A text of a field file, without what moves or hides."""
    return unicodedata.normalize("NFC", shown(text, longest=_LONGEST))


def lacks_letters(texts: Iterable[object]) -> bool:
    """Whether some text has a letter that no font has."""
    runs = (run for text in texts for run in printed_runs(printable(text), SANS))
    return any(NO_LETTER in run.letters for run in runs)


@lru_cache(maxsize=16384)
def printed_runs(text: str, font: str) -> tuple[Run, ...]:
    """A line of text from left to right, each part in the first font that has its letters."""
    if text.isascii():
        return (Run(font, text),)
    placed = [_placed(one, font) for one in _visual(unicodedata.normalize("NFC", text))]
    return tuple(
        Run(name, "".join(one for _, one in part))
        for name, part in groupby(placed, key=lambda one: one[0])
    )


@lru_cache(maxsize=4096)
def _placed(letter: str, font: str) -> tuple[str, str]:
    """The first font that has a letter, and the letter; what stands for it where none has it."""
    having = (name for name in fonts_behind(font) if ord(letter) in letter_widths(name))
    found = next(having, "")
    return (found, letter) if found else (SANS, NO_LETTER)


def _visual(text: str) -> str:
    """Letters in the order in which they are seen; a name from right to left moves no others."""
    if not _TURNED_PART.search(text):
        return text.translate(_JOINERS)
    from bidi.algorithm import get_display  # noqa: PLC0415 - rarely needed

    kept_apart = _TURNED_PART.sub(lambda part: part[0] + _LEFT_TO_RIGHT, text)
    return str(get_display(_joiner().reshape(kept_apart), base_dir="L")).translate(_JOINERS)


@cache
def _joiner() -> Any:  # noqa: ANN401 - ships no types
    """What gives Arabic letters the form that their neighbours ask for."""
    from arabic_reshaper import ArabicReshaper  # noqa: PLC0415 - rarely needed

    return ArabicReshaper(configuration={"ARABIC LIGATURE ALLAH": False})


@lru_cache(maxsize=16384)
def line_width(text: str, size: float, font: str) -> float:
    """Width of a line of text [points]."""
    return (
        sum(letter_widths(run.font).get(ord(one), 0.0)
            for run in printed_runs(text, font) for one in run.letters)
        * size / PER_SIZE
    )  # fmt: skip


def longest_that_fits(text: str, width: float, size: float, font: str, end: str = "") -> str:
    """The longest beginning of a text that, with an end, has room on a line."""
    short, long = 0, len(text)
    while short < long:
        middle = (short + long + 1) // 2
        if line_width(text[:middle].rstrip() + end, size, font) <= width:
            short = middle
        else:
            long = middle - 1
    return text[:short].rstrip() + end


def cut_to_fit(text: str, width: float, size: float, font: str) -> str:
    """A text that fits on one line, its end cut off where need be."""
    if line_width(text, size, font) <= width:
        return text
    return longest_that_fits(text, width, size, font, ELLIPSIS)


def lines_that_fit(text: str, width: float, size: float, font: str, *, most: int = 99) -> list[str]:
    """A text in lines that fit; only the last of so many is cut."""
    lines: list[str] = []
    line, rest = "", _pieces(text)
    while rest:
        piece = rest.pop(0)
        longer = line + piece
        if line_width(longer.rstrip(), size, font) <= width:
            line = longer
        elif len(lines) == most - 1:
            line = "".join([longer, *rest])
            break
        elif line.strip():
            lines.append(line.rstrip())
            line, rest = "", [piece, *rest]
        else:
            lines.append(longest_that_fits(longer, width, size, font) or longer[:1])
            line, rest = "", [longer[len(lines[-1]) :], *rest]
    shown = [found.rstrip() for found in (*lines, line) if found.strip()]
    return [cut_to_fit(found, width, size, font) for found in shown]


def _pieces(text: str) -> list[str]:
    """Parts of a text after each of which a line may end, the room behind each included."""
    words = re.findall(r"^\s*\S+ ?|\S+ ?", re.sub(r"(?<=\S)\s+", " ", text))
    return [part for word in words for part in _WITHOUT_SPACES.split(word) if part]
