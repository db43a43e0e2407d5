"""
Board-foot content of a log by the log rules of the trade, and the units that products are sold in.

D is the diameter inside bark at the small end in inches, L the length in feet. A rule is not
stretched over a log longer than about 20 ft in one piece: scale long logs as two or more, as local
rules say.

Amounts in different units never add. A common solid volume in m3 stands beside them where it can be
computed, and the conversion is named: exact for cubic units, the solid content of a cord by a
published default or the project's own figure [7]_, a green ton by the gravity and moisture of the
species [8]_. Board feet have no general conversion: how much sawn wood a log gives hangs on its
diameter and on the rule.

References
----------
.. [1] Doyle 1825, as restated by Larsen, Forest Functions, University of Missouri.
.. [2] Bruce and Schumacher 1950, Forest Mensuration: Scribner formula, as restated in the same
       place.
.. [3] USDA Forest Service, Scribner Decimal C factors and exceptions, as read in a public
       source file of log volume routines.
.. [4] Michigan Compiled Laws 290.401: International 1/4-inch rule by 4-ft sections.
.. [5] Grosenbaugh 1952, Shortcuts for cruisers and scalers, Southern Forest Experiment Station:
       closed form of the same rule for any length. The cubic term is 0.000259; a restatement
       misprints it.
.. [6] Clark 1906, International 1/8-inch rule, as restated by Larsen, Forest Functions.
.. [7] Minnesota Statutes 239.33: a cord of 128 ft3 stacked holds 79 ft3 of solid wood where it is
       settled by weight. Range in practice 65 ft3 (small, rough, crooked) to 95 ft3 (large, smooth,
       straight): University of Minnesota Extension, Woodland Stewardship, chapter 2.
.. [8] Larsen, Forest Functions, wood density: weight = 62.43 lb/ft3 times gravity times (1 +
       moisture).
"""

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glademark.errors import InputError
from glademark.forestry.species import numbers, packaged_table, species_table
from glademark.units import CUBIC_FOOT_M3

__all__ = [
    "CORD_SOLID_FT3",
    "LOG_RULES",
    "LOG_RULE_TITLES",
    "Product",
    "SaleUnit",
    "doyle",
    "green_tons_per_m3",
    "international_eighth",
    "international_quarter",
    "log_rule_named",
    "product_key",
    "scale_logs",
    "scribner",
    "scribner_decimal_c",
    "to_solid_m3",
]

_DOYLE_SLAB_IN = 4.0
_QUARTER_KERF_SHARE = 0.904762  # 19/21: what a 1/4-inch kerf leaves of the 1/8-inch scale
_INTERNATIONAL_STEP_BF = 5.0
_RULE_LETTERS = re.compile(r"[^a-z0-9]+")
_DECIMAL_C_LARGEST_IN = 60
_DECIMAL_C_LONGEST_FT = 40
_DECIMAL_C_SPECIAL_BF = 5.0
_DECIMAL_C_SPECIAL = ((6, 0, 9), (7, 4, 6), (8, 3, 4))  # D, shortest and longest whole feet


def doyle(diameter_in: ArrayLike, length_ft: ArrayLike) -> NDArray[np.float64]:
    """
    Doyle scale [board feet].

    Parameters
    ----------
    diameter_in
        Small-end diameter inside bark [in].
    length_ft
        Log length [ft].

    References
    ----------
    Doyle 1825, as restated by Larsen, Forest Functions.

    Examples
    --------
    >>> float(doyle(12, 16))
    64.0
    """
    diameter, length = _log(diameter_in, length_ft)
    return np.square(_at_least_zero(diameter - _DOYLE_SLAB_IN) / _DOYLE_SLAB_IN) * length


def scribner(diameter_in: ArrayLike, length_ft: ArrayLike) -> NDArray[np.float64]:
    """
    Scribner scale by formula [board feet]; not the Decimal C table.

    Parameters
    ----------
    diameter_in
        Small-end diameter inside bark [in].
    length_ft
        Log length [ft].

    References
    ----------
    Bruce and Schumacher 1950, as restated by Larsen, Forest Functions.

    Examples
    --------
    >>> float(scribner(10, 16).round(1))
    55.0
    """
    diameter, length = _log(diameter_in, length_ft)
    return _at_least_zero((0.79 * diameter**2 - 2 * diameter - 4) * length / 16)


