"""
A delivery from ``layout.gpkg`` alone, so that each paper can be made again without the field files.

What the field files held and no paper shows (raw marks, the paper tally, the cruise as recorded) is
not in the file: those frames of the survey come back empty.
"""

import dataclasses
import json
import math
import re
import types
from collections.abc import Iterator, Mapping
from dataclasses import MISSING, fields
from pathlib import Path
from typing import Annotated, Any, Union, get_args, get_origin, get_type_hints

import geopandas as gpd
import pandas as pd
import pyogrio
import shapely
from pydantic import BaseModel
from pyogrio.errors import DataLayerError, DataSourceError
from pyproj import CRS

from glademark.contracts.frames import STAND
from glademark.contracts.layers import LAYERS, MARKS, Layer, present
from glademark.contracts.layout import Figures, Layout, StandResults
from glademark.contracts.result_tables import CHECKS, PARAMETERS, REJECTED
from glademark.contracts.survey import InputCount, Notice, Survey
from glademark.contracts.terrain import GroundFigures
from glademark.errors import FileError
from glademark.project.model import Project
from glademark.report.delivery import Delivery
from glademark.report.summary import RECORDED

_MAGIC = b"SQLite format 3\x00"
_SUMMARY = "summary"
_KEY = re.compile(r'"(?:[^"\\]|\\.)*"|[^."]+')
_DTYPES = {"text": "object", "integer": "Int64", "real": "float64", "flag": "boolean"}


def reopen(layout_gpkg: Path) -> Delivery:
    """The delivery that a GeoPackage was written from."""
    tables = _table_names(layout_gpkg)
    settings = _settings(layout_gpkg)
    summary = settings.pop(_SUMMARY)
    recorded = settings.pop(RECORDED, {}).get(MARKS.name, {})
    settings["heading"] = settings.pop("project")
    project: Project = rebuilt(Project, settings)
    crs = CRS.from_user_input(pyogrio.read_info(layout_gpkg, layer="stand")["crs"])
    layout = _layout(layout_gpkg, tables, summary, recorded, crs)
    return Delivery(
        project=project,
        survey=_survey(_table(layout_gpkg, REJECTED), summary, crs),
        layout=layout,
        checks=_table(layout_gpkg, CHECKS),
        summary=summary,
    )


def split_name(name: str) -> list[str]:
    """
    Keys of a dotted name, as a project file writes them.

    Examples
    --------
    >>> split_name('volume.products."no. 2 saw".unit')
    ['volume', 'products', 'no. 2 saw', 'unit']
    """
    return [json.loads(key) if key.startswith('"') else key for key in _KEY.findall(name)]


def _refuse_other_kinds(path: Path) -> None:
    """Refuse what is no plain file with a database in it: a pipe would be waited for for ever."""
    try:
        fit = path.is_file()
        if fit:
            with path.open("rb") as file:
                fit = file.read(len(_MAGIC)) == _MAGIC
        fault = "" if fit else "this is no GeoPackage" if path.exists() else "there is no such file"
    except (OSError, ValueError) as error:
        fault = f"it cannot be read ({getattr(error, 'strerror', None) or error})"
    if fault:
        msg = f"{path}: {fault}; expected a layout.gpkg. Give the path of one"
        raise FileError(msg)


def _table_names(path: Path) -> set[str]:
    """Layers and tables in the file."""
    _refuse_other_kinds(path)
    try:
        names = {str(name) for name in pyogrio.list_layers(path)[:, 0]}
    except (DataSourceError, OSError) as fault:
        msg = f"{path}: {fault}; expected a layout.gpkg. Give the path of one"
        raise FileError(msg) from fault
    missing = [name for name in ("parameters", "stand", "checks", "rejected") if name not in names]
    if missing:
        msg = (
            f"{path} has no table {', '.join(missing)}; expected a layout.gpkg as glademark layout "
            "writes it. Lay out the harvest again"
        )
        raise FileError(msg)
    return names


