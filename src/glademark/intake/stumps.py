"""Stumps: what is left of cut trees, from any number of files, as one layer."""

from collections.abc import Sequence
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd

from glademark.contracts.frames import features, no_features
from glademark.errors import FileError, InputError
from glademark.forestry import breast_height_diameter_cm, find_species
from glademark.intake.columns import meanings
from glademark.intake.columns.cells import each_word, yes_or_no
from glademark.intake.columns.diameters import diameters, refuse_implausible
from glademark.intake.columns.fields import Fields
from glademark.intake.columns.mark_fields import POSITION_ERROR_MAX_M
from glademark.intake.columns.match import Found, recognise
from glademark.intake.columns.positions import with_points
from glademark.intake.columns.unknown_species import note_unknown_species
from glademark.intake.marks import FAR_M
from glademark.intake.record_log import Ledger
from glademark.intake.records import Reading
from glademark.intake.site import Ground
from glademark.intake.wording import counted, listed, shown
from glademark.project.model import Project, Source
from glademark.units import INCH_CM

STUMP_COLUMNS = (
    "stump_id", "count", "diameter_cm", "diameter_at", "stump_height_m", "dbh_cm", "dbh",
    "dbh_unit", "species", "product", "low_mark", "position_error_m", "day", "inside",
    "source_file", "record",
)  # fmt: skip
"""Columns of `AfterCutSurvey.stumps`."""

BREAST_M = 1.3716
"""No stump is higher than breast height [m]."""

_KINDS = {
    "count": "int64", "diameter_cm": "float64", "stump_height_m": "float64", "dbh_cm": "float64",
    "dbh": "float64", "low_mark": "float64", "position_error_m": "float64", "inside": "bool",
    "record": "int64",
}  # fmt: skip
_NOT_LOOKED = frozenset({"", "-", "?", "na", "n/a", "not checked", "unchecked", "unknown"})
_PLACES = (("stump_diameter", "stump"), ("breast_diameter", "breast"), ("diameter", ""))


def no_stumps(ground: Ground) -> gpd.GeoDataFrame:
    """
    Stumps where none are given.

    Parameters
    ----------
    ground
        The stand.

    Returns
    -------
    stumps
        No rows.
    """
    return no_features(STUMP_COLUMNS, _KINDS, crs=ground.crs)


def read_stumps(
    readings: Sequence[tuple[Reading, Source]], project: Project, ground: Ground, ledger: Ledger
) -> gpd.GeoDataFrame:
    """
    Every stump that can be used, with the diameter that its tree had at breast height.

    Parameters
    ----------
    readings
        One a file.
    project
        Units, and how stumps were measured.
    ground
        The stand.
    ledger
        Takes stumps that cannot be used.

    Returns
    -------
    stumps
        `STUMP_COLUMNS`, and Point in the working CRS.

    Raises
    ------
    InputError
        If any file cannot be trusted as a whole: all faults together.
    """
    frames: list[gpd.GeoDataFrame] = []
    faults: list[str] = []
    for reading, source in readings:
        try:
            frames.append(_one_file(reading, source, project, ground, ledger))
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(*faults)
    if not any(map(len, frames)):
        return no_stumps(ground)
    every = pd.concat([frame for frame in frames if len(frame)], ignore_index=True)
    return gpd.GeoDataFrame(every, geometry="geometry", crs=ground.crs)


def _one_file(
    reading: Reading, source: Source, project: Project, ground: Ground, ledger: Ledger
) -> gpd.GeoDataFrame:
    """Stumps of one file in the working CRS."""
    name = reading.file.name
    found = recognise([str(head) for head in reading.rows], meanings.STUMPS, where=name)
    for text in found.notices:
        ledger.notice(text)
    found, at = _diameter_column(found, project.compare.diameter_at, name)
    reading = replace(reading, ids=Fields(reading=reading, found=found).names("id"))
    reading = ground.bring(with_points(reading, found, source, ledger), source, ledger)
    fields = Fields(reading=reading, found=found)
    note_unknown_species(fields, ledger)
    frame, reasons = _columns(fields, at, project, ledger)
    for what, reason in reasons.items():
        left = reason[reading.rows.index]
        reading = ledger.reject(reading, left != "", reason=left, what=what)
    reading = _once(reading, frame, ledger)
    reading = _near_stand(reading, ground, ledger)
    ledger.use(reading)
    frame = frame.loc[reading.rows.index].assign(inside=ground.inside(reading.shapes))
    refuse_implausible(frame["dbh_cm"], file=name)
    kept = frame[list(STUMP_COLUMNS)]
    return features(kept, reading.shapes, crs=ground.crs).reset_index(drop=True)


def _diameter_column(found: Found, stated: str, name: str) -> tuple[Found, str]:
    """The column of diameters under the name that is read, and where they were taken."""
    there = [(meaning, at or stated) for meaning, at in _PLACES if meaning in found.header]
    heads = {found.header[meaning] for meaning, _ in there}
    if len({at for _, at in there}) > 1 and len(heads) > 1:
        msg = (
            f"{name}: {' and '.join(map(shown, sorted(heads)))} are diameters at the stump and at "
            "breast height. Leave one of the columns out."
        )
        raise FileError(msg)
    if not there:
        return found, stated
    meaning, at = there[0]
    header = {**found.header, "dbh": found.header[meaning]}
    return replace(found, header=header, unit={**found.unit, "dbh": found.unit[meaning]}), at


