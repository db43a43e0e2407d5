"""
Printed text: fonts, lines in any script (letters joined, right to left turned), paragraphs.

The fonts are those that the plotting library brings along, so that a paper looks alike everywhere;
that library itself is not loaded for them. One for Chinese, Japanese and Korean comes with an
extra.
"""

from __future__ import annotations

import re
import unicodedata
from functools import cache, lru_cache
from importlib.util import find_spec
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from glademark.errors import shown

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Paragraph

    from glademark.report.delivery import Delivery

SANS, BOLD, SLANTED = "DejaVuSans", "DejaVuSans-Bold", "DejaVuSans-Oblique"
"""Names of the fonts in the files."""

PER_SIZE = 1000
"""Parts of the size of letters in which their widths are given."""

_FONTS = Path("mpl-data", "fonts", "ttf")
_EAST_ASIAN = "WenQuanYiMicroHei"
_EAST_ASIAN_PACKAGE, _EAST_ASIAN_FILE = "paperang_p2_fonts_cjk", "fonts/wqy-microhei.ttc"

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

PALE = "#e6e6e6"
"""Ground of headings."""

LEADING = 1.25
"""Distance of two lines, in parts of the size."""

_SLACK_PT = 0.1  # by which lines ended here are shorter, so that they are not ended again


@cache
def font_file(name: str) -> Path:
    """File of a font."""
    if name == _EAST_ASIAN:
        return _folder(_EAST_ASIAN_PACKAGE) / _EAST_ASIAN_FILE
    return _folder("matplotlib") / _FONTS / f"{name}.ttf"


def _folder(package: str) -> Path:
    """Folder of a package, which is not loaded."""
    found = find_spec(package)
    if found is None or found.origin is None:
        msg = f"{package}, which brings the fonts, is not installed. Install Glademark again"
        raise ModuleNotFoundError(msg)
    return Path(found.origin).parent


@cache
def fonts_behind(name: str) -> tuple[str, ...]:
    """A font, and those that are asked in turn for letters that it has not got."""
    more = (_EAST_ASIAN,) if find_spec(_EAST_ASIAN_PACKAGE) is not None else ()
    return tuple(dict.fromkeys((name, SANS, *more)))


@cache
def register_fonts() -> None:
    """Make the plain and the bold font known to the library that writes the papers."""
    from reportlab.lib.fonts import addMapping  # noqa: PLC0415 - heavy

    for bold, name in enumerate((SANS, BOLD)):
        register_font(name)
        addMapping(SANS, bold, 0, name)


@cache
def register_font(name: str) -> None:
    """Make one font known to the library that writes the papers."""
    from reportlab.pdfbase.pdfmetrics import registerFont  # noqa: PLC0415 - heavy
    from reportlab.pdfbase.ttfonts import TTFont  # noqa: PLC0415 - heavy

    registerFont(TTFont(name, str(font_file(name))))


@cache
def letter_widths(name: str) -> Mapping[int, float]:
    """Width of every letter that a font has."""
    face = _face(name)
    return {code: float(face.charWidths[code]) for code in face.charToGlyph}


def _face(name: str) -> Any:  # noqa: ANN401 - ships no types
    """A font as the library that writes the papers reads it."""
    from reportlab.pdfbase.pdfmetrics import getFont  # noqa: PLC0415 - heavy

    register_font(name)
    return getFont(name).face


class Run(NamedTuple):
    """Letters of one font, from left to right."""

    font: str
    letters: str


def printable(text: object) -> str:
    """A text of a field file, without what moves or hides."""
    return unicodedata.normalize("NFC", shown(text, longest=_LONGEST))


def printed_names(delivery: Delivery) -> list[object]:
    """Names of the user's own that stand on papers."""
    layout, heading = delivery.layout, delivery.project.heading
    frames = (layout.exclusions, layout.setbacks, layout.landings, layout.hazards, layout.water)
    return [
        heading.name,
        heading.season or "",
        *layout.corridors["corridor"],
        *layout.openings["group"].dropna(),
        *layout.marks["species"].dropna().unique(),
        *(name for frame in frames for name in frame["name"].dropna()),
    ]


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
