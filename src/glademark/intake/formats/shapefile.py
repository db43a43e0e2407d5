"""
What a Shapefile can hide: missing parts, shapes past its end, the encoding of its text.

References
----------
.. [1] ESRI Shapefile Technical Description (1998): the file length stands in bytes 24 to 27 as a
       big-endian number of 16-bit words; an index record has 8 bytes after a header of 100.
"""

import logging
import sqlite3
import struct
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import shapely

from glademark.errors import FileError
from glademark.intake.formats import geopackage
from glademark.intake.formats.files import FieldFile
from glademark.offline import all_drivers

_HEADER = 100
_LENGTH_AT = slice(24, 28)
_INDEX_RECORD = 8
_TABLE_HEAD = 12
_LANGUAGE_AT = 29
_ANSI = 0x57


def check(file: FieldFile) -> None:
    """Refuse a Shapefile that is not whole."""
    for ending in (".shx", ".dbf"):
        if not file.copy.with_suffix(ending).exists():
            msg = f"{file.name}: its {ending} file is missing. Copy all files of the Shapefile."
            raise FileError(msg)
    shapes, index, table = (file.copy.with_suffix(end) for end in (".shp", ".shx", ".dbf"))
    for part in (shapes, index):
        if part.stat().st_size < _stated_length(part):
            msg = f"{file.name}: its {part.suffix} file is cut off. Copy the Shapefile again."
            raise FileError(msg)
    rows, needed = _table_size(table)
    if table.stat().st_size < needed:
        msg = f"{file.name}: its .dbf file is cut off. Copy the Shapefile again."
        raise FileError(msg)
    features = (index.stat().st_size - _HEADER) // _INDEX_RECORD
    if features != rows:
        msg = (
            f"{file.name}: {features:,} shapes but {rows:,} rows of attributes. "
            "Its files do not belong together; copy them again."
        )
        raise FileError(msg)


def _table_size(table: Path) -> tuple[int, int]:
    """Rows that the header of a table states, and the length that they need [bytes]."""
    with table.open("rb") as opened:
        head = opened.read(_TABLE_HEAD)
    if len(head) < _TABLE_HEAD:
        return 0, _TABLE_HEAD
    _, rows, header, row = struct.unpack("<4sIHH", head)
    return int(rows), int(header + rows * row)


def _stated_length(part: Path) -> int:
    """Length that the header states [bytes]."""
    with part.open("rb") as opened:
        header = opened.read(_HEADER)
    if len(header) < _HEADER:
        return _HEADER
    (words,) = struct.unpack(">i", header[_LENGTH_AT])
    return 2 * int(words)


def encodings(file: FieldFile) -> tuple[tuple[str | None, str], ...]:
    """Encodings to try for the text of a Shapefile, in order."""
    with file.copy.with_suffix(".dbf").open("rb") as opened:
        content = opened.read()
    header = int.from_bytes(content[8:10], "little")
    language = content[_LANGUAGE_AT] if len(content) > _LANGUAGE_AT else 0
    declared = file.copy.with_suffix(".cpg").exists() or language not in {0, _ANSI}
    if content[header:].isascii():
        return ((None, ""), ("UTF-8", ""))
    told = (
        "its text is not in the encoding that it declares"
        if declared
        else "its text declares no encoding"
    )
    guessed = tuple(
        (encoding, f"{file.name}: {told}; read as {label}. Check names with accents.")
        for encoding, label in (("UTF-8", "UTF-8"), ("CP1252", "Windows-1252"))
    )
    return ((None, ""), *guessed) if declared else guessed


log = logging.getLogger(__name__)


@dataclass(kw_only=True, slots=True)
class Salvage:
    """
    Records of a damaged file.

    Attributes
    ----------
    crs
        Well-known text, or nothing.
    numbers
        Feature numbers of those that could be read.
    rows
        Their fields.
    shapes
        Their geometries, None where there is none.
    lost
        Feature numbers of those that could not.
    """

    crs: str
    numbers: list[int] = field(default_factory=list)
    rows: list[dict[str, Any]] = field(default_factory=list)
    shapes: list[shapely.Geometry | None] = field(default_factory=list)
    lost: list[int] = field(default_factory=list)


def salvaged(file: FieldFile, layer: str, *, driver: str) -> Salvage:
    """Every record that can still be read, one after the other."""
    with all_drivers():
        import fiona  # noqa: PLC0415 - only for damaged files
    from fiona._err import CPLE_BaseError  # noqa: PLC0415 - its base of driver errors has no other home
    from fiona.errors import FionaError  # noqa: PLC0415 - only for damaged files

    broken = (FionaError, CPLE_BaseError, OSError, ValueError, RuntimeError, sqlite3.Error)
    unreadable = (*broken, LookupError, TypeError, AttributeError, shapely.GEOSException)
    msg = f"{file.name}: the {file.format} file is damaged. Export it again."
    try:
        with fiona.open(file.copy, layer=layer, allowed_drivers=[driver]) as source:
            salvage = Salvage(crs=source.crs_wkt)
            for number in _numbers(file, layer, len(source)):
                try:
                    _keep(salvage, source[number], number)
                except unreadable as error:
                    log.debug("%s, feature %d: %s", file.name, number, error)
                    salvage.lost.append(number)
    except broken as error:
        raise FileError(msg) from error
    if not salvage.rows:
        raise FileError(msg)
    return salvage


def _numbers(file: FieldFile, layer: str, count: int) -> list[int]:
    """Feature numbers of a layer: a GeoPackage has them stored, other formats count from 0."""
    if file.format != "GeoPackage":
        return list(range(count))
    with closing(geopackage.connected(file)) as database:
        return geopackage.feature_numbers(database, layer)


def _keep(salvage: Salvage, feature: Any, number: int) -> None:  # noqa: ANN401 - fiona ships no types
    """Enter one record that was read."""
    shape = feature.geometry
    shape = None if shape is None else shapely.force_2d(shapely.geometry.shape(shape))
    salvage.rows.append(dict(feature.properties))
    salvage.shapes.append(shape)
    salvage.numbers.append(number)
