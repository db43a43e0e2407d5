"""
The layout as one GeoJSON feature collection for phones and machine screens.

References
----------
.. [1] RFC 7946 (2016), The GeoJSON Format: WGS 84 without a `crs` member, longitude first,
       right-hand rings, `bbox` as west, south, east, north, cut at the antimeridian (3.1.9),
       7 decimals being plenty (11.2).
"""

import json
import math
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.contracts.frames import mended, rounded, tell_moved
from glademark.errors import shown
from glademark.export.handheld.features import (
    DECIMALS,
    HALF_TURN,
    MORE_DECIMALS,
    about_file,
    placed_layers,
    unbroken,
)
from glademark.report.crew_sentences import say
from glademark.report.delivery import Deliverable, Delivery

GEOJSON_FILE = "layout.geojson"

_WEST = shapely.box(-HALF_TURN, -90, HALF_TURN, 90)
_EAST = shapely.box(HALF_TURN, -90, 3 * HALF_TURN, 90)


def geojson_text(delivery: Delivery) -> str:
    """The layout as GeoJSON."""
    features: list[dict[str, Any]] = []
    layers = placed_layers(delivery)
    for name, frame in layers.items():
        features += _features(frame, name)
    head = {
        "type": "FeatureCollection",
        "name": shown(delivery.project.heading.name),
        "description": about_file(delivery),
        "bbox": _bbox(layers["stand"]),
    }
    lines = ",\n".join(_json(feature) for feature in features)
    return f'{_json(head)[:-1]}, "features": [\n{lines}\n]}}\n'


def crossing_cut(shapes: np.ndarray) -> np.ndarray:
    """
    Shapes cut where they cross the antimeridian, both sides within -180 to 180 degrees.

    None may be wider than half a turn; those that do not cross it are the same.

    Examples
    --------
    >>> line = shapely.LineString([(179, 0), (-179, 0)])
    >>> print(crossing_cut(np.array([line]))[0])
    MULTILINESTRING ((179 0, 180 0), (-180 0, -179 0))
    """
    turned, crossing = unbroken(shapes)
    if not crossing.any():
        return shapes
    whole = mended(turned[crossing])[0]
    west = shapely.intersection(whole, _WEST)
    east = shapely.transform(shapely.intersection(whole, _EAST), lambda xy: xy - [2 * HALF_TURN, 0])
    result = shapes.copy()
    result[crossing] = [_together(pair) for pair in zip(west, east, strict=True)]
    return result


def _together(shapes: tuple[BaseGeometry, BaseGeometry]) -> BaseGeometry:
    """Both sides of a cut shape as one, each kept where it is."""
    parts = shapely.get_parts(np.array(shapes))
    dimension = shapely.get_dimensions(parts)
    kind = shapely.MultiPolygon if dimension.max() > 1 else shapely.MultiLineString
    return kind(list(parts[dimension == dimension.max()]))


def _features(frame: gpd.GeoDataFrame, layer: str) -> list[dict[str, Any]]:
    """One layer as features."""
    whole = frame.geometry.to_numpy()
    shapes, crossing = crossing_cut(whole), unbroken(whole)[1]
    if crossing.any():
        shapes[crossing], moved = rounded(shapes[crossing], MORE_DECIMALS)
        tell_moved(frame["name"][crossing].tolist(), moved, what=GEOJSON_FILE)
    shapes = shapely.orient_polygons(shapes)
    names = [name for name in frame.columns if name != "geometry"]
    rows = zip(*(_values(frame[name]) for name in names), strict=True)
    return [
        {
            "type": "Feature",
            "properties": {
                "layer": layer,
                "title": say(f"layer-{layer}"),
                **dict(zip(names, row, strict=True)),
            },
            "geometry": _geometry(shape),
        }
        for shape, row in zip(shapes, rows, strict=True)
    ]


def _values(column: pd.Series) -> list[Any]:
    """Values of a column, None where there is none."""
    gone = column.isna().tolist()
    return [None if no else value for value, no in zip(column.tolist(), gone, strict=True)]


def _geometry(shape: BaseGeometry) -> dict[str, Any]:
    """A shape in the words of the format; one part needs no collection."""
    parts = shapely.get_parts(shape)
    single = parts[0] if len(parts) == 1 else shape
    return dict(shapely.geometry.mapping(single))


def _bbox(stand: gpd.GeoDataFrame) -> list[float]:
    """West, south, east, north; west is the larger number where the antimeridian is crossed."""
    west, south, east, north = stand.total_bounds.tolist()
    if east - west > HALF_TURN:
        longitudes = shapely.get_coordinates(stand.geometry.to_numpy())[:, 0]
        west, east = longitudes[longitudes > 0].min(), longitudes[longitudes < 0].max()
    return [round(float(value), DECIMALS) for value in (west, south, east, north)]


def _json(value: object) -> str:
    """A value as JSON on one line."""
    return json.dumps(value, ensure_ascii=False, allow_nan=False, default=_plain)


def _plain(value: Any) -> float | int | None:  # noqa: ANN401 - any scalar of numpy
    """A number of numpy as one of JSON."""
    number = value.item()
    return None if isinstance(number, float) and not math.isfinite(number) else number


def _write_geojson(delivery: Delivery, folder: Path) -> None:
    """Write ``layout.geojson``."""
    (folder / GEOJSON_FILE).write_bytes(geojson_text(delivery).encode("utf-8", "replace"))


GEOJSON = Deliverable(
    id="geojson",
    title="GeoJSON for phones and machines",
    files=(GEOJSON_FILE,),
    write=_write_geojson,
)
"""All layers in one feature collection."""
