"""
Weight of all one-to-one assignments, and how sums over their pairs vary, by tilting the odds.

In a family of weights tilted by a sum, the slope of its mean is its variance, and the bend its
third cumulant.
"""

import numpy as np

from glademark.compare.association import FloatArray, Pairs, by_messages, offered

__all__ = ["log_ways", "third_cumulant", "variance"]

_STEP = 0.02  # tilt of the log odds for a variance, as a share of the largest value
_WIDE_STEP = 0.1  # the same for a third cumulant, which is a difference of differences


def log_ways(pairs: Pairs, odds: FloatArray, free: FloatArray) -> float:
    """
    Logarithm of the summed weight of all assignments, by what the messages say.

    Parameters
    ----------
    pairs
        Which may belong together.
    odds
        Of each pair.
    free
        Messages of `settled`.

    Returns
    -------
    log_ways
        Exact where the pairs make no rings.
    """
    rows, asked = offered(pairs, odds, free)
    columns = pairs.by_column(asked)
    return float(np.log1p(rows).sum() + np.log1p(columns).sum() - np.log1p(asked * free).sum())


def variance(
    pairs: Pairs, log_odds: FloatArray, values: FloatArray, *, start: FloatArray | None = None
) -> tuple[float, float]:
    """
    Variance of a sum over the columns that are in a pair, and its covariance with their number.

    Parameters
    ----------
    pairs
        Which may belong together.
    log_odds
        Of each pair.
    values
        What each pair adds to the sum where it holds, shape (pairs,).
    start
        Messages to begin with.

    Returns
    -------
    variance, covariance
        By tilting the odds a little either way: the slope of a mean in such a family is its
        variance.
    """
    largest = float(np.abs(values).max(initial=0.0))
    if largest == 0.0:
        return 0.0, 0.0
    step = _STEP / largest
    up, down = (
        by_messages(pairs, log_odds + sign * step * values, start=start)[0] for sign in (1, -1)
    )
    slope = (up - down) / (2 * step)
    return max(float(values @ slope), 0.0), float(slope.sum())


def third_cumulant(pairs: Pairs, log_odds: FloatArray, values: FloatArray) -> float:
    """
    Third cumulant of a sum over the columns that are in a pair: how skew it is.

    Parameters
    ----------
    pairs
        Which may belong together.
    log_odds
        Of each pair.
    values
        What each pair adds to the sum where it holds, shape (pairs,).

    Returns
    -------
    third
        Mean cube of the difference from the mean: the bend of the mean under tilted odds.
    """
    largest = float(np.abs(values).max(initial=0.0))
    if largest == 0.0:
        return 0.0
    step = _WIDE_STEP / largest
    down, middle, up = (
        float(values @ by_messages(pairs, log_odds + sign * step * values)[0])
        for sign in (-1, 0, 1)
    )
    return (up - 2 * middle + down) / step**2
