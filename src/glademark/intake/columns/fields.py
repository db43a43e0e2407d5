"""Fields of records by their meaning: text, lengths in metres, whole numbers."""

import re
from dataclasses import dataclass

import numpy as np
import pandas as pd

from glademark.intake.columns.cells import numbers, quantities
from glademark.intake.columns.match import Found
from glademark.intake.record_log import RecordLog
from glademark.intake.records import Reading
from glademark.units import LENGTH_M
from glademark.wording import shown

_WHOLE = re.compile(r"^(\d+)\.0+$")


@dataclass(frozen=True, kw_only=True, slots=True)
class Fields:
    """
    Columns of a reading by what they mean.

    Attributes
    ----------
    reading
        The records.
    found
        Which column holds what.
    log
        Takes the faults.
    """

    reading: Reading
    found: Found
    log: RecordLog

    def has(self, name: str) -> bool:
        """Whether there is a column of this meaning."""
        return name in self.found.header

    def column(self, name: str) -> pd.Series:
        """The cells as they came from the file."""
        return self.reading.column(self.found.header[name])

    def cells(self, name: str) -> pd.Series:
        """The cells as text; empty where there is no such column."""
        if not self.has(name):
            return pd.Series("", index=self.reading.index, dtype="str")
        return self.reading.text(self.found.header[name])

    def names(self, name: str) -> pd.Series:
        """The cells as names of things: a number that a spreadsheet wrote as 3.0 is 3."""
        cells = self.cells(name)
        if not cells.str.contains(".", regex=False).any():
            return cells
        return cells.str.replace(_WHOLE, r"\1", regex=True)

    def numbers(self, name: str) -> tuple[pd.Series, pd.Series]:
        """The cells as numbers, NaN where there is none, and which are neither blank nor one."""
        if not self.has(name):
            return self._no_numbers()
        return numbers(
            self.column(name),
            decimal_comma=self.reading.decimal_comma,
            stand=self.reading.key,
        )

    def quantities(self, name: str) -> tuple[pd.Series, pd.Series, pd.Series]:
        """The cells as numbers, the unit of each (its own, else the header's), and the bad ones."""
        values, units, bad = self.cell_quantities(name)
        header = self.found.unit.get(name, "")
        return values, units.where(units != "", header), bad

    def cell_quantities(self, name: str) -> tuple[pd.Series, pd.Series, pd.Series]:
        """The cells as numbers, the unit that stands in each cell, and the bad ones."""
        if not self.has(name):
            values, bad = self._no_numbers()
            return values, pd.Series("", index=values.index, dtype="str"), bad
        return quantities(
            self.column(name),
            decimal_comma=self.reading.decimal_comma,
            stand=self.reading.key,
        )

    def lengths(self, name: str, *, unit: str | None, key: str) -> tuple[pd.Series, pd.Series]:
        """
        The cells in metres, and which are neither blank nor a length.

        `unit` is that of cells where neither they nor the header say one, `key` where the project
        file would say it; stands with numbers whose unit nothing says are refused.
        """
        if not self.has(name):
            return self._no_numbers()
        values, units, bad = self.quantities(name)
        units = units.where(units != "", unit or "")
        unsaid = values.notna() & (units == "")
        if unsaid.any():
            header = shown(self.found.header[name])
            elsewhere = f", or in the project file under {key}" if key else ""
            msg = (
                f"{self.reading.file.name}: the column '{header}' does not say its unit. Say it in "
                f"the header, as in '{header}_m' or '{header}_ft'{elsewhere}."
            )
            self.refuse(unsaid, msg)
        bad = bad | (units == "pct")
        return values * units.map(LENGTH_M).astype("float64"), bad

    def refuse(self, bad: pd.Series, text: str) -> None:
        """Refuse the stands that have bad records, all in the same words."""
        self.log.refuse(self.reading, ((stand, text) for stand, _ in self.reading.split(bad)))

    def _no_numbers(self) -> tuple[pd.Series, pd.Series]:
        """No value and nothing bad, on the index of the records."""
        index = self.reading.index
        return (
            pd.Series(np.full(len(index), np.nan), index=index),
            pd.Series(np.zeros(len(index), dtype=bool), index=index),
        )
