"""Opening numbers of an earlier output, so that an opening keeps its number from run to run."""

import sqlite3
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path
from types import MappingProxyType

import pandas as pd

_QUERY = "SELECT marker, tree_id, opening FROM marks WHERE opening IS NOT NULL AND tree_id <> ''"


def earlier_numbers(folder: Path, *, marks: pd.DataFrame) -> Mapping[int, int]:
    """
    Opening number that the layout in a folder gave each mark.

    Parameters
    ----------
    folder
        Of an earlier output; may be missing.
    marks
        `marker` and `tree_id`; unique index.

    Returns
    -------
    numbers
        By the index of `marks`: those whose marker and id occur once on both sides. Empty where
        there is no earlier output, or none that can be read.
    """
    try:
        rows = _rows(folder / "layout.gpkg")
    except (sqlite3.Error, OSError):
        return MappingProxyType({})
    earlier = pd.DataFrame(rows, columns=["marker", "tree_id", "opening"])
    earlier = earlier.drop_duplicates(["marker", "tree_id"], keep=False)
    now = marks[["marker", "tree_id"]].reset_index(names="index")
    now = now.drop_duplicates(["marker", "tree_id"], keep=False)
    both = now.merge(earlier, on=["marker", "tree_id"])
    return MappingProxyType(
        {int(i): int(n) for i, n in zip(both["index"], both["opening"], strict=True)}
    )


def _rows(path: Path) -> list[tuple[str, str, int]]:
    """Marks of an earlier layout that had an opening; none where there is no file."""
    if not path.is_file():
        return []
    uri = f"{path.resolve().as_uri()}?mode=ro&immutable=1"
    with closing(sqlite3.connect(uri, uri=True)) as connection:
        return connection.execute(_QUERY).fetchall()
