"""Corridors: centre lines with their widths and whether they are new."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import chain, count
from types import MappingProxyType

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from glademark.contracts.frames import STAND, features, no_features
from glademark.errors import counted, listed, shown
from glademark.intake.columns import meanings
from glademark.intake.columns.fields import Fields, each_word, recognise, translated
from glademark.intake.record_log import Reading, RecordLog, refuse_if_none_left
from glademark.intake.site import Stands
from glademark.project.model import CorridorSettings, Source

WIDTH_MAX_M = 30.0
"""Wider than any machine corridor [m]: beyond it the unit or the column is wrong."""

LENGTH_MIN_M = 0.01
"""Shorter lines are a point clicked twice [m]."""

OVERRUN_MIN_M = 1.0
"""Shorter ends past the boundary need no notice [m]."""

CORRIDOR_COLUMNS = ("corridor", "width_m", "state", "source_file", "record")
_STATES = {
    "new": "new planned proposed proposal flagged",
    "existing": "existing exists exist old reused reuse reopened",
}
_STATE_OF = {word: state for state, words in _STATES.items() for word in words.split()}


def read_corridors(
    reading: Reading,
    source: Source,
    stands: Stands,
    settings: CorridorSettings,
    log: RecordLog,
    *,
    taken: Mapping[int, Sequence[str]] = MappingProxyType({}),
) -> gpd.GeoDataFrame:
    """
    Corridors, one a feature in however many pieces, that have any part in their stand.

    A stand is refused where there are polygons or points, all lines are outside, or a width is
    impossible. Columns are `CORRIDOR_COLUMNS`, LineString or MultiLineString in the working CRS.
    `taken` are the names of corridors of other files, by stand.
    """
    reading = stands.bring(reading, source, log)
    stated = {"width": settings.width_column} if settings.width_column else {}
    found = recognise(reading.headers, meanings.CORRIDORS, stated=stated, where=reading.file.name)
    names = Fields(reading=reading, found=found, log=log).names("name")
    reading = _lines_only(replace(reading, ids=names), log)
    reading = _near_stand(reading, stands, log)
    fields = Fields(reading=reading, found=found, log=log)
    widths, states = _widths(fields, settings), _states(fields)
    reading = log.left(reading)
    columns = {
        "corridor": _unique_names(reading, log, taken),
        "width_m": widths[reading.index],
        "state": states[reading.index],
        "source_file": reading.file.name,
        "record": reading.record,
        STAND: reading.stand.astype(np.int64),
    }
    frame = features(columns, reading.shapes.array, crs=stands.crs)
    _note_duplicates(frame, reading, log)
    _note_overrun(frame, reading, stands, log)
    log.use(reading)
    return frame.reset_index(drop=True)


def no_corridors(crs: CRS) -> gpd.GeoDataFrame:
    """Corridors where there are none."""
    kinds = {"width_m": "float64", "record": "int64", STAND: "int64"}
    return no_features((*CORRIDOR_COLUMNS, STAND), kinds, crs=crs)


def _lines_only(reading: Reading, log: RecordLog) -> Reading:
    """Lines that have a length."""
    dimensions = shapely.get_dimensions(reading.shapes.to_numpy())
    for dimension, what in ((2, "areas"), (0, "points")):
        faults = (
            (
                stand,
                (
                    f"{reading.file.name}, {reading.at(int(places[0]))}: corridors are lines, and "
                    f"these are {what}. Give the centre lines; areas taken anyway belong under "
                    "landings."
                ),
            )
            for stand, places in reading.split(dimensions == dimension)
        )
        log.refuse(reading, faults)
    reading = log.left(reading)
    short = shapely.length(reading.shapes.to_numpy()) < LENGTH_MIN_M
    return log.reject(
        reading, short, reason="the line has no length; draw it again", what="without length"
    )


def _near_stand(reading: Reading, stands: Stands, log: RecordLog) -> Reading:
    """Lines with a part in their stand; a stand is refused if none has."""
    reading = refuse_if_none_left(
        reading,
        log,
        f"{reading.file.name}: no line in it can be used. Draw the corridors again, or leave "
        "the input out.",
    )
    outside = ~stands.touches(reading)
    reading = stands.refuse_if_all_outside(reading, outside, log)
    return log.reject(
        reading,
        outside[reading.index],
        reason="the line lies wholly outside the stand; correct it or leave it out",
        what="outside the stand",
    )


def _unique_names(
    reading: Reading, log: RecordLog, taken: Mapping[int, Sequence[str]]
) -> pd.Series:
    """The marker's own names, numbers where there are none, told apart where they repeat."""
    own = [""] * len(reading) if reading.ids is None else list(reading.ids)
    result = np.full(len(own), "", dtype=object)
    for stand, places in reading.split(np.ones(len(own), dtype=bool)):
        before = list(taken.get(stand, ()))
        names = _numbered([*before, *(own[place] for place in places)])
        repeated = sorted({name for name, times in Counter(names).items() if times > 1})
        if repeated:
            number = counted(sum(name in repeated for name in names), "line")
            log.notice(
                f"{reading.file.name}: {number} with a name that another has too "
                f"({listed(repeated)}); each is a corridor of its own, told apart by a number "
                "behind the name.",
                stand=stand,
            )
        result[places] = _told_apart(names)[len(before) :]
    return pd.Series(result, index=reading.index, dtype="str")


