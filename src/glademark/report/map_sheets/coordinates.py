"""
Coordinates around a map, its scale bar, and the arrow that says where north is.

The grid is that of the working CRS, with longitude and latitude at the corners.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import shapely
from pyproj import Transformer

from glademark.report.map_sheets.content import GRID
from glademark.report.map_sheets.page import GREY, INK, WHITE, Fill, Lettering, Stroke
from glademark.report.map_sheets.panel import draw_heading
from glademark.report.map_sheets.paper import Box, broken, scale_words, text_width
from glademark.units import FOOT_M

if TYPE_CHECKING:
    from pyproj import CRS

    from glademark.contracts.layers import Units
    from glademark.report.map_sheets.page import Page
    from glademark.report.map_sheets.paper import MapFrame

GUTTER_PT = 10.0
"""Room for the coordinates at each edge of a map."""

_SIZE = 5.6
_CROSS_PT = 3.0  # half of a cross
_TICK_PT = 3.0
_APART_PT = 62.0  # between two grid lines, at least
_STEPS = (1, 2, 5)

BARS_PT = 66.0
"""Height of a scale with its two bars."""

NORTH_PT = 58.0
"""Height of the north arrow with its words."""

_BAR_PT = 4.2

_BAR_SIZE = 6.2

_PARTS = 4

_BAR_STEPS = (1, 2, 2.5, 5, 10)

_PROBE_DEG = 0.001  # of latitude, along which true north is looked for

_ARROW_PT = 44.0


def grid_interval(frame: MapFrame) -> int:
    """Round distance of the grid lines of a map [m]."""
    least = _APART_PT * frame.metres_per_point
    power = 10 ** math.floor(math.log10(least))
    steps = (step * power for step in (*_STEPS, 10))
    return int(max(1, next(step for step in steps if step >= least)))


def lon_lat(crs: CRS, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """
    Longitude and latitude of positions, in the datum of their CRS [degrees].

    Parameters
    ----------
    crs
        Working CRS.
    x, y
        In it [m].
    """
    if crs.geodetic_crs is None:
        return np.full(np.shape(x), np.nan), np.full(np.shape(y), np.nan)
    turn = Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    # lists: before numpy 2.4, pyproj takes an array of one for a number
    found = turn.transform(np.ravel(x).tolist(), np.ravel(y).tolist())
    longitude, latitude = (np.reshape(values, np.shape(x)) for values in found)
    return longitude, latitude


def lon_lat_words(longitude: float, latitude: float) -> str:
    """
    Longitude and latitude in words.

    Parameters
    ----------
    longitude, latitude
        In degrees.

    Examples
    --------
    >>> lon_lat_words(-88.14042, 46.39469)
    '46.39469° N  88.14042° W'
    """
    if not (math.isfinite(longitude) and math.isfinite(latitude)):
        return ""
    north, east = "SN"[int(latitude >= 0)], "WE"[int(longitude >= 0)]
    return f"{abs(latitude):.5f}° {north}  {abs(longitude):.5f}° {east}"


def draw_grid(page: Page, frame: MapFrame, crs: CRS, *, labelled: bool = True) -> None:
    """
    Draw crosses of the coordinate grid into a map, and coordinates around it.

    Parameters
    ----------
    crs
        Working CRS.
    """
    west, south, east, north = frame.ground
    step = grid_interval(frame)
    across = float(step) * np.arange(
        math.ceil(west / step), math.floor(east / step) + 1, dtype=float
    )
    along = float(step) * np.arange(
        math.ceil(south / step), math.floor(north / step) + 1, dtype=float
    )
    x = frame.on_paper(across, np.full(across.shape, south))[0]
    y = frame.on_paper(np.full(along.shape, west), along)[1]
    _draw_crosses(page, frame, x, y)
    _draw_ticks(page, frame, x, y)
    if labelled:
        free = _draw_corners(page, frame, crs)
        _label_eastings(page, frame, (x, across), free)
        _label_northings(page, frame, y, along)


def _draw_crosses(page: Page, frame: MapFrame, x: np.ndarray, y: np.ndarray) -> None:
    """Crosses where grid lines meet."""
    import shapely  # noqa: PLC0415 - only here

    at_x, at_y = (part.ravel() for part in np.meshgrid(x, y))
    level, upright = (
        np.stack(
            [
                np.column_stack([at_x - dx, at_y - dy]),
                np.column_stack([at_x + dx, at_y + dy]),
            ],
            axis=1,
        )
        for dx, dy in ((_CROSS_PT, 0), (0, _CROSS_PT))
    )
    lines = shapely.linestrings(np.concatenate([level, upright]))
    page.shapes(np.asarray(lines), GRID, level=3.3, clip=frame.box)


def _draw_ticks(page: Page, frame: MapFrame, x: np.ndarray, y: np.ndarray) -> None:
    """Ticks at the edges of the map."""
    box = frame.box
    for at in x:
        page.line([at, at], [box.bottom, box.bottom + _TICK_PT], GRID, level=7.5)
        page.line([at, at], [box.top, box.top - _TICK_PT], GRID, level=7.5)
    for at in y:
        page.line([box.left, box.left + _TICK_PT], [at, at], GRID, level=7.5)
        page.line([box.right, box.right - _TICK_PT], [at, at], GRID, level=7.5)


def _draw_corners(page: Page, frame: MapFrame, crs: CRS) -> tuple[float, float]:
    """Longitude and latitude at the corners; what of the lower edge they leave free."""
    west, south, east, north = frame.ground
    longitude, latitude = lon_lat(
        crs, np.array([west, east, west, east]), np.array([south, south, north, north])
    )
    box, words = frame.box, [lon_lat_words(*at) for at in zip(longitude, latitude, strict=True)]
    left, right = (
        Lettering(size=_SIZE, colour=GREY),
        Lettering(size=_SIZE, colour=GREY, align="right"),
    )
    below, above = box.bottom - _SIZE - 2, box.top + 2.5
    page.text(box.left, below, words[0], left)
    page.text(box.right, below, words[1], right)
    page.text(box.left, above, words[2], left)
    page.text(box.right, above, words[3], right)
    return (
        box.left + text_width(words[0], _SIZE) + 5,
        box.right - text_width(words[1], _SIZE) - 5,
    )


def _label_eastings(
    page: Page,
    frame: MapFrame,
    grid: tuple[np.ndarray, np.ndarray],
    free: tuple[float, float],
) -> None:
    """Eastings below the map, where the corners leave room."""
    for at, value in zip(*grid, strict=True):
        words = f"{value:,.0f} E"
        half = text_width(words, _SIZE) / 2
        if free[0] <= at - half and at + half <= free[1]:
            lettering = Lettering(size=_SIZE, align="center")
            page.text(float(at), frame.box.bottom - _SIZE - 2, words, lettering)


def _label_northings(page: Page, frame: MapFrame, y: np.ndarray, along: np.ndarray) -> None:
    """Northings left of the map, read from below."""
    for at, value in zip(y, along, strict=True):
        words = f"{value:,.0f} N"
        half = text_width(words, _SIZE) / 2
        if frame.box.bottom <= at - half and at + half <= frame.box.top:
            lettering = Lettering(size=_SIZE, align="center", turned=90)
            page.text(frame.box.left - 3, float(at), words, lettering)


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
        half = text_width(f"{part * step:,g}", _BAR_SIZE) / 2
        page.text(
            left + part * width - half, bottom + _BAR_PT + 2.2, words, Lettering(size=_BAR_SIZE)
        )


def _round_below(length: float) -> float:
    """The largest round number that is not above a length."""
    power = 10.0 ** math.floor(math.log10(length))
    return max(step * power for step in _BAR_STEPS if step * power <= length)


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
