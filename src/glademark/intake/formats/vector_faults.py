"""
What vector files can hide: damage, missing parts, a write-ahead log, text in columns of numbers.

References
----------
.. [1] ESRI Shapefile Technical Description (1998): the file length stands in bytes 24 to 27 as a
       big-endian number of 16-bit words; an index record has 8 bytes after a header of 100.
"""

import json
import logging
import sqlite3
import struct
from contextlib import closing
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pandas as pd
import shapely

from glademark.errors import FileError, shown
from glademark.intake.formats.files import FieldFile
from glademark.intake.record_log import Reading, refuse_columns
from glademark.process import all_drivers

_HEADER = 100
_LENGTH_AT = slice(24, 28)
_INDEX_RECORD = 8
_TABLE_HEAD = 12
_LANGUAGE_AT = 29
_ANSI = 0x57


def check_shapefile(file: FieldFile) -> None:
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
    """Records of a damaged file."""

    crs: str  # well-known text, or nothing
    numbers: list[int] = field(default_factory=list)  # feature numbers of those that could be read
    rows: list[dict[str, Any]] = field(default_factory=list)  # their fields
    shapes: list[shapely.Geometry | None] = field(default_factory=list)
    """Their geometries, None where there is none."""
    lost: list[int] = field(default_factory=list)  # feature numbers of those that could not


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
    with closing(connected(file)) as database:
        return feature_numbers(database, layer)


def _keep(salvage: Salvage, feature: Any, number: int) -> None:  # noqa: ANN401 - fiona ships no types
    """Enter one record that was read."""
    shape = feature.geometry
    shape = None if shape is None else shapely.force_2d(shapely.geometry.shape(shape))
    salvage.rows.append(dict(feature.properties))
    salvage.shapes.append(shape)
    salvage.numbers.append(number)


_SHAPES = ("Point", "LineString", "Polygon")
_KINDS = frozenset(
    {"FeatureCollection", "Feature", "GeometryCollection"}.union(
        *({shape, f"Multi{shape}"} for shape in _SHAPES)
    )
)
_REGISTRY = ("http://www.opengis.net/def/crs/", "https://www.opengis.net/def/crs/")
"""Names that look like addresses, but are understood without asking anyone."""


def check_geojson(file: FieldFile) -> bool:
    """Whether a document states a coordinate system; a damaged one, or a link, is refused."""
    links: list[str] = []
    document = _document(file, links)
    if links:
        msg = (
            f"{file.name}: its coordinate system is a link ({shown(links[0])}), which is not "
            f"followed. Export it again, or take out 'crs' and state it in [inputs]: "
            f'{file.input} = {{file = "{file.name}", crs = "EPSG:…"}}.'
        )
        raise FileError(msg)
    if not isinstance(document, dict) or document.get("type") not in _KINDS:
        what = "it has no 'type'"
        if isinstance(document, dict) and "type" in document:
            what = f"its 'type' is {shown(str(document['type']))}"
        msg = f"{file.name}: this is JSON, but not GeoJSON: {what}. Export it as GeoJSON."
        raise FileError(msg)
    features = document.get("features")
    if isinstance(features, list):
        if not all(isinstance(one, dict) for one in features):
            msg = f"{file.name}: some entries among its features are no features. Export it again."
            raise FileError(msg)
        fields = (one.get("properties") for one in features)
        names = set().union(*(one for one in fields if isinstance(one, dict)))
        refuse_columns(len(names), file)
    return document.get("crs") is not None


def _document(file: FieldFile, links: list[str]) -> Any:  # noqa: ANN401 - whatever the file holds
    """The document; coordinate systems that it only links to, at any depth, are added to a list."""

    def noted(found: dict[str, Any]) -> dict[str, Any]:
        if "crs" in found and (link := _link(found["crs"])):
            links.append(link)
        return found

    try:
        return json.loads(file.copy.read_bytes().decode("utf-8-sig"), object_hook=noted)
    except UnicodeDecodeError as error:
        msg = f"{file.name}: GeoJSON must be UTF-8; byte {error.start} is not. Export it again."
        raise FileError(msg) from error
    except (ValueError, RecursionError) as error:  # a number with too many digits is a ValueError
        where = "its nesting" if isinstance(error, RecursionError) else "its numbers"
        where = f"line {error.lineno}" if isinstance(error, json.JSONDecodeError) else where
        msg = f"{file.name}: this is no complete GeoJSON document (see {where}). Export it again."
        raise FileError(msg) from error


