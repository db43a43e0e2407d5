"""Stands as partitioned GeoParquet: one folder a layer, one file a stand, and a note when done."""

import hashlib
import json
import os
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any
from urllib.parse import quote, unquote

import pandas as pd

from glademark.contracts.layers import LAYERS
from glademark.contracts.result_tables import STAND_ID
from glademark.errors import OutputError
from glademark.export.geopackage import Table
from glademark.export.stands import StandTables, tables_of_stand
from glademark.export.tables import write_csv
from glademark.report.summary import json_value

DONE = "done"
"""Folder of the notes that say which stands are done, from which inputs, in which files."""

PART = "part.parquet"

_OWN_DIGEST = "sha256"
"""Key of a note under which stands the digest of all else in it."""


def write_stand(stand: StandTables, folder: Path, *, digest: str) -> None:
    """Write one stand; the note, with the digest of its inputs and of each part, comes last."""
    name = str(stand.row["stand_id"])
    note = _note(folder, name)
    note.unlink(missing_ok=True)
    _remove_parts(folder, name)
    parts = {
        table.layer.name: _write_part(table, _part(folder, table.layer.name, name))
        for table in tables_of_stand(stand)
    }
    said = {
        "digest": digest,
        "row": stand.row,
        "summary": stand.summary,
        "parts": {layer: _on_disk(path) for layer, path in parts.items()},
    }
    _write_note(json_value(said), note)


def done_before(folder: Path, name: str, *, digest: str) -> bool:
    """Whether a stand is done already, from the same inputs, and all its files are whole."""
    note = _read_note(folder, name)
    return note.get("digest") == digest and all(
        _is_whole(_part(folder, layer, name), written) for layer, written in note["parts"].items()
    )


def rows_of(folder: Path, names: Sequence[str]) -> list[Mapping[str, Any]]:
    """Rows of the table of stands, from the notes, in the order of the names."""
    notes = {name: _read_note(folder, name) for name in names}
    lost = [name for name, note in notes.items() if not note]
    if lost:
        msg = f"{_note(folder, lost[0])} went missing during the run. Run again"
        raise OutputError(msg)
    return [note["row"] for note in notes.values()]


def write_joined(folder: Path, names: Sequence[str], layers: Sequence[str]) -> tuple[Path, ...]:
    """Write tables of all stands as CSV, each row with its stand in front; none without rows."""
    files = []
    for layer in layers:
        frames = [frame for name in names for frame in _table_of(folder, layer, name)]
        path = folder / f"{layer}.csv"
        if frames:
            write_table(pd.concat(frames, ignore_index=True), path)
            files.append(path)
        else:
            path.unlink(missing_ok=True)  # of a run before
    return tuple(files)


def write_table(table: pd.DataFrame, path: Path) -> None:
    """Write a table as CSV, whole or not at all."""
    draft = path.with_suffix(".draft")
    write_csv(table, draft)
    draft.replace(path)


def remove_gone(folder: Path, names: Collection[str]) -> tuple[str, ...]:
    """Names of stands that are no longer among these; their parts and notes have been removed."""
    layers = [folder / f"{layer}.parquet" for layer in LAYERS]
    found = {
        part.parent.name for layer in layers for part in layer.glob(f"{STAND_ID.name}=*/{PART}")
    }
    parts = {unquote(place.partition("=")[2]) for place in found}
    parts = {name for name in parts if _partition(name) in found}  # others are none of ours
    notes = {unquote(path.stem) for path in (folder / DONE).glob("*.json")}
    gone = (parts | {name for name in notes if _read_note(folder, name)}) - set(names)
    for name in sorted(gone):
        _remove_parts(folder, name)
        _note(folder, name).unlink(missing_ok=True)
    for layer in layers if gone else ():
        with suppress(OSError):  # not there, or not empty
            layer.rmdir()
    return tuple(sorted(gone))


def _write_part(table: Table, path: Path) -> Path:
    """Write a layer or table of one stand."""
    path.parent.mkdir(parents=True, exist_ok=True)
    table.frame.to_parquet(path, index=False)
    return path


def _on_disk(path: Path) -> dict[str, Any]:
    """Size and digest of a file that is now on the disk and not only in memory."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())
        digest = hashlib.file_digest(file, "sha256").hexdigest()
        return {"bytes": file.tell(), "sha256": digest}


def _is_whole(path: Path, written: Mapping[str, Any]) -> bool:
    """Whether a file holds what was written into it."""
    try:
        with path.open("rb") as file:
            if os.fstat(file.fileno()).st_size != written["bytes"]:
                return False
            return bool(hashlib.file_digest(file, "sha256").hexdigest() == written["sha256"])
    except OSError:
        return False


def _remove_parts(folder: Path, name: str) -> None:
    """Remove the partitions of a stand; a file that is none of ours stays, and its folder."""
    for layer in LAYERS:
        part = _part(folder, layer, name)
        part.unlink(missing_ok=True)
        with suppress(OSError):  # not there, or not empty
            part.parent.rmdir()


def _table_of(folder: Path, layer: str, name: str) -> Iterator[pd.DataFrame]:
    """Rows of one stand, if it has any."""
    import pyarrow.parquet as pq  # noqa: PLC0415 - an extra

    path = _part(folder, layer, name)
    if path.is_file():
        with path.open("rb") as file:  # a path would bring the stand's folder in as a column
            frame = pq.read_table(file).to_pandas()
        frame = frame.drop(columns="geometry", errors="ignore")
        if len(frame):
            frame.insert(0, STAND_ID.name, pd.Series([name] * len(frame), dtype="string"))
            yield frame


def _partition(name: str) -> str:
    """Folder of a stand, fit for every file system."""
    return f"{STAND_ID.name}={quote(name, safe=' ')}"


def _part(folder: Path, layer: str, name: str) -> Path:
    """File of a stand in a layer."""
    return folder / f"{layer}.parquet" / _partition(name) / PART


def _note(folder: Path, name: str) -> Path:
    """Where it stands that a stand is done."""
    return folder / DONE / f"{quote(name, safe=' ')}.json"


def _write_note(said: dict[str, Any], note: Path) -> None:
    """Write a note, whole or not at all."""
    note.parent.mkdir(parents=True, exist_ok=True)
    draft = note.with_suffix(".draft")
    with draft.open("w", encoding="utf-8") as file:
        json.dump({**said, _OWN_DIGEST: _digest(said)}, file, indent=1)
        file.flush()
        os.fsync(file.fileno())
    draft.replace(note)


def _read_note(folder: Path, name: str) -> dict[str, Any]:
    """What the note says; nothing where there is none, or not as it was written."""
    try:
        note = json.loads(_note(folder, name).read_text(encoding="utf-8"))
        own = note.pop(_OWN_DIGEST)
    except (OSError, ValueError, RecursionError, AttributeError, KeyError, TypeError):
        return {}
    return note if own == _digest(note) else {}


def _digest(said: Mapping[str, Any]) -> str:
    """Digest of what a note says."""
    return hashlib.sha256(json.dumps(said).encode()).hexdigest()
