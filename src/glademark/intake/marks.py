"""
Marks: painted trees and points of groups, from any number of files, as one layer.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import pandas as pd

from glademark.errors import FileError, InputError
from glademark.intake import meanings
from glademark.intake.columns import Found, folded, recognise
from glademark.intake.diameters import diameters, refuse_implausible, refuse_wrong_place
from glademark.intake.fields import Fields
from glademark.intake.ground import Ground
from glademark.intake.kinds import kind_column, kinds
from glademark.intake.positions import with_points
from glademark.intake.records import Ledger, Reading, texts
from glademark.intake.repeats import note_near_repeats, repeated
from glademark.intake.volumes import wood
from glademark.intake.wording import counted, listed, quoted, shown
from glademark.layers import MARKS
from glademark.project.model import Project, Source

FAR_M = 100.0
"""Danger trees and points of groups matter this far outside the stand [m]: about three tree lengths."""

MARKS_MAX = 1_000_000
"""Most marks of one project."""

HEIGHT_MAX_M, CROWN_RADIUS_MAX_M, POSITION_ERROR_MAX_M = 130.0, 30.0, 1000.0
"""No tree is taller or wider, and no position that bad is worth a point [m]."""

MARK_COLUMNS = (
    "tree_id", "marker", "count", "kind", "dbh_cm", "dbh", "dbh_unit", "species", "product", "paint",
    "paint_meaning", "group", "height_m", "crown_radius_m", "volume", "volume_unit", "defect_share", "cull",
    "position_error_m", "time", "order", "radius_m", "inside", "source_file", "record",
)  # fmt: skip
"""Columns of `Survey.marks`, before those that came in besides."""

_RESERVED = frozenset({*MARK_COLUMNS, *MARKS.names, "geometry", "geom", "fid", "ogc_fid"})
_INSIDE_KINDS = ("cut", "leave", "line_tree")
_CROWN_WORDS = frozenset({"crown", "crownm", "crownft", "crownsize"})
_SIZES = (
    ("height_m", "height", HEIGHT_MAX_M),
    ("crown_radius_m", "crown_radius", CROWN_RADIUS_MAX_M),
    ("crown_width_m", "crown_width", 2 * CROWN_RADIUS_MAX_M),
    ("radius_m", "radius", POSITION_ERROR_MAX_M),
)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Batch:
    """Marks of one file: those still in use, and their columns."""

    reading: Reading
    frame: pd.DataFrame


def read_marks(
    readings: Sequence[Reading], project: Project, ground: Ground, ledger: Ledger
) -> gpd.GeoDataFrame:
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

    Raises
    ------
    InputError
        If any file cannot be trusted as a whole: all faults together.
    """
    stated = _stated_by_file(readings, project)
    batches: list[_Batch] = []
    faults: list[str] = []
    for reading, source, names in zip(readings, project.inputs.marks, stated, strict=True):
        try:
            batches.append(_one_file(reading, source, names, project, ground, ledger))
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(*faults)
    batches = _without_repeats(batches, ledger)
    batches = [_near_stand(batch, ground, ledger) for batch in batches]
    for batch in batches:
        ledger.use(batch.reading)
    marks = _joined(batches, ground)
    if not len(marks):
        names = listed(reading.file.name for reading in readings)
        msg = f"{names}: no mark can be used. See the reasons above, or check that the file is the right one."
        raise FileError(msg)
    return marks


def _stated_by_file(readings: Sequence[Reading], project: Project) -> list[Mapping[str, str]]:
    """Columns that the project file names, for each file; a name need stand in one of several files only."""
    known = {meaning.name for meaning in meanings.MARKS}
    wrong = [name for name in project.marks.columns if name not in known]
    if wrong:
        msg = f"[marks] columns: {quoted(wrong)} is no meaning of a column; expected one of {', '.join(sorted(known))}."
        raise FileError(msg)
    heads = [{str(name).strip().casefold() for name in reading.rows} for reading in readings]
    anywhere = set().union(*heads)
    result = []
    for head in heads:
        result.append(
            {
                name: header
                for name, header in project.marks.columns.items()
                if header.strip().casefold() in head or header.strip().casefold() not in anywhere
            }
        )
    return result


def _one_file(  # noqa: PLR0913 - one file of marks meets all that is known of it
    reading: Reading,
    source: Source,
    stated: Mapping[str, str],
    project: Project,
    ground: Ground,
    ledger: Ledger,
) -> _Batch:
    """Marks of one file in the working CRS, with their columns."""
    name = reading.file.name
    found = recognise(
        [str(header) for header in reading.rows], meanings.MARKS, stated=stated, where=name
    )
    for text in found.notices:
        ledger.notice(text)
    _note_crown(reading, found, ledger)
    from_columns = reading.geometry is None
    reading = replace(reading, ids=Fields(reading=reading, found=found).cells("id"))
    reading = with_points(reading, found, source, ledger)
    reading = ground.bring(reading, source, ledger)
    fields = Fields(reading=reading, found=found)
    refuse_wrong_place(fields, project.marks)
    frame, reasons = _columns(fields, project, ledger)
    for what, reason in reasons.items():
        bad = (reason != "")[reading.rows.index]
        reading = ledger.set_aside(reading, bad, reason=reason[reading.rows.index], what=what)
    frame = frame.loc[reading.rows.index]
    frame = frame.join(_others(fields, from_columns=from_columns).loc[frame.index])
    refuse_implausible(frame["dbh_cm"][frame["kind"] == "cut"], files=[name])
    _note_missing_dbh(frame, fields, ledger)
    return _Batch(reading=reading, frame=frame)


