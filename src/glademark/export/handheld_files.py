"""
The layout as files for receivers, phones and machine screens: KML 2.2, GPX 1.1, GeoJSON.

In GPX boundary, corridors, openings and ground with a rule are tracks, hazards and trees that stay
points; in KML there is a folder a layer, each feature named and coloured.

References
----------
.. [1] Open Geospatial Consortium: OGC KML (OGC 07-147r2), version 2.2: order of elements, longitude
       first, colours as alpha, blue, green, red.
.. [2] GPX 1.1 schema, http://www.topografix.com/GPX/1/1: order of elements, WGS 84 degrees.
.. [3] RFC 7946 (2016), The GeoJSON Format: WGS 84 without a `crs` member, longitude first,
       right-hand rings, `bbox` as west, south, east, north, cut at the antimeridian (3.1.9),
       7 decimals being plenty (11.2).
"""

import json
import math
from collections.abc import Mapping
from html import escape
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from glademark import __version__
from glademark.contracts.frames import mended, rounded, tell_moved
from glademark.contracts.job_layers import CAUTIONS
from glademark.errors import shown
from glademark.export.handheld import (
    DECIMALS,
    HALF_TURN,
    MORE_DECIMALS,
    about_file,
    degrees,
    placed,
    placed_layers,
    unbroken,
)
from glademark.export.styles import SYMBOLS, abgr, add, xml_bytes
from glademark.report.delivery import Deliverable, Delivery
from glademark.report.wording import PROPOSAL, say

if TYPE_CHECKING:
    from glademark.proposal.outcome import Proposal

KML_FILE = "layout.kml"
KML_NAMESPACE = "http://www.opengis.net/kml/2.2"

MOST_TREES = 2000
"""Trees to cut placed one by one; more are placed by opening and corridor, as phones take them."""

_OPEN_AT_FIRST = {"stand", "exclusions", "setbacks", "water", "landings", "hazards", "corridors",
                  "openings", "danger_circles",
                  "danger_trees", "line_trees", "unconfirmed_trees"}  # fmt: skip
_POINT_SCALE = 14.0  # symbol size [pixels] that an icon of scale 1 stands for

GPX_FILE = "layout.gpx"

GPX_NAMESPACE = "http://www.topografix.com/GPX/1/1"

_POINTS: Mapping[str, str] = MappingProxyType(
    {
        "landings": "landing",
        "danger_trees": "danger tree",
        "hazards": "hazard",
        "line_trees": "line tree",
        "unconfirmed_trees": "unconfirmed tree",
        "leave_trees": "leave tree",
        "exclusions": "exclusion",
    }
)

_TRACKS: Mapping[str, str] = MappingProxyType(
    {
        "stand": "boundary",
        "corridor_lines": "corridor",
        "openings": "opening",
        "exclusions": "exclusion",
        "setbacks": "setback",
        "water": "water",
        "danger_circles": "danger",
        "hazards": "hazard",
    }
)

GEOJSON_FILE = "layout.geojson"

_WEST = shapely.box(-HALF_TURN, -90, HALF_TURN, 90)

_EAST = shapely.box(HALF_TURN, -90, 3 * HALF_TURN, 90)


def kml_bytes(delivery: Delivery) -> bytes:
    """The layout as KML 2.2."""
    layers = placed_layers(delivery)
    root = ET.Element("kml", {"xmlns": KML_NAMESPACE})
    document = add(root, "Document")
    add(document, "name", shown(delivery.project.heading.name))
    add(document, "open", 1)
    add(document, "description", escape(about_file(delivery), quote=False))
    for name in layers:
        _add_style(document, name)
    for name, frame in layers.items():
        crowded = name == "marks" and len(frame) > MOST_TREES
        _add_folder(document, name, _by_place(frame) if crowded else frame)
    return xml_bytes(root)


