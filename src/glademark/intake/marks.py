"""Marks: painted trees and points of groups, from any number of files, as one layer."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from glademark.errors import FileError, InputError
from glademark.intake.columns import meanings
from glademark.intake.columns.diameters import note_doubtful, refuse_implausible, refuse_wrong_place
from glademark.intake.columns.fields import Fields
from glademark.intake.columns.mark_fields import (
    MARK_COLUMNS,
    MUST_GO,
    mark_fields,
    note_crown,
    note_missing_dbh,
    other_columns,
)
from glademark.intake.columns.match import recognise
from glademark.intake.columns.positions import with_points
from glademark.intake.columns.volumes import LOGS
from glademark.intake.record_log import Ledger
from glademark.intake.records import Reading
from glademark.intake.repeats import note_near_and_alike, note_near_repeats, repeated
from glademark.intake.site import Ground
from glademark.intake.wording import counted, listed, quoted
from glademark.project.model import Project, Source

FAR_M = 100.0
"""Danger trees and points of groups matter this far outside [m]: about three tree lengths."""

MARKS_MAX = 1_000_000
"""Most marks of one project."""

_INSIDE_KINDS = ("cut", "leave", "line_tree")


@dataclass(frozen=True, kw_only=True, slots=True)
class _Batch:
    """Marks of one file: those still in use, and their columns."""

    reading: Reading
    frame: pd.DataFrame


def read_marks(
    readings: Sequence[Reading], project: Project, ground: Ground, ledger: Ledger
) -> tuple[gpd.GeoDataFrame, npt.NDArray[np.intp]]:
    """
    Every mark that can be used.

    Parameters
    ----------
    readings
        One a file, in the order of the project file's ``[inputs] marks``.
    project
        Units, columns and paint.
    ground
        The stand.
    ledger
        Takes marks that cannot be used; collects the faults of all files.

    Returns
    -------
    marks
        `MARK_COLUMNS`, then every other column that came in as text; Point in the working CRS.
    stand
        Number of the stand of each.

    Raises
    ------
    InputError
        If any file cannot be trusted as a whole: all faults together.
    """
    stated = _stated_by_file(readings, project)
    batches: list[_Batch] = []
    faults: list[str] = []
    stands: set[int] = set()
    for reading, source, names in zip(readings, project.inputs.marks, stated, strict=True):
        try:
            batches.append(_one_file(reading, source, names, project, ground, ledger))
        except InputError as error:
            faults += error.faults
            stands |= error.stands
    if faults:
        raise InputError(*faults, stands=stands)
    batches = _without_repeats(batches, ledger)
    batches = [_near_stand(batch, ground, ledger) for batch in batches]
    for batch in batches:
        ledger.use(batch.reading)
    marks = _joined(batches, ground)
    if not len(marks):
        files = listed(reading.file.name for reading in readings)
        msg = f"{files}: no mark can be used. Check that it is the right file."
        raise FileError(msg)
    return marks, np.concatenate([batch.reading.owner for batch in batches])


def _stated_by_file(readings: Sequence[Reading], project: Project) -> list[Mapping[str, str]]:
    """Columns that the project file names; of several files, only one need have them."""
    known = {meaning.name for meaning in meanings.MARKS}
    wrong = [name for name in project.marks.columns if name not in known]
    if wrong:
        msg = (
            f"[marks] columns: {quoted(wrong)} is no meaning of a column; expected one of "
            f"{', '.join(sorted(known))}."
        )
        raise FileError(msg)
    heads = [{str(name).strip().casefold() for name in reading.rows} for reading in readings]
    anywhere = set().union(*heads)
    wanted = [
        (name, header, header.strip().casefold()) for name, header in project.marks.columns.items()
    ]
    return [
        {name: header for name, header, plain in wanted if plain in head or plain not in anywhere}
        for head in heads
    ]


def _one_file(
    reading: Reading,
    source: Source,
    stated: Mapping[str, str],
    project: Project,
    ground: Ground,
    ledger: Ledger,
) -> _Batch:
    """Marks of one file in the working CRS, with their columns."""
    name = reading.file.name
    headers = [str(header) for header in reading.rows]
    found = recognise(headers, meanings.MARKS, stated=stated, where=name)
    for text in found.notices:
        ledger.notice(text)
    from_columns = reading.geometry is None
    reading = replace(reading, ids=Fields(reading=reading, found=found).names("id"))
    reading = with_points(reading, found, source, ledger)
    reading = ground.bring(reading, source, ledger)
    fields = Fields(reading=reading, found=found)
    refuse_wrong_place(fields, project.marks)
    note_crown(fields, ledger)
    frame, reasons = mark_fields(fields, project, ledger)
    for what, reason in reasons.items():
        left = reason[reading.rows.index]
        reading = ledger.reject(reading, left != "", reason=left, what=what)
    frame = frame.join(other_columns(fields, from_columns=from_columns))
    frame = _those_left(frame, reading)
    cut = (frame["kind"] == "cut").to_numpy()
    refuse_implausible(frame["dbh_cm"][cut], stand=reading.owner[cut], file=name)
    note_missing_dbh(frame, fields, ledger)
    return _Batch(reading=reading, frame=frame)


def _those_left(frame: pd.DataFrame, reading: Reading) -> pd.DataFrame:
    """Columns of the records that were not rejected."""
    return frame if len(frame) == len(reading.rows) else frame.loc[reading.rows.index]


def _without_repeats(batches: list[_Batch], ledger: Ledger) -> list[_Batch]:
    """Marks of all files, each once."""
    frames = [
        batch.frame.assign(
            _x=batch.reading.shapes.x, _y=batch.reading.shapes.y, _stand=batch.reading.owner
        )
        for batch in batches
    ]
    every = pd.concat(frames, ignore_index=True)
    twice = repeated(every)
    once = every[~twice] if twice.any() else every
    note_near_repeats(once, ledger)
    note_near_and_alike(once, ledger)
    note_doubtful(once, ledger)
    ends = np.cumsum([len(batch.frame) for batch in batches])
    result = []
    for batch, bad in zip(batches, np.split(twice.to_numpy(), ends[:-1]), strict=True):
        reading = ledger.reject(
            batch.reading,
            pd.Series(bad, index=batch.frame.index),
            reason="equal to another record in marker, number and time, or in all; counted once",
            what="repeats of another record",
        )
        result.append(_Batch(reading=reading, frame=_those_left(batch.frame, reading)))
    return result


def _near_stand(batch: _Batch, ground: Ground, ledger: Ledger) -> _Batch:
    """Marks in the stand, or as near to it as their kind and position error allow."""
    reading, frame = batch.reading, batch.frame
    inside = ground.inside(reading.shapes, reading.owner)
    distance = ground.distance_outside(reading.shapes, reading.owner)
    allowed = frame["position_error_m"].where(frame["kind"].isin(_INSIDE_KINDS), FAR_M)
    outside = distance > allowed
    ground.refuse_if_most_outside(reading, outside)
    near = ~inside & ~outside
    for stand, places in reading.parts(near):
        ledger.notice(
            f"{reading.file.name}: {counted(len(places), 'mark')} outside the stand kept, "
            "being within the position error (danger trees and group points: within "
            f"{FAR_M:.0f} m): {listed(reading.called_at(places))}.",
            stand=stand,
        )
    mend = "correct its position or leave it out"
    reasons = [f"it lies {metres:,.0f} m outside the stand; {mend}" for metres in distance[outside]]
    reading = ledger.reject(
        reading,
        outside,
        reason=pd.Series(reasons, index=outside.index[outside], dtype="str"),
        what="outside the stand by more than the position error",
    )
    frame = _those_left(frame.assign(inside=inside), reading)
    return _Batch(reading=reading, frame=frame)


def _joined(batches: list[_Batch], ground: Ground) -> gpd.GeoDataFrame:
    """Marks of all files under one another, in the order read."""
    frames = [
        gpd.GeoDataFrame(batch.frame, geometry=batch.reading.shapes, crs=ground.crs)
        for batch in batches
    ]
    marks = pd.concat(frames, ignore_index=True)
    optional = (LOGS, MUST_GO)
    others = [name for name in marks.columns if name not in {*MARK_COLUMNS, *optional, "geometry"}]
    stated = [name for name in optional if name in marks]
    if MUST_GO in stated:
        marks[MUST_GO] = marks[MUST_GO].fillna(value=False).astype(bool)
    marks[others] = marks[others].fillna("").astype("str")
    return gpd.GeoDataFrame(
        marks[[*MARK_COLUMNS, *stated, *others, "geometry"]], geometry="geometry", crs=ground.crs
    )