def _settings(path: Path) -> dict[str, Any]:
    """Settings and summary as they were, from their rows."""
    rows = _read(path, PARAMETERS.name)
    settings: dict[str, Any] = {}
    for name, value in zip(rows["name"], rows["value"], strict=True):
        *tables, key = split_name(name)
        place = settings
        for table in tables:
            place = place.setdefault(table, {})
        place[key] = json.loads(value)
    if not {_SUMMARY, "project", "inputs"} <= settings.keys():
        msg = f"{path}: its table parameters lacks the settings. Lay out the harvest again"
        raise FileError(msg)
    return settings


def _read(path: Path, name: str) -> pd.DataFrame:
    """A table or layer as it stands in the file."""
    try:
        return pd.DataFrame(pyogrio.read_dataframe(path, layer=name))
    except (DataSourceError, DataLayerError) as fault:
        msg = f"{path}: table {name} cannot be read ({fault}). Lay out the harvest again"
        raise FileError(msg) from fault


def _layout(
    path: Path, tables: set[str], summary: Mapping[str, Any], recorded: Mapping[str, str], crs: CRS
) -> Layout:
    """The layout: each of its layers and tables, an empty one where the file has none."""
    read = _frames(path, tables, recorded, crs)
    frames: dict[str, Any] = dict(read)
    for frame in frames.values():
        frame.insert(0, STAND, 0)
    residual = summary["allowance"].get("residual", {})
    return Layout(
        crs=crs,
        by_stand={
            0: StandResults(
                figures=rebuilt(Figures, summary),
                notices=tuple(summary["notices"]),
                stock_left=rebuilt(Mapping[str, float], residual),
                residual=summary.get("residual", {}),
                ground=rebuilt(GroundFigures, summary.get("ground", {})),
            )
        },
        **frames,
    )


def _frames(
    path: Path, tables: set[str], recorded: Mapping[str, str], crs: CRS
) -> Iterator[tuple[str, pd.DataFrame]]:
    """Name and frame of every layer and table of the layout."""
    for name in [field.name for field in fields(Layout) if field.name in LAYERS]:
        layer = LAYERS[name]
        if layer.geometry is None:
            yield name, _table(path, layer) if name in tables else _typed(pd.DataFrame(), layer)
        elif name in tables:
            yield name, _placed(path, layer, recorded, crs)
        else:
            yield name, gpd.GeoDataFrame(_typed(pd.DataFrame(), layer), geometry=[], crs=crs)


def _placed(path: Path, layer: Layer, recorded: Mapping[str, str], crs: CRS) -> gpd.GeoDataFrame:
    """A layer; marks with the columns that they came with, under the names that these had."""
    frame = _read(path, layer.name)
    shapes = frame["geometry"].to_numpy()
    if layer.geometry == "MultiPolygon":
        shapes = shapely.normalize(shapes)  # as it was measured; lines keep their direction
    typed = _typed(frame, layer)
    if layer.name == MARKS.name:
        others = frame[[name for name in recorded if name in frame]].rename(columns=recorded)
        typed = pd.concat([typed, others], axis=1)
    return gpd.GeoDataFrame(typed, geometry=shapes, crs=crs)


def _table(path: Path, layer: Layer) -> pd.DataFrame:
    """A table."""
    return _typed(_read(path, layer.name), layer)


def _typed(frame: pd.DataFrame, layer: Layer) -> pd.DataFrame:
    """The declared columns of a table, each of its kind."""
    layer = present(layer, frame.columns)
    typed = {}
    for column in layer.columns:
        values = frame.get(column.name, pd.Series(dtype=object))
        typed[column.name] = values.astype(pd.api.types.pandas_dtype(_DTYPES[column.kind]))
    return pd.DataFrame(typed)


