"""
Cruise plots: what each plot says per hectare, by variable radius or fixed area.

A plot without trees is a zero in the sample, not a missing plot. A plot across the stand's edge is
brought to account by the walkthrough method, in which some trees count twice, or by a stated
weight; to cut the plot at the edge and say nothing would understate the edge.

References
----------
.. [1] Point sampling, class slides: plot radius factors and trees per acre.
.. [2] Iles, newsletter note: distance to the near face of the tree.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Self

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from glademark.errors import InputError
from glademark.forestry.size_classes import basal_area_m2
from glademark.units import HECTARE_M2, INCH_CM

__all__ = [
    "BASAL_AREA",
    "TREES",
    "CruiseTrees",
    "PlotDesign",
    "TallyScope",
    "per_hectare",
    "scope_differences",
]

BASAL_AREA = "basal_area_m2"
TREES = "trees"
_SAME_DBH_CM = 0.05  # diameters are recorded to a tenth of an inch or a millimetre


@dataclass(frozen=True, kw_only=True, slots=True)
class PlotDesign:
    """
    How trees come into a plot.

    Built by `variable_radius` or `fixed_area`.

    Parameters
    ----------
    basal_area_factor_m2_ha
        Basal area that each counted tree stands for [m2/ha]; None for fixed-area plots.
    area_m2
        Horizontal area of a plot [m2]; None for variable-radius plots.

    Raises
    ------
    InputError
        If neither or both are given, or the number is not above zero.
    """

    basal_area_factor_m2_ha: float | None = None
    area_m2: float | None = None

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
    """
    Trees counted on plots; one value for all, or one a record.

    Parameters
    ----------
    plot
        Name of the plot of each record.
    dbh_cm
        Diameter at breast height [cm]; NaN where trees were only counted.
    count
        Trees of the record.
    times
        How often the tree counts: 2 where the walkthrough method doubles it.
    """

    plot: ArrayLike
    dbh_cm: ArrayLike
    count: ArrayLike = 1
    times: ArrayLike = 1


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
    """
    Which trees, and which parts of them, a count takes in.

    Parameters
    ----------
    smallest_dbh_cm
        Least diameter counted [cm]; NaN where not stated.
    products
        Names of the products.
    top
        Where the stem ends, in words, such as ``4-in top outside bark``; empty where not stated.
    """

    smallest_dbh_cm: float = math.nan
    products: frozenset[str] = frozenset()
    top: str = ""


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
