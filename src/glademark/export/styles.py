"""
The symbol of every layer, and symbols as desktop programs look for them in ``layer_styles``.

Colours are our own, chosen to be told apart in grey by their lightness; shape and pattern carry the
meaning. Styles are written twice: in the style document of the open desktop GIS, version 3.22 and
later, and as a Styled Layer Descriptor. A size in pixels of the standard is 0.28 mm [2]_.

References
----------
.. [1] Open Geospatial Consortium: Styled Layer Descriptor profile of the Web Map Service (OGC
       05-078r4), 1.1.0: NamedLayer, UserStyle.
.. [2] Open Geospatial Consortium: Symbology Encoding (OGC 05-077r4), 1.1.0: rules and symbolizers;
       later symbolizers are drawn on top; 7.3: pixels.
"""

import re
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal
from xml.etree import ElementTree as ET

from glademark.contracts.layers import LAYERS

_FORBIDDEN = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")

Shape = Literal["circle", "square", "triangle", "star", "cross", "x"]

PIXEL_MM = 0.28

_KIND = {"Point": "marker", "MultiLineString": "line"}

_MARKERS = {"x": "cross2"}  # the others have the names of the standard

_PATTERN_MM = 3.0

LABELS = MappingProxyType(
    {"corridors": "corridor", "openings": "opening", "exclusions": "name", "landings": "name"}
)
"""Column of a layer that names its features."""

_NAMESPACES = {
    "version": "1.1.0",
    "xmlns": "http://www.opengis.net/sld",
    "xmlns:se": "http://www.opengis.net/se",
    "xmlns:ogc": "http://www.opengis.net/ogc",
    "xmlns:xlink": "http://www.w3.org/1999/xlink",
}

_HATCH_SIZE = 8.0  # pixels between the shapes of a pattern

STYLES_TABLE = "layer_styles"

_CREATE = f"""CREATE TABLE {STYLES_TABLE} (
    id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT, f_table_schema TEXT,
    f_table_name TEXT, f_geometry_column TEXT, styleName TEXT, styleQML TEXT, styleSLD TEXT,
    useAsDefault BOOLEAN, description TEXT, owner TEXT, ui TEXT, update_time DATETIME)"""


@dataclass(frozen=True, kw_only=True, slots=True)
class Symbol:
    """How one kind of feature is drawn."""

    stroke: str  # colour of lines and edges, as ``#rrggbb``
    width: float = 1.0  # of lines and edges [pixels]
    fill: str | None = None  # colour of an area or a point; None for none
    opacity: float = 1.0  # of the fill, from 0 to 1
    dashes: tuple[float, ...] = ()  # lengths of dashes and gaps [pixels]; empty for a full line
    hatch: Shape | None = None  # shape that fills an area in a pattern; None for none
    point: Shape = "circle"  # shape of a point
    size: float = 7.0  # of a point [pixels]


