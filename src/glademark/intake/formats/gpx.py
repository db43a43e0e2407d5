"""
GPX files: waypoints as points, tracks and routes as lines, with what was typed into their notes.

References
----------
.. [1] GPX 1.0 and 1.1 schema documentation: positions are WGS 84 longitude and latitude in degrees.
"""

import math
from collections.abc import Iterator, Sequence
from typing import Literal
from xml.etree.ElementTree import Element

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from glademark.errors import FileError
from glademark.intake.columns.meanings import Meaning
from glademark.intake.formats.documents import local_name, root_of, said_in
from glademark.intake.formats.files import FieldFile
from glademark.intake.records import Reading, refuse_columns

Want = Literal["points", "lines"]

_NOTE_FIELDS = ("name", "cmt", "desc")


def read_gpx(file: FieldFile, meanings: Sequence[Meaning], *, want: Want) -> Reading:
    """Waypoints, or tracks and routes, of a GPX file."""
    root = root_of(file)
    names = ("wpt",) if want == "points" else ("trk", "rte")
    elements = [element for element in root if local_name(element) in names]
    if not elements:
        other = "no waypoints" if want == "points" else "no tracks and no routes"
        msg = f"{file.name}: there are {other} in it. Export them, or name another file."
        raise FileError(msg)
    make = _point if want == "points" else _track
    rows = [_fields(element, meanings) for element in elements]
    refuse_columns(len(set().union(*rows)), file)
    geometry = np.array([make(element) for element in elements], dtype=object)
    return Reading(
        file=file,
        rows=pd.DataFrame(rows).fillna("").astype("str"),
        record=pd.Series(np.arange(1, len(elements) + 1)),
        noun="waypoint" if want == "points" else "track",
        geometry=gpd.GeoSeries(geometry),
        crs=CRS.from_epsg(4326),
        decimal_comma=True,
    )


def _number(text: str | None) -> float:
    """A finite number, or NaN."""
    try:
        value = float(text or "nan")
    except ValueError:
        return math.nan
    return value if math.isfinite(value) else math.nan


def _position(element: Element) -> tuple[float, float]:
    """Longitude and latitude."""
    return _number(element.get("lon")), _number(element.get("lat"))


def _point(element: Element) -> shapely.Point | None:
    """Waypoint, or None where it has no position."""
    lon, lat = _position(element)
    return None if math.isnan(lon) or math.isnan(lat) else shapely.Point(lon, lat)


def _track(element: Element) -> shapely.LineString | shapely.MultiLineString | None:
    """One line a segment that has two points or more; points without a position are left out."""
    segments = [part for part in element if local_name(part) == "trkseg"] or [element]
    parts = [
        [_position(point) for point in segment if local_name(point) in {"trkpt", "rtept"}]
        for segment in segments
    ]
    known = [[point for point in part if not math.isnan(sum(point))] for part in parts]
    lines = [shapely.LineString(part) for part in known if len(part) > 1]
    if not lines:
        return None
    return lines[0] if len(lines) == 1 else shapely.MultiLineString(lines)


def _fields(element: Element, meanings: Sequence[Meaning]) -> dict[str, str]:
    """Text of every leaf by its local name, and what its notes say."""
    said: dict[str, list[str]] = {}
    for leaf in _leaves(element):
        if text := (leaf.text or "").strip():
            said.setdefault(local_name(leaf), []).append(text)
    fields = {name: "; ".join(texts) for name, texts in said.items()}
    for note in _NOTE_FIELDS:
        for name, value in said_in(fields.get(note, ""), meanings):
            fields.setdefault(name, value)
    return fields


def _leaves(element: Element) -> Iterator[Element]:
    """Elements without children, but for the points of a track."""
    for child in element:
        if local_name(child) in {"trkseg", "rtept"}:
            continue
        if len(child):
            yield from (leaf for leaf in child.iter() if not len(leaf))
        else:
            yield child
