"""Damage to the residual stand after the cut: trees of plots, ruts and bent regeneration."""

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from glademark.contracts.frames import features, no_features
from glademark.errors import FileError
from glademark.intake.columns import meanings
from glademark.intake.columns.fields import Fields, yes_or_no
from glademark.intake.columns.match import recognise
from glademark.intake.cruise import with_places
from glademark.intake.record_log import RecordLog
from glademark.intake.records import Reading, text_of
from glademark.intake.site import Stands
from glademark.project.model import Project, Source
from glademark.units import WOUND_AREA_M2
from glademark.wording import counted, shown

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
_KINDS = {
    "trees": "int64", "damaged": "int64", **dict.fromkeys(_NUMBERS, "float64"), "root": "bool",
    "crown": "bool", "record": "int64",
}  # fmt: skip
_OF_A_TREE = ("id", "species", "dbh", "damaged", "wound_area", "wound_height", "cause")


def no_damage(crs: CRS) -> gpd.GeoDataFrame:
    """Damage where none was recorded."""
    return no_features(DAMAGE_COLUMNS, _KINDS, crs=crs)


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
    frame, reasons = _columns(fields, project.compare.wound_area_min_m2)
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


def _columns(fields: Fields, wound_min_m2: float) -> tuple[pd.DataFrame, dict[str, pd.Series]]:
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
