"""Marks: painted trees and points of groups, from any number of files, as one layer."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
from pyproj import CRS

from glademark.contracts.frames import STAND, features, no_features
from glademark.errors import FileError, counted, listed, quoted
from glademark.intake.columns import meanings
from glademark.intake.columns.fields import Fields, Found, is_blank, recognise
from glademark.intake.columns.kinds import likely_input
from glademark.intake.columns.mark_fields import (
    MARK_COLUMNS,
    MUST_GO,
    REASON,
    likely_pattern,
    mark_fields,
    mark_labels,
    note_crown,
    note_missing_dbh,
    with_names_read,
)
from glademark.intake.columns.positions import with_points
from glademark.intake.columns.tree_sizes import (
    LOGS,
    PERHAPS_CUT,
    flag_doubtful,
    note_doubtful,
    note_flagged,
    refuse_implausible,
    refuse_wrong_place,
)
from glademark.intake.record_log import Reading, RecordLog
from glademark.intake.repeats import note_near_and_alike, note_near_repeats, refuse_shared, repeated
from glademark.intake.site import Stands
from glademark.project.model import Project, Source
from glademark.project.read import project_species

FAR_M = 100.0
"""Danger trees and points of groups matter this far outside [m]: about three tree lengths."""

_INSIDE_KINDS = ("cut", "leave", "line_tree", "unconfirmed")


@dataclass(frozen=True, kw_only=True, slots=True)
class _FileMarks:
    """Marks of one file that are still in use, and their columns, which may hold others as well."""

    reading: Reading
    columns: Mapping[str, pd.Series]


_REAL = (
    "dbh_cm", "dbh", "height_m", "crown_radius_m", "volume", "defect_share", "position_error_m",
    "order", "radius_m",
)  # fmt: skip
_KINDS = dict.fromkeys(_REAL, "float64") | {
    "count": "int64", "record": "int64", STAND: "int64", "cull": "bool", "inside": "bool",
}  # fmt: skip


def no_marks(crs: CRS) -> gpd.GeoDataFrame:
    """Marks of a stand in which nobody has marked yet."""
    return no_features((*MARK_COLUMNS, STAND), _KINDS, crs=crs)


def read_marks(
    readings: Sequence[Reading], project: Project, stands: Stands, log: RecordLog
) -> gpd.GeoDataFrame | None:
    """
    Every mark that can be used, of files in the order of ``[inputs] marks``; None where none can.

    The columns are `MARK_COLUMNS`, then every other column that came in as text; Point in the
    working CRS.
    """
    stated = _stated_by_file(readings, project)
    files: list[_FileMarks] = []
    for reading, source, names in zip(readings, project.inputs.marks, stated, strict=True):
        with log.gathering(reading):
            files.append(_one_file(reading, source, names, project, stands, log))
    refused = log.refused_by(readings)
    if len(files) < len(readings) or refused.all():
        return None
    files = [
        replace(file, reading=file.reading.only(~refused[file.reading.stand])) for file in files
    ]
    marks = _joined(files, stands)
    left, marks = _without_repeats(marks, [file.reading for file in files], project, log)
    return _near_stands(marks, left, stands, log)


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
    heads = [{header.strip().casefold() for header in reading.headers} for reading in readings]
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
    stands: Stands,
    log: RecordLog,
) -> _FileMarks:
    """Marks of one file in the working CRS, with their columns."""
    if project.marks.name_pattern is not None:
        reading = with_names_read(reading, project.marks.name_pattern, stated, log)
    elif pattern := likely_pattern(reading):
        log.notice(
            f"{reading.file.name}: the names look like {pattern}, and are read as numbers of the "
            f'trees only. State [marks] name_pattern = "{pattern}" to read what they say.',
            of=reading,
        )
    found = recognise(reading.headers, meanings.MARKS, stated=stated, where=reading.file.name)
    for text in found.notices:
        log.notice(text, of=reading)
    _note_other_input(reading, found, log)
    from_columns = reading.geometry is None
    reading = replace(reading, ids=Fields(reading=reading, found=found, log=log).names("id"))
    reading = with_points(reading, found, source, log)
    reading = stands.bring(reading, source, log)
    fields = Fields(reading=reading, found=found, log=log)
    refuse_wrong_place(fields, project.marks)
    note_crown(fields)
    read = mark_fields(fields, project, from_columns=from_columns)
    _note_words(reading, found, read.columns, log)
    reading = log.left(reading)
    for what, reason in read.reasons.items():
        left = reason[reading.index]
        reading = log.reject(reading, left != "", reason=left, what=what)
    cut = read.columns["kind"].isin(PERHAPS_CUT)[reading.index]
    cut_cm = read.columns["dbh_cm"][reading.index]
    reading = refuse_implausible(cut_cm.where(cut), reading, log)
    flag = read.columns["dbh_flag"]
    note_flagged(replace(fields, reading=reading), flag[reading.index], noun="mark")
    blank = cut_cm.isna() & (flag[reading.index] == "")
    note_missing_dbh((cut & blank)[reading.index], fields)
    return _FileMarks(reading=reading, columns=read.columns)


def _note_other_input(reading: Reading, found: Found, log: RecordLog) -> None:
    """Say so where trees without paint and kind look like those of plots, or like leave trees."""
    if {"paint", "kind", "type"} & set(found.header):
        return
    shape = "table" if reading.geometry is None else "points"
    key, why = likely_input(shape, [reading.file.path.stem], reading.headers, records=len(reading))
    if key in {"cruise", "leave_trees", "standing", "crop_trees"}:
        log.notice(
            f"{reading.file.name}: it looks like {key} ({why}), and its "
            f"{counted(len(reading), 'record')} count as trees to cut. If they are not, name it "
            f"under [inputs] {key} instead.",
            of=reading,
        )


_COUNTS = ("species", "group", "paint")
"""Meanings whose words change the layout."""

_TIMES = 3
"""So often a word stands in a column that sorts trees, on average."""


def _note_words(
    reading: Reading, found: Found, columns: Mapping[str, pd.Series], log: RecordLog
) -> None:
    """Name columns that sort trees by words and have no meaning, where one that counts lacks."""
    lacking = [name for name in _COUNTS if name not in found.header]
    others = [
        header
        for header in reading.headers
        if lacking and header in columns and header not in found.header.values()
    ]
    sorting = {header: _stands_sorted_by(columns[header], reading.stand) for header in others}
    for stand in sorted(set().union(*sorting.values())):
        words = [header for header, stands in sorting.items() if stand in stands]
        log.notice(
            f"{reading.file.name}: no column is read as {' or '.join(lacking)}, and "
            f"{quoted(words)} {'is' if len(words) == 1 else 'are'} kept without a meaning. If one "
            "of them says it, name it in [marks] columns.",
            stand=stand,
        )


def _stands_sorted_by(text: pd.Series, stand: npt.NDArray[np.intp]) -> set[int]:
    """Stands in which a column has few words, each of several trees."""
    filled = ~is_blank(text).to_numpy()
    rows = pd.DataFrame({STAND: stand[filled], "word": text.to_numpy()[filled]})
    words = rows.groupby([STAND, "word"]).size().reset_index(name="trees")
    words["number"] = words["word"].astype("str").str.fullmatch(r"[-+.,\d\s]*")
    of = words.groupby(STAND).agg(trees=("trees", "mean"), number=("number", "any"))
    return {int(one) for one in of.index[(of["trees"] >= _TIMES) & ~of["number"].astype(bool)]}


def _joined(files: Sequence[_FileMarks], stands: Stands) -> gpd.GeoDataFrame:
    """Marks of all files, stand by stand and in the order read; `_file` is their file's place."""
    frames = []
    for place, file in enumerate(files):
        index = file.reading.index
        columns: dict[str, Any] = {
            name: column if len(column) == len(index) else column[index]
            for name, column in file.columns.items()
        }
        columns |= {STAND: file.reading.stand.astype(np.int64), "_file": place}
        frames.append(features(columns, file.reading.shapes.array, crs=stands.crs))
    marks = frames[0] if len(frames) == 1 else pd.concat(frames)
    if (np.diff(marks[STAND]) < 0).any():
        marks = marks.iloc[np.argsort(marks[STAND].to_numpy(), kind="stable")]
    return marks


