"""
The layout as KML 2.2: a folder a layer, each feature named and coloured.

References
----------
.. [1] Open Geospatial Consortium: OGC KML (OGC 07-147r2), version 2.2: order of elements, longitude
       first, colours as alpha, blue, green, red.
"""

from html import escape
from pathlib import Path
from xml.etree import ElementTree as ET

import geopandas as gpd
import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.errors import shown
from glademark.export.handheld.features import (
    about_file,
    add,
    degrees,
    placed_layers,
    xml_bytes,
)
from glademark.report.crew_sentences import say
from glademark.report.delivery import Deliverable, Delivery
from glademark.report.layer_symbols import SYMBOLS, abgr

KML_FILE = "layout.kml"
KML_NAMESPACE = "http://www.opengis.net/kml/2.2"

MOST_TREES = 2000
"""Trees to cut placed one by one; more are placed by opening and corridor, as phones take them."""

_OPEN_AT_FIRST = {"stand", "exclusions", "setbacks", "water", "landings", "hazards", "corridors",
                  "openings", "danger_circles",
                  "danger_trees", "line_trees", "unconfirmed_trees"}  # fmt: skip
_POINT_SCALE = 14.0  # symbol size [pixels] that an icon of scale 1 stands for


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
