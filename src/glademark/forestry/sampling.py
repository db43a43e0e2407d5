"""
What sample plots say of a stand: mean, its error, its interval, and how many plots would do.

References
----------
.. [1] Freese 1962, Elementary forest sampling, USDA Agriculture Handbook 232 (formulas; its example
       from memory).
.. [2] USDA Forest Service Handbook 2409.12, number of plots for a stated error, as taught in class
       slides.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtrit

from glademark.errors import InputError

__all__ = [
    "Estimate",
    "estimate_mean",
    "estimate_strata",
    "plots_needed",
]

_CONFIDENCE = 0.95
_CLEAN_DECIMALS = 9  # 20.000000000000004 plots are 20


@dataclass(frozen=True, kw_only=True, slots=True)
class Estimate:
    """
    A mean per hectare, or per plot, with its error.

    Parameters
    ----------
    plots
        Number of plots, empty ones counted.
    mean
        Mean of the plots.
    standard_deviation
        Between plots, divisor n - 1; NaN for a single plot, and for a stratified estimate.
    standard_error
        Of the mean.
    degrees_of_freedom
        Of t; fractional where strata are put together.
    confidence
        Share of such intervals that hold the true mean.
    """

    plots: int
    mean: float
    standard_deviation: float
    standard_error: float
    degrees_of_freedom: float
    confidence: float = _CONFIDENCE

    @property
    def t(self) -> float:
        """
        Two-sided t for the confidence; NaN without degrees of freedom.

        Returns
        -------
        t
            Above zero.
        """
        if not self.degrees_of_freedom > 0:
            return math.nan
        return float(stdtrit(self.degrees_of_freedom, (1 + self.confidence) / 2))

    @property
    def half_width(self) -> float:
        """
        Half of the confidence interval.

        Returns
        -------
        half_width
            The product of t and the standard error; 0 where the plots do not differ.
        """
        return self.t * self.standard_error

    @property
    def low(self) -> float:
        """
        Lower end of the confidence interval.

        Returns
        -------
        low
            May be below zero where plots are few.
        """
        return self.mean - self.half_width

    @property
    def high(self) -> float:
        """
        Upper end of the confidence interval.

        Returns
        -------
        high
            In the unit of the mean.
        """
        return self.mean + self.half_width

    @property
    def sampling_error_pct(self) -> float:
        """
        Half of the interval, per cent of the mean.

        Returns
        -------
        error
            NaN for a mean of zero.
        """
        return 100 * self.half_width / self.mean if self.mean else math.nan

    @property
    def coefficient_of_variation_pct(self) -> float:
        """
        Standard deviation, per cent of the mean.

        Returns
        -------
        variation
            NaN for a mean of zero.
        """
        return 100 * self.standard_deviation / self.mean if self.mean else math.nan

    def times(self, area: float) -> "Estimate":
        """
        Total over an area.

        Parameters
        ----------
        area
            In the unit that the mean is per.

        Returns
        -------
        total
            Mean, deviation and error multiplied.
        """
        return Estimate(
            plots=self.plots,
            mean=self.mean * area,
            standard_deviation=self.standard_deviation * area,
            standard_error=self.standard_error * area,
            degrees_of_freedom=self.degrees_of_freedom,
            confidence=self.confidence,
        )


def estimate_mean(
    values: ArrayLike,
    *,
    weights: ArrayLike | None = None,
    confidence: float = _CONFIDENCE,
    plots_in_stand: int | None = None,
) -> Estimate:
    """
    Mean of plot values with its standard error.

    Parameters
    ----------
    values
        One value a plot; 0 for a plot without trees, which is a plot like any other.
    weights
        How much each plot counts: 1 for a whole plot, less for one that lies partly outside. By
        default all count alike.
    confidence
        Of the interval, between 0 and 1.
    plots_in_stand
        How many such plots the stand has room for, where fixed-area plots were drawn without
        replacement; shrinks the error of a large sample. None for points.

    Returns
    -------
    estimate
        With weights, the ratio estimate: sum of weight times value over sum of weights.

    Raises
    ------
    InputError
        If there is no plot, a value is missing, a weight is not above zero, the confidence is no
        share, or there are more plots than the stand has room for.

    Examples
    --------
    >>> cruise = estimate_mean([110] * 10 + [130] * 10)
    >>> cruise.mean, round(cruise.half_width, 2)
    (120.0, 4.8)
    """
    plots = np.asarray(values, np.float64)
    counts = np.ones_like(plots) if weights is None else np.asarray(weights, np.float64)
    _check_sample(plots, counts, confidence, plots_in_stand)
    number = plots.size
    mean = float(np.average(plots, weights=counts))
    relative = counts / counts.mean()
    spread = float(np.square(relative * (plots - mean)).sum())
    deviation = math.sqrt(spread / (number - 1)) if number > 1 else math.nan
    unseen = 1.0 if plots_in_stand is None else 1 - number / plots_in_stand
    return Estimate(
        plots=number,
        mean=mean,
        standard_deviation=deviation,
        standard_error=deviation / math.sqrt(number) * math.sqrt(unseen),
        degrees_of_freedom=number - 1,
        confidence=confidence,
    )


def estimate_strata(strata: Sequence[Estimate], areas: Sequence[float]) -> Estimate:
    """
    Mean over several strata, each weighted by its area.

    Parameters
    ----------
    strata
        Estimate of each stratum, all of one confidence.
    areas
        Area of each stratum, in one unit.

    Returns
    -------
    estimate
        With the degrees of freedom of Satterthwaite's approximation.

    Raises
    ------
    InputError
        If strata and areas do not pair up, an area is not above zero, or the confidences differ.

    Examples
    --------
    >>> low, high = estimate_mean([8, 12]), estimate_mean([18, 22])
    >>> estimate_strata([low, high], [30, 10]).mean
    12.5
    """
    shares = np.asarray(areas, np.float64)
    confidences = {stratum.confidence for stratum in strata}
    if len(strata) != shares.size or not strata or not (shares > 0).all() or len(confidences) > 1:
        msg = (
            f"strata: {len(strata)} estimates and the areas {list(areas)}; expected one area above "
            "zero for each, and one confidence. Give every stratum its area"
        )
        raise InputError(msg)
    shares = shares / shares.sum()
    variances = np.square(shares * np.array([stratum.standard_error for stratum in strata]))
    freedoms = np.array([stratum.degrees_of_freedom for stratum in strata])
    variance = float(variances.sum())
    freedom = float(freedoms.sum())
    if variance > 0:
        freedom = variance**2 / float((variances**2 / freedoms).sum())
    return Estimate(
        plots=sum(stratum.plots for stratum in strata),
        mean=float(shares @ np.array([stratum.mean for stratum in strata])),
        standard_deviation=math.nan,
        standard_error=math.sqrt(variance),
        degrees_of_freedom=freedom,
        confidence=confidences.pop(),
    )


def plots_needed(
    coefficient_of_variation_pct: float,
    allowed_error_pct: float,
    *,
    t: float | None = None,
    confidence: float = _CONFIDENCE,
) -> int:
    """
    Number of plots that would reach a stated sampling error.

    Parameters
    ----------
    coefficient_of_variation_pct
        Between plots, from this cruise or a like stand [per cent].
    allowed_error_pct
        Sampling error wanted [per cent of the mean].
    t
        Value of t to use, such as the 2 of the handbooks; by default the one that goes with the
        answer.
    confidence
        For the t that goes with the answer.

    Returns
    -------
    plots
        The square of t CV / E, rounded up; at least 2.

    Raises
    ------
    InputError
        If a percentage is not a number above zero.

    References
    ----------
    USDA Forest Service Handbook 2409.12, as taught in class slides.

    Examples
    --------
    >>> plots_needed(67.9, 10, t=2)
    185
    """
    if not (0 < coefficient_of_variation_pct < math.inf and 0 < allowed_error_pct < math.inf):
        msg = (
            f"plots needed: variation {coefficient_of_variation_pct} % and allowed error "
            f"{allowed_error_pct} %; expected numbers above zero"
        )
        raise InputError(msg)
    ratio = coefficient_of_variation_pct / allowed_error_pct
    if t is not None:
        return max(2, math.ceil((t * ratio) ** 2))
    return _least_plots(ratio, (1 + confidence) / 2)


def _least_plots(ratio: float, probability: float) -> int:
    """Smallest n from 2 up whose own t keeps the error; t falls as n grows: halving finds it."""
    enough = 2
    while float(stdtrit(enough - 1, probability)) * ratio > math.sqrt(enough):
        enough *= 2
    too_few = max(enough // 2, 1)
    while enough - too_few > 1:
        middle = (enough + too_few) // 2
        if float(stdtrit(middle - 1, probability)) * ratio > math.sqrt(middle):
            too_few = middle
        else:
            enough = middle
    return enough


def _check_sample(
    values: NDArray[np.float64],
    weights: NDArray[np.float64],
    confidence: float,
    plots_in_stand: int | None,
) -> None:
    """Refuse a sample that says nothing of a stand."""
    faults = []
    if not values.size or not np.isfinite(values).all():
        faults.append(
            f"{values.size} plots, {int((~np.isfinite(values)).sum())} without a value; expected "
            "at least one, and 0 for a plot without trees"
        )
    if weights.shape != values.shape or not (weights > 0).all():
        faults.append("a plot has no weight above zero; expected 1 for a whole plot")
    if not 0 < confidence < 1:
        faults.append(f"the confidence is {confidence}; expected a share such as 0.95")
    if plots_in_stand is not None and plots_in_stand < values.size:
        faults.append(f"{values.size} plots in a stand with room for {plots_in_stand}")
    if faults:
        raise InputError(*(f"cruise: {fault}" for fault in faults))
