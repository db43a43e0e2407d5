"""
Cubic content of a log from the areas of its sections.

Areas and length must be in one system: m2 and m give m3, ft2 and ft give ft3.

References
----------
.. [1] Larsen, Forest Functions, University of Missouri, cubic log volume: Smalian, cone and
       neiloid.
.. [2] Huber's and Newton's (prismoidal) formulas are common practice.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["cone", "huber", "neiloid", "newton", "smalian"]


def smalian(small_area: ArrayLike, large_area: ArrayLike, length: ArrayLike) -> NDArray[np.float64]:
    """
    Log volume from its two ends, by Smalian.

    Parameters
    ----------
    small_area
        Cross-section at the small end.
    large_area
        Cross-section at the large end.
    length
        Length of the log.

    Returns
    -------
    volume
        L (As + Al) / 2; exact for a paraboloid, too much for a flared butt log.

    Examples
    --------
    >>> float(smalian(1, 3, 10))
    20.0
    """
    small, large = _areas(small_area, large_area)
    return np.asarray(length, np.float64) * (small + large) / 2


def huber(middle_area: ArrayLike, length: ArrayLike) -> NDArray[np.float64]:
    """
    Log volume from its middle, by Huber.

    Parameters
    ----------
    middle_area
        Cross-section halfway along the log.
    length
        Length of the log.

    Returns
    -------
    volume
        L Am; exact for a cylinder and a paraboloid.

    Examples
    --------
    >>> float(huber(2, 10))
    20.0
    """
    return np.asarray(middle_area, np.float64) * np.asarray(length, np.float64)


def newton(
    small_area: ArrayLike, middle_area: ArrayLike, large_area: ArrayLike, length: ArrayLike
) -> NDArray[np.float64]:
    """
    Log volume from both ends and the middle, by Newton.

    Parameters
    ----------
    small_area
        Cross-section at the small end.
    middle_area
        Cross-section halfway along the log.
    large_area
        Cross-section at the large end.
    length
        Length of the log.

    Returns
    -------
    volume
        L (As + 4 Am + Al) / 6; exact for cone, paraboloid and neiloid.

    Examples
    --------
    >>> float(newton(0, 1, 4, 6))
    8.0
    """
    small, large = _areas(small_area, large_area)
    return (
        np.asarray(length, np.float64)
        * (small + 4 * np.asarray(middle_area, np.float64) + large)
        / 6
    )


def cone(small_area: ArrayLike, large_area: ArrayLike, length: ArrayLike) -> NDArray[np.float64]:
    """
    Volume of a cone or of its frustum.

    Parameters
    ----------
    small_area
        Cross-section at the small end; 0 for a whole cone.
    large_area
        Cross-section at the large end.
    length
        Length along the axis.

    Returns
    -------
    volume
        L (As + sqrt(As Al) + Al) / 3.

    Examples
    --------
    >>> float(cone(0, 3, 10))
    10.0
    """
    small, large = _areas(small_area, large_area)
    return np.asarray(length, np.float64) * (small + np.sqrt(small * large) + large) / 3


def neiloid(small_area: ArrayLike, large_area: ArrayLike, length: ArrayLike) -> NDArray[np.float64]:
    """
    Volume of a neiloid, the flared form of a butt, or of its frustum.

    Parameters
    ----------
    small_area
        Cross-section at the small end; 0 for a whole neiloid.
    large_area
        Cross-section at the large end.
    length
        Length along the axis.

    Returns
    -------
    volume
        L (As + cbrt(As^2 Al) + cbrt(As Al^2) + Al) / 4.

    Examples
    --------
    >>> float(neiloid(0, 4, 10))
    10.0
    """
    small, large = _areas(small_area, large_area)
    between: NDArray[np.float64] = np.cbrt(small**2 * large) + np.cbrt(small * large**2)
    return np.asarray(length, np.float64) * (small + between + large) / 4


def _areas(small: ArrayLike, large: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Both end areas as arrays of numbers."""
    return np.asarray(small, np.float64), np.asarray(large, np.float64)
