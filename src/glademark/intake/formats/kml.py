"""
KML documents: placemarks of all folders, with the pairs of name and value that they carry.

Only what stands in the document itself is read; network links and the like are never followed.

References
----------
.. [1] Open Geospatial Consortium: OGC KML 2.3 (OGC 12-007r2): coordinates are WGS 84 longitude and
       latitude in degrees; attributes stand in ``Data`` and ``SimpleData``.
"""

import html
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from types import MappingProxyType
from typing import Literal, cast
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
from glademark.wording import counted, quoted, shown

_FOLDERS = frozenset({"kml", "Document", "Folder"})
_PLAIN = frozenset({"name", "address", "phoneNumber", "description"})
_DIMENSIONS: Mapping[str, frozenset[int]] = MappingProxyType(
    {"points": frozenset({-1, 0}), "lines": frozenset({-1, 1, 2})}
)
_RING_MIN = 3
_COMMA = re.compile(r"(?<!\s)\s*+,\s*+")  # in one pass, however many blanks there are
_BREAKS = re.compile(r"<\s*(?:br|/tr|/p|/li|/div|/h\d)\b[^>]*>", re.IGNORECASE)
_CELLS = re.compile(r"<\s*/t[dh]\s*>\s*<\s*t[dh]\b[^>]*>", re.IGNORECASE)
_TAGS = re.compile(r"<[^<>]{0,500}>")

_Shape = shapely.Geometry | None
_Placed = tuple[tuple[str, ...], Element]


def read_kml(
    file: FieldFile,
    meanings: Sequence[Meaning],
    *,
    want: Literal["points", "lines"],
    layer: str | None,
) -> Reading:
    """Placemarks of a KML document."""
    root = root_of(file)
    found = list(_placemarks(root, ()))
    if layer is not None:
        found = _of_folder(found, layer, file)
    shapes = np.array([_shape(placemark, want) for _, placemark in found], dtype=object)
    wanted = np.isin(shapely.get_dimensions(shapes), list(_DIMENSIONS[want]))
    if not shapely.get_dimensions(shapes[wanted]).max(initial=-1) >= 0:
        what = "no points" if want == "points" else "no lines and no areas"
        msg = f"{file.name}: there are {what} in it. Export them, or name another file."
        raise FileError(msg)
    kept = np.flatnonzero(wanted)
    rows = [_fields(*found[at], meanings) for at in kept]
    refuse_columns(len(set().union(*rows)), file)
    return Reading(
        file=file,
        rows=pd.DataFrame(rows).fillna("").astype("str"),
        record=pd.Series(kept + 1),
        noun="placemark",
        geometry=gpd.GeoSeries(shapes[kept]),
        crs=CRS.from_epsg(4326),
        decimal_comma=True,
        notices=tuple(_notices(file, root, len(found) - len(kept), want)),
    )


def _placemarks(element: Element, path: tuple[str, ...]) -> Iterator[_Placed]:
    """Every placemark with the names of the folders around it, in the order of the document."""
    for child in element:
        kind = local_name(child)
        if kind == "Placemark":
            yield path, child
        elif kind == "Folder":
            yield from _placemarks(child, (*path, _text_of(child, "name")))
        elif kind in _FOLDERS:
            yield from _placemarks(child, path)


def _of_folder(found: list[_Placed], layer: str, file: FieldFile) -> list[_Placed]:
    """Placemarks in a folder and the folders in it."""
    inside = [(path, placemark) for path, placemark in found if layer in path]
    if not inside:
        names = list(dict.fromkeys(name for path, _ in found for name in path))
        msg = (
            f"{file.name}: there is no folder '{shown(layer)}' with placemarks; there are "
            f"{quoted(names)}. Correct it in [inputs]."
        )
        raise FileError(msg)
    return inside


def _notices(file: FieldFile, root: Element, left: int, want: str) -> Iterator[str]:
    """What was not read, and why."""
    if left:
        other = "lines or areas" if want == "points" else "points"
        yield f"{file.name}: {counted(left, 'placemark')} with {other} not read here."
    links = sum(local_name(element) == "NetworkLink" for element in root.iter())
    if links:
        yield (
            f"{file.name}: {counted(links, 'link')} to other documents not followed. "
            "Save what they show, if it is needed."
        )


def _text_of(element: Element, name: str) -> str:
    """Text of a direct child."""
    for child in element:
        if local_name(child) == name:
            return (child.text or "").strip()
    return ""


