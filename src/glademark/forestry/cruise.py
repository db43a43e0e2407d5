"""
Cruise plots: what each says per hectare, and what all of them say of a stand, and how surely.

A plot without trees is a zero in the sample, not a missing plot. A plot across the stand's edge is
brought to account by the walkthrough method, in which some trees count twice, or by a stated
weight; to cut the plot at the edge and say nothing would understate the edge.

References
----------
.. [1] Point sampling, class slides: plot radius factors and trees per acre.
.. [2] Iles, newsletter note: distance to the near face of the tree.
.. [3] Freese 1962, Elementary forest sampling, USDA Agriculture Handbook 232 (formulas; its example
       from memory).
.. [4] USDA Forest Service Handbook 2409.12, number of plots for a stated error, as taught in class
       slides.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Self

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtrit

from glademark.errors import InputError
from glademark.forestry.size_classes import basal_area_m2
from glademark.units import HECTARE_M2, INCH_CM

__all__ = [
    "BASAL_AREA",
    "TREES",
    "CruiseTrees",
    "Estimate",
    "PlotDesign",
    "TallyScope",
    "estimate_mean",
    "estimate_strata",
    "per_hectare",
    "plots_needed",
    "scope_differences",
]

BASAL_AREA = "basal_area_m2"
TREES = "trees"
_SAME_DBH_CM = 0.05  # diameters are recorded to a tenth of an inch or a millimetre

_CONFIDENCE = 0.95

_CLEAN_DECIMALS = 9  # 20.000000000000004 plots are 20


@dataclass(frozen=True, kw_only=True, slots=True)
class PlotDesign:
    """
    How trees come into a plot.

    Built by `variable_radius` or `fixed_area`.
    """

    basal_area_factor_m2_ha: float | None = None
    """Basal area that each counted tree stands for [m2/ha]; None for fixed-area plots."""
    area_m2: float | None = None  # horizontal area of a plot [m2]; None for variable-radius plots

    def __post_init__(self) -> None:
        """Refuse a design that is none, or two."""
        given = [size for size in (self.basal_area_factor_m2_ha, self.area_m2) if size is not None]
        if len(given) != 1 or not 0 < given[0] < math.inf:
            msg = (
                f"cruise: the basal area factor is {self.basal_area_factor_m2_ha} m2/ha and the "
                f"plot area {self.area_m2} m2; expected one of them, above zero"
            )
            raise InputError(msg)

    @classmethod
    def variable_radius(cls, basal_area_factor_m2_ha: float) -> Self:
        """Design of points at which trees are counted by an angle gauge or prism."""
        return cls(basal_area_factor_m2_ha=basal_area_factor_m2_ha)

    @classmethod
    def fixed_area(cls, area_m2: float) -> Self:
        """Design of plots of one area, on which every tree is counted."""
        return cls(area_m2=area_m2)

    def trees_per_ha(self, dbh_cm: ArrayLike) -> NDArray[np.float64]:
        """
        Number of trees per hectare that each counted tree stands for.

        NaN for a tree of a variable-radius plot whose diameter is not known.

        Examples
        --------
        >>> PlotDesign.fixed_area(400).trees_per_ha([20.0, 30.0]).tolist()
        [25.0, 25.0]
        """
        area = basal_area_m2(dbh_cm)
        if self.area_m2 is not None:
            return np.full(area.shape, HECTARE_M2 / self.area_m2)
        trees = np.full(area.shape, np.nan)
        np.divide(self.basal_area_factor_m2_ha or math.nan, area, out=trees, where=area > 0)
        return trees

    def basal_area_m2_ha(self, dbh_cm: ArrayLike) -> NDArray[np.float64]:
        """
        Basal area per hectare that each counted tree stands for [m2/ha].

        `dbh_cm`: diameter at breast height [cm]; at a variable-radius point it may be NaN.
        """
        area = basal_area_m2(dbh_cm)
        if self.basal_area_factor_m2_ha is not None:
            return np.full(area.shape, self.basal_area_factor_m2_ha)
        return area * HECTARE_M2 / (self.area_m2 or math.nan)


@dataclass(frozen=True, kw_only=True, slots=True)
class CruiseTrees:
    """Trees counted on plots; one value for all, or one a record."""

    plot: ArrayLike  # name of the plot of each record
    dbh_cm: ArrayLike  # diameter at breast height [cm]; NaN where trees were only counted
    count: ArrayLike = 1  # trees of the record
    times: ArrayLike = 1  # how often the tree counts: 2 where the walkthrough method doubles it


def per_hectare(
    trees: CruiseTrees,
    *,
    plots: Sequence[object],
    design: PlotDesign,
    amounts: Mapping[str, ArrayLike] | None = None,
    weights: ArrayLike | None = None,
) -> pd.DataFrame:
    """
    What every plot says per hectare.

    A row a plot in the order given, with the columns ``trees``, ``basal_area_m2`` and one for each
    of `amounts`, all per hectare. A column is NaN on plots where a tree's part in it is not known.

    Examples
    --------
    >>> counted = CruiseTrees(plot=["A", "A"], dbh_cm=[20.0, 30.0])
    >>> design = PlotDesign.variable_radius(2)
    >>> per_hectare(counted, plots=["A", "B"], design=design)["basal_area_m2"].tolist()
    [4.0, 0.0]
    """
    index = pd.Index(list(plots), name="plot")
    tallied = np.broadcast_to(np.asarray(1.0 if weights is None else weights, float), len(index))
    row = _plot_rows(index, np.asarray(trees.plot))
    if not ((tallied > 0) & (tallied <= 1)).all():
        msg = "cruise: a plot's weight is not within 0 to 1; expected the share that was tallied"
        raise InputError(msg)
    dbh = np.asarray(trees.dbh_cm, np.float64)
    number = np.broadcast_to(np.asarray(trees.count) * np.asarray(trees.times, float), dbh.shape)
    expansion = design.trees_per_ha(dbh)
    shares = {TREES: expansion, BASAL_AREA: design.basal_area_m2_ha(dbh)} | {
        name: np.where(np.asarray(amount) == 0, 0, expansion * np.asarray(amount))
        for name, amount in (amounts or {}).items()
    }
    return pd.DataFrame(
        {
            name: np.bincount(row, weights=number * share, minlength=len(index)) / tallied
            for name, share in shares.items()
        },
        index=index,
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class TallyScope:
    """Which trees, and which parts of them, a count takes in."""

    smallest_dbh_cm: float = math.nan  # least diameter counted [cm]; NaN where not stated
    products: frozenset[str] = frozenset()  # names of the products
    top: str = ""
    """Where the stem ends, in words, such as ``4-in top outside bark``; empty where not stated."""


def scope_differences(cruise: TallyScope, tally: TallyScope) -> tuple[str, ...]:
    """
    Every way in which cruise and tally do not count the same thing.

    One sentence each, for the report; empty where both agree. What is not stated is not compared.

    Examples
    --------
    >>> scope_differences(TallyScope(smallest_dbh_cm=12.7), TallyScope(smallest_dbh_cm=25.4))
    ('the cruise starts at 12.7 cm (5.0 in) DBH, the tally at 25.4 cm (10.0 in)',)
    """
    found = []
    if abs(cruise.smallest_dbh_cm - tally.smallest_dbh_cm) > _SAME_DBH_CM:
        found.append(
            f"the cruise starts at {_both(cruise.smallest_dbh_cm)} DBH, the tally at "
            f"{_both(tally.smallest_dbh_cm)}"
        )
    if cruise.products and tally.products:
        for one, other, kind in ((cruise, tally, "tally"), (tally, cruise, "cruise")):
            missing = ", ".join(sorted(one.products - other.products))
            if missing:
                found.append(f"the {kind} has no {missing}")
    if cruise.top and tally.top and cruise.top.casefold() != tally.top.casefold():
        found.append(f"the cruise goes to a {cruise.top}, the tally to a {tally.top}")
    return tuple(found)


def _both(dbh_cm: float) -> str:
    """A diameter in both units."""
    return f"{dbh_cm:.1f} cm ({dbh_cm / INCH_CM:.1f} in)"


def _plot_rows(index: pd.Index, named: NDArray[Any]) -> NDArray[np.intp]:
    """Row of the plot that each record names."""
    if not index.is_unique:
        twice = ", ".join(map(str, index[index.duplicated()].unique()[:3]))
        msg = f"cruise: the plots {twice} are listed twice; expected every plot once. Rename one"
        raise InputError(msg)
    row = index.get_indexer(pd.Index(named))
    if (row < 0).any():
        lost = ", ".join(dict.fromkeys(str(name) for name in named[row < 0][:3]))
        msg = (
            f"cruise: {int((row < 0).sum())} records are of plots that are not listed ({lost}); "
            "expected the name of a plot. List the plot, or set its trees aside"
        )
        raise InputError(msg)
    return row


@dataclass(frozen=True, kw_only=True, slots=True)
class Estimate:
    """A mean per hectare, or per plot, with its error."""

    plots: int  # number of plots, empty ones counted
    mean: float  # mean of the plots
    standard_deviation: float
    """Between plots, divisor n - 1; NaN for a single plot, and for a stratified estimate."""
    standard_error: float  # of the mean
    degrees_of_freedom: float  # of t; fractional where strata are put together
    confidence: float = _CONFIDENCE  # share of such intervals that hold the true mean

    @property
    def t(self) -> float:
        """Two-sided t for the confidence; NaN without degrees of freedom."""
        if not self.degrees_of_freedom > 0:
            return math.nan
        return float(stdtrit(self.degrees_of_freedom, (1 + self.confidence) / 2))

    @property
    def half_width(self) -> float:
        """Half of the confidence interval."""
        return self.t * self.standard_error

    @property
    def low(self) -> float:
        """Lower end of the confidence interval."""
        return self.mean - self.half_width

    @property
    def high(self) -> float:
        """Upper end of the confidence interval."""
        return self.mean + self.half_width

    @property
    def sampling_error_pct(self) -> float:
        """
        Half of the interval, per cent of the mean.

        NaN for a mean of zero.
        """
        return 100 * self.half_width / self.mean if self.mean else math.nan

    @property
    def coefficient_of_variation_pct(self) -> float:
        """
        Standard deviation, per cent of the mean.

        NaN for a mean of zero.
        """
        return 100 * self.standard_deviation / self.mean if self.mean else math.nan

    def times(self, area: float) -> "Estimate":
        """Total over an area."""
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

    `plots_in_stand`: how many such plots the stand has room for, where fixed-area plots were drawn
    without replacement; shrinks the error of a large sample. None for points.

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
