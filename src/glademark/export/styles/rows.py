"""Symbols as rows of ``layer_styles``, the table that desktop programs look for in a GeoPackage."""

from collections.abc import Sequence

import pandas as pd

from glademark.contracts.layers import LAYERS
from glademark.export.styles.sld import STYLED, sld_bytes

LAYER_STYLES = "layer_styles"
"""Name of the table."""

STYLE_COLUMNS = (
    "f_table_catalog", "f_table_schema", "f_table_name", "f_geometry_column", "styleName",
    "styleQML", "styleSLD", "useAsDefault", "description", "owner", "ui", "update_time",
)  # fmt: skip
"""Columns of the table, behind its key ``id``."""

_FIXED_TIME = "2000-01-01T00:00:00.000Z"  # equal input must give equal bytes


def style_rows(layers: Sequence[str], *, geometry_column: str = "geom") -> pd.DataFrame:
    """
    Rows of the table ``layer_styles``.

    Parameters
    ----------
    layers
        Names of the layers that are in the file; those without a symbol are passed over.
    geometry_column
        Of these layers.

    Returns
    -------
    rows
        Columns `STYLE_COLUMNS`; one row a layer, its symbols in ``styleSLD`` by the open standard.

    Examples
    --------
    >>> style_rows(["openings", "checks"])["f_table_name"].tolist()
    ['openings']
    """
    names = [name for name in layers if name in STYLED]
    rows = pd.DataFrame({"f_table_name": pd.array(names, dtype="string")})
    rows = rows.assign(
        f_table_catalog="",
        f_table_schema="",
        f_geometry_column=geometry_column,
        styleName=rows["f_table_name"],
        styleQML="",
        styleSLD=[sld_bytes([name]).decode() for name in names],
        useAsDefault=True,
        description=[LAYERS[name].title for name in names],
        owner="",
        ui=None,
        update_time=_FIXED_TIME,
    )
    return rows[list(STYLE_COLUMNS)]
