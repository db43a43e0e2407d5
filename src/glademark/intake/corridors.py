"""
Corridors: centre lines with their widths and whether they are new.
"""

from dataclasses import replace
from itertools import count

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from glademark.errors import FileError
from glademark.intake import meanings
from glademark.intake.columns import recognise
from glademark.intake.fields import Fields
from glademark.intake.ground import Ground
from glademark.intake.records import Ledger, Reading
from glademark.intake.wording import counted, listed, shown
from glademark.project.model import CorridorSettings, Source

WIDTH_MAX_M = 30.0
"""Wider than any machine corridor [m]: beyond it the unit or the column is wrong."""

LENGTH_MIN_M = 0.01
"""Shorter lines are a point clicked twice [m]."""

OVERRUN_MIN_M = 1.0
"""Shorter ends past the boundary are not worth a word [m]."""

CORRIDOR_COLUMNS = ("corridor", "width_m", "state", "source_file", "record")
_STATES = {
    "new": "new planned proposed proposal flagged",
    "existing": "existing exists exist old reused reuse reopened",
}
_STATE_OF = {word: state for state, words in _STATES.items() for word in words.split()}


def read_corridors(
    reading: Reading, source: Source, ground: Ground, settings: CorridorSettings, ledger: Ledger
) -> gpd.GeoDataFrame:
    """
    Corridors that have any part in the stand.

    Parameters
    ----------
    reading
        Lines; one feature is one corridor, in however many pieces.
    source
        As the project file states it.
    ground
        The stand.
    settings
        Default width, and where widths stand.
    ledger
        Takes lines without length and lines outside the stand.

    Returns
    -------
    corridors
        `CORRIDOR_COLUMNS` and LineString or MultiLineString in the working CRS.

    Raises
    ------
    FileError
        If there are polygons or points, all lines are outside, or a width is impossible.
    """
    reading = ground.bring(reading, source, ledger)
    stated = {"width": settings.width_column} if settings.width_column else {}
    found = recognise(
        list(reading.rows.columns), meanings.CORRIDORS, stated=stated, where=reading.file.name
    )
    names = Fields(reading=reading, found=found).cells("name")
    reading = _lines_only(_with_ids(reading, names), ledger)
    reading = _near_stand(reading, ground, ledger)
    fields = Fields(reading=reading, found=found)
    frame = gpd.GeoDataFrame(
        {
            "corridor": _unique_names(reading, ledger),
            "width_m": _widths(fields, settings, ledger),
            "state": _states(fields, ledger),
            "source_file": reading.file.name,
            "record": reading.record,
        },
        geometry=reading.geometry,
        crs=ground.crs,
    )
    _note_duplicates(frame, reading.file.name, ledger)
    _note_overrun(frame, reading.file.name, ground, ledger)
    ledger.use(reading)
    return frame.reset_index(drop=True)


def no_corridors(ground: Ground) -> gpd.GeoDataFrame:
    """
    Corridors of a stand without any.

    Parameters
    ----------
    ground
        The stand.

    Returns
    -------
    corridors
        No rows.
    """
    kinds = {
        "corridor": "str",
        "width_m": "float64",
        "state": "str",
        "source_file": "str",
        "record": "int64",
    }
    empty = {name: pd.Series(dtype=kinds[name]) for name in CORRIDOR_COLUMNS}
    return gpd.GeoDataFrame(empty, geometry=gpd.GeoSeries([], crs=ground.crs), crs=ground.crs)


def _with_ids(reading: Reading, names: pd.Series) -> Reading:
    """Records known by the names that they have in the file."""
    return replace(reading, ids=names)


def _lines_only(reading: Reading, ledger: Ledger) -> Reading:
    """Lines that have a length."""
    geometry = _shapes(reading)
    dimensions = pd.Series(shapely.get_dimensions(geometry), index=reading.rows.index)
    kinds = {2: "areas", 0: "points"}
    for dimension, what in kinds.items():
        if (dimensions == dimension).any():
            mend = "Give the centre lines; areas that are taken anyway belong under landings."
            msg = f"{reading.file.name}, {reading.place(dimensions == dimension)}: corridors are lines, and these are {what}. {mend}"
            raise FileError(msg)
    short = pd.Series(shapely.length(geometry) < LENGTH_MIN_M, index=reading.rows.index)
    return ledger.set_aside(
        reading, short, reason="the line has no length; draw it again", what="lines without length"
    )


def _shapes(reading: Reading) -> np.ndarray:
    """Geometries as an array."""
    return np.array([], dtype=object) if reading.geometry is None else reading.geometry.to_numpy()


