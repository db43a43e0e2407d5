"""What a GeoPackage can hide: rows in a write-ahead log, damage, and text in columns of numbers."""

import sqlite3
from contextlib import closing
from dataclasses import replace

import pandas as pd

from glademark.errors import FileError
from glademark.intake.formats.files import FieldFile
from glademark.intake.records import Reading

_WAL_VERSION = 2
_VERSION_BYTES = slice(18, 20)


def check(file: FieldFile) -> list[str]:
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