def _fields(
    path: tuple[str, ...], placemark: Element, meanings: Sequence[Meaning]
) -> dict[str, str]:
    """Attributes of a placemark: its own, its extended data, and what its description says."""
    fields: dict[str, str] = {}
    for child in placemark:
        kind = local_name(child)
        if kind in _PLAIN:
            fields[kind] = (child.text or "").strip()
        elif kind == "TimeStamp":
            fields["time"] = _text_of(child, "when")
        elif kind == "ExtendedData":
            fields |= _extended(child)
    if path:
        fields["folder"] = path[-1]
    for note in ("name", "description"):
        for name, value in said_in(_plain(fields.get(note, "")), meanings):
            fields.setdefault(name, value)
    return {name: value for name, value in fields.items() if value}


def _extended(data: Element) -> dict[str, str]:
    """Pairs in ``Data`` and ``SimpleData``, under whatever schema."""
    pairs = {}
    for element in data.iter():
        kind, name = local_name(element), (element.get("name") or "").strip()
        if kind == "Data" and name:
            pairs[name] = _text_of(element, "value")
        elif kind == "SimpleData" and name:
            pairs[name] = (element.text or "").strip()
    return pairs


def _plain(text: str) -> str:
    """A description as lines of plain text: rows of a table become pairs."""
    if "<" not in text:
        return text
    lines = _BREAKS.sub("\n", _CELLS.sub(": ", text))
    return html.unescape(_TAGS.sub(" ", lines))


def _shape(element: Element, want: str) -> _Shape:
    """Geometry of a placemark; of a mixed one the parts that are wanted, where there are any."""
    parts = [one for one in (_simple(child) for child in _simple_elements(element)) if one]
    if not parts:
        return None
    dimensions = {int(shapely.get_dimensions(part)) for part in parts}
    if len(dimensions) > 1:
        at = 0 if want == "points" and 0 in dimensions else max(dimensions)
        parts = [part for part in parts if shapely.get_dimensions(part) == at]
    if len(parts) == 1:
        return parts[0]
    many = (shapely.multipoints, shapely.multilinestrings, shapely.multipolygons)
    shape = many[int(shapely.get_dimensions(parts[0]))](np.array(parts))
    return cast("shapely.Geometry", shape)


def _simple_elements(element: Element) -> Iterator[Element]:
    """Geometry elements that are no collections."""
    for child in element:
        kind = local_name(child)
        if kind in {"Point", "LineString", "LinearRing", "Polygon", "Track"}:
            yield child
        elif kind in {"MultiGeometry", "MultiTrack"}:
            yield from _simple_elements(child)


def _simple(element: Element) -> _Shape:
    """One point, line or polygon, None where its coordinates are broken."""
    kind = local_name(element)
    if kind == "Polygon":
        return _polygon(element)
    points = _track_points(element) if kind == "Track" else _coordinates(element)
    if kind == "Point":
        return shapely.Point(points[0]) if len(points) == 1 else None
    return shapely.LineString(points) if len(points) > 1 else None


def _polygon(element: Element) -> _Shape:
    """Area inside a ring, less the holes."""
    rings: dict[str, list[list[tuple[float, float]]]] = {
        "outerBoundaryIs": [],
        "innerBoundaryIs": [],
    }
    for boundary in element:
        for ring in boundary:
            if local_name(boundary) in rings and local_name(ring) == "LinearRing":
                rings[local_name(boundary)].append(_coordinates(ring))
    every = [*rings["outerBoundaryIs"], *rings["innerBoundaryIs"]]
    if len(rings["outerBoundaryIs"]) != 1 or any(len(set(ring)) < _RING_MIN for ring in every):
        return None
    return shapely.Polygon(every[0], every[1:])


def _coordinates(element: Element) -> list[tuple[float, float]]:
    """Longitude and latitude of every point, none of them where one is broken."""
    words = _COMMA.sub(",", _text_of(element, "coordinates")).split()
    return _pairs([word.split(",") for word in words])


def _track_points(element: Element) -> list[tuple[float, float]]:
    """Points of a recorded track."""
    return _pairs([(one.text or "").split() for one in element if local_name(one) == "coord"])


def _pairs(words: Sequence[Sequence[str]]) -> list[tuple[float, float]]:
    """First two numbers of each, none at all where one is broken."""
    try:
        points = [(float(word[0]), float(word[1])) for word in words]
    except (ValueError, IndexError):
        return []
    return points if all(map(math.isfinite, (x for point in points for x in point))) else []