SYMBOLS: Mapping[str, Symbol] = MappingProxyType(
    {
        "stand": Symbol(stroke="#202020", width=2.4),
        "exclusions": Symbol(stroke="#4b2c6b", width=1.6, fill="#8d6bb0", opacity=0.35, hatch="x"),
        "setbacks": Symbol(
            stroke="#1f5f8b", fill="#8fbcdb", opacity=0.25, dashes=(6, 3), hatch="cross"
        ),
        "water": Symbol(stroke="#1f5f8b", fill="#6ea8cf", opacity=0.8),
        "landings": Symbol(stroke="#4a4036", width=1.4, fill="#b5a48f", opacity=0.8),
        "hazards": Symbol(
            stroke="#c8102e", width=1.6, fill="#f3b8bf", opacity=0.4, dashes=(6, 3), hatch="cross"
        ),
        "corridors": Symbol(stroke="#7a4b12", width=0.8, fill="#d9b27c", opacity=0.7),
        "corridor_lines": Symbol(stroke="#7a4b12", width=1.2, dashes=(8, 3)),
        "openings": Symbol(stroke="#9a3b00", width=1.8, fill="#f0a35e", opacity=0.5),
        "combined_openings": Symbol(stroke="#9a3b00", width=1.2, dashes=(4, 3)),
        "incidental_openings": Symbol(stroke="#8a7a20", fill="#e5dc8f", opacity=0.4, dashes=(2, 2)),
        "contours": Symbol(stroke="#b09c7c", width=0.5),
        "corridor_grades": Symbol(stroke="#4a4036", width=2.0, dashes=(2, 3)),
        "extraction": Symbol(stroke="#14532d", width=1.6),
        "corridor_stubs": Symbol(stroke="#5b2a86", width=1.6, dashes=(5, 2)),
        "water_crossings": Symbol(stroke="#000000", fill="#1f5f8b", point="square", size=11.0),
        "cruise_plots": Symbol(stroke="#202020", fill="#ffffff", point="x", size=9.0),
        "danger_circles": Symbol(stroke="#c8102e", width=1.6, dashes=(6, 3)),
        "danger_trees": Symbol(stroke="#000000", fill="#c8102e", point="triangle", size=14.0),
        "line_trees": Symbol(stroke="#000000", fill="#f4d03f", point="square", size=10.0),
        "unconfirmed_trees": Symbol(
            stroke="#8a1c7c", width=1.4, fill="#ffffff", point="square", size=9.0
        ),
        "leave_trees": Symbol(stroke="#0b3d20", fill="#2e7d4f", point="star", size=10.0),
        "crop_trees": Symbol(
            stroke="#0b3d20", width=1.8, fill="#ffffff", point="circle", size=11.0
        ),
        "regeneration": Symbol(
            stroke="#3f7d20", fill="#b7d8a0", opacity=0.5, dashes=(3, 3), hatch="triangle"
        ),
        "exposed_edges": Symbol(stroke="#8a3a00", width=1.4, fill="#ffffff", point="triangle"),
        "marks": Symbol(stroke="#3a3a3a", width=0.6, fill="#ffffff", size=6.0),
    }
)
"""Symbol of every layer, by its name."""

ZONES: Mapping[str, Symbol] = MappingProxyType(
    {
        "exclusion": SYMBOLS["exclusions"],
        "landing": SYMBOLS["landings"],
        "corridor": SYMBOLS["corridors"],
        "opening": SYMBOLS["openings"],
        "matrix": Symbol(stroke="#6b8f71", width=0.5, fill="#dce8d8", opacity=0.5),
    }
)
"""Symbol of each zone."""

MARKS: Mapping[str, Symbol] = MappingProxyType(
    {
        "cut": SYMBOLS["marks"],
        "leave": SYMBOLS["leave_trees"],
        "group_boundary": Symbol(stroke="#9a3b00", fill="#ffffff", point="x", size=6.0),
        "group_centre": Symbol(stroke="#9a3b00", fill="#9a3b00", point="cross", size=9.0),
        "line_tree": SYMBOLS["line_trees"],
        "danger": SYMBOLS["danger_trees"],
        "unconfirmed": SYMBOLS["unconfirmed_trees"],
    }
)
"""Symbol of each kind of mark."""

SETBACKS: Mapping[str, Symbol] = MappingProxyType(
    {
        "no_cut": SYMBOLS["setbacks"],
        "no_machine": Symbol(
            stroke="#1f5f8b", fill="#8fbcdb", opacity=0.25, dashes=(6, 3), hatch="x"
        ),
        "residual_basal_area": Symbol(
            stroke="#1f5f8b", fill="#8fbcdb", opacity=0.25, dashes=(6, 3), hatch="circle"
        ),
    }
)
"""Symbol of each rule of a setback."""


def abgr(colour: str, opacity: float = 1.0) -> str:
    """
    A colour as KML writes it: alpha, blue, green, red.

    Examples
    --------
    >>> abgr("#ff8000", 0.5)
    '800080ff'
    """
    red, green, blue = colour[1:3], colour[3:5], colour[5:7]
    return f"{round(opacity * 255):02x}{blue}{green}{red}"


