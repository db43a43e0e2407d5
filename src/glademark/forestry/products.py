"""
Products and the units that they are sold in.

Amounts in different units never add. A common solid volume in m3 stands beside them where it can be
computed, and the conversion is named: exact for cubic units, the solid content of a cord by a
published default or the project's own figure, a green ton by the gravity and moisture of the
species. Board feet have no general conversion: how much sawn wood a log gives hangs on its diameter
and on the rule.

References
----------
.. [1] Minnesota Statutes 239.33: a cord of 128 ft3 stacked holds 79 ft3 of solid wood where it is
       settled by weight. Range in practice 65 ft3 (small, rough, crooked) to 95 ft3 (large, smooth,
       straight): University of Minnesota Extension, Woodland Stewardship, chapter 2.
.. [2] Larsen, Forest Functions, wood density: weight = 62.43 lb/ft3 times gravity times (1 +
       moisture).
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glademark.errors import InputError
from glademark.forestry.log_rules import LOG_RULE_TITLES, log_rule_named
from glademark.forestry.species import species_table
from glademark.units import CUBIC_FOOT_M3

__all__ = [
    "CORD_SOLID_FT3",
    "Product",
    "SaleUnit",
    "green_tons_per_m3",
    "product_key",
    "to_solid_m3",
]

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

    Parameters
    ----------
    name
        The seller's word, such as ``sawlog``.
    unit
        Sale unit.
    log_rule
        Name of the log rule, for board feet only; one of `LOG_RULES`.
    solid_m3
        Solid wood in one sale unit [m3] as the project states it; None for the default: exact for
        m3 and ft3, 79 ft3 for a cord, by species for a green ton, none for board feet.
    solid_source
        Where `solid_m3` comes from.
    stated
        What the unit takes for granted, such as ``100-in sticks, with bark``; it stands beside the
        unit, and amounts that state different things do not add.

    Raises
    ------
    InputError
        If the unit is not known, a log rule is missing, unknown or out of place, or `solid_m3` is
        not above zero.

    Examples
    --------
    >>> Product(name="sawlog", unit="MBF", log_rule="international-1/4").sale_unit
    'MBF (International 1/4-inch)'
    """

    name: str
    unit: SaleUnit
    log_rule: str = ""
    solid_m3: float | None = None
    solid_source: str = "the project file"
    stated: str = ""

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
