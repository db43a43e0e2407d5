"""After the cut: stumps from any number of files, and damage to the trees, ruts and growth left."""

from collections.abc import Sequence
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from glademark.contracts.frames import features, no_features
from glademark.errors import FileError, counted, listed, shown
from glademark.forestry import SpeciesNames, breast_height_diameter_cm
from glademark.intake.columns import meanings
from glademark.intake.columns.fields import Fields, Found, each_word, recognise, yes_or_no
from glademark.intake.columns.mark_fields import POSITION_ERROR_MAX_M
from glademark.intake.columns.positions import with_points
from glademark.intake.columns.tree_sizes import (
    diameters,
    note_flagged,
    note_unknown_species,
    products_in,
    refuse_implausible,
)
from glademark.intake.cruise import with_places
from glademark.intake.marks import FAR_M
from glademark.intake.record_log import Reading, RecordLog, text_of
from glademark.intake.site import Stands
from glademark.project.model import Project, Source
from glademark.units import INCH_CM, WOUND_AREA_M2

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


def no_stumps(crs: CRS) -> gpd.GeoDataFrame:
    """Stumps where none are given."""
    return no_features(STUMP_COLUMNS, _KINDS, crs=crs)


def read_stumps(
    readings: Sequence[tuple[Reading, Source]],
    project: Project,
    stands: Stands,
    log: RecordLog,
    *,
    species: SpeciesNames,
) -> gpd.GeoDataFrame:
    """Every stump that can be used, `STUMP_COLUMNS`, with the diameter its tree had at 4.5 ft."""
    frames: list[gpd.GeoDataFrame] = []
    for reading, source in readings:
        with log.gathering(reading):
            frames.append(_one_file((reading, source), project, stands, log, species))
    if not any(map(len, frames)):
        return no_stumps(stands.crs)
    every = pd.concat([frame for frame in frames if len(frame)], ignore_index=True)
    return gpd.GeoDataFrame(every, geometry="geometry", crs=stands.crs)


