"""What an earlier output in the same folder says: numbers of openings, and its inputs."""

import json
import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import closing
from pathlib import Path
from types import MappingProxyType
from typing import Any

import pandas as pd

from glademark.contracts.survey import InputCount
from glademark.errors import shown

SUMMARY_MAX = 64 * 2**20
"""A summary is some pages of text; beyond this it is something else [bytes]."""

_QUERY = """
    SELECT marker, tree_id, opening FROM marks
    WHERE typeof(opening) = 'integer' AND typeof(marker) = 'text' AND tree_id <> ''
"""


def earlier_numbers(folder: Path, *, marks: pd.DataFrame) -> Mapping[int, int]:
    """Opening number that the layout in a folder gave each mark."""
    try:
        rows = _rows(folder / "layout.gpkg")
    except (sqlite3.Error, OSError, ValueError):
        return MappingProxyType({})
    if not rows:
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


def changed_inputs(folder: Path, counts: Sequence[InputCount]) -> tuple[str, ...]:
    """Which inputs differ from those of the earlier output in a folder."""
    before = _earlier_digests(folder / "summary.json")
    if before is None:
        return ()
    now = {(count.input, count.file): count.sha256 for count in counts}
    told = {
        **{key: "changed" for key in now if key in before and now[key] != before[key]},
        **{key: "new" for key in now if key not in before},
        **{key: "no longer an input" for key in before if key not in now},
    }
    return tuple(
        f"{shown(file)} ({shown(name)}) is {what} since the last output in this folder."
        if what != "changed"
        else f"{shown(file)} ({shown(name)}) has changed since the last output in this folder."
        for (name, file), what in told.items()
    )


def replaced_edition(folder: Path, edition: str) -> str:
    """Edition that one replaces in a folder, also after it was made again; empty where none."""
    before = _earlier_provenance(folder / "summary.json") or {}
    earlier = str(before.get("edition") or "")
    return earlier if earlier != edition else str(before.get("replaces") or "")


def _earlier_digests(path: Path) -> dict[tuple[str, str], str] | None:
    """Digest by input and file, None where there is no summary that can be read."""
    try:
        inputs = (_earlier_provenance(path) or {})["inputs"]
        return {(str(one["input"]), str(one["file"])): str(one["sha256"]) for one in inputs}
    except (LookupError, TypeError):
        return None


def _earlier_provenance(path: Path) -> Mapping[str, Any] | None:
    """What a summary says of where it comes from, None where none can be read."""
    try:
        if not path.is_file() or path.stat().st_size > SUMMARY_MAX:
            return None
        found = json.loads(path.read_bytes())["provenance"]
    except (OSError, ValueError, LookupError, TypeError, RecursionError):
        return None
    return found if isinstance(found, dict) else None
