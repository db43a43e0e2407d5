"""
The symbols of a layer as a Styled Layer Descriptor.

References
----------
.. [1] Open Geospatial Consortium: Styled Layer Descriptor profile of the Web Map Service (OGC
       05-078r4), 1.1.0: NamedLayer, UserStyle.
.. [2] Open Geospatial Consortium: Symbology Encoding (OGC 05-077r4), 1.1.0: rules and symbolizers;
       later symbolizers are drawn on top.
"""

from xml.etree import ElementTree as ET

from glademark.contracts.layers import LAYERS
from glademark.export.handheld.features import add, xml_bytes
from glademark.export.styles.rules import LABELS, rules_of
from glademark.report.layer_symbols import Symbol

_NAMESPACES = {
    "version": "1.1.0",
    "xmlns": "http://www.opengis.net/sld",
    "xmlns:se": "http://www.opengis.net/se",
    "xmlns:ogc": "http://www.opengis.net/ogc",
    "xmlns:xlink": "http://www.w3.org/1999/xlink",
}
_HATCH_SIZE = 8.0  # pixels between the shapes of a pattern


def sld_text(name: str) -> str:
    """The symbols of one layer as a Styled Layer Descriptor 1.1.0."""
    root = ET.Element("StyledLayerDescriptor", _NAMESPACES)
    _add_layer(root, name)
    return xml_bytes(root).decode()


def _add_layer(root: ET.Element, name: str) -> None:
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
        _add_symbol(rule, symbol, name)


def _add_filter(rule: ET.Element, column: str, value: str) -> None:
    """The condition that a column has a value."""
    equal = add(add(rule, "ogc:Filter"), "ogc:PropertyIsEqualTo")
    add(equal, "ogc:PropertyName", column)
    add(equal, "ogc:Literal", value)


def _add_symbol(rule: ET.Element, symbol: Symbol, name: str) -> None:
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
