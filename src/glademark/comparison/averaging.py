"""
Chances of pairs averaged over what is open about the rates.

The shares that were cut and the stumps of other trees are estimated from a few doubtful pairs.
Chances at the likeliest rates alone are off on the average, since they do not change in a straight
line with the rates. Here the odds of all pairs are raised and lowered together, each rise weighed
by how well it fits the records, and the chances are averaged.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.special import expit, log_expit

from glademark.comparison.association import Pairs, by_messages, offered
from glademark.contracts.frames import FloatArray

__all__ = ["INFLATION_MAX", "Complete", "averaged", "log_ways", "third_cumulant", "variance"]

INFLATION_MAX = 20.0
"""Rates that can hardly be told are not taken to be more open than so many times over."""

_REACH = 3.0
"""Rises that are weighed either way, in standard deviations."""

_SETTLED = 1e-5  # change of a message
_RISE = 0.02  # of the log odds, to see how many pairs more there are
_KNOWN = 0.05  # with a standard deviation of the rise below this, its middle does for all
_STEPS = 50
_CLOSE = 1e-10
_RISE_MAX = 3.0  # logarithm of the odds, either way, before the walk to the best fit is stopped


@dataclass(frozen=True, kw_only=True, slots=True)
class Complete:
    """What the rates would be told by, if it were known which pairs hold."""

    log_odds_cut: FloatArray
    """Log odds of each tree to be cut and seen, at the rates to begin with, shape (trees,)."""
    stumps: int  # how many there are
    unmarked: float  # stumps of other trees to be expected at the rates to begin with
    added: float  # trees that are added to either side of every rate
    typical_cut: FloatArray  # log odds that each share of trees cut stands for, shape (shares,)
    rates_unmarked: int  # how many rates of other stumps there are

    def log_fit(self, rise: float) -> tuple[float, float, float]:
        """How well a rise of the odds fits the number of trees and stumps, whatever pairs hold."""
        up = 0.0
        for _ in range(_STEPS):
            share, few = expit(self.log_odds_cut + up), expit(self.typical_cut + up)
            other = self.unmarked * np.exp(up - rise)
            slope = self.stumps - share.sum() - other + self._prior_slope(few)
            bend = float((share * (1 - share)).sum()) + other
            bend += 2 * self.added * float((few * (1 - few)).sum())
            step = float(np.clip(slope / bend, -1.0, 1.0))
            up += step
            if abs(step) < _CLOSE:
                break
        fit = log_expit(-self.log_odds_cut - up).sum() + self.stumps * (up - rise) - other
        cut = self.typical_cut + up
        fit += self.added * float((log_expit(cut) + log_expit(-cut)).sum())
        fit += self.added * self.rates_unmarked * (up - rise)
        left = 1 / max(bend - other, 1e-9) + 1 / max(other, 1e-9)
        matched = self.stumps + self.added * self.rates_unmarked - other
        return float(fit - 0.5 * np.log(bend)), float(matched), float(left)

    def _prior_slope(self, few: FloatArray) -> float:
        """Pull of the trees that are added."""
        return self.added * float((1 - 2 * few).sum() + self.rates_unmarked)


def averaged(
    pairs: Pairs,
    log_odds: FloatArray,
    chance: FloatArray,
    *,
    complete: Complete,
    start: FloatArray,
) -> FloatArray:
    """Chance of each pair, averaged over what is open about the rates."""
    if not chance.size or not complete.stumps:
        return chance
    base, free = by_messages(pairs, log_odds, start=start, close=_SETTLED)
    step, _ = by_messages(pairs, log_odds + _RISE, start=free, close=_SETTLED)
    varies = max(float((step - base).sum()) / _RISE, 0.0)
    _, matched, left = complete.log_fit(0.0)
    spread = left * min(1 / max(1 - left * varies, 1e-9), INFLATION_MAX)
    middle = float(np.clip(spread * (chance.sum() - matched), -_RISE_MAX, _RISE_MAX))
    if spread < _KNOWN**2:
        found, _ = by_messages(pairs, log_odds + middle, start=free, close=_SETTLED)
        return _between(chance + found - base)
    steps = round(2 * math.sqrt(spread / left))  # close enough for what the records tell alone
    rises = middle + np.arange(-steps, steps + 1) * np.sqrt(spread) * _REACH / (steps + 0.5)
    change = np.empty((len(rises), len(chance)))
    for node, rise in enumerate(rises.tolist()):
        found, free = by_messages(pairs, log_odds + rise, start=free, close=_SETTLED)
        change[node] = found - base
    number = CubicSpline(rises, chance.sum() + change.sum(axis=1))
    fit = np.array([complete.log_fit(rise)[0] for rise in rises.tolist()])
    fit = fit + number.antiderivative()(rises)
    weight = np.exp(fit - fit.max())
    return _between(chance + weight @ change / weight.sum())


def _between(chance: FloatArray) -> FloatArray:
    """Chances from 0 to 1."""
    return np.asarray(np.clip(chance, 0.0, 1.0))


_STEP = 0.02  # tilt of the log odds for a variance, as a share of the largest value
_WIDE_STEP = 0.1  # the same for a third cumulant, which is a difference of differences


def log_ways(pairs: Pairs, odds: FloatArray, free: FloatArray) -> float:
    """Logarithm of the summed weight of all assignments, by what the messages say."""
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
    values
        What each pair adds to the sum where it holds, shape (pairs,).
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
    values
        What each pair adds to the sum where it holds, shape (pairs,).
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