def _by_place(marks: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Trees to cut as one feature for each opening, and each corridor and the trees near it."""
    opening = "opening " + marks["opening"].astype("string")
    corridor = "corridor " + marks["corridor"].replace("", "-")
    inside = marks["zone"] == "corridor"
    where = opening.fillna(("in " + corridor).where(inside, "single, near " + corridor))
    rows = marks.assign(where=where.astype("str")).dissolve("where", aggfunc={"count": "sum"})
    names = "Trees to cut: " + rows.index.astype("str")
    about = rows["count"].astype("str") + " trees; their labels are in the GeoJSON file."
    return rows.assign(name=names, about=about)


def _add_style(document: ET.Element, name: str) -> None:
    """The colours of one layer."""
    symbol = SYMBOLS[name]
    style = add(document, "Style", id=name)
    icon = add(style, "IconStyle")
    add(icon, "color", abgr(symbol.fill or symbol.stroke))
    add(icon, "scale", f"{symbol.size / _POINT_SCALE:.2f}")
    label = add(style, "LabelStyle")
    add(label, "scale", "0.8")
    line = add(style, "LineStyle")
    add(line, "color", abgr(symbol.stroke))
    add(line, "width", f"{symbol.width:g}")
    area = add(style, "PolyStyle")
    add(area, "color", abgr(symbol.fill or symbol.stroke, symbol.opacity if symbol.fill else 0))
    add(area, "fill", int(symbol.fill is not None))


def _add_folder(document: ET.Element, name: str, frame: gpd.GeoDataFrame) -> None:
    """One layer."""
    visible = int(name in _OPEN_AT_FIRST)
    folder = add(document, "Folder")
    add(folder, "name", say(f"layer-{name}"))
    add(folder, "visibility", visible)
    rows = zip(frame.geometry.to_numpy(), frame["name"], frame["about"], strict=True)
    for shape, title, about in rows:
        place = add(folder, "Placemark")
        add(place, "name", title)
        add(place, "visibility", visible)
        add(place, "description", escape(about, quote=False))  # a balloon is a page of HTML
        add(place, "styleUrl", f"#{name}")
        _add_shape(place, shape)


def _add_shape(place: ET.Element, shape: BaseGeometry) -> None:
    """A shape, as a collection where it has several parts."""
    parts = shapely.get_parts(shape)
    parent = add(place, "MultiGeometry") if len(parts) > 1 else place
    for part in parts:
        if part.geom_type == "Polygon":
            _add_polygon(parent, part)
        else:
            _add_line(add(parent, part.geom_type), part)


def _add_polygon(parent: ET.Element, polygon: shapely.Polygon) -> None:
    """An area with its holes."""
    element = add(parent, "Polygon")
    for number, ring in enumerate(shapely.get_rings(np.array([polygon]))):
        side = add(element, "innerBoundaryIs" if number else "outerBoundaryIs")
        _add_line(add(side, "LinearRing"), ring)


def _add_line(element: ET.Element, shape: BaseGeometry) -> None:
    """The points of a line, a ring or a point."""
    points = shapely.get_coordinates(shape).tolist()
    text = " ".join(f"{degrees(lon)},{degrees(lat)}" for lon, lat in points)
    add(element, "coordinates", text)


def _write_kml(delivery: Delivery, folder: Path) -> None:
    """Write ``layout.kml``."""
    (folder / KML_FILE).write_bytes(kml_bytes(delivery))


KML = Deliverable(id="kml", title="KML for phones", files=(KML_FILE,), write=_write_kml)
"""A folder a layer, for phones and globes."""


def gpx_bytes(delivery: Delivery) -> bytes:
    """The layout as GPX 1.1."""
    layers = placed_layers(delivery)
    root = ET.Element(
        "gpx", {"version": "1.1", "creator": f"glademark {__version__}", "xmlns": GPX_NAMESPACE}
    )
    _add_metadata(root, delivery, layers["stand"])
    for name, kind in _POINTS.items():
        if name in layers:
            add_waypoints(root, layers[name], kind)
    for name, kind in _TRACKS.items():
        if name in layers:
            add_tracks(root, layers[name], kind)
    return xml_bytes(root)


def _add_metadata(root: ET.Element, delivery: Delivery, stand: gpd.GeoDataFrame) -> None:
    """Name, caution and extent."""
    metadata = add(root, "metadata")
    add(metadata, "name", shown(delivery.project.heading.name))
    add(metadata, "desc", about_file(delivery))
    west, south, east, north = (_degrees(value) for value in stand.total_bounds)
    add(metadata, "bounds", minlat=south, minlon=west, maxlat=north, maxlon=east)


def add_waypoints(root: ET.Element, frame: gpd.GeoDataFrame, kind: str) -> None:
    """One waypoint a feature, inside it."""
    where = shapely.get_coordinates(shapely.point_on_surface(frame.geometry.to_numpy()))
    for (lon, lat), name, about in zip(where, frame["name"], frame["about"], strict=True):
        point = add(root, "wpt", lat=_degrees(lat), lon=_degrees(lon))
        add(point, "name", name)
        add(point, "desc", about)
        add(point, "type", kind)


def add_tracks(root: ET.Element, frame: gpd.GeoDataFrame, kind: str) -> None:
    """One track a feature."""
    rows = zip(frame.geometry.to_numpy(), frame["name"], frame["about"], strict=True)
    for number, (shape, name, about) in enumerate(rows, 1):
        track = add(root, "trk")
        add(track, "name", name)
        add(track, "desc", about)
        add(track, "number", number)
        add(track, "type", kind)
        for line in _lines(shape, inner=kind == "boundary"):
            _add_segment(track, line)


def _lines(shape: shapely.Geometry, *, inner: bool) -> np.ndarray:
    """Outer rings of an area, inner ones as well where wanted; lines of a line."""
    parts = shapely.get_parts(np.array([shape]))
    if shapely.get_dimensions(shape) == 1:
        return parts
    return shapely.get_rings(parts) if inner else shapely.get_exterior_ring(parts)


def _add_segment(track: ET.Element, line: shapely.LineString) -> None:
    """All points of one line."""
    segment = add(track, "trkseg")
    for lon, lat in shapely.get_coordinates(line).tolist():
        add(segment, "trkpt", lat=_degrees(lat), lon=_degrees(lon))


def _degrees(value: float) -> str:
    """A coordinate as it is written; the schema knows -180 but not 180."""
    text = degrees(value)
    return f"-{text}" if float(text) == 180 else text  # noqa: PLR2004 - degrees of half a turn


def _write_gpx(delivery: Delivery, folder: Path) -> None:
    """Write ``layout.gpx``."""
    (folder / GPX_FILE).write_bytes(gpx_bytes(delivery))


GPX = Deliverable(id="gpx", title="GPX for receivers", files=(GPX_FILE,), write=_write_gpx)
"""Tracks and waypoints for receivers."""


def flags_gpx(proposal: "Proposal") -> bytes:
    """Groups of the best alternative as GPX 1.1."""
    root = ET.Element(
        "gpx", {"version": "1.1", "creator": f"glademark {__version__}", "xmlns": GPX_NAMESPACE}
    )
    metadata = add(root, "metadata")
    add(metadata, "name", shown(proposal.prepared.project.heading.name))
    add(metadata, "desc", f"{PROPOSAL}. {' '.join(CAUTIONS)}")
    groups = proposal.alternatives[0].groups
    numbers = groups["group"].astype("str")
    flags = gpd.GeoDataFrame(
        {
            "name": [f"Proposed {number}" for number in numbers],
            "about": [f"{PROPOSAL}. {shown(why, longest=400)}" for why in groups["why"]],
        },
        geometry=groups.geometry.to_numpy(),
        crs=groups.crs,
    )
    flags = placed(flags)
    add_waypoints(root, flags, "proposed group")
    add_tracks(root, flags, "proposed group")
    return xml_bytes(root)


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
