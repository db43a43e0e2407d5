"""Columns recognised by their meaning, and their cells as text, lengths [m] and whole numbers."""

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
import pandas as pd

from glademark.errors import FileError, quoted, shown
from glademark.intake.columns.meanings import Meaning
from glademark.intake.record_log import Reading, RecordLog, text_of
from glademark.units import LENGTH_M

_UNIT_WORDS_MAX = 3


@dataclass(frozen=True, kw_only=True, slots=True)
class Found:
    """Which column holds what."""

    header: Mapping[str, str]  # by meaning: the column as it is called in the file
    unit: Mapping[str, str]  # by meaning: the unit that its header says, or nothing
    notices: tuple[str, ...] = ()  # what was left aside


@lru_cache(maxsize=1024)
def words(header: str) -> tuple[str, ...]:
    """
    A header's words in lower case and digits.

    Examples
    --------
    >>> words('DBH (in)'), words("Tree No."), words('Cull %'), words('Vol_m³')
    (('dbh', 'in'), ('tree', 'no'), ('cull', 'pct'), ('vol', 'm3'))
    """
    plain = header.casefold()
    for sign, word in (('"', " in "), ("%", " pct "), ("²", "2"), ("³", "3")):
        plain = plain.replace(sign, word)
    return tuple(word for word in re.split(r"[\W_]+", plain) if word)


def recognise(
    headers: Sequence[str],
    meanings: Iterable[Meaning],
    *,
    stated: Mapping[str, str] | None = None,
    where: str,
) -> Found:
    """Which column holds what, by its header."""
    _refuse_twins(headers, where)
    found: dict[str, str] = {}
    units: dict[str, str] = {}
    notices: list[str] = []
    stated = stated or {}
    taken = set()
    for meaning in meanings:
        if meaning.name in stated:
            header = _stated_header(meaning, stated[meaning.name], headers, where)
            found[meaning.name], units[meaning.name] = header, _trailing_unit(meaning, header)
            taken.add(header)
    for meaning in meanings:
        claims = [] if meaning.name in found else _claims(meaning, headers, taken)
        if not claims:
            continue
        _refuse_tie(meaning, claims, where)
        _, units[meaning.name], found[meaning.name] = claims[0]
        if meaning.strict and len(claims) > 1:
            others = quoted([header for *_, header in claims[1:]])
            notices.append(
                f"{where}: '{shown(claims[0][2])}' is read as {meaning.name}; {others} is kept as "
                "it stands."
            )
    return Found(header=found, unit=units, notices=tuple(notices))


def _claims(
    meaning: Meaning, headers: Sequence[str], taken: set[str]
) -> list[tuple[int, str, str]]:
    """Rank, unit and header of each column that may have this meaning, best first."""
    fits = [(_claim(meaning, header), header) for header in headers if header not in taken]
    claims = [(*claim, header) for claim, header in fits if claim is not None]
    return sorted(claims, key=lambda claim: claim[0])


@lru_cache(maxsize=16_384)  # every meaning asks of every column, and of every file of many stands
def _claim(meaning: Meaning, header: str) -> tuple[int, str] | None:
    """Rank and unit, where the column may have this meaning."""
    return meaning.claim(words(header))


def is_known(header: str, meanings: Iterable[Meaning]) -> bool:
    """Whether a header names one of these meanings."""
    return any(_claim(meaning, header) is not None for meaning in meanings)


def _refuse_twins(headers: Sequence[str], where: str) -> None:
    """Two columns with one name cannot be told apart."""
    seen: dict[str, str] = {}
    for header in headers:
        key = header.strip().casefold()
        if key in seen:
            msg = (
                f"{where}: two columns are called {quoted([seen[key], header])}. "
                "Rename or remove one of them."
            )
            raise FileError(msg)
        seen[key] = header


