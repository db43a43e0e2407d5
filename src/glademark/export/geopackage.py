"""The layout as one GeoPackage 1.3: layers, tables, and what every column means."""

import shutil
import sqlite3
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Self

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely
from pyogrio.errors import DataLayerError, DataSourceError

from glademark.contracts.frames import features, give_back_memory, of_declared_type
from glademark.contracts.layers import LAYERS, MARKS, Column, Layer, Units, present
from glademark.contracts.residual_layers import RESIDUAL_LAYERS, RESIDUAL_TABLES
from glademark.contracts.result_tables import PARAMETERS
from glademark.errors import OutputError
from glademark.export.iso_metadata import (
    STANDARD_URI,
    add_data_dictionary,
    add_metadata,
    metadata_record,
)
from glademark.export.styles import add_styles
from glademark.report.delivery import Deliverable, Delivery
from glademark.report.quantities import (
    CHECKS_SHOWN,
    kind_of,
    names_brought_along,
    of_kind,
    with_shown_units,
    written_columns,
    written_values,
)
from glademark.report.summary import parameters_table
from glademark.report.wording import newest_day

GEOPACKAGE_FILE = "layout.gpkg"
ONLY_WHERE_GIVEN = (
    "exclusions",
    "setbacks",
    "landings",
    "hazards",
    "water",
    "leave_trees",
    "cruise_plots",
    "corridor_grades",
    "extraction",
    "water_crossings",
    "corridor_stubs",
    "contours",
    *(layer.name for layer in (*RESIDUAL_LAYERS, *RESIDUAL_TABLES)),
    "allowance",
    "stock_by_class",
    "volume_by_opening",
)
"""Layers that are left out where they have no rows."""

_CAME_IN = "Came in with the marks; kept as it was. The title is its name there."

_VERSION = "1.3"  # later ones lack two index triggers that desktop programs in use still expect
_GEOMETRY = "geom"
_FID = "fid"
_AT_ONCE = 900  # values in one statement, as every SQLite takes them
_ARROW_FROM = 1000  # rows; below it, Arrow takes as long as row by row
_ROWS_AT_ONCE = 100_000
_VERTICES_AT_ONCE = 2_000_000
_NO_TIME = "2000-01-01T00:00:00.000Z"  # where no mark has a time: equal input, equal bytes
_TYPES = {"text": "TEXT", "integer": "INTEGER", "real": "REAL", "flag": "BOOLEAN"}


@dataclass(frozen=True, kw_only=True, slots=True)
class Table:
    """One layer or table as it will be written."""

    layer: Layer  # as declared
    frame: pd.DataFrame  # its rows; a GeoDataFrame where the layer has a geometry
    columns: tuple[Column, ...]
    """Of the frame, in its order, those beside the SI ones and those that came in included."""


def write_geopackage(delivery: Delivery, path: Path) -> None:
    """Write all layers and tables of a delivery into a new GeoPackage."""
    day = newest_day(delivery)
    time = f"{day}T00:00:00.000Z" if day else _NO_TIME
    write_tables(tables_of(delivery), path, record=metadata_record(delivery), time=time)


def write_tables(tables: Iterable[Table], path: Path, *, record: str, time: str = _NO_TIME) -> None:
    """Write tables into a new GeoPackage, with the meaning of every column and a day of change."""
    if path.exists():
        msg = f"{path} exists already; expected a new file. Choose another name"
        raise OutputError(msg)
    home = None if "!" in str(path.parent) else path.parent  # the writer splits a path there
    try:
        with tempfile.TemporaryDirectory(prefix="geopackage-", dir=home) as folder:
            draft = Path(folder) / GEOPACKAGE_FILE
            written: list[_Written] = []
            with _unhurried():
                for table in tables:
                    whole = bool(table.layer.geometry) or not written  # the first makes the file
                    if whole:
                        _write_table(table, draft)
                    written.append(_Written.of(table, left=not whole))
                    del table  # before the next is made
                    give_back_memory()
            _finish(draft, written, record, time, path)
        _check(path, written)
    except (DataSourceError, DataLayerError, sqlite3.Error) as error:
        free_mb = shutil.disk_usage(path.parent).free // 1_000_000
        msg = (
            f"{path.name} cannot be written, with {free_mb:,} MB free on its disk; expected room "
            "for it and a writable folder. Free some space, or choose another output folder"
        )
        raise OutputError(msg) from error


def write_frames(
    frames: Mapping[str, pd.DataFrame], layers: Mapping[str, Layer], path: Path, *, units: Units
) -> None:
    """Write layers and tables of any declaration, with their data dictionary."""
    tables = [_table(frames[name], one, units) for name, one in layers.items()]
    write_tables(tables, path, record="")


def tables_of(delivery: Delivery) -> Iterator[Table]:
    """Every layer and table that has something to say, each made when it is asked for."""
    frames = {**measured_frames(delivery), "parameters": parameters_table(delivery)}
    for name, frame in frames.items():
        yield table_of(frame, name, delivery.project.heading.units)


