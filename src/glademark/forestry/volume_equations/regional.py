"""
Equations of regions and of the trade: the Lake States set of 1984, board feet by form class.

The Lake States set gives merchantable height from DBH, site and stand, and volume from it, for
trees whose DBH alone was taped. Form class takes DBH, number of 16-ft logs, and a log rule.

References
----------
.. [1] Hahn 1984, USDA Forest Service Research Paper NC-250, tables 1 to 4. Tables read in a public
       copy. The species behind the names of its groups are our own reading.
.. [2] Wiant 1986, Formulas for Mesavage and Girard volume tables, Northern Journal of Applied
       Forestry 3:124, as restated by the University of Missouri; the Scribner b0 is 3.02888, as its
       own example needs.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from glademark.forestry.species import numbers, packaged_table, source, species_table
from glademark.forestry.volume_equations.equation_set import (
    TreePart,
    Trees,
    WorkedExample,
    coefficients_for,
)
from glademark.units import BASAL_AREA_M2_HA, FOOT_M, INCH_CM

__all__ = ["CompositeHardwood", "FormClass", "LakeStates"]

_TABLE = "lake_states"
_PULPWOOD_TOP_IN = 4.0
_SAWLOG_TOP_SOFTWOOD_IN = 7.0
_SAWLOG_TOP_HARDWOOD_IN = 9.0
_BREAST_HEIGHT_FT = 4.5
_FT2_AC = BASAL_AREA_M2_HA["ft2/acre"]
_FROM_DBH = ("dbh_cm", "site_index_m", "basal_area_m2_ha")
_LEAST_PULPWOOD_IN = 5.0
_LEAST_SAWLOG_IN = 9.0

_CORD_FT3_INSIDE = 76.0

_CORD_FT3_OUTSIDE = 92.0

_HEIGHT_AT_GREATEST_FT = 84.0  # where H (168 - H) turns down

_NEEDS = ("dbh_cm", "merchantable_height_m")

_FITTED = MappingProxyType({"merchantable_height_m": (0.0, _HEIGHT_AT_GREATEST_FT * FOOT_M)})

_MEANING = "stump to the merchantable height"

_BASE_CLASS = 78.0

_SHARE_PER_CLASS = 0.03


@dataclass(frozen=True, slots=True)
class LakeStates:
    """
    Merchantable and sawlog volume by species, from DBH, site index and the stand's basal area.

    Merchantable height, where it was measured, takes the place of the estimated one.
    """

    id: ClassVar[str] = "lake-states-1984"
    title: ClassVar[str] = "Lake States, from DBH, site index and stand basal area"
    source: ClassVar[str] = source("hahn_1984").short
    parts: ClassVar[Mapping[str, TreePart]] = MappingProxyType(
        {
            "merchantable": TreePart(
                unit="ft3",
                meaning="1-ft stump to a 4-in top outside bark",
                needs=_FROM_DBH,
                fitted={"dbh_cm": (_LEAST_PULPWOOD_IN * INCH_CM, np.inf)},
            ),
            "sawlog": TreePart(
                unit="board foot",
                log_rule="international-1/4",
                meaning="1-ft stump to a 7-in (softwood) or 9-in (hardwood) top outside bark",
                needs=_FROM_DBH,
                fitted={"dbh_cm": (_LEAST_SAWLOG_IN * INCH_CM, np.inf)},
            ),
            "merchantable from height": TreePart(
                unit="ft3",
                meaning="1-ft stump to the measured height of a 4-in top outside bark",
                needs=("dbh_cm", "merchantable_height_m"),
                fitted={"dbh_cm": (_LEAST_PULPWOOD_IN * INCH_CM, np.inf)},
            ),
            "sawlog from height": TreePart(
                unit="board foot",
                log_rule="international-1/4",
                meaning="1-ft stump to the measured height of the sawlog top",
                needs=("dbh_cm", "merchantable_height_m"),
                fitted={"dbh_cm": (_LEAST_SAWLOG_IN * INCH_CM, np.inf)},
            ),
            "stump": TreePart(unit="ft3", meaning="ground to 1 ft", needs=("dbh_cm",)),
        }
    )
    example: ClassVar[WorkedExample] = WorkedExample(
        trees=Trees(dbh_cm=12 * INCH_CM, merchantable_height_m=49.6 * FOOT_M, species_code=318),
        part="merchantable from height",
        volume=17.13073,  # sugar maple example of the paper, which rounds the height to 49.6 ft
        tolerance=1e-6,
    )

    def volume(self, trees: Trees, part: str) -> NDArray[np.float64]:
        """
        Volume of a part of each tree, ft3 or board feet.

        0 for a stem that is thinner than the top; NaN for a species without an equation.
        """
        dbh_in = trees.column("dbh_cm") / INCH_CM
        row = coefficients_for(_TABLE, trees.codes)
        if part == "stump":
            return row["stump"] * dbh_in**2
        if part.startswith("merchantable"):
            top_in, b0, b1 = np.array(_PULPWOOD_TOP_IN), row["cubic_b0"], row["cubic_b1"]
        else:
            top_in, b0, b1 = _sawlog_top_in(trees), row["board_b0"], row["board_b1"]
        if part.endswith("from height"):
            height_ft = trees.column("merchantable_height_m") / FOOT_M
        else:
            height_ft = self.height_to_top_ft(trees, top_in)
        volume = b0 + b1 * dbh_in**2 * height_ft
        return np.where(dbh_in <= top_in, np.where(np.isnan(volume), np.nan, 0.0), volume)

    def height_to_top_ft(
        self, trees: Trees, top_in: float | NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Height to a top diameter outside bark [ft]."""
        dbh_in = trees.column("dbh_cm") / INCH_CM
        site_ft = trees.column("site_index_m") / FOOT_M
        basal_area = trees.column("basal_area_m2_ha") / _FT2_AC
        row = coefficients_for(_TABLE, trees.codes)
        b1, b2, b3, b4, b5, b6 = (row[f"height_b{number}"] for number in range(1, 7))
        size = (-np.expm1(-b2 * dbh_in)) ** b3
        taper = np.maximum(1.00001 - top_in / dbh_in, 0) ** b5
        return _BREAST_HEIGHT_FT + b1 * size * site_ft**b4 * taper * basal_area**b6


