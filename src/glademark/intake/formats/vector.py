"""
Layers of GeoPackage, Shapefile, GeoJSON and GeoParquet.

pyogrio reads whole columns and is used wherever it can. fiona goes record by record, and takes over
where a file is damaged: what lies before and after the damage is still read, and the rest is named.
"""

import logging
import math
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyogrio
import shapely
from pyogrio.errors import (
    CRSError,
    DataLayerError,
    DataSourceError,
    FeatureError,
    FieldError,
    GeometryError,
)
from pyproj import CRS
from pyproj.exceptions import CRSError as ProjCRSError

from glademark.errors import FileError, InputError, counted, quoted, shown
from glademark.intake.formats.files import FieldFile
from glademark.intake.formats.vector_faults import (
    check_geojson,
    check_geopackage,
    check_shapefile,
    encodings,
    salvaged,
    with_texts_in_numbers,
)
from glademark.intake.record_log import Reading, refuse_columns

log = logging.getLogger(__name__)

DRIVERS = {"GeoPackage": "GPKG", "Shapefile": "ESRI Shapefile", "GeoJSON": "GeoJSON"}
_READ_ERRORS = (
    CRSError, DataLayerError, DataSourceError, FeatureError, FieldError, GeometryError,
    RuntimeError, ValueError, OSError, OverflowError,
)  # fmt: skip
_ONE_LAYER = frozenset({"Shapefile", "GeoJSON"})
_RING_POINTS_MIN = 4
_BYTE_FOR_BYTE = "ISO-8859-1"

_Raw = tuple[dict[str, Any], npt.NDArray[np.int64], npt.NDArray[np.object_], list[npt.NDArray[Any]]]


def read_vector(file: FieldFile, *, layer: str | None) -> Reading:
    """Features of one layer, with the types that the format knows."""
    notices: list[str] = []
    by_default = False
    if file.format == "GeoPackage":
        notices += check_geopackage(file)
    elif file.format == "Shapefile":
        check_shapefile(file)
    else:
        by_default = not check_geojson(file)
    with _quiet():
        name = _layer(file, layer)
        reading = _whole_columns(file, name)
    if file.format == "GeoPackage":
        reading = with_texts_in_numbers(reading, layer=name)
    if not len(reading.rows):
        layers = "" if file.format in _ONE_LAYER else f" in the layer '{shown(name)}'"
        msg = f"{file.name}: there are no features{layers}. Export it again."
        raise FileError(msg)
    return replace(reading, crs_by_default=by_default, notices=(*notices, *reading.notices))


@contextmanager
def _quiet() -> Iterator[None]:
    """Take the libraries' warnings to the log: what matters in them is told in our own words."""
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        yield
    for warning in caught:
        log.debug("%s", warning.message)


def layers_with_geometry(file: FieldFile) -> list[str]:
    """Names of the layers of a file that have a geometry."""
    try:
        with _quiet():
            found = pyogrio.list_layers(file.copy)
    except _READ_ERRORS as error:
        raise _damaged(file, error) from error
    return [str(name) for name, kind in found if kind is not None]


def _layer(file: FieldFile, wanted: str | None) -> str:
    """Name of the layer to read: the one that is stated, else the only one with geometry."""
    layers = layers_with_geometry(file)
    if wanted is not None and not (file.format in _ONE_LAYER and wanted == file.path.stem):
        if wanted in layers:
            return wanted
        msg = (
            f"{file.name}: there is no layer '{shown(wanted)}'; there are {quoted(layers)}. "
            "Correct it in [inputs]."
        )
        raise FileError(msg)
    if len(layers) == 1:
        return layers[0]
    if not layers:
        msg = f"{file.name}: no layer in it has a geometry. Export the layer from the map."
        raise FileError(msg)
    msg = (
        f"{file.name}: there are {len(layers)} layers: {quoted(layers)}. "
        f'Say which in [inputs]: {file.input} = {{file = "{file.name}", layer = "…"}}.'
    )
    raise FileError(msg)


def _damaged(file: FieldFile, error: Exception) -> FileError:
    """One sentence; the library's own words go to the log."""
    log.debug("%s: %s", file.name, error)
    msg = f"{file.name}: the {file.format} file is damaged. Export it again."
    return FileError(msg)


def _whole_columns(file: FieldFile, layer: str) -> Reading:
    """All columns at once; record by record where that fails."""
    try:
        meta, fids, wkb, fields, notices = _read_decoded(file, layer)
    except InputError:
        raise
    except CRSError as error:
        raise _unknown_crs(file, str(error)) from error
    except _READ_ERRORS as error:
        log.debug("%s: %s; going record by record", file.name, error)
        return _salvaged(file, layer)
    geometry, mended = _geometries(wkb)
    if mended:
        notices.append(f"{file.name}: {counted(mended, 'open ring')} closed.")
    columns = dict(zip(meta["fields"], fields, strict=True))
    return Reading(
        file=file,
        rows=pd.DataFrame(
            {name: _column(values) for name, values in columns.items()}, index=range(len(fids))
        ),
        record=pd.Series(fids, dtype="int64"),
        geometry=gpd.GeoSeries(geometry),
        crs=_crs(meta["crs"], file),
        notices=tuple(notices),
    )


