"""Fields of records by their meaning: text, lengths in metres, whole numbers."""

import re
from dataclasses import dataclass

import numpy as np
import pandas as pd

from glademark.errors import FileError
from glademark.intake.columns.cells import numbers, quantities
from glademark.intake.columns.match import Found
from glademark.intake.records import Reading
from glademark.intake.wording import shown
from glademark.units import LENGTH_M

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
    """

    reading: Reading
    found: Found

    def has(self, name: str) -> bool:
        """
        Whether there is a column of this meaning.

        Parameters
        ----------
        name
            Of a meaning.

        Returns
        -------
        has
            True if so.
        """
        return name in self.found.header

    def cells(self, name: str) -> pd.Series:
        """
        The cells as text.

        Parameters
        ----------
        name
            Of a meaning.

        Returns
        -------
        text
            On the index of the rows; empty where there is no such column.
        """
        rows = self.reading.rows
        if not self.has(name):
            return pd.Series("", index=rows.index, dtype="str")
        return self.reading.text(self.found.header[name])

    def names(self, name: str) -> pd.Series:
        """
        The cells as names of things: a number that a spreadsheet wrote as 3.0 is 3.

        Parameters
        ----------
        name
            Of a meaning.

        Returns
        -------
        names
            On the index of the rows; empty where there is no such column.
        """
        cells = self.cells(name)
        if not cells.str.contains(".", regex=False).any():
            return cells
        return cells.str.replace(_WHOLE, r"\1", regex=True)

    def numbers(self, name: str) -> tuple[pd.Series, pd.Series]:
        """
        The cells as numbers, and which are neither blank nor a number.

        Parameters
        ----------
        name
            Of a meaning.

        Returns
        -------
        values
            NaN where blank, bad, or where there is no such column.
        bad
            Boolean.
        """
        if not self.has(name):
            return self._no_numbers()
        column = self.reading.rows[self.found.header[name]]
        return numbers(column, decimal_comma=self.reading.decimal_comma, owner=self.reading.stand)

    def quantities(self, name: str) -> tuple[pd.Series, pd.Series, pd.Series]:
        """
        The cells as numbers with the unit of each, and which are neither blank nor a number.

        Parameters
        ----------
        name
            Of a meaning.

        Returns
        -------
        values
            NaN where blank, bad, or where there is no such column.
        units
            The cell's own, else the header's, else nothing.
        bad
            Boolean.
        """
        if not self.has(name):
            values, bad = self._no_numbers()
            return values, pd.Series("", index=values.index, dtype="str"), bad
        column = self.reading.rows[self.found.header[name]]
        values, units, bad = quantities(
            column, decimal_comma=self.reading.decimal_comma, owner=self.reading.stand
        )
        header = self.found.unit.get(name, "")
        return values, units.where(units != "", header), bad

    def lengths(self, name: str, *, unit: str | None, key: str) -> tuple[pd.Series, pd.Series]:
        """
        The cells in metres, and which are neither blank nor a length.

        Parameters
        ----------
        name
            Of a meaning.
        unit
            Where neither cell nor header has one.
        key
            Where the project file would say the unit; empty if nowhere.

        Returns
        -------
        metres
            NaN where blank, bad, or where there is no such column [m].
        bad
            Boolean.

        Raises
        ------
        FileError
            If there are numbers and nothing says their unit.
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
            raise FileError(msg, stands=self.reading.having(unsaid))
        bad = bad | (units == "pct")
        return values * units.map(LENGTH_M).astype("float64"), bad

    def _no_numbers(self) -> tuple[pd.Series, pd.Series]:
        """No value and nothing bad, on the index of the rows."""
        index = self.reading.rows.index
        return (
            pd.Series(np.full(len(index), np.nan), index=index),
            pd.Series(np.zeros(len(index), dtype=bool), index=index),
        )
