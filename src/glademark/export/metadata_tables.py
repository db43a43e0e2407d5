"""
A metadata record inside a GeoPackage.

References
----------
.. [1] Open Geospatial Consortium: OGC GeoPackage Encoding Standard (OGC 12-128), 1.3, annex F.8
       (Metadata), tables ``gpkg_metadata`` and ``gpkg_metadata_reference``.
"""

import sqlite3

_TABLES = (
    """
    CREATE TABLE gpkg_metadata (
        id INTEGER CONSTRAINT m_pk PRIMARY KEY ASC NOT NULL,
        md_scope TEXT NOT NULL DEFAULT 'dataset',
        md_standard_uri TEXT NOT NULL,
        mime_type TEXT NOT NULL DEFAULT 'text/xml',
        metadata TEXT NOT NULL DEFAULT ''
    )
    """,
    """
    CREATE TABLE gpkg_metadata_reference (
        reference_scope TEXT NOT NULL,
        table_name TEXT, column_name TEXT, row_id_value INTEGER,
        timestamp DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
        md_file_id INTEGER NOT NULL,
        md_parent_id INTEGER,
        CONSTRAINT crmr_mfi_fk FOREIGN KEY (md_file_id) REFERENCES gpkg_metadata(id),
        CONSTRAINT crmr_mpi_fk FOREIGN KEY (md_parent_id) REFERENCES gpkg_metadata(id)
    )
    """,
)
_DEFINITION = "http://www.geopackage.org/spec130/#extension_metadata"


def add_metadata(database: sqlite3.Connection, xml: str, *, standard: str, time: str) -> None:
    """
    Write a metadata record for the whole file, and register the extension that holds it.

    Parameters
    ----------
    database
        An open GeoPackage with ``gpkg_extensions`` and without the metadata extension; the caller
        commits.
    xml
        The record.
    standard
        URI of the standard that it follows.
    time
        When it was attached, as ISO 8601 in UTC with milliseconds.

    Raises
    ------
    sqlite3.Error
        If the database cannot be written, or has the tables already.
    """
    for statement in _TABLES:
        database.execute(statement)
    database.executemany(
        "INSERT INTO gpkg_extensions VALUES (?, NULL, 'gpkg_metadata', ?, 'read-write')",
        [("gpkg_metadata", _DEFINITION), ("gpkg_metadata_reference", _DEFINITION)],
    )
    database.execute(
        "INSERT INTO gpkg_metadata VALUES (1, 'dataset', ?, 'text/xml', ?)", (standard, xml)
    )
    database.execute(
        "INSERT INTO gpkg_metadata_reference VALUES ('geopackage', NULL, NULL, NULL, ?, 1, NULL)",
        (time,),
    )