def _near_stand(reading: Reading, ground: Ground, ledger: Ledger) -> Reading:
    """Lines with a part in the stand; the file is refused if none has."""
    if reading.geometry is None or not len(reading.rows):
        msg = f"{reading.file.name}: no line in it can be used. Draw the corridors again, or leave the input out."
        raise FileError(msg)
    outside = ~ground.touches(reading.geometry)
    if outside.all():
        ground.refuse_if_most_outside(reading, outside, noun="line")
    return ledger.set_aside(
        reading,
        outside,
        reason="the line lies wholly outside the stand; correct it or leave it out",
        what="lines outside the stand",
    )


def _unique_names(reading: Reading, ledger: Ledger) -> pd.Series:
    """The marker's own names, numbers where there are none, told apart where they repeat."""
    names = reading.ids if reading.ids is not None else pd.Series("", index=reading.rows.index)
    blank = names == ""
    taken = set(names[~blank])
    free = (number for number in count(1) if str(number) not in taken)
    names = names.astype("object")
    names[blank] = [str(next(free)) for _ in range(int(blank.sum()))]
    repeated = names.duplicated(keep=False)
    if not repeated.any():
        return names.astype("str")
    ledger.notice(
        f"{reading.file.name}: {counted(int(repeated.sum()), 'line')} share a name ({listed(names[repeated].unique())}); "
        "each is a corridor of its own, told apart by a number behind the name."
    )
    return _told_apart(names).astype("str")


def _told_apart(names: pd.Series) -> pd.Series:
    """Names with -2, -3 and so on behind those that repeat an earlier one."""
    taken = set(names)
    result = names.copy()
    for place in np.flatnonzero(names.duplicated()):  # corridors are few
        name = names.iloc[place]
        result.iloc[place] = next(
            new for new in (f"{name}-{number}" for number in count(2)) if new not in taken
        )
        taken.add(result.iloc[place])
    return result


def _widths(fields: Fields, settings: CorridorSettings, ledger: Ledger) -> pd.Series:
    """Width of each line [m]: its own, else the default."""
    widths, bad = fields.lengths("width", unit=settings.width_unit, key="[corridors] width_unit")
    name = fields.reading.file.name
    wrong = bad | (widths <= 0) | (widths > WIDTH_MAX_M)
    if wrong.any():
        cell = shown(fields.cells("width")[wrong].iloc[0])
        names = listed(fields.reading.called(wrong))
        msg = (
            f"{name}, {fields.reading.place(wrong)}: {counted(int(wrong.sum()), 'corridor')} with an impossible width "
            f'({names}; the first is "{cell}"). Expected more than 0 and at most {WIDTH_MAX_M:.0f} m; correct '
            "the cells, or the unit of the column."
        )
        raise FileError(msg)
    blank = widths.isna()
    if blank.any() and fields.has("width"):
        names = listed(fields.reading.called(blank))
        ledger.notice(
            f"{name}: {counted(int(blank.sum()), 'corridor')} without a width of its own: {names}; "
            f"the default of {settings.width_m:.2f} m is used."
        )
    return widths.fillna(settings.width_m)


def _states(fields: Fields, ledger: Ledger) -> pd.Series:
    """new or existing; new where nothing is said."""
    cells = fields.cells("state").str.casefold()
    states = cells.map(_STATE_OF)
    unknown = states.isna() & (cells != "")
    if unknown.any():
        words = listed(cells[unknown].unique())
        ledger.notice(
            f"{fields.reading.file.name}: '{shown(fields.found.header['state'])}' says neither new nor existing "
            f"for {counted(int(unknown.sum()), 'corridor')} ({words}); taken as new."
        )
    return states.fillna("new").astype("str")


def _note_duplicates(frame: gpd.GeoDataFrame, name: str, ledger: Ledger) -> None:
    """Say so where a line stands twice; its ground counts once all the same."""
    same = pd.Series(
        shapely.to_wkb(shapely.normalize(frame.geometry.to_numpy())), index=frame.index
    )
    twice = same.duplicated(keep=False)
    if twice.any():
        names = listed(frame["corridor"][twice])
        ledger.notice(
            f"{name}: {counted(int(twice.sum()), 'line')} are drawn more than once ({names}); their ground counts once."
        )


def _note_overrun(frame: gpd.GeoDataFrame, name: str, ground: Ground, ledger: Ledger) -> None:
    """Say so where lines run past the boundary."""
    if ground.stand is None:
        return
    lines = frame.geometry.to_numpy()
    past = shapely.length(shapely.difference(lines, ground.stand))
    out = past > OVERRUN_MIN_M
    if out.any():
        names = listed(frame["corridor"][out])
        ledger.notice(
            f"{name}: {counted(int(out.sum()), 'line')} run past the boundary, by {past[out].sum():,.0f} m in all "
            f"({names}); only the part inside counts."
        )
