"""Round scales, and which of them a map gets."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from glademark.report.map_sheets.drawing.paper import POINT_M
from glademark.units import FOOT_M

if TYPE_CHECKING:
    from glademark.contracts.layers import Units

_INCH_M = FOOT_M / 12
_METRIC = (100, 200, 250, 500, 750, 1000, 1250, 1500, 2000, 2500, 3000, 4000, 5000, 6000, 7500,
           10_000, 12_500, 15_000, 20_000, 25_000, 30_000, 40_000, 50_000, 75_000,
           100_000)  # fmt: skip
_FEET_TO_AN_INCH = (10, 20, 30, 40, 50, 60, 80, 100, 150, 200, 250, 300, 400, 500, 600, 800, 1000,
                    1200, 1500, 2000, 2500, 3000, 4000, 5000, 6000, 8000)  # fmt: skip

OVERVIEW_FINEST = {"us": 1200, "metric": 1000}
"""Scale beyond which a map of a whole stand is not enlarged: 1 in = 100 ft, 1:1,000."""


def round_scales(units: Units) -> tuple[int, ...]:
    """
    Denominators of round scales.

    Parameters
    ----------
    units
        What the project shows.

    Returns
    -------
    denominators
        Rising: whole tens and hundreds of feet to an inch, or round numbers.

    Examples
    --------
    >>> round_scales("us")[7], round_scales("metric")[5]
    (1200, 1000)
    """
    return tuple(12 * feet for feet in _FEET_TO_AN_INCH) if units == "us" else _METRIC


def metres_per_point(denominator: float) -> float:
    """
    Ground that one point of paper covers [m].

    Parameters
    ----------
    denominator
        Of the scale.

    Returns
    -------
    metres
        Per point.
    """
    return denominator * POINT_M


def fitting_scale(
    ground_m: tuple[float, float], room_pt: tuple[float, float], units: Units, *, finest: int = 0
) -> int:
    """
    Denominator of the largest round scale at which some ground fits on some paper.

    Parameters
    ----------
    ground_m
        Width and height of the ground [m].
    room_pt
        Width and height of the paper [points].
    units
        What the project shows.
    finest
        Least denominator.

    Returns
    -------
    denominator
        A round one; ground beyond the coarsest of the series gets whole multiples of it.

    Examples
    --------
    >>> fitting_scale((600, 400), (500, 500), "us"), fitting_scale((600, 400), (500, 500), "metric")
    (3600, 4000)
    """
    needed = max(ground / POINT_M / room for ground, room in zip(ground_m, room_pt, strict=True))
    fitting = [scale for scale in round_scales(units) if scale >= max(needed, finest)]
    coarsest = round_scales(units)[-1]
    return fitting[0] if fitting else coarsest * math.ceil(needed / coarsest)


def scale_words(denominator: int, units: Units) -> str:
    """
    A scale as people say it.

    Parameters
    ----------
    denominator
        Of the scale.
    units
        What the project shows.

    Returns
    -------
    words
        Such as ``1 in = 300 ft (1:3,600)`` or ``1:2,500``.

    Examples
    --------
    >>> scale_words(3600, "us"), scale_words(2500, "metric")
    ('1 in = 300 ft (1:3,600)', '1:2,500')
    """
    ratio = f"1:{denominator:,}"
    feet = denominator * _INCH_M / FOOT_M
    return f"1 in = {feet:,.4g} ft ({ratio})" if units == "us" else ratio