def _one_file(
    given: tuple[Reading, Source],
    project: Project,
    stands: Stands,
    log: RecordLog,
    species: SpeciesNames,
) -> gpd.GeoDataFrame:
    """Stumps of one file in the working CRS."""
    reading, source = given
    name = reading.file.name
    found = recognise(reading.headers, meanings.STUMPS, where=name)
    for text in found.notices:
        log.notice(text)
    found, at = _diameter_column(found, project.compare.diameter_at, name)
    ids = Fields(reading=reading, found=found, log=log).names("id")
    reading = with_points(replace(reading, ids=ids), found, source, log)
    reading = stands.bring(reading, source, log)
    fields = Fields(reading=reading, found=found, log=log)
    note_unknown_species(fields, species)
    frame, reasons = _columns(fields, at, project, species)
    for what, reason in reasons.items():
        left = reason[reading.index]
        reading = log.reject(reading, left != "", reason=left, what=what)
    reading = _once(reading, frame, log)
    reading = _near_stand(reading, stands, log)
    frame = frame.loc[reading.index].assign(inside=stands.inside(reading))
    note_flagged(replace(fields, reading=reading), frame["dbh_flag"], noun="stump")
    log.use(refuse_implausible(frame["dbh_cm"], reading, log))
    kept = frame[list(STUMP_COLUMNS)]
    return features(kept, reading.shapes, crs=stands.crs).reset_index(drop=True)


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
    fields: Fields, at: str, project: Project, names: SpeciesNames
) -> tuple[pd.DataFrame, dict[str, pd.Series]]:
    """Columns of one file, and why records of it cannot be used."""
    settings, name = project.compare, fields.reading.file.name
    stem = diameters(fields, unit=project.marks.dbh_unit)
    height = _heights(fields, settings.stump_height_m)
    count, bad_count = _counts(fields)
    species = fields.cells("species")
    dbh_cm = stem["dbh_cm"]
    if at == "stump":
        dbh_cm = dbh_cm * 0 + breast_height_diameter_cm(
            dbh_cm.to_numpy(),
            species_code=names.volume_codes(species.to_numpy(dtype=object)),
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
            "dbh_flag": stem["dbh_flag"],
            "species": species,
            "product": products_in(fields, project.volume.products),
            "low_mark": low_mark,
            "position_error_m": _errors(fields).fillna(error),
            "day": _days(fields),
            "inside": True,
            "source_file": name,
            "record": fields.reading.record,
        }
    )
    return frame, {
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


def _heights(fields: Fields, usual_m: float) -> pd.Series:
    """Height of each stump [m]; the usual one where none or an impossible one was recorded."""
    metres, bad = fields.lengths("stump_height", unit=None, key="")
    bad = bad | (metres < 0) | (metres > BREAST_M)
    if bad.any():
        fields.log.notice(
            f"{fields.reading.file.name}: the height of {counted(int(bad.sum()), 'stump')} is not "
            f"between 0 and 4.5 ft and taken as {usual_m:g} m: "
            f"{listed(fields.reading.called(np.flatnonzero(bad)))}."
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


def _errors(fields: Fields) -> pd.Series:
    """Horizontal error of each position [m], NaN where the record does not say its own."""
    metres, bad = fields.lengths("position_error", unit="m", key="")
    bad = bad | (metres < 0) | (metres > POSITION_ERROR_MAX_M)
    if bad.any():
        names = listed(fields.reading.called(np.flatnonzero(bad)))
        fields.log.notice(
            f"{fields.reading.file.name}: the position error of {counted(int(bad.sum()), 'stump')} "
            f"is impossible and taken as not stated: {names}."
        )
    return metres.where(~bad)


def _days(fields: Fields) -> pd.Series:
    """Day of each position as it is written, with the file that it came from."""
    day = fields.cells("date") if fields.has("date") else fields.cells("time")
    return fields.reading.file.name + " " + day.str.replace(r"[T ].*$", "", regex=True)


def _once(reading: Reading, frame: pd.DataFrame, log: RecordLog) -> Reading:
    """Stumps equal to another in number and place, each once."""
    here = reading.shapes
    rows = frame.loc[reading.index, ["stump_id", "day"]].assign(x=here.x, y=here.y)
    twice = rows.duplicated() & (rows["stump_id"] != "")
    return log.reject(
        reading,
        twice,
        reason="equal to another record in number, day and place; counted once",
        what="repeats of another record",
    )


def _near_stand(reading: Reading, stands: Stands, log: RecordLog) -> Reading:
    """Stumps in the stand and beyond its boundary, as far as they may belong to this cut."""
    far = stands.distance_outside(reading) > FAR_M
    reading = stands.refuse_if_most_outside(reading, far, log)
    return log.reject(
        reading,
        far[reading.index],
        reason=f"it lies more than {FAR_M:.0f} m outside the stand; correct its position",
        what=f"more than {FAR_M:.0f} m outside the stand",
    )


DAMAGE_COLUMNS = (
    "plot", "trees", "damaged", "wound_area_m2", "wound_height_m", "cause", "root", "crown",
    "rut_depth_m", "rut_length_m", "regeneration", "bent", "corridor_distance_m", "source_file",
    "record",
)  # fmt: skip
"""Columns of `AfterCutSurvey.damage`."""

_NUMBERS = (
    "wound_area_m2", "wound_height_m", "rut_depth_m", "rut_length_m", "regeneration", "bent",
    "corridor_distance_m",
)  # fmt: skip
_DAMAGE_KINDS = {
    "trees": "int64", "damaged": "int64", **dict.fromkeys(_NUMBERS, "float64"), "root": "bool",
    "crown": "bool", "record": "int64",
}  # fmt: skip
_OF_A_TREE = ("id", "species", "dbh", "damaged", "wound_area", "wound_height", "cause")


def no_damage(crs: CRS) -> gpd.GeoDataFrame:
    """Damage where none was recorded."""
    return no_features(DAMAGE_COLUMNS, _DAMAGE_KINDS, crs=crs)


def read_damage(
    reading: Reading, source: Source, stands: Stands, project: Project, log: RecordLog
) -> gpd.GeoDataFrame:
    """
    Records of damage, `DAMAGE_COLUMNS`; the point is empty where there is no position.

    A record is of one tree, or of `trees`; of none where it says nothing of one, as of a rut.
    """
    name = reading.file.name
    found = recognise(reading.headers, meanings.DAMAGE, where=name)
    ids = Fields(reading=reading, found=found, log=log).names("plot")
    reading = replace(reading, ids=ids)
    reading = with_places(reading, found, source, stands, log)
    fields = Fields(reading=reading, found=found, log=log)
    frame, reasons = _damage_columns(fields, project.compare.wound_area_min_m2)
    for what, reason in reasons.items():
        left = reason[reading.index]
        reading = log.reject(reading, left != "", reason=left, what=what)
    frame = frame.loc[reading.index]
    if not fields.has("plot"):
        log.notice(f"{name}: no column 'plot'; each record is taken for a plot of its own.")
    none = int(((frame["trees"] == 0) & frame[list(_NUMBERS)].isna().all(axis=1)).sum())
    if none:
        log.notice(f"{name}: {counted(none, 'record')} of no tree and no rut: plots without any.")
    log.use(reading)
    shapes = reading.shapes.to_numpy()
    points = np.where(shapely.is_missing(shapes), np.array([shapely.Point()]), shapes)
    return features(frame[list(DAMAGE_COLUMNS)], points, crs=stands.crs).reset_index(drop=True)


def _damage_columns(
    fields: Fields, wound_min_m2: float
) -> tuple[pd.DataFrame, dict[str, pd.Series]]:
    """Columns of the records, and why records cannot be used."""
    wound, bad_wound = _wounds(fields)
    lengths = {
        name: fields.lengths(name, unit=None, key="")
        for name in ("wound_height", "rut_depth", "rut_length", "corridor_distance")
    }
    numbers = {name: fields.numbers(name) for name in ("count", "regeneration", "bent")}
    root, bad_root = yes_or_no(fields.cells("root"))
    crown, bad_crown = yes_or_no(fields.cells("crown"))
    bad = bad_wound | bad_root | bad_crown
    for values, unread in [*lengths.values(), *numbers.values()]:
        bad = bad | unread | (values < 0)
    of_tree = pd.Series(root | crown, index=bad.index)
    for name in _OF_A_TREE:
        of_tree |= fields.cells(name) != ""
    count = numbers["count"][0].fillna(of_tree.astype(float))
    signs = root | crown | (fields.cells("cause") != "") | lengths["wound_height"][0].notna()
    signs = (signs & wound.isna()) | root | crown | (wound > 0) & (wound >= wound_min_m2)
    damaged, bad_damaged = _damaged(fields, count, signs)
    bad = bad | (count != count.round()) | (numbers["bent"][0] > numbers["regeneration"][0])
    plot = fields.names("plot")
    plot = plot.where(plot != "", "record " + fields.reading.record.astype(str))
    frame = pd.DataFrame(
        {
            "plot": plot,
            "trees": count.fillna(0.0).round().astype("int64"),
            "damaged": damaged,
            "wound_area_m2": wound,
            "wound_height_m": lengths["wound_height"][0],
            "cause": fields.cells("cause"),
            "root": root,
            "crown": crown,
            "rut_depth_m": lengths["rut_depth"][0],
            "rut_length_m": lengths["rut_length"][0],
            "regeneration": numbers["regeneration"][0],
            "bent": numbers["bent"][0],
            "corridor_distance_m": lengths["corridor_distance"][0],
            "source_file": fields.reading.file.name,
            "record": fields.reading.record,
        }
    )
    mend = "a size or number of it cannot be read, or root or crown is neither yes nor no"
    return frame, {
        "with an impossible size or number": pd.Series(np.where(bad, mend, ""), index=bad.index),
        "that do not say how many trees are damaged": bad_damaged,
    }


def _wounds(fields: Fields) -> tuple[pd.Series, pd.Series]:
    """Area of each wound [m2], and which cells are none."""
    area, unit, bad = fields.quantities("wound_area")
    unsaid = area.notna() & (unit == "")
    if unsaid.any():
        header = shown(fields.found.header["wound_area"])
        msg = (
            f"{fields.reading.file.name}: the column '{header}' does not say its unit. Say it in "
            f"the header, as in '{header}_cm2' or '{header}_in2'."
        )
        raise FileError(msg)
    return area * unit.map(WOUND_AREA_M2).astype(float), bad | (area < 0)


def _damaged(fields: Fields, count: pd.Series, signs: pd.Series) -> tuple[pd.Series, pd.Series]:
    """Damaged trees of each record: as stated, else the one tree with a sign of it."""
    cells = text_of(fields.cells("damaged"))
    yes, unread = yes_or_no(cells)
    stated, _ = fields.numbers("damaged")
    is_number = stated.notna() & (count != 1)
    number = stated.where(is_number, yes.astype(float) * count)
    known = cells != ""
    damaged = number.where(known, signs.astype(float)).fillna(0.0)
    damaged = damaged.where(~(signs & (count == 1)), 1.0)
    unclear = (count > 1) & ~known & signs
    bad = (damaged < 0) | (damaged > count) | (damaged != damaged.round()) | unclear
    bad = bad | (known & unread & ~is_number)
    mend = (
        "how many of its trees are damaged is not said, or is no number of them; correct 'damaged'"
    )
    return damaged.where(~bad, 0.0).astype("int64"), pd.Series(
        np.where(bad, mend, ""), index=cells.index
    )
