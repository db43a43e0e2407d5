"""
The fonts that all papers are set in: their files, their letters, and how wide these are.

They are those that the plotting library brings along, so that a paper looks alike everywhere; that
library itself is not loaded for them. One for Chinese, Japanese and Korean comes with an extra.
"""

from __future__ import annotations

from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping

SANS, BOLD, SLANTED = "DejaVuSans", "DejaVuSans-Bold", "DejaVuSans-Oblique"
"""Names of the fonts in the files."""

PER_SIZE = 1000
"""Parts of the size of letters in which their widths are given."""

_FONTS = Path("mpl-data", "fonts", "ttf")
_EAST_ASIAN = "WenQuanYiMicroHei"
_EAST_ASIAN_PACKAGE, _EAST_ASIAN_FILE = "paperang_p2_fonts_cjk", "fonts/wqy-microhei.ttc"


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