def scribner_decimal_c(diameter_in: ArrayLike, length_ft: ArrayLike) -> NDArray[np.float64]:
    """
    Scribner Decimal C scale [board feet], from its published factors and exceptions.

    Parameters
    ----------
    diameter_in
        Small-end diameter inside bark [in]; rounded to the nearest inch, halves down (rules differ:
        some alternate them).
    length_ft
        Log length [ft]; cut to whole feet.

    Returns
    -------
    scale
        Tens of board feet, or 5 for the smallest logs; NaN outside 1 to 60 inches and 1 to 40 feet.

    References
    ----------
    USDA Forest Service factors and exceptions, as read in a public source file.

    Examples
    --------
    >>> scribner_decimal_c([6, 20], [8, 16]).tolist()
    [5.0, 280.0]
    """
    diameter, length = _log(diameter_in, length_ft)
    inches, feet = np.ceil(diameter - 0.5), np.floor(length)
    inside = (inches >= 1) & (inches <= _DECIMAL_C_LARGEST_IN)
    inside &= (feet >= 1) & (feet <= _DECIMAL_C_LONGEST_FT)
    row = np.where(inside, inches, 0).astype(np.int64)
    column = np.where(inside, feet, 0).astype(np.int64)
    return np.where(inside, _decimal_c_table()[row, column], np.nan)


def international_quarter(
    diameter_in: ArrayLike, length_ft: ArrayLike, *, rounded: bool = False
) -> NDArray[np.float64]:
    """
    International 1/4-inch scale [board feet].

    Parameters
    ----------
    diameter_in
        Small-end diameter inside bark [in].
    length_ft
        Log length [ft].

    References
    ----------
    Michigan Compiled Laws 290.401; Grosenbaugh 1952.

    Examples
    --------
    >>> float(international_quarter(12, 16, rounded=True))
    95.0
    """
    diameter, length = _log(diameter_in, length_ft)
    scale = _at_least_zero(
        0.049762 * length * diameter**2
        + 0.006220 * length**2 * diameter
        - 0.185476 * length * diameter
        + 0.000259 * length**3
        - 0.011592 * length**2
        + 0.042222 * length
    )
    if not rounded:
        return scale
    return np.floor(scale / _INTERNATIONAL_STEP_BF + 0.5) * _INTERNATIONAL_STEP_BF


def international_eighth(diameter_in: ArrayLike, length_ft: ArrayLike) -> NDArray[np.float64]:
    """
    International 1/8-inch scale [board feet].

    Parameters
    ----------
    diameter_in
        Small-end diameter inside bark [in].
    length_ft
        Log length [ft].

    References
    ----------
    Clark 1906, as restated by Larsen, Forest Functions.

    Examples
    --------
    >>> float(international_eighth(10, 16).round(1))  # 0.88 D^2 - 1.52 D - 1.36
    71.4
    """
    return international_quarter(diameter_in, length_ft) / _QUARTER_KERF_SHARE


LogRule = Callable[[ArrayLike, ArrayLike], NDArray[np.float64]]

LOG_RULES: Mapping[str, LogRule] = MappingProxyType(
    {
        "doyle": doyle,
        "scribner": scribner,
        "scribner-decimal-c": scribner_decimal_c,
        "international-1/4": international_quarter,
        "international-1/8": international_eighth,
    }
)
LOG_RULE_TITLES: Mapping[str, str] = MappingProxyType(
    {
        "doyle": "Doyle",
        "scribner": "Scribner formula",
        "scribner-decimal-c": "Scribner Decimal C",
        "international-1/4": "International 1/4-inch",
        "international-1/8": "International 1/8-inch",
    }
)


def log_rule_named(name: str) -> str:
    """Key of a log rule by its key or title in any case and with any spaces; else as given."""
    plain = _RULE_LETTERS.sub("", name.casefold())
    titles = {
        _RULE_LETTERS.sub("", title.casefold()): key for key, title in LOG_RULE_TITLES.items()
    }
    keys = {_RULE_LETTERS.sub("", key): key for key in LOG_RULE_TITLES}
    return {**titles, **keys}.get(plain, name)


