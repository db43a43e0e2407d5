"""
Tables that ship with the package, as columns of text or numbers.

Each table is a comma-separated file in ``forestry/data``; every row names its source by a short
key, which ``sources.csv`` spells out.
"""

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

__all__ = ["Source", "numbers", "packaged_table", "source"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Source:
    """
    Where a figure comes from.

    Parameters
    ----------
    key
        Short key, as the packaged tables carry it.
    short
        Author and year, short enough for a table heading.
    citation
        The publication in full.
    address
        Where it, or the restatement that was read, is found; may be empty.
    basis
        ``published`` or ``from memory``.
    """

    key: str
    short: str
    citation: str
    address: str
    basis: str


@cache
def packaged_table(name: str) -> Mapping[str, NDArray[np.str_]]:
    """Every column of a packaged table, as text."""
    text = (files("glademark.forestry") / "data" / f"{name}.csv").read_text("utf-8")
    header, *rows = csv.reader(text.splitlines())
    columns = {}
    for title, cells in zip(header, zip(*rows, strict=True), strict=True):
        columns[title] = np.array(cells, dtype=np.str_)
        columns[title].flags.writeable = False
    return MappingProxyType(columns)


def numbers(cells: NDArray[np.str_]) -> NDArray[np.float64]:
    """Numeric form of a text column, NaN where a cell is blank."""
    return np.where(cells == "", "nan", cells).astype(np.float64)


def source(key: str) -> Source:
    """
    The publication behind a short key.

    Examples
    --------
    >>> source("bechtold_2003").short
    'Bechtold 2003'
    """
    return _sources()[key]


@cache
def _sources() -> Mapping[str, Source]:
    """All sources by key."""
    table = packaged_table("sources")
    rows = zip(*table.values(), strict=True)
    fields = tuple(table)
    entries = (
        Source(**dict(zip(fields, (str(cell) for cell in row), strict=True))) for row in rows
    )
    return MappingProxyType({entry.key: entry for entry in entries})