def _salvaged(file: FieldFile, layer: str) -> Reading:
    """What can still be read of a damaged file, record by record."""
    salvage = salvaged(file, layer, driver=DRIVERS[file.format])
    rows = pd.DataFrame(salvage.rows)
    return Reading(
        file=file,
        rows=pd.DataFrame({name: _column(rows[name].to_numpy()) for name in rows}),
        record=pd.Series(salvage.numbers, dtype="int64"),
        geometry=gpd.GeoSeries(np.array(salvage.shapes, dtype=object)),
        crs=_crs(salvage.crs, file),
        spoiled=tuple((number, "the file is damaged here") for number in salvage.lost),
        notices=(
            f"{file.name}: the file is damaged; what could be read was read record by record.",
        ),
    )


def _read_decoded(file: FieldFile, layer: str) -> tuple[*_Raw, list[str]]:
    """All columns, in the first encoding that fits."""
    info = pyogrio.read_info(file.copy, layer=layer)
    driver = info["driver"]
    refuse_columns(len(info["fields"]), file)
    if driver != DRIVERS[file.format]:
        msg = (
            f"{file.name}: the file is opened as {shown(driver)}, not {file.format}. "
            "Export it again."
        )
        raise FileError(msg)
    options = {"layer": layer, "force_2d": True, "return_fids": True, "datetime_as_string": True}
    for encoding, notice in _encodings(file):
        try:
            meta, fids, wkb, fields = pyogrio.raw.read(file.copy, encoding=encoding, **options)
        except UnicodeDecodeError:
            continue
        if encoding == _BYTE_FOR_BYTE:
            fields = [_decoded_one_by_one(values) for values in fields]
        return meta, fids, wkb, fields, [notice] if notice else []
    msg = f"{file.name}: the text is in no encoding that is known here. Export it again as UTF-8."
    raise FileError(msg)


def _encodings(file: FieldFile) -> tuple[tuple[str | None, str], ...]:
    """Encodings to try, each with the notice that is due if it fits."""
    if file.format == "Shapefile":
        return encodings(file)
    notice = f"{file.name}: some text is not UTF-8; read as Windows-1252. Check names with accents."
    return ((None, ""), (_BYTE_FOR_BYTE, notice))


def _decoded_one_by_one(values: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Texts that were read byte for byte: UTF-8 where they are, else Windows-1252."""
    if values.dtype.kind != "O":
        return values
    texts = [
        value if not isinstance(value, str) or value.isascii() else _decoded(value)
        for value in values
    ]
    return np.array(texts, dtype=object)


def _decoded(value: str) -> str:
    """One such text."""
    content = value.encode(_BYTE_FOR_BYTE)
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError:
        return content.decode("cp1252", errors="replace")


def _geometries(wkb: npt.NDArray[np.object_]) -> tuple[npt.NDArray[np.object_], int]:
    """Geometries, None where they cannot be read, and how many open rings were closed."""
    plain = np.asarray(shapely.from_wkb(wkb, on_invalid="ignore"), dtype=object)
    there = np.array([one is not None for one in wkb], dtype=bool)
    broken = np.flatnonzero(shapely.is_missing(plain) & there)
    if not broken.size:
        return plain, 0
    closed = np.asarray(shapely.from_wkb(wkb[broken], on_invalid="fix"), dtype=object)
    sound = shapely.get_num_coordinates(closed) >= _RING_POINTS_MIN
    kept = sound | (shapely.get_dimensions(closed) == 2)  # noqa: PLR2004 - areas of two corners
    plain[broken[kept]] = closed[kept]
    return plain, int(sound.sum())


def _column(values: npt.NDArray[Any]) -> pd.Series:
    """Numbers as they are, everything else as text."""
    if values.dtype.kind in "iufb":
        return pd.Series(values)
    if pd.api.types.infer_dtype(values) == "string":  # each different text is looked at once
        codes, different = pd.factorize(values)
        words = np.array([*(text.strip() for text in different), ""], dtype=object)
        return pd.Series(words[codes], dtype="str")
    texts = [value.strip() if isinstance(value, str) else _text(value) for value in values]
    return pd.Series(texts, dtype="str")


def _text(value: object) -> str:
    """Text of what is no text, such as a list; nothing where nothing was recorded."""
    missing = value is None or (isinstance(value, float) and math.isnan(value))
    return "" if missing else str(value).strip()


def _crs(text: str | None, file: FieldFile) -> CRS | None:
    """Coordinate system that the file states."""
    if not text:
        return None
    try:
        return CRS.from_user_input(text)
    except ProjCRSError as error:
        raise _unknown_crs(file, text) from error


def _unknown_crs(file: FieldFile, text: str) -> FileError:
    """One sentence about a coordinate system that is damaged."""
    msg = (
        f"{file.name}: its coordinate system cannot be understood ({shown(text)}). "
        "State it in [inputs] with crs, and remove it from the file."
    )
    return FileError(msg)


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