def scale_logs(diameter_in: ArrayLike, length_ft: ArrayLike, *, rule: str) -> NDArray[np.float64]:
    """
    Scale of logs by a named rule [board feet].

    Parameters
    ----------
    diameter_in
        Small-end diameter inside bark [in].
    length_ft
        Log length [ft].

    Examples
    --------
    >>> float(scale_logs(12, 16, rule="doyle"))
    64.0
    """
    rule = log_rule_named(rule)
    if rule not in LOG_RULES:
        msg = f"log rule: {rule!r} is not known; expected one of {', '.join(LOG_RULES)}"
        raise InputError(msg)
    return LOG_RULES[rule](diameter_in, length_ft)


def _log(
    diameter_in: ArrayLike, length_ft: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Diameter and length as arrays of numbers."""
    return np.asarray(diameter_in, np.float64), np.asarray(length_ft, np.float64)


def _at_least_zero(scale: NDArray[np.float64]) -> NDArray[np.float64]:
    """A log too small for the rule scales nothing; NaN stays."""
    return np.maximum(scale, 0.0)


@cache
def _decimal_c_table() -> NDArray[np.float64]:
    """Board feet by whole inches (rows) and whole feet (columns)."""
    table = packaged_table("scribner_decimal_c")
    cells = [
        numbers(table[name]) for name in ("diameter_in", "length_from_ft", "length_to_ft", "value")
    ]
    is_factor = table["kind"] == "factor"
    feet = np.arange(_DECIMAL_C_LONGEST_FT + 1)
    factor = np.zeros((_DECIMAL_C_LARGEST_IN + 1, feet.size))
    exception = np.zeros_like(factor)
    for diameter, first, last, value, goes_by_length in zip(*cells, is_factor, strict=True):
        target = factor if goes_by_length else exception
        target[int(diameter), int(first) : int(last) + 1] = value
    scale = 10 * np.trunc((feet * factor + 5) / 10) + exception
    for inches, first, last in _DECIMAL_C_SPECIAL:
        scale[inches, first : last + 1] = _DECIMAL_C_SPECIAL_BF
    return scale


SaleUnit = Literal["board foot", "MBF", "cord", "m3", "ft3", "green ton"]

CORD_SOLID_FT3 = 79.0
_UNITS = get_args(SaleUnit)
_BY_LOG_RULE = ("board foot", "MBF")
_DEFAULT_SOLID: Mapping[str, tuple[float, str]] = MappingProxyType(
    {
        "m3": (1.0, "sold by the m3"),
        "ft3": (CUBIC_FOOT_M3, "0.0283168 m3 in a ft3 (exact)"),
        "cord": (
            CORD_SOLID_FT3 * CUBIC_FOOT_M3,
            f"{CORD_SOLID_FT3:g} ft3 of solid wood in a cord (Minnesota Statutes 239.33)",
        ),
        "green ton": (math.nan, "no species is known for the green tons"),
        "board foot": (math.nan, "no conversion of board feet is stated"),
        "MBF": (math.nan, "no conversion of board feet is stated"),
    }
)
_WATER_LB_FT3 = 62.43
_SHORT_TON_LB = 2000.0


def product_key(name: str) -> str:
    """A product name as every table has it: trimmed, in lower case."""
    return " ".join(name.casefold().split())


@dataclass(frozen=True, kw_only=True, slots=True)
class Product:
    """
    What a tree, or a part of one, is sold as.

    Examples
    --------
    >>> Product(name="sawlog", unit="MBF", log_rule="international-1/4").sale_unit
    'MBF (International 1/4-inch)'
    """

    name: str  # the seller's word, such as ``sawlog``
    unit: SaleUnit  # sale unit
    log_rule: str = ""  # name of the log rule, for board feet only; one of `LOG_RULES`
    solid_m3: float | None = None
    """Solid wood in one sale unit [m3] as the project states it; None for the default: exact for m3
    and ft3, 79 ft3 for a cord, by species for a green ton, none for board feet."""
    solid_source: str = "the project file"  # where `solid_m3` comes from
    stated: str = ""
    """What the unit takes for granted, such as ``100-in sticks, with bark``; it stands beside the
    unit, and amounts that state different things do not add."""

    def __post_init__(self) -> None:
        """Refuse a product that could not be tallied; take its log rule in any case."""
        object.__setattr__(self, "log_rule", log_rule_named(self.log_rule))
        faults = [
            f"product {self.name!r}: {fault}"
            for fault in (*self._unit_faults(), *self._solid_faults())
        ]
        if faults:
            raise InputError(*faults)

    @property
    def sale_unit(self) -> str:
        """Unit with its log rule: only amounts of equal `sale_unit` may be added."""
        rule = LOG_RULE_TITLES[self.log_rule] if self.log_rule else ""
        particulars = ", ".join(text for text in (rule, self.stated) if text)
        return f"{self.unit} ({particulars})" if particulars else self.unit

    def _unit_faults(self) -> list[str]:
        """What is wrong with unit and log rule."""
        if self.unit not in _UNITS:
            return [f"the unit is {self.unit!r}; expected one of {', '.join(_UNITS)}"]
        if self.unit in _BY_LOG_RULE and self.log_rule not in LOG_RULE_TITLES:
            rules = ", ".join(LOG_RULE_TITLES)
            return [f"the log rule is {self.log_rule!r}; expected one of {rules}. State the rule"]
        if self.unit not in _BY_LOG_RULE and self.log_rule:
            return [
                f"the unit {self.unit} takes no log rule, but {self.log_rule!r} is given. Remove it"
            ]
        return []

    def _solid_faults(self) -> list[str]:
        """What is wrong with the solid content."""
        if self.solid_m3 is None or self.solid_m3 > 0:
            return []
        return [f"the solid content is {self.solid_m3} m3; expected a volume above zero"]


def to_solid_m3(
    amount: ArrayLike, product: Product, *, species_code: ArrayLike | None = None
) -> tuple[NDArray[np.float64], str]:
    """
    Solid volume of amounts of a product [m3], and the conversion in words.

    NaN where it cannot be computed: board feet without a stated factor, green tons of a species
    without a published gravity.

    Examples
    --------
    >>> volume, conversion = to_solid_m3(10, Product(name="pulpwood", unit="cord"))
    >>> float(volume.round(2)), conversion
    (22.37, '79 ft3 of solid wood in a cord (Minnesota Statutes 239.33)')
    >>> to_solid_m3([1], Product(name="sawlog", unit="MBF", log_rule="doyle"))[1]
    'no conversion of board feet is stated'
    """
    factor, conversion = _solid_factor(product, species_code)
    return np.asarray(amount, np.float64) * factor, conversion


def green_tons_per_m3(species_code: ArrayLike, *, with_bark: bool = True) -> NDArray[np.float64]:
    """
    Green weight that goes with each solid m3 of wood inside bark [short ton of 2000 lb].

    NaN for a species without published gravities. Moisture varies with season: a mean figure.

    References
    ----------
    62.43 lb/ft3 times gravity times (1 + moisture), Larsen, Forest Functions; gravities, moisture
    and bark share from the FIA species table.

    Examples
    --------
    >>> # sugar maple: 62.43 * 0.56 * 1.5739 / 2000 / 0.02832
    >>> float(green_tons_per_m3(318, with_bark=False).round(3))
    0.972
    """
    table = species_table()
    wood = table.wood_gravity * (1 + table.wood_moisture_pct / 100)
    bark = table.bark_gravity * (1 + table.bark_moisture_pct / 100) * table.bark_volume_pct / 100
    gravity = table.look_up(wood + bark if with_bark else wood, species_code)
    return _WATER_LB_FT3 * gravity / _SHORT_TON_LB / CUBIC_FOOT_M3


def _solid_factor(
    product: Product, species_code: ArrayLike | None
) -> tuple[float | NDArray[np.float64], str]:
    """Solid m3 in one sale unit, and the conversion in words."""
    if product.solid_m3 is not None:
        content = f"{product.solid_m3:.6g} m3 of solid wood in a {product.unit}"
        return product.solid_m3, f"{content} ({product.solid_source})"
    if product.unit == "green ton" and species_code is not None:
        words = "green tons by gravity and moisture of wood and bark (FIA species table)"
        return 1 / green_tons_per_m3(species_code), words
    return _DEFAULT_SOLID[product.unit]
