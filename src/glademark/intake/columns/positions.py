"""Points, from the geometry of a layer or from columns of coordinates."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import CRS

from glademark.errors import CrsError, FileError, counted, listed, quoted, shown
from glademark.intake.columns.fields import Found, each_word, numbers, words
from glademark.intake.crs import WGS84, crs_name, parse_crs, transformed
from glademark.intake.record_log import Reading, RecordLog, text_of, texts
from glademark.project.model import Source

_DEGREES = (
    r"^\s*([NSEW])?\s*(\d{1,3}(?:\.\d+)?)\s*[°ºD:]?\s*"
    r"(?:(\d{1,2}(?:\.\d+)?)\s*['\u2019\u2032M:]?\s*)?"
    r"""(?:(\d{1,2}(?:\.\d+)?)\s*(?:"|\u201d|\u2033|''|S(?=\s*[NSEW]))?\s*)?([NSEW])?\s*$"""
)
_SIGNS: Mapping[str, Mapping[str, float]] = MappingProxyType(
    {"lon": {"E": 1.0, "W": -1.0}, "lat": {"N": 1.0, "S": -1.0}}
)
_MOST = 0.5
_PRECISION_DECIMALS_MAX = 4
_DEGREE_M = 111_320.0
_ROUNDING_DEG = 1e-9
_SIXTY = 60


def with_points(reading: Reading, found: Found, source: Source, log: RecordLog) -> Reading:
    """
    Records as points, from the geometry of a layer or from columns of coordinates.

    The coordinate system is in `crs` or in `source` after that. Records that are no points are
    rejected; a stand without any point is refused.
    """
    if reading.geometry is None:
        return _from_columns(reading, found, source, log)
    if (shapely.get_type_id(reading.shapes.to_numpy()) == shapely.GeometryType.MULTIPOINT).any():
        reading = _single_points(reading, log)
    kinds = shapely.get_type_id(reading.shapes.to_numpy())
    other = pd.Series(~np.isin(kinds, [-1, shapely.GeometryType.POINT]), index=reading.index)
    faults = []
    for stand in _all_of_a_stand(other.to_numpy(), kinds != -1, reading.stand):
        first = np.argmax(other.to_numpy() & (reading.stand == stand))
        what = shapely.GeometryType(int(kinds[first])).name.lower()
        text = (
            f"{reading.file.name}: points are expected, and these are of type {what}. "
            "Name the layer of points."
        )
        faults.append((stand, text))
    reading = log.refuse(reading, faults)
    return log.reject(
        reading,
        other[reading.index],
        reason="it is no point; mark trees as points",
        what="not points",
    )


def _all_of_a_stand(
    bad: npt.NDArray[np.bool_], among: npt.NDArray[np.bool_], stand: npt.NDArray[np.intp]
) -> list[int]:
    """Stands that have bad records, and none but bad ones among some."""
    wrong, every = np.bincount(stand[bad]), np.bincount(stand[among])
    return [int(one) for one in np.flatnonzero((wrong > 0) & (wrong == every[: len(wrong)]))]


def _single_points(reading: Reading, log: RecordLog) -> Reading:
    """One point a record; a record of several points becomes several."""
    geometry = reading.shapes.to_numpy()
    counts = np.where(shapely.is_missing(geometry), 1, shapely.get_num_geometries(geometry))
    counts = np.maximum(counts, 1)
    rows = np.repeat(np.arange(len(geometry)), counts)
    parts = np.full(len(rows), None, dtype=object)
    points, record = shapely.get_parts(geometry, return_index=True)
    first = np.concatenate([[0], np.cumsum(counts)[:-1]])
    rank = np.arange(len(record)) - np.searchsorted(record, record, side="left")
    parts[first[record] + rank] = points
    for stand, several in reading.split(counts > 1):
        log.notice(
            f"{reading.file.name}: {counted(len(several), 'record')} with several points each; "
            "every point is read as a record of its own.",
            stand=stand,
        )
    more = np.bincount(reading.stand, weights=counts - 1, minlength=log.stands)
    log.split_records(reading, more.astype(np.intp))
    return replace(reading.repeated(rows), geometry=gpd.GeoSeries(parts))


def _from_columns(reading: Reading, found: Found, source: Source, log: RecordLog) -> Reading:
    """Points from two columns of coordinates."""
    x_name, y_name, crs = _pair(reading, found, source)
    zones = None
    if x_name == "x" and source.crs is None:
        reading, zones = zones_of(reading, found, log)
    reading, x, bad_x = _coordinates(reading, found.header[x_name], x_name, log)
    reading, y, bad_y = _coordinates(reading, found.header[y_name], y_name, log)
    index = reading.index
    x, bad = x[index], bad_x[index] | bad_y
    reason = pd.Series("", index=bad.index, dtype="str")
    if bad.any():
        pair = texts(reading.rows.loc[index[bad]], [found.header[x_name], found.header[y_name]])
        cells = (pair.iloc[:, 0] + " / " + pair.iloc[:, 1]).map(shown)
        reason[bad] = 'its position is "' + cells + '", not two numbers; correct the cells'
    here = (x.notna() & y.notna()).to_numpy()
    points = np.full(len(x), None, dtype=object)
    points[here] = shapely.points(x.to_numpy()[here], y.to_numpy()[here])
    geometry = gpd.GeoSeries(points, index=index)
    if zones is not None:
        zones = replace(zones, system=zones.system[index])
        geometry, crs = in_one_zone(geometry, zones), zones.crs
        note_zones(reading, zones, log)
    reading = replace(reading, geometry=geometry, crs=crs)
    if x_name == "lon":
        for stand, places in reading.split(here):
            _note_coarse(reading.file.name, x.iloc[places], y.iloc[places], log, stand)
    return log.reject(reading, bad, reason=reason, what="with an unreadable position")


def _pair(reading: Reading, found: Found, source: Source) -> tuple[str, str, CRS | None]:
    """Names of the two meanings that give the position, and the coordinate system they imply."""
    name = reading.file.name
    stated = None if source.crs is None else parse_crs(source.crs, where=f"[inputs], crs of {name}")
    has = {pair: all(one in found.header for one in pair) for pair in (("lon", "lat"), ("x", "y"))}
    if has["x", "y"] and not (has["lon", "lat"] and (stated is None or stated.is_geographic)):
        if stated is None and not has_zones(reading, found):
            msg = (
                f"{name}: the coordinate system of "
                f"{quoted([found.header['x'], found.header['y']])} is not stated. State it in "
                f'[inputs]: {reading.file.input} = {{file = "{name}", crs = "EPSG:…"}}.'
            )
            raise CrsError(msg)
        return "x", "y", None
    if has["lon", "lat"]:
        if stated is not None and not stated.is_geographic:
            msg = (
                f"{name}: longitude and latitude are in degrees, but [inputs] states "
                f"{shown(source.crs)}. Remove the crs, or name the columns x and y."
            )
            raise CrsError(msg)
        return "lon", "lat", WGS84 if stated is None else None
    msg = (
        f"{name}: no pair of coordinate columns (lon and lat, or x and y with a crs); the columns "
        f"are {quoted(reading.headers)}. Rename them, or map them under "
        "[marks] columns."
    )
    raise FileError(msg)


def _coordinates(
    reading: Reading, header: str, name: str, log: RecordLog
) -> tuple[Reading, pd.Series, pd.Series]:
    """Numbers of a column of coordinates, degrees with a hemisphere letter included."""
    column = reading.column(header)
    values, bad = numbers(column, decimal_comma=reading.decimal_comma, stand=reading.key)
    if bad.any() and name in _SIGNS:
        cells = text_of(column[bad]).str.upper()
        if reading.decimal_comma:
            cells = cells.str.replace(",", ".", regex=False)
        degrees = _degrees(cells, _SIGNS[name])
        values.loc[degrees.index] = degrees
        bad = bad & values.isna()
    faults = []
    for stand, places, every in reading.mostly(bad, more_than=_MOST):
        cell = shown(text_of(column.iloc[places[:1]]).iloc[0])
        text = (
            f"{reading.file.name}, {reading.at(int(places[0]))}: {len(places):,} of {every:,} "
            f"cells of '{shown(header)}' are no coordinate, the first is \"{cell}\". Expected "
            "decimal numbers, or degrees, minutes and seconds each with its letter (N or S for the "
            "latitude, E or W for the longitude)."
        )
        faults.append((stand, text))
    reading = log.refuse(reading, faults)
    return reading, values[reading.index], bad[reading.index]


def _degrees(cells: pd.Series, signs: Mapping[str, float]) -> pd.Series:
    """Decimal degrees of cells with degrees, minutes and seconds, NaN where they are not sound."""
    parts = cells.str.extract(_DEGREES)
    sign = parts[0].fillna(parts[4]).map(signs).astype("float64")
    degrees = pd.to_numeric(parts[1])
    minutes = pd.to_numeric(parts[2]).fillna(0.0)
    seconds = pd.to_numeric(parts[3]).fillna(0.0)
    sound = (minutes < _SIXTY) & (seconds < _SIXTY)
    return (sign * (degrees + minutes / _SIXTY + seconds / _SIXTY**2)).where(sound)


def _note_coarse(name: str, lon: pd.Series, lat: pd.Series, log: RecordLog, stand: int) -> None:
    """Say so where degrees were rounded until trees coincide."""
    both = np.concatenate([lon.to_numpy(), lat.to_numpy()])
    for decimals in range(_PRECISION_DECIMALS_MAX + 1):
        if len(lon) > 1 and np.abs(both - both.round(decimals)).max() < _ROUNDING_DEG:
            metres = _DEGREE_M / 10**decimals
            log.notice(
                f"{name}: positions are rounded to {decimals} decimals of a degree, "
                f"which is about {metres:,.0f} m. Export them with six or more.",
                stand=stand,
            )
            return


ZONES_MAX = 3
"""A stand may lie where two zones meet; more than that is no stand."""

_ZONE = re.compile(r"\s*(?:UTM)?\s*(?:ZONE)?\s*(\d{1,2})\s*(NORTH|SOUTH|[C-HJ-NP-X])?\s*")
_NORTH = frozenset("NPQRTUVWX") | {"NORTH"}  # latitude bands, of which S is left out
_SOUTH = frozenset("CDEFGHJKLM") | {"SOUTH"}
_NORTH_EPSG, _SOUTH_EPSG = 32600, 32700
_LAST_ZONE = 60


@dataclass(frozen=True, kw_only=True, slots=True)
class Zones:
    """Zone of every record."""

    system: pd.Series  # EPSG code by record, 0 where its zone is blank or unreadable
    of_stand: Mapping[int, int]  # EPSG code of most records of each stand, by its number

    @property
    def crs(self) -> CRS:
        """Coordinate system of most records of the first stand."""
        return CRS.from_epsg(next(iter(self.of_stand.values())))


def has_zones(reading: Reading, found: Found) -> bool:
    """Whether UTM zones stand in a column."""
    return _header(reading, found) is not None


def zones_of(reading: Reading, found: Found, log: RecordLog) -> tuple[Reading, Zones]:
    """
    UTM zones that stand in a column.

    A stand whose zones do not say their half of the globe, or are more than a stand has, is
    refused.
    """
    header = _header(reading, found) or ""
    cells = text_of(reading.column(header)).str.upper()
    codes = each_word(cells, lambda word: str(_system(word))).astype("int64")
    faults: list[tuple[int, str]] = []
    of_stand: dict[int, int] = {}
    for stand, places in reading.split(np.ones(len(reading), dtype=bool)):
        fault, code = _main_zone(cells.iloc[places], codes.iloc[places], reading, header)
        faults += [(stand, fault)] if fault else []
        of_stand |= {} if fault else {stand: code}
    reading = log.refuse(reading, faults)
    return reading, Zones(system=codes[reading.index], of_stand=of_stand)


def _main_zone(
    cells: pd.Series, codes: pd.Series, reading: Reading, header: str
) -> tuple[str, int]:
    """Why the zones of a stand are refused, or nothing and the code of most of them."""
    known = codes[codes > 0]
    if not len(known):
        first = shown(cells[cells != ""].iloc[0]) if (cells != "").any() else "blank"
        return (
            f"{reading.file.name}: '{shown(header)}' does not say the zone and its half of the "
            f'globe (the first is "{first}", and S may be a latitude band or the south). Expected '
            f"such as 16T or 16 north; or state the crs of {reading.file.input} in [inputs]."
        ), 0
    different = known.value_counts()
    if len(different) > ZONES_MAX:
        return (
            f"{reading.file.name}: '{shown(header)}' names {len(different)} zones "
            f"({listed(sorted(cells.unique()))}), and no stand lies in so many. Correct the cells."
        ), 0
    return "", int(different.index[0])


def in_one_zone(points: gpd.GeoSeries, zones: Zones) -> gpd.GeoSeries:
    """Points, each in its own zone, in that of most of them; None where the zone is not known."""
    result = points.where(zones.system > 0, None)
    main = zones.crs.to_epsg()
    for code in sorted(set(zones.system[zones.system > 0]) - {main}):
        here = (zones.system == code) & result.notna()
        moved = transformed(gpd.GeoSeries(result[here]), CRS.from_epsg(int(code)), zones.crs)
        result[here] = moved.to_numpy()
    return gpd.GeoSeries(np.asarray(result, dtype=object), index=points.index)


def note_zones(reading: Reading, zones: Zones, log: RecordLog) -> None:
    """Say which datum is assumed."""
    for stand, code in zones.of_stand.items():
        log.notice(
            f"{reading.file.name}: eastings and northings are read in "
            f"{crs_name(CRS.from_epsg(code))}, as the column of zones says; if the receiver was "
            "set to another datum, state its crs in [inputs].",
            stand=stand,
        )


def _header(reading: Reading, found: Found) -> str | None:
    """The column of zones: named so, or just called zone and full of them."""
    if "utm_zone" in found.header:
        return found.header["utm_zone"]
    for header in reading.headers:
        if words(header) == ("zone",):
            cells = text_of(reading.column(header)).str.upper()
            filled = cells[cells != ""]
            if len(filled) and filled.str.fullmatch(_ZONE).all():
                return header
    return None


def _system(word: str) -> int:
    """EPSG code of a zone on WGS 84, 0 where it is none or does not say its half of the globe."""
    parts = _ZONE.fullmatch(word)
    number = int(parts[1]) if parts else 0
    if parts is None or not 1 <= number <= _LAST_ZONE:
        return 0
    if parts[2] in _NORTH:
        return _NORTH_EPSG + number
    return _SOUTH_EPSG + number if parts[2] in _SOUTH else 0
