"""
The composite hardwood volume form: DBH and merchantable height, one equation for all hardwoods.

References
----------
.. [1] Beers 1964, Composite hardwood volume tables, Purdue University, as restated by Larsen,
       Forest Functions; title and number from memory.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from glademark.forestry.packaged_data import source
from glademark.forestry.species import species_table
from glademark.forestry.volume_equations.equation_set import TreePart, Trees, WorkedExample
from glademark.units import FOOT_M, INCH_CM

__all__ = ["CompositeHardwood"]

_CORD_FT3_INSIDE = 76.0
_CORD_FT3_OUTSIDE = 92.0
_HEIGHT_AT_GREATEST_FT = 84.0  # where H (168 - H) turns down
_NEEDS = ("dbh_cm", "merchantable_height_m")
_FITTED = MappingProxyType({"merchantable_height_m": (0.0, _HEIGHT_AT_GREATEST_FT * FOOT_M)})
_MEANING = "stump to the merchantable height"


@dataclass(frozen=True, slots=True)
class CompositeHardwood:
    """Cords, cubic feet and board feet of a hardwood from DBH and merchantable height."""

    id: ClassVar[str] = "composite-hardwood-1964"
    title: ClassVar[str] = "Composite hardwood volumes, from DBH and merchantable height"
    source: ClassVar[str] = source("beers_1964").short
    parts: ClassVar[Mapping[str, TreePart]] = MappingProxyType(
        {
            "cubic": TreePart(unit="ft3", meaning=_MEANING, needs=_NEEDS, fitted=_FITTED),
            "cubic_outside_bark": TreePart(
                unit="ft3", meaning=_MEANING, bark="outside", needs=_NEEDS, fitted=_FITTED
            ),
            "cords": TreePart(unit="cord", meaning=_MEANING, bark="", needs=_NEEDS, fitted=_FITTED),
            "board_feet": TreePart(
                unit="board foot",
                log_rule="international-1/4",
                meaning=_MEANING,
                needs=_NEEDS,
                fitted=_FITTED,
            ),
        }
    )
    example: ClassVar[WorkedExample] = WorkedExample(
        trees=Trees(dbh_cm=10 * INCH_CM, merchantable_height_m=26 * FOOT_M, species_code=833),
        part="cubic_outside_bark",
        volume=10.84,  # the restatement's own example
        tolerance=1e-3,
    )

    def volume(self, trees: Trees, part: str) -> NDArray[np.float64]:
        """
        Volume of each hardwood, in the unit of the part.

        Parameters
        ----------
        trees
            Trees with DBH, merchantable height and species.
        part
            One of `parts`.

        Returns
        -------
        volume
            NaN for softwoods and unknown species.
        """
        dbh_in = trees.column("dbh_cm") / INCH_CM
        height_ft = trees.column("merchantable_height_m") / FOOT_M
        by_size = dbh_in**2 * (dbh_in + 190) / 100_000
        by_height = (height_ft * (168 - height_ft) / 64 + 32 / height_ft) / 100
        content: dict[str, float | NDArray[np.float64]] = {
            "cubic": _CORD_FT3_INSIDE,
            "cubic_outside_bark": _CORD_FT3_OUTSIDE,
            "cords": 1.0,
            "board_feet": 475 + 3 * height_ft**2 / 128,
        }
        table = species_table()
        hardwood = np.isin(trees.codes, table.code[~table.is_softwood])
        return np.where(hardwood, by_size * by_height * content[part], np.nan)
