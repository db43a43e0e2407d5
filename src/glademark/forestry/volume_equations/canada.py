"""
Two sets for eastern Canada and the Northeast: the metric timber tables, and the equations of 2021.

References
----------
.. [1] Honer, Ker and Alemdag 1983, Canadian Forestry Service Information Report M-X-140. Parameters
       read in a public copy.
.. [2] Sharma 2021, Forests 12(9):1270, tables 2 to 4, doi.org/10.3390/f12091270. The merchantable
       row for basswood is left out: it exceeds the total at common sizes.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from glademark.forestry.packaged_data import source
from glademark.forestry.volume_equations.coefficient_rows import coefficients_for
from glademark.forestry.volume_equations.equation_set import TreePart, Trees, WorkedExample
from glademark.units import CUBIC_FOOT_M3, FOOT_M, INCH_CM

__all__ = ["Honer", "Sharma"]

_HONER_FACTOR = 0.0043891
_TAPER_FACTOR = 0.04365  # times b2: what a stem loses from 1.3 m to 4.5 ft
_CM_PER_M = 100.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Honer:
    """
    Total and merchantable stem wood of 21 species of central and eastern Canada.

    Parameters
    ----------
    at_4_5_ft
        Whether DBH was taped at 4.5 ft, as in the United States, and not at 1.3 m, as in Canada.
    top_cm
        Top diameter inside bark of the merchantable stem [cm].
    stump_m
        Height of the stump [m].
    """

    at_4_5_ft: bool = False
    top_cm: float = 7.0
    stump_m: float = 0.3

    source: ClassVar[str] = source("honer_1983").short

    @property
    def id(self) -> str:
        """
        Short name, with the year.

        Returns
        -------
        id
            Ends in ``us`` for DBH at 4.5 ft.
        """
        return "honer-1983-us" if self.at_4_5_ft else "honer-1983"

    @property
    def title(self) -> str:
        """
        What it is, with the height that DBH is taped at.

        Returns
        -------
        title
            One line.
        """
        height = "4.5 ft" if self.at_4_5_ft else "1.3 m"
        return f"Central and eastern Canada, metric timber tables of 1983, DBH at {height}"

    @property
    def parts(self) -> Mapping[str, TreePart]:
        """
        Every part of the tree by name.

        Returns
        -------
        parts
            Whole stem, and merchantable stem with the stump and top of this instance.
        """
        stem = f"{self.stump_m:g} m stump to a {self.top_cm:g} cm top inside bark"
        return MappingProxyType(
            {
                "total": TreePart(unit="m3", meaning="whole stem, stump and tip included"),
                "merchantable": TreePart(unit="m3", meaning=stem),
            }
        )

    @property
    def example(self) -> WorkedExample:
        """
        Red oak of 16 inches and 70 ft, by hand.

        Returns
        -------
        example
            By the imperial form D^2 / (c1 + c2 / H), D in inches at 4.5 ft, H in feet.
        """
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

        Parameters
        ----------
        trees
            Trees with DBH, total height and species.
        part
            ``total`` or ``merchantable``.

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

        Parameters
        ----------
        trees
            Trees with DBH, total height and species.
        part
            One of `parts`.

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