def _note_crown(reading: Reading, found: Found, ledger: Ledger) -> None:
    """A crown may be a radius or a width: neither is guessed."""
    for header in reading.rows:
        if folded(str(header)) in _CROWN_WORDS and not {
            "crown_radius",
            "crown_width",
        } & set(found.header):
            ledger.notice(
                f"{reading.file.name}: '{shown(header)}' may be the radius or the width of the crown and is not used. "
                "Say which under [marks] columns, as crown_radius or crown_width."
            )


def _columns(
    fields: Fields, project: Project, ledger: Ledger
) -> tuple[pd.DataFrame, dict[str, pd.Series]]:
    """Declared columns of one file, and by group of reasons why records cannot be used."""
    reasons: dict[str, pd.Series] = {}
    count, reasons["with a count that is no number of trees"] = _counts(fields)
    stem, reasons["with an impossible diameter"] = diameters(fields, unit=project.marks.dbh_unit)
    kind, reasons["of an unknown kind"] = kinds(fields, project.marks.paint, ledger)
    product, reasons["with an impossible volume, defect or cull"] = wood(
        fields, project.volume.products, ledger
    )
    size = _sizes(fields, project.marks.height_unit, ledger)
    name = fields.reading.file.name
    marker = fields.cells("marker")
    frame = pd.DataFrame(
        {
            "tree_id": fields.cells("id"),
            "marker": marker.where(marker != "", name),
            "count": count,
            "species": fields.cells("species"),
            "group": fields.cells("group"),
            "position_error_m": _position_errors(fields, ledger).fillna(
                project.marks.position_error_m
            ),
            "time": _times(fields),
            "order": _order(fields, ledger),
            "inside": True,
            "source_file": name,
            "record": fields.reading.record,
        }
    )
    return pd.concat([frame, stem, kind, product, size], axis=1)[list(MARK_COLUMNS)], reasons


def _counts(fields: Fields) -> tuple[pd.Series, pd.Series]:
    """Trees of each record, 1 where blank, and why a record cannot be used."""
    values, bad = fields.numbers("count")
    values = values.fillna(1.0)
    bad = bad | (values < 1) | (values != values.round())
    reason = pd.Series("", index=values.index, dtype="str")
    if bad.any():
        cells = fields.cells("count")[bad].map(shown)
        reason[bad] = 'count is "' + cells + '"; expected a whole number from 1; correct the cell'
    return values.where(~bad, 1.0).astype("int64"), reason


def _sizes(fields: Fields, unit: str | None, ledger: Ledger) -> pd.DataFrame:
    """Height, crown radius and radius of a group [m]; impossible figures are left empty, with a notice."""
    sizes = {}
    for column, name, largest in _SIZES:
        metres, bad = fields.lengths(name, unit=unit, key="[marks] height_unit")
        bad = bad | (metres <= 0) | (metres > largest)
        _note_left_empty(fields, name, bad, ledger)
        sizes[column] = metres.where(~bad)
    width = sizes.pop("crown_width_m")
    sizes["crown_radius_m"] = sizes["crown_radius_m"].fillna(width / 2)
    return pd.DataFrame(sizes)


def _note_left_empty(fields: Fields, name: str, bad: pd.Series, ledger: Ledger) -> None:
    """Say so where a figure is not used though its record is."""
    if bad.any():
        cell = shown(fields.cells(name)[bad].iloc[0])
        names = listed(fields.reading.called(bad))
        ledger.notice(
            f"{fields.reading.file.name}: {name.replace('_', ' ')} of {counted(int(bad.sum()), 'record')} is impossible and "
            f'taken as not measured: {names} (the first is "{cell}").'
        )


def _position_errors(fields: Fields, ledger: Ledger) -> pd.Series:
    """Horizontal error of each position [m], NaN where the record does not say its own."""
    if not fields.has("position_error"):
        return pd.Series(np.nan, index=fields.reading.rows.index)
    if not fields.found.unit.get("position_error"):
        header = shown(fields.found.header["position_error"])
        ledger.notice(
            f"{fields.reading.file.name}: position errors in '{header}' are taken as metres."
        )
    metres, bad = fields.lengths("position_error", unit="m", key="")
    bad = bad | (metres < 0) | (metres > POSITION_ERROR_MAX_M)
    _note_left_empty(fields, "position_error", bad, ledger)
    return metres.where(~bad)


