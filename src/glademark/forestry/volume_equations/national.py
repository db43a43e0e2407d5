"""
The national volume system of 2024: total stem, merchantable stem, sawlog, and what is left of them.

References
----------
.. [1] Westfall and others 2024, USDA Forest Service General Technical Report WO-104, supplement
       tables S1 to S5, doi.org/10.2737/WO-GTR-104. Tables read in a public copy. The group
       tables are used without the specific gravity of the wood, as worked example 3 (tanoak) needs.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from glademark.errors import InputError
from glademark.forestry.species import numbers, packaged_table, source, species_table
from glademark.forestry.volume_equations.equation_set import (
    TreePart,
    Trees,
    WorkedExample,
    coefficients_for,
)
from glademark.units import CUBIC_FOOT_M3, FOOT_M, INCH_CM

__all__ = ["Honer", "NationalVolumeSystem", "Sharma"]

_FT2_PER_IN2 = 0.005454154  # as printed in the report; pi / 576
_STUMP_FT = 1.0
_TOP_IN = 4.0
_SAWLOG_TOP_SOFTWOOD_IN = 7.0
_SAWLOG_TOP_HARDWOOD_IN = 9.0
_BREAK_SOFTWOOD_IN = 9.0  # where model 2 changes its exponent
_BREAK_HARDWOOD_IN = 11.0
_CODES = 1000  # FIA tree codes have three digits
_BLOCK = 1 << 15  # trees worked on at once: fits the processor's cache
_INCH_DECIMALS = 9  # centimetres turned back to inches must meet the break that they stand on
_SEARCH_STEPS = 60
_SEARCH_TOLERANCE = 1e-6  # last step of ln z; the error is its square, as Newton's steps go
_NEAR_GROUND = 1e-4  # ln z within an inch of the ground: below every stump, not searched closer
_SOFTWOOD_GROUPS = 5  # groups 1 to 5
_DIVISION = re.compile(r"all|M?\d{3}")
_QUANTITIES = ("wood", "bark", "outside_bark", "ratio_wood", "ratio_outside_bark")
_MODEL_BROKEN, _MODEL_RISING, _MODEL_DAMPED = 2, 3, 4

_MEANINGS: Mapping[str, tuple[str, float]] = MappingProxyType(
    # what it is, and the least DBH that it is defined for, in inches
    {
        "total": ("whole stem, ground to tip", 1.0),
        "stump": ("ground to 1 ft", 1.0),
        "merchantable": ("1-ft stump to a 4-in top outside bark", 5.0),
        "sawlog": ("1-ft stump to a 7-in (softwood) or 9-in (hardwood) top outside bark", 9.0),
        "topwood": ("sawlog top to a 4-in top outside bark", 5.0),
        "top": ("4-in top outside bark to tip", 5.0),
    }
)
_OUTSIDE_BARK = "_outside_bark"
_BARK = "bark"


def _parts() -> Mapping[str, TreePart]:
    """All parts inside bark, all outside bark, and the bark of the whole stem."""
    parts = {}
    for name, (meaning, least_in) in _MEANINGS.items():
        fitted = {"dbh_cm": (least_in * INCH_CM, np.inf)}
        parts[name] = TreePart(unit="ft3", meaning=meaning, fitted=fitted)
        parts[name + _OUTSIDE_BARK] = TreePart(
            unit="ft3", meaning=meaning, bark="outside", fitted=fitted
        )
    parts[_BARK] = TreePart(
        unit="ft3",
        meaning="bark of the whole stem, ground to tip or break",
        bark="bark only",
        fitted={"dbh_cm": (INCH_CM, np.inf)},
    )
    return MappingProxyType(parts)


@dataclass(frozen=True, slots=True)
class NationalVolumeSystem:
    """
    Stem volume by species and ecological division, from DBH and total height.

    Sawlog and topwood are parts of the merchantable stem; stump, merchantable stem and top make up
    the whole. A broken tree has volume up to its break only. Species without an equation of their
    own take that of their group.

    Notes
    -----
    Against 31 felled black cherry trees of Pennsylvania, 935.3 ft3 as measured (Ryan, Joiner and
    Ryan 1976, Minitab Student Handbook), the merchantable stem inside bark comes out 2.0 % over in
    sum, with 9.6 % of root mean square error a tree; the whole stem 7.7 % over. What the measured
    volume takes in is not stated. Other stands may differ more.
    """

    id: ClassVar[str] = "national-2024"
    title: ClassVar[str] = "National volume system of 2024, United States"
    source: ClassVar[str] = source("westfall_2024").short
    parts: ClassVar[Mapping[str, TreePart]] = _parts()
    example: ClassVar[WorkedExample] = WorkedExample(
        trees=Trees(dbh_cm=20 * INCH_CM, height_m=110 * FOOT_M, species_code=202, division="240"),
        part="merchantable",
        volume=85.728641209612,  # worked example 1 of the report
        tolerance=1e-5,
    )

    def volume(self, trees: Trees, part: str) -> NDArray[np.float64]:
        """
        Volume of a part of each tree [ft3].

        Returns
        -------
        volume
            NaN for a species without an equation, and where an input is missing.
        """
        return _by_blocks(trees, lambda stem: stem.part(part))

    def height_to_top_ft(self, trees: Trees, top_in: float) -> NDArray[np.float64]:
        """
        Height at which the stem has a given diameter outside bark [ft].

        Parameters
        ----------
        top_in
            Diameter outside bark [in].

        Returns
        -------
        height
            Above the ground, as if the tree were whole; NaN as for `volume`.
        """
        return _by_blocks(trees, lambda stem: stem.height_to(np.array(top_in)))

    def share_below(self, trees: Trees, height_ft: float) -> NDArray[np.float64]:
        """
        Share of the stem's wood that lies below a height.

        Parameters
        ----------
        height_ft
            Height above the ground [ft].

        Returns
        -------
        share
            0 at the ground, 1 at the tip and above; NaN as for `volume`.
        """
        return _by_blocks(trees, lambda stem: stem.share_below(np.array(height_ft)))


@dataclass(frozen=True, kw_only=True, slots=True)
class _Stem:
    """A block of stems: sizes in inches and feet, and the rows of their coefficients."""

    dbh_in: NDArray[np.float64]
    height_ft: NDArray[np.float64]
    end_ft: NDArray[np.float64]
    rows: Mapping[str, NDArray[np.int64]]

    def part(self, part: str) -> NDArray[np.float64]:
        """Volume of a named part."""
        if part == _BARK:
            return self.whole("bark") * self.share("total")
        name = part.removesuffix(_OUTSIDE_BARK)
        volume = self.whole("wood")
        if part != name:
            volume = volume + self.whole("bark")
        return volume * self.share(name)

    def share(self, name: str) -> NDArray[np.float64]:
        """Share of the whole stem that a part takes, up to the break of a broken one."""
        end = self.share_below(self.end_ft)
        if name == "total":
            return end
        stump = np.minimum(self.share_below(np.array(_STUMP_FT)), end)
        if name == "stump":
            return stump
        match name:
            case "sawlog":
                return self.share_to(self.sawlog_top_in(), stump, end) - stump
            case "topwood":
                tops = np.broadcast_arrays(_TOP_IN, self.sawlog_top_in())
                top, sawlog = self.share_to(np.stack(tops), stump, end)
                return np.asarray(top - sawlog)
        top = self.share_to(np.array(_TOP_IN), stump, end)
        return top - stump if name == "merchantable" else end - top

    def share_to(
        self,
        top_in: NDArray[np.float64],
        stump: NDArray[np.float64],
        end: NDArray[np.float64],
    ) -> NDArray[np.float64]:
        """Share below a top diameter, no less than the stump and no more than what stands."""
        return np.clip(self.share_below(self.height_to(top_in)), stump, end)

    def sawlog_top_in(self) -> NDArray[np.float64]:
        """Top diameter of a sawlog, by softwood and hardwood."""
        table = _coefficients("wood")
        softwood = table["is_softwood"][self.rows["wood"]]
        return np.where(softwood, _SAWLOG_TOP_SOFTWOOD_IN, _SAWLOG_TOP_HARDWOOD_IN)

    def whole(self, quantity: str) -> NDArray[np.float64]:
        """Volume of the whole stem: wood, bark, or both together."""
        table, row = _coefficients(quantity), self.rows[quantity]
        model = table["model"][row]
        dbh, log_dbh = self.dbh_in, np.log(self.dbh_in)
        exponent, scale = table["b"][row], table["log_a"][row]
        large = (model == _MODEL_BROKEN) & (dbh >= table["break_in"][row])
        scale = np.where(large, table["log_a_large"][row], scale)
        exponent = np.where(large, table["b1"][row], exponent)
        scale = np.where(model == _MODEL_DAMPED, scale - table["b1"][row] * dbh, scale)
        rising = model == _MODEL_RISING
        if rising.any():
            a1, b, c1 = (table[name][row[rising]] for name in ("a1", "b", "c1"))
            exponent[rising] = a1 * (-np.expm1(-b * dbh[rising])) ** c1
        logarithm = scale + exponent * log_dbh + table["c"][row] * np.log(self.height_ft)
        return np.asarray(np.exp(logarithm))

    def share_below(self, height_ft: NDArray[np.float64]) -> NDArray[np.float64]:
        """Share of the wood below a height: (1 - z^alpha)^beta, z the share of the height above."""
        table, row = _coefficients("ratio_wood"), self.rows["ratio_wood"]
        above = 1 - np.clip(height_ft / self.height_ft, 0, 1)
        return np.asarray((1 - above ** table["a"][row]) ** table["b"][row])

    def height_to(self, top_in: NDArray[np.float64]) -> NDArray[np.float64]:
        """
        Height to a top diameter, from the taper that volume and ratio outside bark imply.

        With x = ln z the taper is a rising convex function of x; Newton's steps from above cannot
        miss its root.
        """
        table, row = _coefficients("ratio_outside_bark"), self.rows["ratio_outside_bark"]
        alpha, beta = table["a"][row], table["b"][row]
        basal = _FT2_PER_IN2 * top_in**2 * self.height_ft
        level = np.log(self.whole("outside_bark") * alpha * beta / basal)
        return self.height_ft * -np.expm1(_log_share_above(level, alpha, beta))


def _by_blocks(
    trees: Trees, measure: Callable[[_Stem], NDArray[np.float64]]
) -> NDArray[np.float64]:
    """A measure of every stem, a block at a time."""
    dbh, height, broken = (
        trees.column(name).ravel() for name in ("dbh_cm", "height_m", "broken_height_m")
    )
    codes = np.clip(trees.codes.ravel(), 0, _CODES - 1)
    rows_by_code = {quantity: _rows_by_code(quantity, trees.division) for quantity in _QUANTITIES}
    values = np.empty(dbh.size)
    with np.errstate(all="ignore"):
        for start in range(0, values.size, _BLOCK):
            block = slice(start, start + _BLOCK)
            stem = _Stem(
                dbh_in=(dbh[block] / INCH_CM).round(_INCH_DECIMALS),
                height_ft=height[block] / FOOT_M,
                end_ft=np.fmin(broken[block], height[block]) / FOOT_M,
                rows={name: rows[codes[block]] for name, rows in rows_by_code.items()},
            )
            values[block] = measure(stem)
    return values.reshape(trees.shape)


def _log_share_above(
    level: NDArray[np.float64], alpha: NDArray[np.float64], beta: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Root x of level + (beta - 1) ln(1 - e^(alpha x)) + (alpha - 1) x, for beta < 1 < alpha."""
    from_tip = -level / (alpha - 1)
    from_ground = np.log(-np.expm1(level / (1 - beta))) / alpha
    x = np.where(level > 0, from_tip, np.minimum(from_ground, -_NEAR_GROUND))
    for _ in range(_SEARCH_STEPS):
        below = -np.expm1(alpha * x)
        value = level + (beta - 1) * np.log(below) + (alpha - 1) * x
        slope = (alpha - 1) + (1 - beta) * alpha * (1 - below) / below
        stepped = np.minimum(x - value / slope, x / 4)  # never past the ground
        moved = (np.abs(stepped - x) > _SEARCH_TOLERANCE) & (stepped < -_NEAR_GROUND)
        x = stepped
        if not moved.any():
            break
    return x