def _sawlog_top_in(trees: Trees) -> NDArray[np.float64]:
    """Top diameter of a sawlog, by softwood and hardwood."""
    table = species_table()
    softwood = np.isin(trees.codes, table.code[table.is_softwood])
    return np.where(softwood, _SAWLOG_TOP_SOFTWOOD_IN, _SAWLOG_TOP_HARDWOOD_IN)


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


_LEAST_IN, _GREATEST_IN = 12.0, 30.0  # where the formulas follow the printed tables
_FORM_CLASS_FITTED = MappingProxyType(
    {"dbh_cm": (_LEAST_IN * INCH_CM, _GREATEST_IN * INCH_CM), "logs": (1.0, 4.0)}
)


@dataclass(frozen=True, slots=True)
class FormClass:
    """
    Board feet to the top that was tallied, by form class.

    Form class 78 is the base; each unit more or less is 3 per cent of the volume. Below 12 inches
    the formulas leave the printed tables and turn up again: there is no volume there.
    """

    id: ClassVar[str] = "form-class-1986"
    title: ClassVar[str] = "Board feet by DBH, 16-ft logs and form class"
    source: ClassVar[str] = source("wiant_1986").short
    parts: ClassVar[Mapping[str, TreePart]] = MappingProxyType(
        {
            rule: TreePart(
                unit="board foot",
                log_rule=rule,
                bark="",
                meaning="stump to the tallied top",
                needs=("dbh_cm", "logs", "form_class"),
                fitted=_FORM_CLASS_FITTED,
                only_fitted=True,
            )
            for rule in ("international-1/4", "scribner", "doyle")
        }
    )
    example: ClassVar[WorkedExample] = WorkedExample(
        trees=Trees(dbh_cm=24 * INCH_CM, logs=2.5),
        part="international-1/4",
        volume=519.665,  # the paper's own example
        tolerance=2e-6,
    )

    def volume(self, trees: Trees, part: str) -> NDArray[np.float64]:
        """Board feet of each tree."""
        dbh_in, logs = trees.column("dbh_cm") / INCH_CM, trees.column("logs")
        table = packaged_table("form_class")
        row = int(np.flatnonzero(table["log_rule"] == part)[0])
        a, b, c = (
            sum(numbers(table[f"{letter}{power}"])[row] * logs**power for power in range(3))
            for letter in "abc"
        )
        form = 1 + _SHARE_PER_CLASS * (trees.column("form_class") - _BASE_CLASS)
        return np.asarray(np.maximum(a + b * dbh_in + c * dbh_in**2, 0) * form)
