"""
GPX and KML, read without following anything that they point to.

GPX: waypoints as points, tracks and routes as lines, with what was typed into their notes [1]_.
KML: placemarks of all folders, with the pairs of name and value that they carry [2]_.

References
----------
.. [1] GPX 1.0 and 1.1 schema documentation: positions are WGS 84 longitude and latitude in degrees.
.. [2] Open Geospatial Consortium: OGC KML 2.3 (OGC 12-007r2): coordinates are WGS 84 longitude and
       latitude in degrees; attributes stand in ``Data`` and ``SimpleData``.
"""

import html
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from types import MappingProxyType
from typing import Literal, cast
from xml.etree.ElementTree import Element, ParseError

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from glademark.errors import FileError, counted, quoted, shown
from glademark.intake.columns.fields import is_known
from glademark.intake.columns.meanings import Meaning
from glademark.intake.formats.files import FieldFile
from glademark.intake.record_log import Reading, refuse_columns

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
    rows = [_gpx_fields(element, meanings) for element in elements]
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


def _gpx_fields(element: Element, meanings: Sequence[Meaning]) -> dict[str, str]:
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


DOCUMENT_MAX = 128 * 2**20
"""Largest document [bytes]: in memory it takes many times its size."""

TEXT_MAX = 2**20
"""Longest text of one element [characters]."""

DEPTH_MAX = 64
"""Deepest nesting of elements."""

PIECE_MAX = 200
"""Longest part of a note that is looked at for a name and a value [characters]."""

_PIECES = re.compile(r"[;|\n]|,(?!\d)")
_PAIR = re.compile(r"\s*([^:=]{1,40}?)\s*[:=]\s*(.+?)\s*")
_NAMED_NUMBER = re.compile(r"\s*([A-Za-z][A-Za-z ]*?)\s+([-+]?\d[\d.,]*\s*\S{0,6})\s*")
_DIAMETER = re.compile(r"""\s*\d*[.,]?\d+\s*(?:in|inch|inches|"|”|cm)\s*""", re.IGNORECASE)


def root_of(file: FieldFile) -> Element:
    """Root element of a document."""
    from defusedxml import DefusedXmlException, ElementTree  # noqa: PLC0415 - only where XML is read

    if file.copy.stat().st_size > DOCUMENT_MAX:
        msg = (
            f"{file.name}: the document is larger than {DOCUMENT_MAX // 2**20} MiB. "
            "Export only what belongs to the stand."
        )
        raise FileError(msg)
    try:
        root: Element = ElementTree.parse(file.copy, forbid_dtd=True).getroot()
    except DefusedXmlException as error:
        msg = (
            f"{file.name}: the document declares entities or a document type, which is not read "
            f"for safety. Export plain {file.format}."
        )
        raise FileError(msg) from error
    except (ParseError, ValueError, LookupError) as error:
        msg = f"{file.name}: the document is damaged ({error}). Export it again."
        raise FileError(msg) from error
    _refuse_excess(root, file)
    return root


def _refuse_excess(root: Element, file: FieldFile) -> None:
    """Refuse long texts and deep nesting, level by level."""
    level, depth = [root], 0
    while level:
        depth += 1
        if any(len(element.text or "") > TEXT_MAX for element in level):
            msg = (
                f"{file.name}: an element holds more than 1 MiB of text. Export plain "
                f"{file.format}."
            )
            raise FileError(msg)
        if depth > DEPTH_MAX:
            msg = (
                f"{file.name}: elements are nested more than {DEPTH_MAX} deep. Export plain "
                f"{file.format}."
            )
            raise FileError(msg)
        level = [child for element in level for child in element]


def local_name(element: Element) -> str:
    """
    Name of an element without its namespace.

    Examples
    --------
    >>> local_name(Element("{http://www.topografix.com/GPX/1/1}wpt"))
    'wpt'
    """
    return str(element.tag).rpartition("}")[2]


def said_in(note: str, meanings: Sequence[Meaning]) -> Iterator[tuple[str, str]]:
    """
    Pairs of name and value in what was typed into a note.

    Examples
    --------
    >>> from glademark.intake.columns.meanings import MARKS
    >>> list(said_in("spp: RM; 14.2 in; by the brook", MARKS))
    [('spp', 'RM'), ('dbh', '14.2 in')]
    """
    for piece in _PIECES.split(note):
        if len(piece) > PIECE_MAX:
            continue
        pair = _PAIR.fullmatch(piece) or _NAMED_NUMBER.fullmatch(piece)
        if pair and is_known(pair[1], meanings):
            yield pair[1], pair[2]
        elif _DIAMETER.fullmatch(piece):
            yield "dbh", piece.strip()
