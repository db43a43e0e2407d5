"""
The data dictionary inside a GeoPackage: title and meaning of every column of every table.

References
----------
.. [1] Open Geospatial Consortium: OGC GeoPackage Encoding Standard (OGC 12-128), 1.3, annex F.9
       (Schema), tables ``gpkg_data_columns`` and ``gpkg_data_column_constraints``.
"""

import sqlite3
from collections.abc import Iterable, Mapping, Sequence

from glademark.contracts.layers import Column

_TABLES = (
    """
    CREATE TABLE gpkg_data_columns (
        table_name TEXT NOT NULL, column_name TEXT NOT NULL,
        name TEXT, title TEXT, description TEXT, mime_type TEXT, constraint_name TEXT,
        CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
        CONSTRAINT gdc_tn UNIQUE (table_name, name)
    )
    """,
    """
    CREATE TABLE gpkg_data_column_constraints (
        constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL,
        value TEXT, min NUMERIC, min_is_inclusive BOOLEAN, max NUMERIC, max_is_inclusive BOOLEAN,
        description TEXT,
        CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value)
    )
    """,
)
_EXTENSIONS = """
    CREATE TABLE IF NOT EXISTS gpkg_extensions (
        table_name TEXT, column_name TEXT, extension_name TEXT NOT NULL,
        definition TEXT NOT NULL, scope TEXT NOT NULL,
        CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name)
    )
"""
_DEFINITION = "http://www.geopackage.org/spec130/#extension_schema"


def titled(column: Column) -> str:
    """
    Title of a column with its unit.

    Parameters
    ----------
    column
        Declared column.

    Returns
    -------
    title
        The unit stands in square brackets.

    Examples
    --------
    >>> titled(Column(name="area_ha", kind="real", title="Area", meaning="", unit="ha"))
    'Area [ha]'
    """
    return f"{column.title} [{column.unit}]" if column.unit else column.title


def add_data_dictionary(
    database: sqlite3.Connection, columns: Mapping[str, Sequence[Column]]
) -> None:
    """
    Write title and meaning of every column, and register the extension that holds them.

    Parameters
    ----------
    database
        An open GeoPackage without the schema extension; the caller commits.
    columns
        All columns of each table.

    Raises
    ------
    sqlite3.Error
        If the database cannot be written, or has the tables already.
    """
    for statement in (*_TABLES, _EXTENSIONS):
        database.execute(statement)
    database.executemany(
        "INSERT INTO gpkg_extensions VALUES (?, NULL, 'gpkg_schema', ?, 'read-write')",
        [("gpkg_data_columns", _DEFINITION), ("gpkg_data_column_constraints", _DEFINITION)],
    )
    database.executemany(
        "INSERT INTO gpkg_data_columns VALUES (?, ?, ?, ?, ?, NULL, NULL)", _rows(columns)
    )


def _rows(columns: Mapping[str, Sequence[Column]]) -> Iterable[tuple[str, str, str, str, str]]:
    """Table, column, short name, title and meaning."""
    for table, described in columns.items():
        for column in described:
            yield table, column.name, column.name, titled(column), column.meaning