NARROWEST_MM, WIDEST_MM = 0.1, 2.0
"""Of a stroke."""


def qml_text(name: str) -> str:
    """The style of one layer: a symbol, or one for each kind of feature, and its labels."""
    root = ET.Element("qgis", version="3.22.0", styleCategories="Symbology|Labeling")
    rules = rules_of(name)
    column = next((condition[0] for _, _, condition in rules if condition), None)
    kind = "singleSymbol" if column is None else "categorizedSymbol"
    renderer = add(root, "renderer-v2", type=kind, symbollevels="0", enableorderby="0")
    if column is not None:
        renderer.set("attr", column)
        categories = add(renderer, "categories")
        for number, (title, _, condition) in enumerate(rules):
            value = condition[1] if condition else ""
            add(categories, "category", symbol=str(number), value=value, label=title,
                render="true", type="string")  # fmt: skip
    symbols = add(renderer, "symbols")
    for number, (_, symbol, _) in enumerate(rules):
        _add_symbol(symbols, str(number), symbol, LAYERS[name].geometry or "")
    if name in LABELS:
        _add_labels(root, LABELS[name])
    return "<!DOCTYPE qgis>\n" + ET.tostring(root, encoding="unicode")


def _add_symbol(symbols: ET.Element, name: str, symbol: Symbol, geometry: str) -> None:
    """The symbol of one rule."""
    kind = _KIND.get(geometry, "fill")
    part = add(symbols, "symbol", type=kind, name=name, alpha="1", clip_to_extent="1")
    stroke = _stroke(symbol)
    if kind == "marker":
        _add_layer(part, "SimpleMarker", _marker(symbol, symbol.point, symbol.size))
    elif kind == "line":
        dashes = ";".join(f"{length * PIXEL_MM:.2f}" for length in symbol.dashes)
        dashed = {"use_custom_dash": "1", "customdash": dashes} if dashes else {}
        named = {"line_color": stroke["outline_color"], "line_width": stroke["outline_width"]}
        _add_layer(part, "SimpleLine", named | {"line_width_unit": "MM"} | dashed)
    else:
        fill = {"color": _colour(symbol.fill, symbol.opacity), "style": "solid"}
        if symbol.fill is None:
            fill = {"style": "no"}
        _add_layer(part, "SimpleFill", fill | stroke)
        if symbol.hatch is not None:
            _add_pattern(part, name, symbol)


def _add_pattern(part: ET.Element, name: str, symbol: Symbol) -> None:
    """Small shapes in rows, so that the area is known in black and white."""
    distance = f"{_PATTERN_MM:g}"
    pattern = _add_layer(part, "PointPatternFill", {
        "distance_x": distance, "distance_y": distance, "displacement_x": f"{_PATTERN_MM / 2:g}",
        "distance_x_unit": "MM", "distance_y_unit": "MM", "displacement_x_unit": "MM",
    })  # fmt: skip
    inner = add(pattern, "symbol", type="marker", name=f"@{name}@1", alpha="1")
    _add_layer(inner, "SimpleMarker", _marker(symbol, symbol.hatch or "cross", 5.0))


def _marker(symbol: Symbol, shape: str, pixels: float) -> dict[str, str]:
    """A shape, filled and edged."""
    return {
        "name": _MARKERS.get(shape, shape),
        "color": _colour(symbol.fill or symbol.stroke, 1.0),
        "size": f"{pixels * PIXEL_MM:.2f}",
        "size_unit": "MM",
    } | _stroke(symbol)


def _stroke(symbol: Symbol) -> dict[str, str]:
    """Colour, width and dashes of an edge."""
    width = min(max(symbol.width * PIXEL_MM, NARROWEST_MM), WIDEST_MM)
    return {
        "outline_color": _colour(symbol.stroke, 1.0),
        "outline_width": f"{width:.2f}",
        "outline_width_unit": "MM",
        "outline_style": "dash" if symbol.dashes else "solid",
    }


