"""
UTM coordinates with their zone in a column of its own, as receivers write them: 16T, 16 N, 16.

A zone says where a grid lies, not on which datum it stands: receivers use WGS 84 unless told
otherwise, and so it is read, with a notice.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from pyproj import CRS

from glademark.intake.columns.cells import each_word
from glademark.intake.columns.match import Found, words
from glademark.intake.crs import crs_name, transformed
from glademark.intake.record_log import RecordLog
from glademark.intake.records import Reading, text_of
from glademark.wording import listed, shown

ZONES_MAX = 3
"""A stand may lie where two zones meet; more than that is no stand."""

_ZONE = re.compile(r"\s*(?:UTM)?\s*(?:ZONE)?\s*(\d{1,2})\s*(NORTH|SOUTH|[C-HJ-NP-X])?\s*")
_NORTH = frozenset("NPQRTUVWX") | {"NORTH"}  # latitude bands, of which S is left out
_SOUTH = frozenset("CDEFGHJKLM") | {"SOUTH"}
_NORTH_EPSG, _SOUTH_EPSG = 32600, 32700
_LAST_ZONE = 60


@dataclass(frozen=True, kw_only=True, slots=True)
class Zones:
    """
    Zone of every record.

    Attributes
    ----------
    system
        EPSG code by record, 0 where its zone is blank or unreadable.
    of_stand
        EPSG code of most records of each stand, by its number.
    """

    system: pd.Series
    of_stand: Mapping[int, int]

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
