"""Inputs of many stands: every record gets the number of the stand that it names."""

import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
import shapely

from glademark.contracts.survey import REJECTED_COLUMNS, InputCount
from glademark.errors import InputError
from glademark.intake.opened import OpenInputs, open_inputs
from glademark.intake.records import Reading, text_of
from glademark.project.model import Project
from glademark.temporary import temporary_folder
from glademark.wording import listed

MUST_NAME_STAND = ("stand", "marks", "tally", "corridors", "cruise", "leave_trees")
"""Inputs in which every record belongs to one stand; others may hold for all stands."""


@dataclass(frozen=True, kw_only=True, slots=True)
class ManyStands:
    """
    Opened inputs of many stands.

    Attributes
    ----------
    inputs
        Every record with the number of its stand; the stands in the order of their boundaries.
    rejected
        Records of no stand, could not be read, or both: `REJECTED_COLUMNS`.
    counts
        Every file, with all its records; those used are the ones handed to a stand.
    """

    inputs: OpenInputs
    rejected: pd.DataFrame
    counts: tuple[InputCount, ...]


@contextmanager
def open_stands(project: Project, *, folder: Path) -> Iterator[ManyStands]:
    """
    Inputs of many stands, opened once, inside a ``with`` statement.

    An input that is refused, or does not say which stand a record belongs to, is an `InputError`.
    """
    with temporary_folder() as temporary:
        inputs = open_inputs(project, folder=folder, temporary=temporary)
        if inputs.faults:
            raise InputError(*inputs.faults)
        yield _numbered(inputs, project.heading.stand_id or "")


def _numbered(inputs: OpenInputs, column: str) -> ManyStands:
    """Inputs whose records have the number of the stand that a column names."""
    missing = [
        f"{reading.file.name}: no column is called {column!r}, and [project] stand_id says that "
        "it names the stand of each record. Add it, or correct the name."
        for reading in inputs.readings()
        if reading.file.input in MUST_NAME_STAND and header_of(reading, column) is None
    ]
    boundaries = [one for one in inputs.layers["stand"] if one is not None]
    if missing or not boundaries:
        raise InputError(*missing)
    named = pd.concat([_stand_names(boundary, column) for boundary in boundaries])
    names = pd.Index([name for name in named.unique() if name])
    if not len(names):
        msg = f"{boundaries[0].file.name}: no record names its stand in {column!r}. Fill it in."
        raise InputError(msg)
    rejected, counts = zip(
        *(records_of_no_stand(reading, column, names) for reading in inputs.readings()), strict=True
    )
    keyed = inputs.changed(lambda reading: with_stand_number(reading, column, names))
    return ManyStands(
        inputs=replace(keyed, names=tuple(names)),
        rejected=pd.concat(rejected, ignore_index=True).astype({"record": "int64"}),
        counts=counts,
    )


def header_of(reading: Reading, column: str) -> str | None:
    """Column of a reading under this name, whatever its letter case."""
    wanted = column.strip().casefold()
    found = [name for name in reading.rows.columns if str(name).strip().casefold() == wanted]
    return found[0] if found else None


def _stand_names(reading: Reading, column: str) -> pd.Series:
    """Name of the stand of every record of a file that says it."""
    return text_of(reading.rows[header_of(reading, column)]).str.strip()


def with_stand_number(reading: Reading, column: str, names: pd.Index) -> Reading:
    """Records with the number of their stand, sorted by it; those of no stand are left out."""
    header = header_of(reading, column)
    if header is None:
        return reading
    number = names.get_indexer(pd.Index(_stand_names(reading, column)))
    order = np.argsort(number, kind="stable")
    places = order[np.searchsorted(number[order], 0) :]
    part = replace(reading, spoiled=(), notices=())
    if len(places) < len(order) or (np.diff(places) < 0).any():
        part = part.repeated(places)
    return replace(part, rows=part.rows.drop(columns=header), key=number[places])


def records_of_no_stand(
    reading: Reading, column: str, names: pd.Index
) -> tuple[pd.DataFrame, InputCount]:
    """Records of a file that go to no stand, and how many of it do."""
    lost: list[tuple[int, str]] = []
    if header_of(reading, column) is not None:
        text = _stand_names(reading, column)
        lost = [
            (record, f"no stand is called {name!r}" if name else "it does not name its stand")
            for record, name in zip(reading.record, text, strict=True)
            if name not in names
        ]
    rows = pd.DataFrame([*lost, *reading.spoiled], columns=["record", "reason"])
    rows = rows.assign(input=reading.file.input, file=reading.file.name, tree_id="")
    read = len(reading) + len(reading.spoiled)
    count = InputCount(
        input=reading.file.input,
        file=reading.file.name,
        sha256=reading.file.sha256,
        read=read,
        used=read - len(rows),
        rejected=len(rows),
        stand=None,
    )
    return rows[list(REJECTED_COLUMNS)], count


def digest_of(inputs: OpenInputs) -> str:
    """SHA-256 of names, records, cells and coordinates of one stand, and of the terrain's file."""
    digest = hashlib.sha256()
    for reading in inputs.readings():
        if reading.key is not None and not len(reading):
            continue
        head = f"{reading.file.input}\n{reading.file.name}\n{listed(reading.headers)}\n"
        digest.update(head.encode())
        digest.update(str(reading.crs).encode())
        rows = reading.rows.astype("str").assign(**{"record number": reading.record.to_numpy()})
        digest.update(_hashed(rows))
        if reading.geometry is not None:
            for shape in shapely.to_wkb(reading.geometry.to_numpy()):
                digest.update(shape or b"none")
    if inputs.terrain is not None:
        digest.update(inputs.terrain.sha256.encode())
    return digest.hexdigest()


def _hashed(rows: pd.DataFrame) -> bytes:
    """A number a row that depends on all its cells."""
    return pd.util.hash_pandas_object(rows, index=False).to_numpy().tobytes()