def _survey(rejected: pd.DataFrame, summary: Mapping[str, Any], crs: CRS) -> Survey:
    """What a paper says of the field files."""
    nothing = gpd.GeoDataFrame({"name": []}, geometry=[], crs=crs)
    empty = {gpd.GeoDataFrame: nothing, pd.DataFrame: pd.DataFrame()}
    kinds = get_type_hints(Survey)
    required = [field.name for field in fields(Survey) if field.default is MISSING]
    frames: dict[str, Any] = {name: empty.get(kinds[name]) for name in required}
    known = {
        "crs": crs,
        "rejected": rejected,
        "counts": rebuilt(tuple[InputCount, ...], summary["provenance"]["inputs"]),
        "stand_notices": tuple(Notice(0, text) for text in summary["notices"]),
    }
    return Survey(**frames | known)


def rebuilt(kind: Any, value: Any) -> Any:  # noqa: ANN401 - any type, and what JSON has of it
    """
    A value of a type from what `report.json_values.json_value` made of it.

    Parameters
    ----------
    kind
        Type: a model, a dataclass, ``Mapping[str, ...]``, ``tuple[..., ...]``, a union of such,
        ``Path``, a number, text or flag.

    Returns
    -------
    value
        Not checked again: it was when it was first made. None where a number was expected is NaN.

    Examples
    --------
    >>> rebuilt(tuple[float, ...], [1.5, None])
    (1.5, nan)
    """
    if get_origin(kind) is Annotated:
        return rebuilt(get_args(kind)[0], value)
    if get_origin(kind) in {Union, types.UnionType}:
        return _one_of(get_args(kind), value)
    if get_origin(kind) is tuple:
        return tuple(rebuilt(get_args(kind)[0], part) for part in value)
    if _is_mapping(kind):
        return {key: rebuilt(get_args(kind)[1], part) for key, part in value.items()}
    if isinstance(kind, type):
        return _scalar_or_parts(kind, value)
    return value


def _scalar_or_parts(kind: type, value: Any) -> Any:  # noqa: ANN401 - as `rebuilt`
    """A value of a plain type."""
    if issubclass(kind, BaseModel):
        hints = {name: field.annotation for name, field in kind.model_fields.items()}
        return kind.model_construct(**_parts(hints, value))
    if dataclasses.is_dataclass(kind):
        return kind(**_parts(get_type_hints(kind), value))
    if kind is float:
        return math.nan if value is None else float(value)
    return Path(value) if kind is Path else value


def _parts(hints: Mapping[str, Any], value: Mapping[str, Any]) -> dict[str, Any]:
    """Fields of a model or dataclass."""
    return {name: rebuilt(hints[name], part) for name, part in value.items() if name in hints}


def _one_of(kinds: tuple[Any, ...], value: Any) -> Any:  # noqa: ANN401 - as `rebuilt`
    """A value of the first type of a union that can hold it."""
    if value is None and type(None) in kinds:
        return None
    plain = [get_args(kind)[0] if get_origin(kind) is Annotated else kind for kind in kinds]
    fitting = [kind for kind in plain if kind is not type(None) and _holds(kind, value)]
    return rebuilt(fitting[0], value) if fitting else value


def _holds(kind: Any, value: Any) -> bool:  # noqa: ANN401 - as `rebuilt`
    """Whether a type is made from such a value of JSON: an object, a list, or a single one."""
    several = get_origin(kind) is tuple
    names = _holds_names(kind)
    if isinstance(value, dict):
        return names
    return several if isinstance(value, list) else not several and not names


def _is_mapping(kind: Any) -> bool:  # noqa: ANN401 - any type
    """Whether a type is a mapping."""
    origin = get_origin(kind)
    return isinstance(origin, type) and issubclass(origin, Mapping)


def _holds_names(kind: Any) -> bool:  # noqa: ANN401 - any type
    """Whether a type is made from an object of JSON."""
    is_model = isinstance(kind, type) and issubclass(kind, BaseModel)
    return is_model or dataclasses.is_dataclass(kind) or _is_mapping(kind)