def _refuse_tie(meaning: Meaning, claims: Sequence[tuple[int, str, str]], where: str) -> None:
    """Two columns of one meaning, one as plain as the other."""
    tied = [header for rank, _, header in claims if rank == claims[0][0]]
    if meaning.strict and len(tied) > 1:
        msg = (
            f"{where}: {quoted(tied)} could each be the {meaning.name}. "
            f"Say which under [marks] columns, or remove one of them."
        )
        raise FileError(msg)


def _stated_header(meaning: Meaning, wanted: str, headers: Sequence[str], where: str) -> str:
    """The file's column that the project file names."""
    for header in headers:
        if header == wanted or header.strip().casefold() == wanted.strip().casefold():
            return header
    msg = (
        f"{where}: there is no column '{shown(wanted)}', which the project file names for "
        f"{meaning.name}; the columns are {quoted(headers)}. Correct the name."
    )
    raise FileError(msg)


def _trailing_unit(meaning: Meaning, header: str) -> str:
    """Unit at the end of a header that the project file names: binding all the same."""
    parts = words(header)
    claim = _claim(meaning, header)
    if claim is not None:
        return claim[1]
    ends = ("".join(parts[-size:]) for size in range(_UNIT_WORDS_MAX, 0, -1))
    return next((meaning.units[end] for end in ends if end in meaning.units), "")


BLANKS = frozenset({"", "-", "--", ".", "na", "n/a", "nan", "null", "none", "nil"})
"""What stands for no number in a column of numbers; a species code may well be NA."""

NUMBER_MAX = 100
"""Longest text that is looked at for a number with its unit [characters]."""

_COMMA_NUMBER = r"[-+]?\d+(?:,\d+)?(?:[eE][-+]?\d+)?"
_SIGNED_DIGITS = r"[-+]?[\d.,'\s]*\d[\d.,'\s]*"
_WITH_UNIT = (
    r"""^\s*([-+]?\d*\.?\d+)\s*(in|inch|inches|"|\u201d|cm|mm|m|ft|feet|'|\u2019|%|pct)\.?\s*$"""
)
_CELL_UNITS = {
    "in": "in", "inch": "in", "inches": "in", '"': "in", "\u201d": "in", "cm": "cm", "mm": "mm",
    "m": "m", "ft": "ft", "feet": "ft", "'": "ft", "\u2019": "ft", "%": "pct", "pct": "pct",
}  # fmt: skip
_YES = frozenset({"yes", "y", "true", "t", "1", "x"})
_NO = frozenset({"no", "n", "false", "f", "0", ""})


def is_blank(text: pd.Series) -> pd.Series:
    """Cells of trimmed text that hold no number on purpose."""
    return each_word(text, str.casefold).isin(BLANKS)


def numbers(
    column: pd.Series, *, decimal_comma: bool, stand: npt.NDArray[np.intp] | None = None
) -> tuple[pd.Series, pd.Series]:
    """
    Numbers of a column, and which cells are neither blank nor a finite number.

    With `decimal_comma`, a comma is a decimal point if every number of the column then is one; of
    the column of each `stand`, where the numbers of the stands are given.

    Examples
    --------
    >>> values, bad = numbers(pd.Series(["12,5", "", "13"]), decimal_comma=True)
    >>> values.tolist(), bad.any()
    ([12.5, nan, 13.0], np.False_)
    """
    if pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column):
        values = column.astype("float64")
        endless = pd.Series(np.isinf(values.to_numpy()), index=values.index)
        return values.where(~endless), endless
    text = text_of(column)
    values = _parsed(text)
    unread = _unread(values, text)
    if decimal_comma and unread.any():
        stand = np.zeros(len(text), dtype=np.intp) if stand is None else stand
        number = text.str.fullmatch(_SIGNED_DIGITS)  # "ca. 35" says nothing about the others
        other = (number & ~text.str.fullmatch(_COMMA_NUMBER)).to_numpy(dtype=bool)
        commas = (np.bincount(stand, weights=other) == 0)[stand]
        if commas.any():
            values = values.where(~commas, _parsed(text.str.replace(",", ".", regex=False)))
            unread = _unread(values, text)
    return values, unread


