"""
What places that were walked say of the whole stand, and how many more would settle a question.

References
----------
.. [1] Cochran 1977, Sampling techniques, 3rd edition, sections 6.3 and 6.5: the ratio estimate and
       its standard error (from memory).
"""

import math

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import stdtrit

from glademark.errors import InputError
from glademark.forestry import Estimate

__all__ = ["PLACES_MAX", "more_places", "ratio_estimate"]

PLACES_MAX = 10_000
"""A question that would take more places than this is not settled by walking more of them."""


def ratio_estimate(
    counted: ArrayLike,
    size: ArrayLike,
    *,
    whole: float | None = None,
    within: ArrayLike | None = None,
    confidence: float = 0.95,
) -> Estimate:
    """
    Ratio of what was counted to the size of the places, with its standard error.

    Returns
    -------
    estimate
        Mean, standard error and interval of the ratio, or of the total if `whole` is given; NaN for
        the error of a single place.

    Examples
    --------
    >>> found = ratio_estimate([2, 4], [100, 100], whole=1000)
    >>> found.mean, round(found.standard_error, 2)  # sqrt(0.8 x 2 / 2) / 100 x 1000
    (30.0, 8.94)
    """
    y, x = np.asarray(counted, dtype=float), np.asarray(size, dtype=float)
    places = len(y)
    if places == 0 or not x.sum() > 0:
        msg = "sample check: no place of any size was walked; expected at least one. Give places"
        raise InputError(msg)
    ratio = float(y.sum() / x.sum())
    unseen = 1.0 if whole is None else max(0.0, 1 - float(x.sum()) / whole)
    spread = float(((y - ratio * x) ** 2).sum() / (places - 1)) if places > 1 else math.nan
    own = 0.0 if within is None else float(np.asarray(within, dtype=float).sum())
    variance = (unseen * spread / places + own / places**2) / float(x.mean()) ** 2
    factor = 1.0 if whole is None else whole
    return Estimate(
        plots=places,
        mean=ratio * factor,
        standard_deviation=math.sqrt(spread) / float(x.mean()) * factor,
        standard_error=math.sqrt(variance) * factor,
        degrees_of_freedom=places - 1,
        confidence=confidence,
    )


def more_places(estimate: Estimate, *, limit: float) -> int | None:
    """
    How many more places would show on which side of a limit the true value is.

    Notes
    -----
    The estimate is taken to stay where it is, and its error to fall with the root of the number of
    places, with the t of the new number.

    Examples
    --------
    >>> walked = ratio_estimate([2, 4, 3, 3], [100, 100, 100, 100])
    >>> more_places(walked, limit=0.02), more_places(walked, limit=0.03)
    (2, None)
    """
    away = abs(estimate.mean - limit)
    spread = estimate.standard_error * math.sqrt(estimate.plots)
    if not math.isfinite(spread) or estimate.plots < 2:  # noqa: PLR2004 - no error of one place
        return None
    numbers = np.arange(estimate.plots, PLACES_MAX + 1)
    half = stdtrit(numbers - 1, (1 + estimate.confidence) / 2) * spread / np.sqrt(numbers)
    settled = np.flatnonzero(half < away)
    return int(settled[0]) if settled.size else None
