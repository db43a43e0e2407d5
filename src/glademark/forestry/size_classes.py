"""
Size classes of DBH, and the structure of a stand by them.

Two rules are in use. *Explicit edges* name the smallest diameter of each class: with edges 5, 9,
12, a tree of 9.0 is in the class from 9 up to but not including 12. *Trade widths* name the
middle of each class: with a width of 2, the 10-inch class takes 9.0 up to but not including 11.0.

Structure: target and quotient by size class, density, and shares in words.

References
----------
.. [1] Meyer 1952, Structure, growth, and drain in balanced uneven-aged forests, J. For. 50(2), as
       restated by extension pages: a constant quotient q between neighbouring classes.
.. [2] Reineke 1933, Perfecting a stand-density index for even-aged forests, J. Agr. Res. 46(7);
       summation form: Shaw 2000, West. J. Appl. For. 15(4).
.. [3] Crookston and Stage 1999, RMRS-GTR-24, equations 1 and 2: cover where crowns overlap at
       random.
.. [4] Curtis 1982, Forest Sci. 28:92-94: relative density, made for Douglas-fir.
.. [5] Larsen, Forest Functions: percent stocking by the tree-area ratio, TPA (b0 + b1 AMD +
       b2 QMD^2), inches and acres, AMD = -0.259 + 0.973 QMD. Its red oak, upland oak and black
       cherry are left out: the page gives each of them two sets of coefficients.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise
from types import MappingProxyType
from typing import Literal, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glademark.errors import InputError
from glademark.units import ACRE_M2, BASAL_AREA_M2_HA, HECTARE_M2, INCH_CM

DiameterUnit = Literal["in", "cm"]

NO_DIAMETER = "no diameter"
_UNITS = ("in", "cm")
_LARGEST = {"in": Decimal(120), "cm": Decimal(300)}  # classes by width end here, open at the top
_CLEAN_DECIMALS = 9  # a converted 78.74 cm must meet the edge 31 in


@dataclass(frozen=True, kw_only=True, slots=True)
class SizeClasses:
    """
    Ranges of DBH with their labels.

    Built by `from_edges` or `from_width`. Open at the top; trees under the first edge have a class
    of their own.
    """

    edges: tuple[float, ...]  # smallest diameter of each class but the lowest, ascending, in `unit`
    labels: tuple[str, ...]
    """Names of the classes in ascending order, one more than `edges`: the first is that of the
    smaller trees."""
    unit: DiameterUnit  # ``in`` or ``cm``
    rule: str  # one sentence that says which diameters a class takes, to stand on every table

    @classmethod
    def from_edges(cls, edges: Sequence[float], unit: DiameterUnit) -> Self:
        """
        Set of classes from their smallest diameters.

        Examples
        --------
        >>> classes = SizeClasses.from_edges([5, 9, 12], "in")
        >>> classes.labels
        ('under 5 in', '5 to 9 in', '9 to 12 in', '12 in and up')
        >>> classes.rule
        '9 to 12 in means 9.0 up to but not including 12.0 in'
        """
        _check_unit(unit)
        exact = [Decimal(str(edge)) for edge in edges]
        if not exact or exact[0] <= 0 or sorted(set(exact)) != exact:
            msg = (
                f"size classes: the edges are {list(edges)}; expected at least one diameter above "
                "zero, each larger than the one before. Put them in ascending order"
            )
            raise InputError(msg)
        names = [_plain(edge) for edge in exact]
        between = [f"{low} to {high} {unit}" for low, high in pairwise(names)]
        return cls(
            edges=tuple(float(edge) for edge in exact),
            labels=(f"under {names[0]} {unit}", *between, f"{names[-1]} {unit} and up"),
            unit=unit,
            rule=_edge_rule(exact, unit),
        )

    @classmethod
    def from_width(cls, width: float, unit: DiameterUnit) -> Self:
        """
        The trade's classes: each named by its middle, a multiple of the width.

        Examples
        --------
        >>> classes = SizeClasses.from_width(2, "in")
        >>> classes.classify([8.9, 9.0, 10.9, 11.0]).tolist()
        ['8 in', '10 in', '10 in', '12 in']
        >>> classes.rule
        'the 10 in class takes 9.0 up to but not including 11.0 in'
        """
        _check_unit(unit)
        step = Decimal(str(width))
        if not 0 < step <= _LARGEST[unit]:
            msg = (
                f"size classes: the width is {width} {unit}; expected a width above zero, up to "
                f"{_LARGEST[unit]} {unit}, such as '2 in'"
            )
            raise InputError(msg)
        middles = [step * count for count in range(1, int(_LARGEST[unit] / step) + 1)]
        named = min(middles, key=lambda middle: abs(middle - 10))
        low, high = (_one_decimal(named + side * step / 2) for side in (-1, 1))
        return cls(
            edges=tuple(float(middle - step / 2) for middle in middles),
            labels=(
                f"under {_plain(step / 2)} {unit}",
                *(f"{_plain(middle)} {unit}" for middle in middles[:-1]),
                f"{_plain(middles[-1])} {unit} and up",
            ),
            unit=unit,
            rule=(
                f"the {_plain(named)} {unit} class takes {low} up to but not including "
                f"{high} {unit}"
            ),
        )

    def classify(self, diameters: ArrayLike, *, unit: ArrayLike | None = None) -> NDArray[np.str_]:
        """
        Label of each tree's class.

        `diameters`: DBH as recorded; NaN for none. ``no diameter`` where the diameter is missing.

        Examples
        --------
        >>> classes = SizeClasses.from_edges([31], "in")
        >>> classes.classify([31.0, 30.9, float("nan")]).tolist()
        ['31 in and up', 'under 31 in', 'no diameter']
        >>> classes.classify(78.74, unit="cm").tolist()
        '31 in and up'
        """
        own = self.in_unit(diameters, unit=unit)
        names = np.array([*self.labels, NO_DIAMETER])
        place = np.searchsorted(self.edges, own, side="right")
        return names[np.where(np.isfinite(own), place, len(self.labels))]

    def in_unit(
        self, diameters: ArrayLike, *, unit: ArrayLike | None = None
    ) -> NDArray[np.float64]:
        """DBH in the unit of the classes."""
        recorded = np.asarray(diameters, dtype=np.float64)
        units = np.asarray(self.unit if unit is None else unit, dtype=np.str_)
        for name in np.unique(units):
            _check_unit(str(name))
        factor = 1 / INCH_CM if self.unit == "in" else INCH_CM
        converted = (recorded * factor).round(_CLEAN_DECIMALS)
        return np.where(units == self.unit, recorded, converted)

    def up_to(self, diameter: float) -> Self:
        """
        Same classes, but open from the one that holds a diameter.

        Examples
        --------
        >>> SizeClasses.from_width(4, "in").up_to(12).labels
        ('under 2 in', '4 in', '8 in', '12 in and up')
        """
        count = int(np.searchsorted(self.edges, diameter, side="right"))
        if not count:
            msg = (
                f"size classes: {diameter} {self.unit} is under the first edge, {self.edges[0]}; "
                "expected a diameter that has a class"
            )
            raise InputError(msg)
        last = self.labels[count].split()[0]
        return replace(
            self,
            edges=self.edges[:count],
            labels=(*self.labels[:count], f"{last} {self.unit} and up"),
        )


def _check_unit(unit: str) -> None:
    """Refuse a unit that diameters are not taped in."""
    if unit not in _UNITS:
        msg = f"size classes: the diameter unit is {unit!r}; expected 'in' or 'cm'"
        raise InputError(msg)


def _edge_rule(edges: Sequence[Decimal], unit: str) -> str:
    """The sentence for explicit edges, on the second class where there is one."""
    if len(edges) == 1:
        return f"{_plain(edges[0])} {unit} and up means {_one_decimal(edges[0])} {unit} or more"
    low, high = edges[-2:]
    return (
        f"{_plain(low)} to {_plain(high)} {unit} means {_one_decimal(low)} up to but not including "
        f"{_one_decimal(high)} {unit}"
    )


def _plain(number: Decimal) -> str:
    """A decimal number without trailing zeros or exponent."""
    text = f"{number:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _one_decimal(number: Decimal) -> str:
    """A decimal number with at least one decimal."""
    text = _plain(number)
    return text if "." in text else f"{text}.0"


_M2_PER_CM2 = math.pi / 40_000  # area of a circle of 1 cm diameter, in m2


def basal_area_m2(dbh_cm: ArrayLike) -> NDArray[np.float64]:
    """
    Cross-section of each stem at breast height [m2].

    `dbh_cm`: diameter at breast height [cm]; NaN stays NaN.

    Examples
    --------
    >>> basal_area_m2([20, 40]).round(4).tolist()
    [0.0314, 0.1257]
    """
    return _M2_PER_CM2 * np.square(np.asarray(dbh_cm, dtype=np.float64))


def quadratic_mean_diameter_cm(basal_area_m2: ArrayLike, trees: ArrayLike) -> NDArray[np.float64]:
    """
    Diameter of the tree of mean basal area [cm].

    NaN where there are no trees.

    Examples
    --------
    >>> float(quadratic_mean_diameter_cm(3.14159265, 100).round(3))
    20.0
    """
    area = np.asarray(basal_area_m2, dtype=np.float64)
    count = np.asarray(trees, dtype=np.float64)
    per_tree = np.full(np.broadcast(area, count).shape, np.nan)
    np.divide(area, count, out=per_tree, where=count > 0)
    return np.sqrt(per_tree / _M2_PER_CM2)


REINEKE_EXPONENT = 1.605
REINEKE_DBH_CM = 25.4
DENOMINATOR_MAX = 10
"""Largest denominator of a share that is told to a marker: more cannot be counted in the head."""

CLASSES_MIN = 3
"""Fewest classes with trees through which a quotient is fitted: a line through two always fits."""

STOCKING: Mapping[str, tuple[frozenset[str], tuple[float, float, float]]] = MappingProxyType(
    {
        "sugar maple": (frozenset({"sugar maple"}), (-0.003082, 0.006272, 0.00469)),
        "black walnut": (frozenset({"black walnut"}), (0.01646, 0.01347, 0.002757)),
        "cottonwood and silver maple": (
            frozenset({"eastern cottonwood", "silver maple"}),
            (-0.0685724, 0.0010125, 0.0023656),
        ),
    }
)
"""Species and b0, b1, b2 of the stands whose percent stocking is published [5]_."""

PURE_SHARE = 0.8
"""Of the basal area, from which a stand is called one of its species (common practice)."""


def target_trees(middles_cm: ArrayLike, *, basal_area: float, q: float) -> NDArray[np.float64]:
    """
    Trees per hectare of neighbouring classes whose numbers fall by q and that hold a basal area.

    N_k = basal_area / sum q^(k-i) pi/40000 d_i^2, N_i = N_k q^(k-i); `basal_area` in m2/ha, middles
    of the classes rising [cm].

    Examples
    --------
    >>> target_trees([10.0, 20.0], basal_area=np.pi / 40000 * 600, q=2).round(6).tolist()
    [2.0, 1.0]
    """
    middles = np.asarray(middles_cm, np.float64)
    steps = q ** np.arange(len(middles) - 1, -1, -1.0)
    return np.asarray(basal_area / float(steps @ basal_area_m2(middles)) * steps)


def fitted_q(middles_cm: ArrayLike, trees_per_ha: ArrayLike, *, width_cm: float) -> float:
    """
    Quotient of a stand by least squares of ln(trees) on the middle of the class.

    Classes without trees are left out; NaN where fewer than `CLASSES_MIN` are left.

    Examples
    --------
    >>> round(fitted_q([10, 20, 30], [90, 30, 10], width_cm=10), 9)
    3.0
    """
    middles, trees = np.asarray(middles_cm, np.float64), np.asarray(trees_per_ha, np.float64)
    some = trees > 0  # false where not known
    if not (np.isfinite(trees).all() and some.sum() >= CLASSES_MIN):
        return math.nan
    away = middles[some] - middles[some].mean()
    slope = float(away @ np.log(trees[some]) / (away @ away))
    return math.exp(-slope * width_cm)


def quotient_weights(middles_cm: ArrayLike, trees_per_ha: ArrayLike) -> NDArray[np.float64]:
    """
    What one more tree per hectare of each class adds to the slope of ln(trees) on the middle.

    By them the sampling error of plots becomes that of the fitted quotient (first order); 0 for a
    class without trees.
    """
    middles, trees = np.asarray(middles_cm, np.float64), np.asarray(trees_per_ha, np.float64)
    some = trees > 0
    away = np.where(some, middles - middles[some].mean(), 0.0)
    found = np.zeros(len(trees))
    np.divide(away / (away @ away), trees, out=found, where=some)
    return found


def stand_density_index(trees_per_ha: float, basal_area_m2_ha: float) -> float:
    """Reineke's index N (QMD / 25.4)^1.605 [trees/ha of 25.4 cm]; NaN without trees."""
    mean_cm = float(quadratic_mean_diameter_cm(basal_area_m2_ha, trees_per_ha))
    return float(trees_per_ha * (mean_cm / REINEKE_DBH_CM) ** REINEKE_EXPONENT)