def _without_repeats(
    marks: gpd.GeoDataFrame, readings: Sequence[Reading], project: Project, log: RecordLog
) -> tuple[list[Reading], gpd.GeoDataFrame]:
    """Marks of all files, each once; stands half of whose marks are in two files are refused."""
    names = project_species(project, None)
    spelled = marks["species"].array
    once = marks.assign(species=names.fold(marks["species"].to_numpy(dtype=object)))
    twice = repeated(once)
    left = [
        log.reject(
            reading,
            bad,
            reason="equal to another record in marker, number and time, or in all; counted once",
            what="repeats of another record",
        )
        for reading, bad in _by_file(readings, marks, twice)
    ]
    if twice.any():
        once, spelled = once[~twice], spelled[~twice]
    note_near_repeats(once, log)
    refuse_shared(once, left, log, keep=project.marks.repeats == "keep")
    note_near_and_alike(once, log)
    once["species"] = spelled
    note_doubtful(once, log)
    once["dbh_flag"] = flag_doubtful(once, log)
    return left, once


def _by_file(
    readings: Sequence[Reading], marks: pd.DataFrame, bad: npt.NDArray[np.bool_]
) -> list[tuple[Reading, npt.NDArray[np.bool_]]]:
    """Readings with which of their records are bad, out of the marks of all files."""
    file = marks["_file"].to_numpy()
    return [(reading, bad[file == place]) for place, reading in enumerate(readings)]


