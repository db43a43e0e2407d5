"""
Plain arithmetic of openings and corridors, for planning and for comparison with field notes.

Areas and lengths in one system: m with m2, ft with ft2. None of it stands for a measured area.
"""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "area_of_entry",
    "circle_diameter",
    "corridor_share",
    "ellipse_area",
    "mean_spacing",
    "opening_area_for_width",
]


def circle_diameter(area: ArrayLike) -> NDArray[np.float64]:
    """
    Diameter of the circle of an area.

    Parameters
    ----------
    area
        Area of an opening.

    Returns
    -------
    diameter
        Twice sqrt(A / pi).

    Examples
    --------
    >>> float(circle_diameter(3.14159265).round(3))
    2.0
    """
    return np.asarray(2 * np.sqrt(np.asarray(area, np.float64) / math.pi))


def opening_area_for_width(height: ArrayLike, ratio: ArrayLike) -> NDArray[np.float64]:
    """
    Area of a round opening that is so many tree heights wide.

    Parameters
    ----------
    height
        Height of the trees around.
    ratio
        Width over height.

    Returns
    -------
    area
        That of a circle: pi / 4 (ratio H)^2.

    Examples
    --------
    >>> float(opening_area_for_width(20, 1).round(2))
    314.16
    """
    width = np.asarray(height, np.float64) * np.asarray(ratio, np.float64)
    return np.asarray(math.pi / 4 * width**2)


def ellipse_area(length: ArrayLike, width: ArrayLike) -> NDArray[np.float64]:
    """
    Area of an ellipse from its two axes, as gap surveys note it.

    Parameters
    ----------
    length
        Longest axis.
    width
        The widest at right angles to it.

    Returns
    -------
    area
        Product pi L W / 4; mapped openings were a fifth smaller in one study.

    References
    ----------
    Runkle 1982, 1992 (formula from memory); Forest Science 42:131-138, abstract.

    Examples
    --------
    >>> float(ellipse_area(30, 20).round(2))
    471.24
    """
    return np.asarray(length, np.float64) * np.asarray(width, np.float64) * math.pi / 4


def area_of_entry(stand_area: float, *, cycle_years: float, rotation_years: float) -> float:
    """
    Area that one entry may open where the whole stand is to be opened once a rotation.

    Parameters
    ----------
    stand_area
        Area of the stand.
    cycle_years
        Years between entries.
    rotation_years
        Years in which every part of the stand has its turn.

    Returns
    -------
    area
        In the unit of the stand's area.

    References
    ----------
    Textbook area regulation (from memory).

    Examples
    --------
    >>> area_of_entry(40, cycle_years=15, rotation_years=100)
    6.0
    """
    return stand_area * cycle_years / rotation_years


def mean_spacing(area: ArrayLike, number: ArrayLike) -> NDArray[np.float64]:
    """
    Distance between centres when openings are laid out on a square net.

    Parameters
    ----------
    area
        Area of the stand.
    number
        Number of openings.

    Returns
    -------
    spacing
        Root of A / n.

    Examples
    --------
    >>> float(mean_spacing(400, 4))
    10.0
    """
    return np.asarray(np.sqrt(np.asarray(area, np.float64) / np.asarray(number, np.float64)))


def corridor_share(
    width: ArrayLike, *, spacing: ArrayLike | None = None, clear: ArrayLike | None = None
) -> NDArray[np.float64]:
    """
    Share of the ground that parallel corridors take, full strips apart from the stand's edge.

    Parameters
    ----------
    width
        Width of a corridor.
    spacing
        Distance from centre line to centre line.
    clear
        Distance from edge to edge, in place of `spacing`: the two must not be taken for one
        another.

    Returns
    -------
    share
        Of the form w / S, or w / (w + s) for a clear distance s.

    Raises
    ------
    TypeError
        If not just one of `spacing` and `clear` is given.

    Examples
    --------
    >>> float(corridor_share(12, spacing=100)), float(corridor_share(12, clear=100).round(4))
    (0.12, 0.1071)
    """
    if (spacing is None) == (clear is None):
        msg = "corridor share: give either the spacing of centre lines or the clear distance"
        raise TypeError(msg)
    strip = np.asarray(width, np.float64)
    if spacing is not None:
        return strip / np.asarray(spacing, np.float64)
    return np.asarray(strip / (strip + np.asarray(clear, np.float64)))