def _numbered(names: list[str]) -> list[str]:
    """Names with numbers, not taken by others, where there are none."""
    taken = set(names)
    free = (number for number in map(str, count(1)) if number not in taken)
    return [name or next(free) for name in names]


def _told_apart(names: list[str]) -> list[str]:
    """Names with -2, -3 and so on behind those that repeat an earlier one."""
    result: list[str] = []
    for name in names:
        choices = chain([name], (f"{name}-{number}" for number in count(2)))
        result.append(
            next(new for new in choices if new not in result and (new == name or new not in names))
        )
    return result


def _widths(fields: Fields, settings: CorridorSettings) -> pd.Series:
    """Width of each line [m]: its own, else the default."""
    widths, bad = fields.lengths("width", unit=settings.width_unit, key="[corridors] width_unit")
    reading, log, name = fields.reading, fields.log, fields.reading.file.name
    wrong = bad | (widths <= 0) | (widths > WIDTH_MAX_M)
    faults = (
        (
            stand,
            (
                f"{name}, {reading.at(int(places[0]))}: {counted(len(places), 'corridor')} with "
                f"an impossible width ({listed(reading.called(places))}; the first is "
                f'"{shown(fields.cells("width").iloc[places[0]])}"). Expected more than 0 and at '
                f"most {WIDTH_MAX_M:.0f} m; correct the cells, or the unit of the column."
            ),
        )
        for stand, places in reading.split(wrong)
    )
    log.refuse(reading, faults)
    every = np.bincount(reading.stand)
    for stand, places in reading.split(widths.isna()):
        if fields.has("width"):
            names = listed(reading.called(places))
            log.notice(
                f"{name}: {counted(len(places), 'corridor')} without a width of its own: "
                f"{names}; the default of {settings.width_m:.2f} m is used.",
                stand=stand,
            )
        if len(places) == every[stand] and "width_m" not in settings.model_fields_set:
            log.notice(
                f"{name}: no width is given anywhere; corridors are taken as "
                f"{settings.width_m:g} m wide. State [corridors] width.",
                stand=stand,
            )
    return widths.fillna(settings.width_m)


def _states(fields: Fields) -> pd.Series:
    """State of each corridor, new where nothing is said."""
    cells = each_word(fields.cells("state"), str.casefold)
    states = translated(cells, _STATE_OF)
    unknown = (states == "") & (cells != "")
    for stand, places in fields.reading.split(unknown):
        words = listed(cells.iloc[places].unique())
        fields.log.notice(
            f"{fields.reading.file.name}: '{shown(fields.found.header['state'])}' says neither new "
            f"nor existing for {counted(len(places), 'corridor')} ({words}); taken as new.",
            stand=stand,
        )
    return states.where(states != "", "new")


def _note_duplicates(frame: gpd.GeoDataFrame, reading: Reading, log: RecordLog) -> None:
    """Say so where a line stands twice; its ground counts once all the same."""
    lines = shapely.to_wkb(shapely.normalize(frame.geometry.to_numpy()))
    same = pd.MultiIndex.from_arrays([lines, reading.stand])
    for stand, places in reading.split(same.duplicated(keep=False)):
        number, names = counted(len(places), "line"), listed(frame["corridor"].iloc[places])
        log.notice(
            f"{reading.file.name}: {number} equal to another ({names}); their ground counts once.",
            stand=stand,
        )


def _note_overrun(
    frame: gpd.GeoDataFrame, reading: Reading, stands: Stands, log: RecordLog
) -> None:
    """Say so where lines run past the boundary."""
    areas = stands.areas[reading.stand]
    past = shapely.length(shapely.difference(frame.geometry.to_numpy(), areas))
    for stand, places in reading.split(past > OVERRUN_MIN_M):  # NaN without a stand
        number, names = counted(len(places), "line"), listed(frame["corridor"].iloc[places])
        log.notice(
            f"{reading.file.name}: {number} past the boundary, by {past[places].sum():,.0f} m in "
            f"all ({names}); only the part inside counts.",
            stand=stand,
        )