def _unread(values: pd.Series, text: pd.Series) -> pd.Series:
    """Cells that hold something, but no number."""
    unread = np.isnan(values.to_numpy())
    if unread.any():
        unread[unread] = ~is_blank(text[unread]).to_numpy()
    return pd.Series(unread, index=text.index)


def _parsed(text: pd.Series) -> pd.Series:
    """Finite numbers, NaN for the rest."""
    values = np.array(pd.to_numeric(text, errors="coerce"), dtype=np.float64)
    values[~np.isfinite(values)] = np.nan
    return pd.Series(values, index=text.index)


def quantities(
    column: pd.Series, *, decimal_comma: bool, stand: npt.NDArray[np.intp] | None = None
) -> tuple[pd.Series, pd.Series, pd.Series]:
    """
    Numbers of a column in which a cell may carry its own unit (``14.2 in``, ``36 cm``), and units.

    Units are ``in``, ``cm``, ``mm``, ``m``, ``ft``, ``pct`` or nothing; the last are the cells that
    are neither blank nor a number.

    Examples
    --------
    >>> values, units, _ = quantities(pd.Series(['14.2"', "36 cm", "9"]), decimal_comma=False)
    >>> values.tolist(), units.tolist()
    ([14.2, 36.0, 9.0], ['in', 'cm', ''])
    """
    values, bad = numbers(column, decimal_comma=decimal_comma, stand=stand)
    units = pd.Series("", index=column.index, dtype="str")
    if not bad.any():
        return values, units, bad
    text = text_of(column[bad])
    text = text.where(text.str.len() <= NUMBER_MAX, "").str.casefold()
    parts = text.str.extract(_WITH_UNIT)
    if decimal_comma:
        dotted = text.str.replace(",", ".", regex=False)
        parts = parts.where(parts[0].notna(), dotted.str.extract(_WITH_UNIT))
    number, unit = parts[0], parts[1]
    read = number.notna()
    own = parts.index[read]
    values.loc[own] = pd.to_numeric(number[read])
    units.loc[own] = translated(unit[read], _CELL_UNITS)
    bad = bad & values.isna()
    return values, units, bad


def each_word(text: pd.Series, change: Callable[[str], str]) -> pd.Series:
    """
    Text in which every word is changed, each different word worked out once.

    Examples
    --------
    >>> each_word(pd.Series(["Pink", "Pink", ""]), str.casefold).tolist()
    ['pink', 'pink', '']
    """
    codes, different = pd.factorize(text)
    changed = np.array([change(str(word)) for word in different], dtype=object)
    return pd.Series(changed[codes], index=text.index, dtype="str")


def translated(text: pd.Series, words: Mapping[str, str]) -> pd.Series:
    """
    Standard words for the words that people use; nothing for a word that is not listed.

    Examples
    --------
    >>> translated(pd.Series(["old", "odd", ""]), {"old": "existing"}).tolist()
    ['existing', '', '']
    """
    return each_word(text, lambda word: words.get(word, ""))


def yes_or_no(column: pd.Series) -> tuple[pd.Series, pd.Series]:
    """Cells as yes or no, blank meaning no, and which cells are neither."""
    text = each_word(text_of(column), str.casefold)
    yes = text.isin(_YES)
    return yes, ~(yes | text.isin(_NO))


_WHOLE = re.compile(r"^(\d+)\.0+$")


@dataclass(frozen=True, kw_only=True, slots=True)
class Fields:
    """Columns of a reading by what they mean."""

    reading: Reading  # the records
    found: Found  # which column holds what
    log: RecordLog  # takes the faults

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

    def refusal(self, name: str, bad: pd.Series, expected: str) -> pd.Series:
        """Why records with bad cells cannot be used, empty for those that can."""
        reason = pd.Series("", index=bad.index, dtype="str")
        if bad.any():
            cells = self.cells(name)[bad].map(shown)
            reason[bad] = f'{name} is "' + cells + f'"; expected {expected}; correct the cell'
        return reason

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
