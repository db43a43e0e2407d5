"""
UTM coordinates with their zone in a column of its own, as receivers write them: 16T, 16 N, 16.

A zone says where a grid lies, not on which datum it stands: receivers use WGS 84 unless told
otherwise, and so it is read, with a notice.
"""

import re
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from pyproj import CRS

from glademark.errors import CrsError
from glademark.intake.columns.cells import each_word
from glademark.intake.columns.match import Found, words
from glademark.intake.crs import crs_name, transformed
from glademark.intake.records import Reading, text_of
from glademark.intake.wording import listed, shown

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
    crs
        Of most records.
    """

    system: pd.Series
    crs: CRS


def zones_of(reading: Reading, found: Found) -> Zones | None:
    """
    UTM zones that stand in a column.

    Parameters
    ----------
    reading
        A table.
    found
        Which column holds what.

    Returns
    -------
    zones
        None where there is no such column.

    Raises
    ------
    CrsError
        If a zone does not say its half of the globe, or there are more zones than a stand has.
    """
    header = _header(reading, found)
    if header is None:
        return None
    cells = text_of(reading.rows[header]).str.upper()
    codes = each_word(cells, lambda word: str(_system(word))).astype("int64")
    if not (codes > 0).any():
        first = shown(cells[cells != ""].iloc[0]) if (cells != "").any() else "blank"
        msg = (
            f"{reading.file.name}: '{shown(header)}' does not say the zone and its half of the "
            f'globe (the first is "{first}", and S may be a latitude band or the south). Expected '
            f"such as 16T or 16 north; or state the crs of {reading.file.input} in [inputs]."
        )
        raise CrsError(msg)
    different = codes[codes > 0].value_counts()
    if len(different) > ZONES_MAX:
        msg = (
            f"{reading.file.name}: '{shown(header)}' names {len(different)} zones "
            f"({listed(sorted(cells.unique()))}), and no stand lies in so many. Correct the cells."
        )
        raise CrsError(msg)
    return Zones(system=codes, crs=CRS.from_epsg(int(different.index[0])))


def carried_together(points: gpd.GeoSeries, zones: Zones) -> gpd.GeoSeries:
    """
    Points of several zones in the one of most of them.

    Parameters
    ----------
    points
        Point or None a record, each in its own zone.
    zones
        On the same index.

    Returns
    -------
    points
        None where the zone is not known.
    """
    result = points.where(zones.system > 0, None)
    main = zones.crs.to_epsg()
    for code in sorted(set(zones.system[zones.system > 0]) - {main}):
        here = (zones.system == code) & result.notna()
        moved = transformed(gpd.GeoSeries(result[here]), CRS.from_epsg(int(code)), zones.crs)
        result[here] = moved.to_numpy()
    return gpd.GeoSeries(np.asarray(result, dtype=object), index=points.index)


def zone_notice(reading: Reading, zones: Zones) -> str:
    """
    Sentence about the datum that is assumed.

    Parameters
    ----------
    reading
        The table.
    zones
        As found in it.

    Returns
    -------
    sentence
        With the mend.
    """
    return (
        f"{reading.file.name}: eastings and northings are read in {crs_name(zones.crs)}, as the "
        "column of zones says; if the receiver was set to another datum, state its crs in [inputs]."
    )


def _header(reading: Reading, found: Found) -> str | None:
    """The column of zones: named so, or just called zone and full of them."""
    if "utm_zone" in found.header:
        return found.header["utm_zone"]
    for header in map(str, reading.rows):
        if words(header) == ("zone",):
            cells = text_of(reading.rows[header]).str.upper()
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