def density_index_of_trees(dbh_cm: ArrayLike) -> NDArray[np.float64]:
    """What each tree adds to the index by summation, (d / 25.4)^1.605."""
    return (np.asarray(dbh_cm, np.float64) / REINEKE_DBH_CM) ** REINEKE_EXPONENT


def relative_density(trees_per_ha: float, basal_area_m2_ha: float) -> float:
    """Basal area [ft2/acre] over the root of the QMD [in], by Curtis; NaN without trees."""
    mean_in = float(quadratic_mean_diameter_cm(basal_area_m2_ha, trees_per_ha)) / INCH_CM
    return basal_area_m2_ha / BASAL_AREA_M2_HA["ft2/acre"] / math.sqrt(mean_in)


def stocking_type(shares: Mapping[str, float]) -> str:
    """Type of `STOCKING` whose species have 80 % of the basal area and more; else empty."""
    pure = (
        name
        for name, (species, _) in STOCKING.items()
        if sum(shares.get(one, 0.0) for one in species) >= PURE_SHARE
    )
    return next(pure, "")


def percent_stocking(trees_per_ha: float, basal_area_m2_ha: float, name: str) -> float:
    """Percent stocking of a stand of a type of `STOCKING`; NaN without a type or trees."""
    if not name:
        return math.nan
    mean_in = float(quadratic_mean_diameter_cm(basal_area_m2_ha, trees_per_ha)) / INCH_CM
    constant, linear, square = STOCKING[name][1]
    of_tree = constant + linear * (-0.259 + 0.973 * mean_in) + square * mean_in**2
    return trees_per_ha * ACRE_M2 / HECTARE_M2 * of_tree


def random_cover(crown_share: float) -> float:
    """Share of the ground under crowns that overlap at random, by their summed area per ground."""
    return -math.expm1(-crown_share)


def share_in_words(share: float) -> str:
    """
    A share as a marker counts it: the nearest fraction, with a denominator up to 10.

    Examples
    --------
    >>> share_in_words(40 / 240), share_in_words(0.02), share_in_words(0.99), share_in_words(1.0)
    ('1 of 6', 'fewer than 1 of 10', 'more than 9 of 10', 'all')
    """
    if not math.isfinite(share):
        return ""
    if share <= 0 or share >= 1:
        return "all" if share >= 1 else "none"
    if share < 1 / DENOMINATOR_MAX or share > 1 - 1 / DENOMINATOR_MAX:
        few = share < 1 / DENOMINATOR_MAX
        return (
            f"fewer than 1 of {DENOMINATOR_MAX}"
            if few
            else f"more than {DENOMINATOR_MAX - 1} of {DENOMINATOR_MAX}"
        )
    nearest = Fraction(share).limit_denominator(DENOMINATOR_MAX)
    return f"{nearest.numerator} of {nearest.denominator}"