def measured_frames(
    delivery: Delivery, names: Iterable[str] = tuple(LAYERS)
) -> dict[str, pd.DataFrame]:
    """Layers and tables of a delivery that have something to say, as they were measured."""
    others = {"checks": delivery.checks, "rejected": delivery.survey.rejected}
    frames = {
        name: others[name] if name in others else getattr(delivery.layout, name)
        for name in names
        if name != PARAMETERS.name
    }
    return with_something(frames)


def with_something(frames: Mapping[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """Layers and tables without those that are left out where they have no rows."""
    return {
        name: frame for name, frame in frames.items() if len(frame) or name not in ONLY_WHERE_GIVEN
    }


def table_of(frame: pd.DataFrame, name: str, units: Units) -> Table:
    """One layer or table of the layout as it is written."""
    if name == CHECKS_SHOWN.name:
        return _table(with_shown_units(frame, units), CHECKS_SHOWN, units)
    return _table(frame, LAYERS[name], units)


def _table(frame: pd.DataFrame, layer: Layer, units: Units) -> Table:
    """One layer with all columns that it is written with."""
    layer = present(layer, frame.columns)
    values = written_values(frame, layer, units)
    columns = written_columns(layer, units)
    if layer.name == MARKS.name:
        for name, recorded in names_brought_along(frame, layer, units).items():
            kind = kind_of(frame[recorded])
            values[name] = of_kind(frame[recorded], kind)
            columns += (Column(name=name, kind=kind, title=str(recorded), meaning=_CAME_IN),)
    if not layer.geometry or not isinstance(frame, gpd.GeoDataFrame):
        return Table(layer=layer, frame=pd.DataFrame(values, index=frame.index), columns=columns)
    shapes = of_declared_type(frame.geometry.to_numpy(), layer.geometry)
    return Table(layer=layer, frame=features(values, shapes, crs=frame.crs), columns=columns)


def _write_table(table: Table, path: Path) -> None:
    """Write one layer or table as the next of the file."""
    layer = table.layer
    options = {"FID": _FID, "IDENTIFIER": layer.title, "DESCRIPTION": layer.meaning}
    if layer.geometry:
        options |= {"GEOMETRY_NAME": _GEOMETRY, "SPATIAL_INDEX": "YES"}
    for start in range(0, max(len(table.frame), 1), step := _rows_at_once(table)):
        rows = table.frame if len(table.frame) <= step else table.frame.iloc[start : start + step]
        pyogrio.write_dataframe(
            rows,
            path,
            layer=layer.name,
            driver="GPKG",
            append=start > 0,
            geometry_type=layer.geometry,
            dataset_options={"VERSION": _VERSION},
            layer_options=options,
            use_arrow=len(rows) >= _ARROW_FROM and find_spec("pyarrow") is not None,
        )


def _rows_at_once(table: Table) -> int:
    """Rows that are turned into the file's own form at once: it takes as much memory as they do."""
    if not isinstance(table.frame, gpd.GeoDataFrame) or table.frame.empty:
        return _ROWS_AT_ONCE
    vertices = int(shapely.get_num_coordinates(table.frame.geometry.to_numpy()).sum())
    return min(_ROWS_AT_ONCE, max(1, len(table.frame) * _VERTICES_AT_ONCE // max(vertices, 1)))


@contextmanager
def _unhurried() -> Iterator[None]:
    """A draft need not outlive a power cut, so that its writer does not wait for the disk."""
    asked = {"OGR_SQLITE_SYNCHRONOUS": "OFF", "OGR_SQLITE_JOURNAL": "MEMORY"}
    before = {name: pyogrio.get_gdal_config_option(name) for name in asked}
    pyogrio.set_gdal_config_options(asked)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Written:
    """What is known of a table that is in the file, or the table itself where it is not yet."""

    name: str
    described: tuple[Column, ...]
    rows: int
    left: Table | None

    @classmethod
    def of(cls, table: Table, *, left: bool) -> Self:
        """Of one table."""
        return cls(
            name=table.layer.name,
            described=_described(table),
            rows=len(table.frame),
            left=table if left else None,
        )


def _finish(draft: Path, tables: Sequence[_Written], record: str, time: str, path: Path) -> None:
    """Add data dictionary and metadata, fix the time stamps, and copy all into one clean file."""
    described = {table.name: table.described for table in tables}
    with closing(sqlite3.connect(draft)) as database:
        database.execute("PRAGMA synchronous = OFF")  # a draft: see above
        with database:
            for table in tables:
                if table.left is not None:  # the others are there
                    _add_table(database, table.left)
            add_data_dictionary(database, described)
            if record:
                add_metadata(database, record, standard=STANDARD_URI, time=time)
            add_styles(database, described, _GEOMETRY, time)
            database.execute("UPDATE gpkg_contents SET last_change = ?", (time,))
        database.execute("VACUUM INTO ?", (str(path),))


def _add_table(database: sqlite3.Connection, table: Table) -> None:
    """Write one table without geometry into a file that is there; GDAL takes ten times as long."""
    layer = table.layer
    columns = [f'"{column.name}" {_TYPES[column.kind]}' for column in table.columns]
    row = f"{_FID} INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL"
    database.execute(f'CREATE TABLE "{layer.name}" ({", ".join((row, *columns))})')
    database.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, srs_id) "
        "VALUES (?, 'attributes', ?, ?, 0)",
        (layer.name, layer.title, layer.meaning),
    )
    _insert(database, table)


def _insert(database: sqlite3.Connection, table: Table) -> None:
    """Write the rows of a table, many in a statement: 1.5 times as fast as one by one."""
    names = ", ".join(f'"{column.name}"' for column in table.columns)
    head = f'INSERT INTO "{table.layer.name}" ({names}) VALUES '  # noqa: S608 - declared names
    one = f"({', '.join('?' * len(table.columns))})"
    cells = np.empty((len(table.frame), len(table.columns)), dtype=object)
    for place, column in enumerate(table.columns):
        cells[:, place] = _plain(table.frame[column.name])
    at_once = max(1, _AT_ONCE // len(table.columns))
    whole = len(cells) // at_once
    several = cells[: whole * at_once].reshape(whole, at_once * len(table.columns))
    database.executemany(head + ", ".join([one] * at_once), several.tolist())
    database.executemany(head + one, cells[whole * at_once :].tolist())


def _plain(values: pd.Series) -> np.ndarray:
    """Values as the database takes them; it stores NaN as NULL, in a third of the time of None."""
    if values.dtype.kind == "f":
        return values.to_numpy(dtype="float64", na_value=np.nan).astype(object)
    if values.dtype.kind in "iub":
        plain = values.to_numpy(dtype="int64", na_value=0).astype(object)
    else:
        plain = values.to_numpy(dtype=object).copy()
    plain[values.isna().to_numpy()] = None
    return plain


def _described(table: Table) -> tuple[Column, ...]:
    """All columns of a table, those that every GeoPackage has included."""
    row = Column(name=_FID, kind="integer", title="Row", meaning="Number of the row in this table.")
    shape = Column(name=_GEOMETRY, kind="text", title="Geometry", meaning=table.layer.meaning)
    return (row, shape, *table.columns) if table.layer.geometry else (row, *table.columns)


def _check(path: Path, tables: Sequence[_Written]) -> None:
    """Open the file again and hold it against what was to be written."""
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as database:
        sound = database.execute("PRAGMA integrity_check").fetchone()[0]
        counts = {
            table.name: database.execute(
                f'SELECT count(*) FROM "{table.name}"'  # noqa: S608 - a declared name
            ).fetchone()[0]
            for table in tables
        }
    expected = {table.name: table.rows for table in tables}
    if sound != "ok" or counts != expected:
        wrong = [name for name in expected if counts[name] != expected[name]]
        msg = (
            f"{path.name} does not hold what was written ({sound}; rows differ in "
            f"{', '.join(wrong) or 'no table'}). Expected a sound file; check the disk, run again"
        )
        raise OutputError(msg)


def _write(delivery: Delivery, folder: Path) -> None:
    """Write ``layout.gpkg``."""
    write_geopackage(delivery, folder / GEOPACKAGE_FILE)


DELIVERABLE = Deliverable(id="gpkg", title="GeoPackage", files=(GEOPACKAGE_FILE,), write=_write)
"""Layers and tables in one GeoPackage."""


_SUFFIXES = ("-wal", "-shm", "-journal")
_FIRST_BYTES = b"SQLite format 3\0"


def side_files(folder: Path, name: str, *, database: Path) -> list[str]:
    """Names of the side files in a folder that would be taken for those of a database so named."""
    if not _is_database(database):
        return []
    return [f"{name}{end}" for end in _SUFFIXES if (folder / f"{name}{end}").is_file()]


def refuse_unsound(path: Path) -> None:
    """Refuse a database that does not read back whole where it now stands."""
    if not _is_database(path):
        return
    try:
        with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as database:
            (answer,) = database.execute("PRAGMA quick_check(1)").fetchone()
            found = " ".join(str(answer).split())
    except sqlite3.Error as error:
        found = str(error)
    if found != "ok":
        msg = (
            f"{path} does not read back whole ({found}); what stood there is unchanged. "
            "Close the programs that have a file of that name open and run again"
        )
        raise OutputError(msg)


def _is_database(path: Path) -> bool:
    """Whether a file begins as one of SQLite."""
    if not path.is_file():
        return False
    with path.open("rb") as file:
        return file.read(len(_FIRST_BYTES)) == _FIRST_BYTES