def _times(fields: Fields) -> pd.Series:
    """When the mark was made, as written; a day and a time of day in two columns are put together."""
    return (fields.cells("date") + " " + fields.cells("time")).str.strip()


def _order(fields: Fields, ledger: Ledger) -> pd.Series:
    """Place of a point on its perimeter."""
    values, bad = fields.numbers("order")
    _note_left_empty(fields, "order", bad, ledger)
    return values


def _others(fields: Fields, *, from_columns: bool) -> pd.DataFrame:
    """Every column that is not read, as text, under a name that no declared column has."""
    used = dict(fields.found.header)
    if kind_column(fields) != "type":
        used.pop("type", None)
    positions = {"lon", "lat", "x", "y"}
    if not from_columns:
        used = {name: header for name, header in used.items() if name not in positions}
    rows = fields.reading.rows
    others = texts(rows, [header for header in rows if header not in set(used.values())])
    taken = {name.casefold() for name in _RESERVED}
    names = {}
    for header in others:
        name = str(header)
        while name.casefold() in taken:
            name += "_in"
        taken.add(name.casefold())
        names[header] = name
    return others.rename(columns=names)


def _note_missing_dbh(frame: pd.DataFrame, fields: Fields, ledger: Ledger) -> None:
    """Count cut trees without a diameter."""
    name = fields.reading.file.name
    cut = frame["kind"] == "cut"
    if cut.any() and not fields.has("dbh"):
        heads = quoted(list(fields.reading.rows.columns))
        ledger.notice(
            f"{name}: no column of diameters was recognised among {heads}. Map it under [marks] columns."
        )
        return
    missing = cut & frame["dbh_cm"].isna()
    if missing.any():
        names = listed(
            fields.reading.only(
                missing.reindex(fields.reading.rows.index, fill_value=False)
            ).called()
        )
        ledger.notice(
            f"{name}: {counted(int(missing.sum()), 'mark')} without a diameter: {names}; counted, without basal "
            "area and volume."
        )


def _without_repeats(batches: list[_Batch], ledger: Ledger) -> list[_Batch]:
    """Marks of all files, each once."""
    frames = [
        batch.frame.assign(_x=batch.reading.geometry.x, _y=batch.reading.geometry.y)
        for batch in batches
        if batch.reading.geometry is not None
    ]
    every = pd.concat(frames, keys=range(len(frames)))
    twice = repeated(every)
    note_near_repeats(every[~twice], ledger)
    result = []
    for number, batch in enumerate(batches):
        bad = twice.loc[number] if len(batch.frame) else pd.Series(dtype=bool)
        reading = ledger.set_aside(
            batch.reading,
            bad,
            reason="equal to another record in marker, number and time (or in everything); counted once",
            what="repeats of another record",
        )
        result.append(_Batch(reading=reading, frame=batch.frame.loc[reading.rows.index]))
    return result


def _near_stand(batch: _Batch, ground: Ground, ledger: Ledger) -> _Batch:
    """Marks in the stand, or as near to it as their kind and position error allow."""
    reading, frame = batch.reading, batch.frame
    if reading.geometry is None or frame.empty:
        return batch
    inside = ground.inside(reading.geometry)
    distance = pd.Series(0.0, index=frame.index)
    distance[~inside] = ground.distance(reading.geometry[~inside])
    allowed = frame["position_error_m"].where(frame["kind"].isin(_INSIDE_KINDS), FAR_M)
    outside = distance > allowed
    ground.refuse_if_most_outside(reading, outside, noun="mark")
    reason = (
        "it lies "
        + distance.map("{:,.0f} m".format)
        + " outside the stand; correct its position or leave it out"
    )
    kept_outside = ~inside & ~outside
    if kept_outside.any():
        names = listed(reading.called(kept_outside))
        ledger.notice(
            f"{reading.file.name}: {counted(int(kept_outside.sum()), 'mark')} outside the stand, but within the position "
            f"error (danger trees and group points: within {FAR_M:.0f} m), kept: {names}."
        )
    reading = ledger.set_aside(
        reading, outside, reason=reason, what="outside the stand by more than the position error"
    )
    frame = frame.assign(inside=inside).loc[reading.rows.index]
    return _Batch(reading=reading, frame=frame)


def _joined(batches: list[_Batch], ground: Ground) -> gpd.GeoDataFrame:
    """Marks of all files under one another, in the order read."""
    frames = [
        gpd.GeoDataFrame(batch.frame, geometry=batch.reading.geometry, crs=ground.crs)
        for batch in batches
    ]
    marks = pd.concat(frames, ignore_index=True)
    others = [name for name in marks.columns if name not in {*MARK_COLUMNS, "geometry"}]
    marks[others] = marks[others].fillna("").astype("str")
    return gpd.GeoDataFrame(
        marks[[*MARK_COLUMNS, *others, "geometry"]], geometry="geometry", crs=ground.crs
    )