@cache
def _coefficients(quantity: str) -> Mapping[str, NDArray[Any]]:
    """Coefficients of one table, a row each, and a last row of NaN for no species."""
    table = packaged_table("national_volume_system")
    chosen = table["quantity"] == quantity
    columns = {
        name: np.append(numbers(table[name][chosen]), np.nan)
        for name in ("a", "a1", "b", "b1", "c", "c1", "model", "species_code", "volume_group")
    }
    softwood = _is_softwood(columns["species_code"], columns["volume_group"])
    break_in = np.where(softwood, _BREAK_SOFTWOOD_IN, _BREAK_HARDWOOD_IN)
    log_a = np.log(columns["a"])
    return MappingProxyType(
        columns
        | {
            "is_softwood": softwood,
            "break_in": break_in,
            "log_a": log_a,
            "log_a_large": log_a + (columns["b"] - columns["b1"]) * np.log(break_in),
        }
    )


def _is_softwood(
    species_code: NDArray[np.float64], volume_group: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """True for the rows of softwood species and of the five softwood groups."""
    table = species_table()
    codes = np.nan_to_num(species_code).astype(np.int64)
    return (volume_group <= _SOFTWOOD_GROUPS) | np.isin(codes, table.code[table.is_softwood])


@cache
def _rows_by_code(quantity: str, division: str) -> NDArray[np.int64]:
    """Row for each FIA code: species and division, else species, else group, else NaN."""
    if not _DIVISION.fullmatch(division):
        msg = (
            f"ecological division: {division!r} is none; expected a code such as '210' or 'M220', "
            "or 'all'. Correct it, or leave it out"
        )
        raise InputError(msg)
    table, species = _coefficients(quantity), species_table()
    packaged = packaged_table("national_volume_system")
    divisions = packaged["division"][packaged["quantity"] == quantity]
    rows = np.full(_CODES, table["a"].size - 1)
    for group in np.unique(species.volume_group[species.volume_group > 0]):
        rows[species.code[species.volume_group == group]] = np.flatnonzero(
            table["volume_group"] == group
        )
    for name in ("all", division):
        own = np.flatnonzero((divisions == name) & ~np.isnan(table["species_code"][:-1]))
        rows[table["species_code"][own].astype(np.int64)] = own
    return rows


_HONER_FACTOR = 0.0043891
_TAPER_FACTOR = 0.04365  # times b2: what a stem loses from 1.3 m to 4.5 ft
_CM_PER_M = 100.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Honer:
    """Total and merchantable stem wood of 21 species of central and eastern Canada."""

    at_4_5_ft: bool = False
    """Whether DBH was taped at 4.5 ft, as in the United States, and not at 1.3 m, as in Canada."""
    top_cm: float = 7.0  # top diameter inside bark of the merchantable stem [cm]
    stump_m: float = 0.3  # height of the stump [m]

    source: ClassVar[str] = source("honer_1983").short

    @property
    def id(self) -> str:
        """Short name, with the year."""
        return "honer-1983-us" if self.at_4_5_ft else "honer-1983"

    @property
    def title(self) -> str:
        """What it is, with the height that DBH is taped at."""
        height = "4.5 ft" if self.at_4_5_ft else "1.3 m"
        return f"Central and eastern Canada, metric timber tables of 1983, DBH at {height}"

    @property
    def parts(self) -> Mapping[str, TreePart]:
        """Every part of the tree by name."""
        stem = f"{self.stump_m:g} m stump to a {self.top_cm:g} cm top inside bark"
        return MappingProxyType(
            {
                "total": TreePart(unit="m3", meaning="whole stem, stump and tip included"),
                "merchantable": TreePart(unit="m3", meaning=stem),
            }
        )

    @property
    def example(self) -> WorkedExample:
        """Red oak of 16 inches and 70 ft, by hand."""
        tapered = 1.0 if self.at_4_5_ft else (1 - _TAPER_FACTOR * 0.145) ** 2
        return WorkedExample(
            trees=Trees(dbh_cm=16 * INCH_CM, height_m=70 * FOOT_M, species_code=833),
            part="total",
            volume=tapered * 16**2 / (1.512 + 336.509 / 70) * CUBIC_FOOT_M3,
            tolerance=2e-5,
        )

    def volume(self, trees: Trees, part: str) -> NDArray[np.float64]:
        """
        Volume of a part of each tree [m3].

        Returns
        -------
        volume
            NaN for a species without an equation.
        """
        dbh, height = trees.column("dbh_cm"), trees.column("height_m")
        row = coefficients_for("honer", trees.codes)
        if not self.at_4_5_ft:
            dbh = dbh * (1 - _TAPER_FACTOR * row["b2"])
        total = _HONER_FACTOR * dbh**2 / (row["c1"] + FOOT_M * row["c2"] / height)
        if part == "total":
            return total
        taken = (self.top_cm / dbh) ** 2 * (1 + self.stump_m / height)
        share = row["r1"] + row["r2"] * taken + row["r3"] * taken**2
        return np.asarray(total * np.maximum(share, 0))


@dataclass(frozen=True, slots=True)
class Sharma:
    """Total and merchantable volume of the commercial species of Canada and the Northeast, 2021."""

    id: ClassVar[str] = "sharma-2021"
    title: ClassVar[str] = "Canada and the northeastern United States, equations of 2021"
    source: ClassVar[str] = source("sharma_2021").short
    parts: ClassVar[Mapping[str, TreePart]] = MappingProxyType(
        {
            "total": TreePart(unit="m3", meaning="whole stem"),
            "total_outside_bark": TreePart(unit="m3", meaning="whole stem", bark="outside"),
            "merchantable": TreePart(unit="m3", meaning="0.3 m stump to a 7 cm top inside bark"),
        }
    )
    example: ClassVar[WorkedExample] = WorkedExample(
        trees=Trees(dbh_cm=40, height_m=20, species_code=318),
        part="total",
        volume=0.00207 + 0.2390 * 0.4**1.9451 * 20 ** (3 - 1.9451),  # hand computation, table 2
        tolerance=1e-12,
    )

    def volume(self, trees: Trees, part: str) -> NDArray[np.float64]:
        """
        Volume of a part of each tree [m3].

        Returns
        -------
        volume
            Of the form alpha + beta D^gamma H^(3 - gamma), both in metres, and no less than 0; NaN
            for a species without an equation.
        """
        dbh_m, height = trees.column("dbh_cm") / _CM_PER_M, trees.column("height_m")
        row = coefficients_for("sharma", trees.codes, part=part)
        power = dbh_m ** row["gamma"] * height ** (3 - row["gamma"])
        return np.maximum(row["alpha"] + row["beta"] * power, 0)
