"""GeoParquet: one file, or a folder of files partitioned by stand."""

import geopandas as gpd
import pandas as pd
from pyproj.exceptions import CRSError as ProjCRSError

from glademark.errors import FileError
from glademark.intake.formats.files import FieldFile
from glademark.intake.records import Reading, refuse_columns

NEEDS = "pip install 'glademark[scale]'"
"""What brings the library that reads Parquet."""


def read_geoparquet(file: FieldFile) -> Reading:
    """Records of a GeoParquet file or of a partitioned folder of them."""
    try:
        import pyarrow as pa  # noqa: PLC0415 - an extra
        import pyarrow.parquet as pq  # noqa: PLC0415 - an extra
    except ImportError as error:
        msg = f"{file.name}: reading Parquet needs another library. Install it: {NEEDS}"
        raise FileError(msg) from error
    try:
        schema = pq.read_schema(_first(file))
        refuse_columns(len(schema), file)
        metadata = schema.metadata or {}
        if b"geo" not in metadata:
            rows = pq.read_table(file.copy).to_pandas()
            return _reading(file, rows, None)
        frame = gpd.read_parquet(file.copy)
    except FileError:
        raise
    except (pa.ArrowException, ProjCRSError, OSError, ValueError) as error:
        msg = f"{file.name}: the Parquet file is damaged or of another kind. Write it again."
        raise FileError(msg) from error
    return _reading(file, pd.DataFrame(frame.drop(columns=frame.geometry.name)), frame.geometry)


def _first(file: FieldFile) -> str:
    """A file that says what all of them hold."""
    if file.copy.is_dir():
        return str(min(file.copy.rglob("*.parquet")))
    return str(file.copy)


def _reading(file: FieldFile, rows: pd.DataFrame, shapes: gpd.GeoSeries | None) -> Reading:
    """Rows numbered from 1."""
    categories = [name for name in rows if isinstance(rows[name].dtype, pd.CategoricalDtype)]
    rows = rows.astype(dict.fromkeys(categories, "str")).reset_index(drop=True)
    return Reading(
        file=file,
        rows=rows,
        record=pd.Series(range(1, len(rows) + 1), dtype="int64"),
        noun="row",
        geometry=None if shapes is None else gpd.GeoSeries(shapes.reset_index(drop=True), crs=None),
        crs=None if shapes is None else shapes.crs,
    )