def _columns(
    fields: Fields, at: str, project: Project, ledger: Ledger
) -> tuple[pd.DataFrame, dict[str, pd.Series]]:
    """Columns of one file, and why records of it cannot be used."""
    settings, name = project.compare, fields.reading.file.name
    stem, bad_stem = diameters(fields, unit=project.marks.dbh_unit)
    height = _heights(fields, settings.stump_height_m, ledger)
    count, bad_count = _counts(fields)
    species = fields.cells("species")
    dbh_cm = stem["dbh_cm"]
    if at == "stump":
        dbh_cm = dbh_cm * 0 + breast_height_diameter_cm(
            dbh_cm.to_numpy(),
            species_code=find_species(species.to_numpy(dtype=object)),
            height_m=height.to_numpy(),
            bark=settings.stump_bark,
        )
    low_mark, bad_mark = _low_marks(fields)
    stated = settings.stump_error_m
    error = project.marks.position_error_m if stated is None else stated
    frame = pd.DataFrame(
        {
            "stump_id": fields.names("id"),
            "count": count,
            "diameter_cm": stem["dbh_cm"],
            "diameter_at": at,
            "stump_height_m": height,
            "dbh_cm": dbh_cm,
            "dbh": dbh_cm / np.where(stem["dbh_unit"] == "in", INCH_CM, 1.0),
            "dbh_unit": stem["dbh_unit"],
            "species": species,
            "product": fields.cells("product"),
            "low_mark": low_mark,
            "position_error_m": _errors(fields, ledger).fillna(error),
            "day": _days(fields),
            "inside": True,
            "source_file": name,
            "record": fields.reading.record,
        }
    )
    return frame, {
        "with an impossible diameter": bad_stem,
        "with a count that is no number of stumps": bad_count,
        "with a low mark that is neither yes nor no": bad_mark,
    }


def _counts(fields: Fields) -> tuple[pd.Series, pd.Series]:
    """Stumps of each record, 1 where blank, and why a record cannot be used."""
    values, bad = fields.numbers("count")
    values = values.fillna(1.0)
    bad = bad | (values < 1) | (values != values.round())
    mend = "the count is no whole number from 1; correct the cell"
    reason = pd.Series(np.where(bad, mend, ""), index=values.index)
    return values.where(~bad, 1.0).astype("int64"), reason


def _heights(fields: Fields, usual_m: float, ledger: Ledger) -> pd.Series:
    """Height of each stump [m]; the usual one where none or an impossible one was recorded."""
    metres, bad = fields.lengths("stump_height", unit=None, key="")
    bad = bad | (metres < 0) | (metres > BREAST_M)
    if bad.any():
        ledger.notice(
            f"{fields.reading.file.name}: the height of {counted(int(bad.sum()), 'stump')} is not "
            f"between 0 and 4.5 ft and taken as {usual_m:g} m: "
            f"{listed(fields.reading.called(bad))}."
        )
    return metres.where(~bad).fillna(usual_m)


def _low_marks(fields: Fields) -> tuple[pd.Series, pd.Series]:
    """1 seen, 0 looked for and not seen, NaN not looked for; and which cells are none of these."""
    cells = fields.cells("low_mark")
    yes, bad = yes_or_no(cells)
    blank = each_word(cells, str.casefold).isin(_NOT_LOOKED)
    bad = bad & ~blank
    mend = "low mark is neither yes, no nor blank; correct the cell"
    return yes.astype(float).where(~blank & ~bad), pd.Series(
        np.where(bad, mend, ""), index=cells.index
    )


def _errors(fields: Fields, ledger: Ledger) -> pd.Series:
    """Horizontal error of each position [m], NaN where the record does not say its own."""
    metres, bad = fields.lengths("position_error", unit="m", key="")
    bad = bad | (metres < 0) | (metres > POSITION_ERROR_MAX_M)
    if bad.any():
        ledger.notice(
            f"{fields.reading.file.name}: the position error of {counted(int(bad.sum()), 'stump')} "
            f"is impossible and taken as not stated: {listed(fields.reading.called(bad))}."
        )
    return metres.where(~bad)


def _days(fields: Fields) -> pd.Series:
    """Day of each position as it is written, with the file that it came from."""
    day = fields.cells("date") if fields.has("date") else fields.cells("time")
    return fields.reading.file.name + " " + day.str.replace(r"[T ].*$", "", regex=True)


def _once(reading: Reading, frame: pd.DataFrame, ledger: Ledger) -> Reading:
    """Stumps equal to another in number and place, each once."""
    here = reading.shapes
    rows = frame.loc[reading.rows.index, ["stump_id", "day"]].assign(x=here.x, y=here.y)
    twice = rows.duplicated() & (rows["stump_id"] != "")
    return ledger.reject(
        reading,
        twice,
        reason="equal to another record in number, day and place; counted once",
        what="repeats of another record",
    )


def _near_stand(reading: Reading, ground: Ground, ledger: Ledger) -> Reading:
    """Stumps in the stand and beyond its boundary, as far as they may belong to this cut."""
    far = ground.distance_outside(reading.shapes) > FAR_M
    ground.refuse_if_most_outside(reading, far)
    return ledger.reject(
        reading,
        far,
        reason=f"it lies more than {FAR_M:.0f} m outside the stand; correct its position",
        what=f"more than {FAR_M:.0f} m outside the stand",
    )
