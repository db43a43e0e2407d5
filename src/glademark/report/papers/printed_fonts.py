"""
The fonts that all papers are set in: their files, their letters, and how wide these are.

They are those that the plotting library brings along, so that a paper looks alike everywhere; that
library itself is not loaded for them.
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


@cache
def font_file(name: str) -> Path:
    """File of a font."""
    found = find_spec("matplotlib")
    if found is None or found.origin is None:  # it is one of our own requirements
        msg = "matplotlib, which brings the fonts, is not installed. Install Glademark again"
        raise ModuleNotFoundError(msg)
    return Path(found.origin).parent / _FONTS / f"{name}.ttf"


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
