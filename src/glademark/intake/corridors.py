"""Corridors: centre lines with their widths and whether they are new."""

from collections import Counter
from dataclasses import replace
from itertools import chain, count

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from glademark.contracts.frames import no_features
from glademark.errors import FileError
from glademark.intake.columns import meanings
from glademark.intake.columns.cells import each_word, translated
from glademark.intake.columns.fields import Fields
from glademark.intake.columns.match import recognise
from glademark.intake.record_log import Ledger
from glademark.intake.records import Reading, by_stand
from glademark.intake.site import Ground
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
) -> tuple[gpd.GeoDataFrame, npt.NDArray[np.intp]]:
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
    stand
        Number of the stand of each.

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
    names = Fields(reading=reading, found=found).names("name")
    reading = _lines_only(replace(reading, ids=names), ledger)
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
        geometry=reading.shapes,
        crs=ground.crs,
    )
    _note_duplicates(frame, reading, ledger)
    _note_overrun(frame, reading, ground, ledger)
    ledger.use(reading)
    return frame.reset_index(drop=True), reading.owner


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
    kinds = {"width_m": "float64", "record": "int64"}
    return no_features(CORRIDOR_COLUMNS, kinds, crs=ground.crs)


def _lines_only(reading: Reading, ledger: Ledger) -> Reading:
    """Lines that have a length."""
    dimensions = pd.Series(
        shapely.get_dimensions(reading.shapes.to_numpy()), index=reading.rows.index
    )
    for dimension, what in ((2, "areas"), (0, "points")):
        wrong = dimensions == dimension
        if wrong.any():
            msg = (
                f"{reading.file.name}, {reading.place(wrong)}: corridors are lines, and these are "
                f"{what}. Give the centre lines; areas taken anyway belong under landings."
            )
            raise FileError(msg, stands=reading.having(wrong))
    short = reading.shapes.length < LENGTH_MIN_M
    return ledger.reject(
        reading, short, reason="the line has no length; draw it again", what="without length"
    )


def _near_stand(reading: Reading, ground: Ground, ledger: Ledger) -> Reading:
    """Lines with a part in the stand; the file is refused if none has."""
    if not len(reading.rows):
        msg = (
            f"{reading.file.name}: no line in it can be used. Draw the corridors again, or leave "
            "the input out."
        )
        raise FileError(msg)
    outside = ~ground.touches(reading.shapes, reading.owner)
    if outside.all():
        ground.refuse_if_most_outside(reading, outside)
    return ledger.reject(
        reading,
        outside,
        reason="the line lies wholly outside the stand; correct it or leave it out",
        what="outside the stand",
    )


def _unique_names(reading: Reading, ledger: Ledger) -> pd.Series:
    """The marker's own names, numbers where there are none, told apart where they repeat."""
    own = [""] * len(reading.rows) if reading.ids is None else list(reading.ids)
    result = np.full(len(own), "", dtype=object)
    for stand, places in by_stand(reading.owner, np.arange(len(own))):
        names = _numbered([own[place] for place in places])
        repeated = sorted({name for name, times in Counter(names).items() if times > 1})
        if repeated:
            number = counted(sum(name in repeated for name in names), "line")
            ledger.notice(
                f"{reading.file.name}: {number} with a name that another has too "
                f"({listed(repeated)}); each is a corridor of its own, told apart by a number "
                "behind the name.",
                stand=stand,
            )
        result[places] = _told_apart(names)
    return pd.Series(result, index=reading.rows.index, dtype="str")


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


def _widths(fields: Fields, settings: CorridorSettings, ledger: Ledger) -> pd.Series:
    """Width of each line [m]: its own, else the default."""
    widths, bad = fields.lengths("width", unit=settings.width_unit, key="[corridors] width_unit")
    name = fields.reading.file.name
    wrong = bad | (widths <= 0) | (widths > WIDTH_MAX_M)
    if wrong.any():
        cell = shown(fields.cells("width")[wrong].iloc[0])
        names = listed(fields.reading.called(wrong))
        msg = (
            f"{name}, {fields.reading.place(wrong)}: {counted(int(wrong.sum()), 'corridor')} with "
            f'an impossible width ({names}; the first is "{cell}"). Expected more than 0 and at '
            f"most {WIDTH_MAX_M:.0f} m; correct the cells, or the unit of the column."
        )
        raise FileError(msg, stands=fields.reading.having(wrong))
    blank = widths.isna()
    for stand, places in fields.reading.parts(blank):
        if fields.has("width"):
            names = listed(fields.reading.called_at(places))
            ledger.notice(
                f"{name}: {counted(len(places), 'corridor')} without a width of its own: "
                f"{names}; the default of {settings.width_m:.2f} m is used.",
                stand=stand,
            )
        everywhere = len(places) == (fields.reading.owner == stand).sum()
        if everywhere and "width_m" not in settings.model_fields_set:
            ledger.notice(
                f"{name}: no width is given anywhere; corridors are taken as "
                f"{settings.width_m:g} m wide. State [corridors] width.",
                stand=stand,
            )
    return widths.fillna(settings.width_m)


def _states(fields: Fields, ledger: Ledger) -> pd.Series:
    """State of each corridor, new where nothing is said."""
    cells = each_word(fields.cells("state"), str.casefold)
    states = translated(cells, _STATE_OF)
    unknown = (states == "") & (cells != "")
    for stand, places in fields.reading.parts(unknown):
        words = listed(cells.iloc[places].unique())
        ledger.notice(
            f"{fields.reading.file.name}: '{shown(fields.found.header['state'])}' says neither new "
            f"nor existing for {counted(len(places), 'corridor')} ({words}); taken as new.",
            stand=stand,
        )
    return states.where(states != "", "new")


def _note_duplicates(frame: gpd.GeoDataFrame, reading: Reading, ledger: Ledger) -> None:
    """Say so where a line stands twice; its ground counts once all the same."""
    lines = shapely.to_wkb(shapely.normalize(frame.geometry.to_numpy()))
    same = pd.DataFrame({"line": lines, "stand": reading.owner}, index=frame.index)
    for stand, places in reading.parts(same.duplicated(keep=False)):
        number, names = counted(len(places), "line"), listed(frame["corridor"].iloc[places])
        ledger.notice(
            f"{reading.file.name}: {number} equal to another ({names}); their ground counts once.",
            stand=stand,
        )


def _note_overrun(
    frame: gpd.GeoDataFrame, reading: Reading, ground: Ground, ledger: Ledger
) -> None:
    """Say so where lines run past the boundary."""
    lines = frame.geometry.to_numpy()
    past = np.zeros(len(lines))
    for area, mine in ground.areas(reading.owner):
        past[mine] = shapely.length(shapely.difference(lines[mine], area))
    for stand, places in by_stand(reading.owner, np.flatnonzero(past > OVERRUN_MIN_M)):
        number, names = counted(len(places), "line"), listed(frame["corridor"].iloc[places])
        ledger.notice(
            f"{reading.file.name}: {number} past the boundary, by {past[places].sum():,.0f} m in "
            f"all ({names}); only the part inside counts.",
            stand=stand,
        )