def _add_layer(part: ET.Element, kind: str, values: Mapping[str, str]) -> ET.Element:
    """One layer of a symbol with its properties."""
    layer = add(part, "layer", **{"class": kind, "enabled": "1", "locked": "0", "pass": "0"})
    options = add(layer, "Option", type="Map")
    for name, value in values.items():
        add(options, "Option", name=name, type="QString", value=value)
    return layer


def _add_labels(root: ET.Element, column: str) -> None:
    """The text of a column, with a white edge."""
    labeling = add(root, "labeling", type="simple")
    style = add(add(labeling, "settings"), "text-style", fieldName=column, fontSize="9",
                fontSizeUnit="Point",
        textOpacity="1", textColor="32,32,32,255", isExpression="0")  # fmt: skip
    add(style, "text-buffer", bufferDraw="1", bufferSize="0.8", bufferSizeUnits="MM",
        bufferColor="255,255,255,255")  # fmt: skip


def _colour(colour: str | None, opacity: float) -> str:
    """A colour as red, green, blue, alpha from 0 to 255."""
    colour = colour or "#ffffff"
    parts = (int(colour[start : start + 2], 16) for start in (1, 3, 5))
    return ",".join(map(str, (*parts, round(255 * opacity))))


STYLED = tuple(
    name for name, layer in LAYERS.items() if layer.geometry and name in {*SYMBOLS, "zones"}
)
"""Layers of the GeoPackage that have a symbol, in its order."""

Rules = Sequence[tuple[str, Symbol, tuple[str, str] | None]]
_RULES: Mapping[str, tuple[str, Mapping[str, Symbol]]] = MappingProxyType(
    {"zones": ("zone", ZONES), "marks": ("kind", MARKS), "setbacks": ("rule", SETBACKS)}
)


def rules_of(name: str) -> Rules:
    """Title, symbol and condition (column, value) of each rule of a layer."""
    if name not in _RULES:
        return ((LAYERS[name].title, SYMBOLS[name], None),)
    column, symbols = _RULES[name]
    return tuple(
        (value.replace("_", " "), symbol, (column, value)) for value, symbol in symbols.items()
    )


def sld_text(name: str) -> str:
    """The symbols of one layer as a Styled Layer Descriptor 1.1.0."""
    root = ET.Element("StyledLayerDescriptor", _NAMESPACES)
    _add_named_layer(root, name)
    return xml_bytes(root).decode()


def _add_named_layer(root: ET.Element, name: str) -> None:
    """The style of one layer."""
    layer = LAYERS[name]
    named = add(root, "NamedLayer")
    add(named, "se:Name", name)
    style = add(named, "UserStyle")
    add(style, "se:Name", name)
    description = add(style, "se:Description")
    add(description, "se:Title", layer.title)
    add(description, "se:Abstract", layer.meaning)
    add(style, "IsDefault", "true")
    feature = add(style, "se:FeatureTypeStyle")
    for title, symbol, condition in rules_of(name):
        rule = add(feature, "se:Rule")
        add(rule, "se:Name", title)
        if condition is not None:
            _add_filter(rule, *condition)
        _add_symbolizer(rule, symbol, name)


def _add_filter(rule: ET.Element, column: str, value: str) -> None:
    """The condition that a column has a value."""
    equal = add(add(rule, "ogc:Filter"), "ogc:PropertyIsEqualTo")
    add(equal, "ogc:PropertyName", column)
    add(equal, "ogc:Literal", value)


def _add_symbolizer(rule: ET.Element, symbol: Symbol, name: str) -> None:
    """The symbolizers of one rule."""
    geometry = LAYERS[name].geometry
    if geometry == "Point":
        graphic = add(add(rule, "se:PointSymbolizer"), "se:Graphic")
        _add_mark(graphic, symbol, shape=symbol.point, size=symbol.size)
    elif geometry == "MultiLineString":
        _add_stroke(add(rule, "se:LineSymbolizer"), symbol)
    else:
        _add_area(rule, symbol)
    if name in LABELS:
        _add_label(rule, LABELS[name])


