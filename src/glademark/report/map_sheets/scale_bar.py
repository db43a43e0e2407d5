"""A scale bar in metres and in feet, and the arrow that says where north is."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import shapely

from glademark.report.map_sheets.drawing.coordinates import lon_lat
from glademark.report.map_sheets.drawing.lettering import broken, text_width
from glademark.report.map_sheets.drawing.page import GREY, INK, WHITE, Fill, Lettering, Stroke
from glademark.report.map_sheets.drawing.paper import Box, scale_words
from glademark.report.map_sheets.facts import draw_heading
from glademark.units import FOOT_M

if TYPE_CHECKING:
    from pyproj import CRS

    from glademark.contracts.layers import Units
    from glademark.report.map_sheets.drawing.map_frame import MapFrame
    from glademark.report.map_sheets.drawing.page import Page

BARS_PT = 66.0
"""Height of a scale with its two bars."""

NORTH_PT = 58.0
"""Height of the north arrow with its words."""

_BAR_PT = 4.2
_SIZE = 6.2
_PARTS = 4
_STEPS = (1, 2, 2.5, 5, 10)
_PROBE_DEG = 0.001  # of latitude, along which true north is looked for
_ARROW_PT = 44.0


def draw_scale(page: Page, box: Box, frame: MapFrame, units: Units) -> None:
    """Draw the scale in words, and as bars in metres and feet."""
    words = f"Scale {scale_words(frame.denominator, units)}"
    below = draw_heading(page, box, words)
    room = box.width - 26
    top = below.top - 16
    _draw_bar(page, (box.left + 2, top), frame.metres_per_point, ("m", room))
    _draw_bar(page, (box.left + 2, top - 21), frame.metres_per_point / FOOT_M, ("ft", room))


def _draw_bar(
    page: Page, at: tuple[float, float], per_point: float, unit: tuple[str, float]
) -> None:
    """One bar of four parts, dark and light, its lower left corner given."""
    (left, bottom), (name, room) = at, unit
    step = _round_below(room * per_point / _PARTS)
    width = step / per_point
    for part in range(_PARTS):
        block = Box(left=left + part * width, bottom=bottom, width=width, height=_BAR_PT)
        page.box(block, Fill(face=(INK, WHITE)[part % 2], edge=Stroke(width=0.6)))
    for part in (0, 1, 2, 4):
        words = f"{part * step:,g}" + (f" {name}" if part == _PARTS else "")
        half = text_width(f"{part * step:,g}", _SIZE) / 2
        page.text(left + part * width - half, bottom + _BAR_PT + 2.2, words, Lettering(size=_SIZE))


def _round_below(length: float) -> float:
    """The largest round number that is not above a length."""
    power = 10.0 ** math.floor(math.log10(length))
    return max(step * power for step in _STEPS if step * power <= length)


def true_north_deg(crs: CRS, x: float, y: float) -> float:
    """
    Direction of true north from grid north at a place, clockwise [degrees].

    Parameters
    ----------
    crs
        Working CRS.
    x, y
        In it [m].

    Returns
    -------
    degrees
        Positive where true north lies east of grid north; NaN without a geodetic CRS.
    """
    from pyproj import Transformer  # noqa: PLC0415 - only here

    longitude, latitude = lon_lat(crs, np.array([x]), np.array([y]))
    if crs.geodetic_crs is None or not np.isfinite(longitude[0]):
        return math.nan
    back = Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True)
    ends_x, ends_y = back.transform(
        np.repeat(longitude, 2), latitude[0] + np.array([-_PROBE_DEG, _PROBE_DEG])
    )
    return math.degrees(math.atan2(ends_x[1] - ends_x[0], ends_y[1] - ends_y[0]))


def north_words(degrees: float) -> str:
    """
    Where true north lies, in words.

    Examples
    --------
    >>> north_words(-0.84), north_words(0.01)
    ('True north is 0.8° west of grid north.', 'True north is grid north.')
    """
    if not math.isfinite(degrees):
        return "Grid north is up."
    if round(abs(degrees), 1) == 0:
        return "True north is grid north."
    side = "east" if degrees > 0 else "west"
    return f"True north is {abs(degrees):.1f}° {side} of grid north."


def draw_north(page: Page, box: Box, degrees: float) -> None:
    """Draw the north arrow: grid north as a needle, true north as a broken line beside it."""
    x, foot = box.left + 14, box.bottom + 4
    head = foot + _ARROW_PT
    wing = foot + 6
    dark = [(x, head), (x + 7.5, foot), (x, wing)]
    light = [(x, head), (x - 7.5, foot), (x, wing)]
    edge = Stroke(width=0.8)
    page.shapes([shapely.Polygon(dark)], Fill(face=INK, edge=edge), level=6)
    page.shapes([shapely.Polygon(light)], Fill(face=WHITE, edge=edge), level=6)
    page.text(x, head + 2, "N", Lettering(size=9, face="bold", align="center"))
    words = ["Grid north is up."] if math.isfinite(degrees) else []
    if math.isfinite(degrees) and round(abs(degrees), 1):
        turn, length = math.radians(degrees), _ARROW_PT * 1.1
        ends = ([x, x + math.sin(turn) * length], [wing, wing + math.cos(turn) * length * 0.92])
        page.line(*ends, Stroke(colour=GREY, width=0.9, dashes=(2.5, 1.5)), level=5.5)
    words += [north_words(degrees), "Magnetic declination: see your local source."]
    room = box.width - 34
    lines = [line for sentence in words for line in broken(sentence, room, 6.3)]
    page.lines_of_text(box.left + 34, box.top - 6, lines, Lettering(size=6.3))
