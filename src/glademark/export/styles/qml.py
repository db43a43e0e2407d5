"""
The symbols of a layer in the style document of the open desktop GIS, as ``layer_styles`` holds it.

Written for version 3.22 and later; a size in pixels of the standard is 0.28 mm (OGC 05-077r4, 7.3).
"""

from collections.abc import Mapping
from xml.etree import ElementTree as ET

from glademark.contracts.layers import LAYERS
from glademark.export.handheld.features import add
from glademark.export.styles.rules import LABELS, rules_of
from glademark.report.layer_symbols import Symbol

PIXEL_MM = 0.28
NARROWEST_MM, WIDEST_MM = 0.1, 2.0
"""Of a stroke."""

_KIND = {"Point": "marker", "MultiLineString": "line"}
_MARKERS = {"x": "cross2"}  # the others have the names of the standard
_PATTERN_MM = 3.0


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