def _link(crs: object) -> str:
    """Where a `crs` member leads, or nothing where it says itself what it is."""
    if not isinstance(crs, dict):
        return ""
    said = crs.get("properties")
    said = said if isinstance(said, dict) else {}
    if str(crs.get("type")).casefold() in {"link", "url"}:
        return str(said.get("href") or said.get("url") or "nowhere")
    name = str(said.get("name", ""))
    return name if "://" in name and not name.startswith(_REGISTRY) else ""


_WAL_VERSION = 2
_VERSION_BYTES = slice(18, 20)


def check_geopackage(file: FieldFile) -> list[str]:
    """Whether the database is sound, and what is odd about it."""
    with file.copy.open("rb") as opened:
        version = opened.read(_VERSION_BYTES.stop)[_VERSION_BYTES]
    log_file = file.copy.with_name(file.copy.name + "-wal")
    notices = []
    if _WAL_VERSION in version and not log_file.exists():
        notices.append(
            f"{file.name}: it was open in another program when it was copied, and its newest rows "
            "may be missing. Close it there and copy it again, if rows are missing."
        )
    try:
        with closing(connected(file)) as database:
            answer = database.execute("PRAGMA quick_check(1)").fetchone()
            _forget_counts(database)
    except (sqlite3.Error, ValueError) as error:
        answer = (str(error),)
    if answer != ("ok",):
        msg = f"{file.name}: the GeoPackage is damaged or cut off. Copy or export it again."
        raise FileError(msg)
    return notices


def connected(file: FieldFile) -> sqlite3.Connection:
    """Connection to the private copy of a GeoPackage; text that is no UTF-8 does not stop it."""
    database = sqlite3.connect(file.copy)
    try:
        database.execute("PRAGMA synchronous = OFF")  # a copy need not outlive a power cut
    except BaseException:
        database.close()  # it is the first to look at a file that may be damaged
        raise
    database.text_factory = lambda content: content.decode("utf-8", "replace")
    return database


def _forget_counts(database: sqlite3.Connection) -> None:
    """Remove stored numbers of features from the copy: GDAL believes them, stale or not."""
    if database.execute("SELECT 1 FROM sqlite_master WHERE name = 'gpkg_ogr_contents'").fetchone():
        database.execute("UPDATE gpkg_ogr_contents SET feature_count = NULL")
        database.commit()


def with_texts_in_numbers(reading: Reading, *, layer: str) -> Reading:
    """Records with the text that stands in their columns of numbers, which GDAL reads as 0."""
    numeric = [str(name) for name in reading.rows if reading.rows[name].dtype.kind in "iuf"]
    if not numeric:
        return reading
    with closing(connected(reading.file)) as database:
        key = _primary_key(database, layer)
        stored = {name: _texts(database, layer, name, key) for name in numeric}
    place = pd.Series(reading.rows.index, index=reading.record.to_numpy())
    rows = reading.rows
    for name, texts in stored.items():
        if texts:
            column = rows[name].astype("object")
            column.loc[place[list(texts)].to_numpy()] = list(texts.values())
            rows = rows.assign(**{name: column.where(column.notna(), "").astype("str")})
    return replace(reading, rows=rows)


def _quoted(name: str) -> str:
    """A name as an SQL identifier."""
    return '"' + name.replace('"', '""') + '"'


def _primary_key(database: sqlite3.Connection, layer: str) -> str:
    """Column of feature numbers."""
    columns = database.execute("SELECT name, pk FROM pragma_table_info(?)", (layer,)).fetchall()
    return next((str(name) for name, key in columns if key == 1), "rowid")


def feature_numbers(database: sqlite3.Connection, layer: str) -> list[int]:
    """Numbers of all features of a layer."""
    key = _quoted(_primary_key(database, layer))
    query = f"SELECT {key} FROM {_quoted(layer)} ORDER BY 1"  # noqa: S608 - identifiers are quoted; SQL cannot bind them
    return [int(number) for (number,) in database.execute(query)]


def _texts(database: sqlite3.Connection, layer: str, column: str, key: str) -> dict[int, str]:
    """Feature number to text, where a column of numbers holds text."""
    query = (
        f"SELECT {_quoted(key)}, CAST({_quoted(column)} AS TEXT) FROM {_quoted(layer)} "  # noqa: S608 - identifiers are quoted; SQL cannot bind them
        f"WHERE typeof({_quoted(column)}) IN ('text', 'blob')"
    )
    return {int(number): str(text).strip() for number, text in database.execute(query)}
