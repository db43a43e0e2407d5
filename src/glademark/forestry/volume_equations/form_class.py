"""
Board feet of a tree by form class: DBH, number of 16-ft logs, and a log rule.

References
----------
.. [1] Wiant 1986, Formulas for Mesavage and Girard volume tables, Northern Journal of Applied
       Forestry 3:124, as restated by the University of Missouri; the Scribner b0 is 3.02888, as its
       own example needs.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from glademark.forestry.species import numbers, packaged_table, source
from glademark.forestry.volume_equations.equation_set import TreePart, Trees, WorkedExample
from glademark.units import INCH_CM

__all__ = ["FormClass"]

_BASE_CLASS = 78.0
_SHARE_PER_CLASS = 0.03
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