def _add_area(rule: ET.Element, symbol: Symbol) -> None:
    """Fill and edge of an area, then its pattern."""
    area = add(rule, "se:PolygonSymbolizer")
    if symbol.fill is not None:
        fill = add(area, "se:Fill")
        _parameter(fill, "fill", symbol.fill)
        _parameter(fill, "fill-opacity", f"{symbol.opacity:g}")
    _add_stroke(area, symbol)
    if symbol.hatch is not None:
        pattern = add(rule, "se:PolygonSymbolizer")
        graphic = add(add(add(pattern, "se:Fill"), "se:GraphicFill"), "se:Graphic")
        _add_mark(graphic, symbol, shape=symbol.hatch, size=_HATCH_SIZE)


def _add_stroke(parent: ET.Element, symbol: Symbol) -> None:
    """Colour, width and dashes of a line."""
    stroke = add(parent, "se:Stroke")
    _parameter(stroke, "stroke", symbol.stroke)
    _parameter(stroke, "stroke-width", f"{symbol.width:g}")
    if symbol.dashes:
        _parameter(stroke, "stroke-dasharray", " ".join(f"{length:g}" for length in symbol.dashes))


def _add_mark(graphic: ET.Element, symbol: Symbol, *, shape: str, size: float) -> None:
    """A shape of the standard, filled and edged."""
    mark = add(graphic, "se:Mark")
    add(mark, "se:WellKnownName", shape)
    if symbol.fill is not None:
        _parameter(add(mark, "se:Fill"), "fill", symbol.fill)
    stroke = add(mark, "se:Stroke")
    _parameter(stroke, "stroke", symbol.stroke)
    _parameter(stroke, "stroke-width", "1")
    add(graphic, "se:Size", f"{size:g}")


def _add_label(rule: ET.Element, column: str) -> None:
    """The text of a column, in a halo."""
    text = add(rule, "se:TextSymbolizer")
    add(add(text, "se:Label"), "ogc:PropertyName", column)
    font = add(text, "se:Font")
    _parameter(font, "font-size", "11")
    halo = add(text, "se:Halo")
    add(halo, "se:Radius", "1.5")
    _parameter(add(halo, "se:Fill"), "fill", "#ffffff")
    _parameter(add(text, "se:Fill"), "fill", "#202020")


def _parameter(parent: ET.Element, name: str, value: str) -> None:
    """One parameter of a fill, a stroke or a font."""
    add(parent, "se:SvgParameter", value, name=name)


def add_styles(
    database: sqlite3.Connection, names: Iterable[str], geometry: str, time: str
) -> None:
    """One default style for each layer that has a symbol."""
    styled = [name for name in names if name in STYLED]
    if not styled:
        return
    database.execute(_CREATE)
    database.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description) "
        "VALUES (?, 'attributes', ?, 'Style of each layer, by its name')",
        (STYLES_TABLE, STYLES_TABLE),
    )
    database.executemany(
        f"INSERT INTO {STYLES_TABLE} (f_table_catalog, f_table_schema, f_table_name, "  # noqa: S608 - a constant
        "f_geometry_column, styleName, styleQML, styleSLD, useAsDefault, description, owner, "
        "ui, update_time) VALUES ('', '', ?, ?, ?, ?, ?, 1, '', '', NULL, ?)",
        [(name, geometry, name, qml_text(name), sld_text(name), time) for name in styled],
    )


def add(parent: ET.Element, tag: str, text: object = None, /, **attributes: str) -> ET.Element:
    r"""
    A new last child of an element.

    Examples
    --------
    >>> root = ET.Element("a")
    >>> add(root, "b", "x\x01 & y", id="1").text
    'x & y'
    """
    child = ET.SubElement(parent, tag, attributes)
    if text is not None:
        child.text = _FORBIDDEN.sub("", str(text))
    return child


def xml_bytes(root: ET.Element) -> bytes:
    """A document as the bytes of its file."""
    ET.indent(root, space=" ")
    body = ET.tostring(root, encoding="unicode", short_empty_elements=True)
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{body}\n'.encode("utf-8", "replace")
