"""
What places that were walked say of the whole stand, and how many more would settle a question.

The basal area left, by the plots after the cut, against what the layout meant to leave.

References
----------
.. [1] Cochran 1977, Sampling techniques, 3rd edition, sections 6.3 and 6.5: the ratio estimate and
       its standard error (from memory).
"""

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import stdtrit

from glademark.contracts.inspection import AfterCutSurvey
from glademark.contracts.layout import Layout
from glademark.contracts.survey import Survey
from glademark.errors import InputError
from glademark.forestry import Estimate
from glademark.forestry.size_classes import DiameterUnit  # noqa: TC001 - of a variable
from glademark.measure.marks import size_classes_of
from glademark.measure.standing import BASAL, cruised
from glademark.measure.table_use import sold_of
from glademark.project.model import Project
from glademark.units import HECTARE_M2

__all__ = [
    "PLACES_MAX",
    "Residual",
    "more_places",
    "ratio_estimate",
    "residual_of",
    "with_residual",
]

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


TITLE = "basal area left by plots, less what was meant to be left"


@dataclass(frozen=True, kw_only=True, slots=True)
class Residual:
    """
    Basal area left [m2/ha], meant to be left, and the one less the other with its interval.

    What was meant, and the difference, are NaN where the standing stock is not known. Marked trees
    without a diameter, `trees_without`, are not taken off what was meant: it is at most that, and
    the interval of the difference goes on to where each has the largest basal area of a cut tree.
    """

    left: Estimate
    planned: float
    difference: float
    low: float
    high: float
    trees_without: int

    @property
    def disagrees(self) -> bool:
        """Whether the interval of the difference leaves 0 out."""
        return self.low > 0 or self.high < 0


def residual_of(
    survey: Survey, layout: Layout, project: Project, seen: AfterCutSurvey
) -> Residual | None:
    """
    Plots after the cut against standing less marked; None without plots.

    The interval of the difference is made of those of both, each as far as it reaches: Zou and
    Donner 2008, Statistics in Medicine 27, 1693-1702 (MOVER). A stock that was given is exact.
    """
    left = _left(survey, project, seen)
    if left is None:
        return None
    planned, below, above, trees_without = _planned(layout)
    difference = left.mean - planned
    return Residual(
        left=left,
        planned=planned,
        difference=difference,
        low=difference - math.hypot(left.mean - left.low, above),
        high=difference + math.hypot(left.high - left.mean, below),
        trees_without=trees_without,
    )


def with_residual(findings: pd.DataFrame, residual: Residual | None) -> pd.DataFrame:
    """Findings, with one of the basal area left where it is not what was meant."""
    if residual is None or not residual.disagrees:
        return findings
    row = {
        "finding": "residual",
        "title": TITLE,
        "quantity": "basal_area",
        "unit": "m2/ha",
        "amount": residual.difference,
        "low": residual.low,
        "high": residual.high,
        "trees_without": 0.0,
        "share_of_marked": math.nan,
        "marked_without": 0.0,
    }
    added = pd.DataFrame([row])
    return pd.concat([findings, added], ignore_index=True) if len(findings) else added


def _left(survey: Survey, project: Project, seen: AfterCutSurvey) -> Estimate | None:
    """Basal area per hectare by the plots after the cut."""
    if seen.plots.empty:
        return None
    unit: DiameterUnit = "in" if project.heading.units == "us" else "cm"
    standing = cruised(
        seen.plots,
        seen.plot_trees,
        settings=project.allowance,
        sold=sold_of(survey, project),
        classes=size_classes_of(project.volume.size_classes, unit=unit),
        operable_ha=1.0,
    )
    found = [stock.total for stock in standing.stocks if stock.quantity == BASAL]
    return found[0] if found else None


def _planned(layout: Layout) -> tuple[float, float, float, int]:
    """Standing less marked per hectare, how far its interval reaches, and trees it leaves out."""
    rows = layout.allowance
    if not len(rows) or BASAL not in set(rows["quantity"]):
        return math.nan, math.nan, math.nan, 0
    row = rows[rows["quantity"] == BASAL].iloc[0]
    hectares = float(layout.figures.stand.operable_m2) / HECTARE_M2
    standing = float(row["standing"])
    low, high = (
        standing if pd.isna(row[name]) else float(row[name])
        for name in ("standing_low", "standing_high")
    )
    return (
        (standing - float(row["marked"])) / hectares,
        (standing - low + float(row["marked_at_most"]) - float(row["marked"])) / hectares,
        (high - standing) / hectares,
        int(row["trees_without"]),
    )
