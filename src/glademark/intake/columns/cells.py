"""Cells that people wrote, as numbers, yes or no, and quantities with a unit of their own."""

from collections.abc import Callable, Mapping

import numpy as np
import numpy.typing as npt
import pandas as pd

from glademark.intake.records import text_of

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
    read = parts[0].notna()
    own = parts.index[read]
    values.loc[own] = pd.to_numeric(parts.loc[own, 0])
    units.loc[own] = translated(parts.loc[own, 1], _CELL_UNITS)
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
