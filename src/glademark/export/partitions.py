"""Stands as partitioned GeoParquet: one folder a layer, one file a stand, and a note when done."""

import json
import os
import shutil
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

import geopandas as gpd
import pandas as pd

from glademark.contracts.layers import STAND_ID
from glademark.export.csv_tables import write_csv
from glademark.export.geopackage import shaped
from glademark.export.stands import StandTables, tables_of_stand
from glademark.report.json_values import json_value

DONE = "done"
"""Folder of the notes that say which stands are done, from which inputs."""

PART = "part.parquet"


def write_stand(stand: StandTables, folder: Path, *, digest: str) -> None:
    """
    Write one stand into its partitions; the note that it is done comes last.

    Parameters
    ----------
    stand
        Laid out, or refused.
    folder
        Of the whole run.
    digest
        Of the inputs and settings that it rests on.

    Raises
    ------
    OSError
        If a file cannot be written; then there is no note, and the stand is laid out anew.
    """
    name = str(stand.row["stand_id"])
    note = _note(folder, name)
    note.unlink(missing_ok=True)
    for earlier in folder.glob(f"*.parquet/{_partition(name)}"):
        shutil.rmtree(earlier)
    for table in tables_of_stand(stand):
        place = folder / f"{table.layer.name}.parquet" / _partition(name)
        place.mkdir(parents=True, exist_ok=True)
        if isinstance(table.frame, gpd.GeoDataFrame):
            shaped(table.frame, table.layer).to_parquet(place / PART, index=False)
        else:
            pd.DataFrame(table.frame).to_parquet(place / PART, index=False)
    note.parent.mkdir(parents=True, exist_ok=True)
    text = json.dumps(
        json_value({"digest": digest, "row": stand.row, "summary": stand.summary}), indent=1
    )
    draft = note.with_suffix(".draft")
    draft.write_text(text + "\n", encoding="utf-8")
    os.replace(draft, note)  # noqa: PTH105 - replaces on every system


def done_before(folder: Path, name: str, *, digest: str) -> bool:
    """
    Whether a stand is done already, from the same inputs.

    Parameters
    ----------
    folder
        Of the whole run.
    name
        Of the stand.
    digest
        Of the inputs and settings as they are now.

    Returns
    -------
    done
        False where there is no note, or none that can be read.
    """
    return _read_note(folder, name).get("digest") == digest


def rows_of(folder: Path, names: Sequence[str]) -> list[Mapping[str, Any]]:
    """
    Rows of the table of stands, from the notes.

    Parameters
    ----------
    folder
        Of the whole run.
    names
        Stands, in the order wanted.

    Returns
    -------
    rows
        One a stand that is done.
    """
    notes = (_read_note(folder, name) for name in names)
    return [note["row"] for note in notes if "row" in note]


def write_joined(folder: Path, names: Sequence[str], layers: Sequence[str]) -> tuple[Path, ...]:
    """
    Write tables of all stands as CSV, each row with its stand in front.

    Parameters
    ----------
    folder
        Of the whole run.
    names
        Stands, in the order wanted.
    layers
        Names of the tables.

    Returns
    -------
    files
        Those written; none for a table without rows.
    """
    files = []
    for layer in layers:
        frames = [frame for name in names for frame in _table_of(folder, layer, name)]
        if frames:
            path = folder / f"{layer}.csv"
            write_csv(pd.concat(frames, ignore_index=True), path)
            files.append(path)
    return tuple(files)


def _table_of(folder: Path, layer: str, name: str) -> Iterator[pd.DataFrame]:
    """Rows of one stand, if it has any."""
    import pyarrow.parquet as pq  # noqa: PLC0415 - an extra

    path = folder / f"{layer}.parquet" / _partition(name) / PART
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


def _note(folder: Path, name: str) -> Path:
    """Where it stands that a stand is done."""
    return folder / DONE / f"{quote(name, safe=' ')}.json"


def _read_note(folder: Path, name: str) -> dict[str, Any]:
    """What the note says; nothing where there is none that can be read."""
    try:
        note = json.loads(_note(folder, name).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return note if isinstance(note, dict) else {}
