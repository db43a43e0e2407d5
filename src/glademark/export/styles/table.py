"""``layer_styles``: the table in which desktop programs look for the style of a layer."""

import sqlite3
from collections.abc import Iterable

from glademark.export.styles.qml import qml_text
from glademark.export.styles.rules import STYLED
from glademark.export.styles.sld import sld_text

STYLES_TABLE = "layer_styles"
_CREATE = f"""CREATE TABLE {STYLES_TABLE} (
    id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT, f_table_schema TEXT,
    f_table_name TEXT, f_geometry_column TEXT, styleName TEXT, styleQML TEXT, styleSLD TEXT,
    useAsDefault BOOLEAN, description TEXT, owner TEXT, ui TEXT, update_time DATETIME)"""


def add_styles(
    database: sqlite3.Connection, names: Iterable[str], geometry: str, time: str
) -> None:
    """One default style for each layer that has a symbol."""
    styled = [name for name in names if name in STYLED]
    if not styled:
        return
    database.execute(_CREATE)
    database.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description) "
        "VALUES (?, 'attributes', ?, 'Style of each layer, by its name')",
        (STYLES_TABLE, STYLES_TABLE),
    )
    database.executemany(
        f"INSERT INTO {STYLES_TABLE} (f_table_catalog, f_table_schema, f_table_name, "  # noqa: S608 - a constant
        "f_geometry_column, styleName, styleQML, styleSLD, useAsDefault, description, owner, "
        "ui, update_time) VALUES ('', '', ?, ?, ?, ?, ?, 1, '', '', NULL, ?)",
        [(name, geometry, name, qml_text(name), sld_text(name), time) for name in styled],
    )