def _near_stands(
    marks: gpd.GeoDataFrame, readings: Sequence[Reading], stands: Stands, log: RecordLog
) -> gpd.GeoDataFrame | None:
    """Marks in their stand, or as near to it as their kind and position error allow."""
    file = marks["_file"].to_numpy()
    inside = np.ones(len(marks), dtype=bool)
    kept = np.zeros(len(marks), dtype=bool)
    kinds, errors = marks["kind"], marks["position_error_m"]
    allowed = errors.where(kinds.isin(_INSIDE_KINDS), FAR_M).to_numpy()
    refused = log.refused_by(readings)
    for place, reading in enumerate(readings):
        rows = np.flatnonzero(file == place)
        row_of = pd.Series(rows, index=reading.index)
        reading = reading.only(~refused[reading.stand])  # noqa: PLW2901 - what is left of it
        rows = row_of[reading.index].to_numpy()
        within = stands.inside(reading)
        inside[rows] = within.to_numpy()
        distance = stands.distance_outside(reading, within)
        outside = distance > allowed[rows]
        with log.gathering(reading):
            reading = stands.refuse_if_most_outside(reading, outside, log)  # noqa: PLW2901 - the same
        refused |= log.refused_by([reading])
        reading = _near_only(log.left(reading), within, distance, outside, log)  # noqa: PLW2901 - the same
        log.use(reading)
        kept[row_of[reading.index]] = True
    lost = ~refused & ~np.isin(np.arange(log.stands), marks[STAND].to_numpy()[kept])
    files = listed(reading.file.name for reading in readings)
    for stand in np.flatnonzero(lost).tolist():
        text = f"{files}: no mark can be used. Check that it is the right file."
        log.fault(text, stand=stand)
    marks["inside"] = inside
    marks = marks if kept.all() else marks[kept]
    marks["label"] = mark_labels(marks, log)
    return _with_centres_named(_as_one(marks))


def _with_centres_named(marks: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Centres of groups without a name called after themselves, since each is an opening."""
    nameless = (marks["kind"] == "group_centre") & (marks["group"] == "")
    if not nameless.any():
        return marks
    return marks.assign(group=marks["group"].mask(nameless, "centre " + marks["label"]))


def _as_one(marks: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Marks with their columns in order; what only some files have is blank in the others."""
    marks.index = pd.RangeIndex(len(marks))
    counted_logs = [LOGS] if LOGS in marks else []
    stated = [MUST_GO] if MUST_GO in marks else []
    reasons = [REASON] if REASON in marks else []
    known = {*MARK_COLUMNS, LOGS, MUST_GO, REASON, STAND, "_file", "geometry"}
    others = [name for name in marks.columns if name not in known]
    columns = {
        **{name: marks[name] for name in MARK_COLUMNS},
        **{name: marks[name] for name in counted_logs},
        **{name: marks[name].fillna(value=False).astype(bool) for name in stated},
        **{name: marks[name].fillna("").astype("str") for name in [*reasons, *others]},
        STAND: marks[STAND],
    }
    return features(columns, marks.geometry.array, crs=marks.crs)


def _near_only(
    reading: Reading, within: pd.Series, distance: pd.Series, outside: pd.Series, log: RecordLog
) -> Reading:
    """Marks that are not too far outside their stand."""
    outside, distance = outside[reading.index], distance[reading.index]
    for stand, places in reading.split(~within[reading.index] & ~outside):
        log.notice(
            f"{reading.file.name}: {counted(len(places), 'mark')} outside the stand kept, "
            "being within the position error (danger trees and group points: within "
            f"{FAR_M:.0f} m): {listed(reading.called(places))}.",
            stand=stand,
        )
    mend = "correct its position or leave it out"
    reasons = [f"it lies {metres:,.0f} m outside the stand; {mend}" for metres in distance[outside]]
    return log.reject(
        reading,
        outside,
        reason=pd.Series(reasons, index=outside.index[outside], dtype="str"),
        what="outside the stand by more than the position error",
    )
