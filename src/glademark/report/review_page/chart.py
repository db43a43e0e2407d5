"""The map as a figure of the plotting library, and as JSON that is the same for the same input."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from glademark.report.review_page.symbols import (
    AREAS,
    CROWNS,
    GROUND,
    INK,
    MARKS,
    STAND,
    STAND_FILL,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from bokeh.models import Plot

    from glademark.report.review_page.content import MapContent
    from glademark.report.review_page.symbols import AreaSymbol

MAP_NAME = "layout_map"
"""Name of the figure in its document."""

_HATCHES: Mapping[str, str] = {
    "rising": "right_diagonal_line",
    "falling": "left_diagonal_line",
    "crossed": "diagonal_cross",
    "dotted": "dot",
    "level": "horizontal_line",
    "waves": "horizontal_wave",
}
_HATCH_PX = 9
_POINT_PX = 12
_SLOW_FROM = 6_000  # points; from here on only a part is drawn while the map is dragged
_DRAWN_MEANWHILE = 4  # one in so many
_BESIDE_PX = 18  # of a label that may not cover its tree
_LABEL: Mapping[str, Any] = {
    "text_align": "center",
    "text_baseline": "middle",
    "text_color": INK,
    "background_fill_color": "#ffffff",
    "background_fill_alpha": 0.88,
    "border_line_color": INK,
    "border_radius": 8,
    "padding": 3,
}


def map_json(content: MapContent) -> dict[str, Any]:
    """The map with all its layers, ready to be embedded."""
    from bokeh.embed import json_item  # noqa: PLC0415 - heavy: only where the page is made

    item: dict[str, Any] = steady_ids(dict(json_item(_figure(content))))
    return item


def steady_ids(item: Any) -> Any:  # noqa: ANN401 - JSON is one of several types
    """
    A JSON item whose ids tell the place of a model in it, not when it was made.

    Examples
    --------
    >>> steady_ids({"root_id": "p1004", "doc": [{"id": "p1004"}, {"id": "p1001"}]})
    {'root_id': 'm1', 'doc': [{'id': 'm1'}, {'id': 'm2'}]}
    """
    names: dict[str, str] = {}

    def _renamed(value: Any, key: str = "") -> Any:  # noqa: ANN401 - as above
        """Give one part of the document its new names."""
        if isinstance(value, dict):
            return {name: _renamed(part, name) for name, part in value.items()}
        if isinstance(value, list):
            return [_renamed(part) for part in value]
        if key in {"id", "root_id"} and isinstance(value, str):
            return names.setdefault(value, f"m{len(names) + 1}")
        return value

    return _renamed(item)


def _figure(content: MapContent) -> Plot:
    """Figure with one renderer a symbol, named after its layer."""
    from bokeh.models import PanTool, Plot, Range1d, WheelZoomTool  # noqa: PLC0415 - as above

    west, south, east, north = content.box
    wheel = WheelZoomTool(zoom_on_axis=False)
    options: dict[str, Any] = {
        "name": MAP_NAME,
        "x_range": Range1d(start=west, end=east),
        "y_range": Range1d(start=south, end=north),
        "toolbar_location": None,
        "sizing_mode": "stretch_both",
        "min_border": 0,
        "background_fill_color": GROUND,
        "border_fill_color": GROUND,
        "outline_line_color": None,
        "lod_threshold": _SLOW_FROM,
        "lod_factor": _DRAWN_MEANWHILE,
    }
    chart = Plot(**options)
    chart.add_tools(PanTool(), wheel)
    chart.toolbar.active_scroll = wheel
    _add_areas(chart, content)
    _add_marks(chart, content)
    _add_highlight(chart)
    _add_labels(chart, content)
    return chart


def _add_areas(chart: Plot, content: MapContent) -> None:
    """The stand's ground, areas from the lowest up, and the stand's boundary over them."""
    from bokeh.models import MultiPolygons  # noqa: PLC0415 - as above

    xs, ys = content.plane.rings(content.stand.geometry)
    stand = _source(xs=xs, ys=ys)
    ground = MultiPolygons(fill_color=STAND_FILL, line_color=None)
    chart.add_glyph(stand, ground, name="ground", level="underlay")
    for switched in AREAS:
        for symbol in switched.areas:
            _add_area(chart, content, symbol, shown=switched.shown)
    chart.add_glyph(stand, MultiPolygons(fill_color=None, **_line(STAND)), name="stand")


def _add_area(chart: Plot, content: MapContent, symbol: AreaSymbol, *, shown: bool) -> None:
    """Features of one symbol, each with its key."""
    from bokeh.models import MultiPolygons  # noqa: PLC0415 - as above

    features = content.areas.get((symbol.layer, symbol.part))
    if features is None or features.empty:
        return
    xs, ys = content.plane.rings(features.geometry)
    hatch: dict[str, Any] = {} if not symbol.hatch else {
        "hatch_pattern": _HATCHES[symbol.hatch],
        "hatch_color": symbol.line,
        "hatch_alpha": 0.75,
        "hatch_scale": _HATCH_PX,
        "hatch_weight": 1.0,
    }  # fmt: skip
    glyph = MultiPolygons(
        fill_color=symbol.fill, fill_alpha=symbol.fill_share, **hatch, **_line(symbol)
    )
    source = _source(xs=xs, ys=ys, key=list(features["key"]))
    chart.add_glyph(source, glyph, name=symbol.layer, visible=shown)


def _add_marks(chart: Plot, content: MapContent) -> None:
    """Crowns, then one renderer a kind of tree."""
    from bokeh.models import Circle, Scatter  # noqa: PLC0415 - as above

    if len(content.crowns):
        (crown,) = CROWNS.areas
        x, y, radius = content.crowns.T
        disc = Circle(
            radius="radius",
            fill_color=crown.fill,
            fill_alpha=crown.fill_share,
            line_color=crown.line,
            line_width=crown.line_width,
        )
        source = _source(x=x.copy(), y=y.copy(), radius=radius.copy())
        chart.add_glyph(source, disc, name=CROWNS.name, visible=CROWNS.shown)
    for switched in MARKS:
        columns = _point_columns(content, switched.name)
        symbol = switched.mark
        if columns and symbol is not None:
            points = Scatter(
                size="size",
                marker={"value": symbol.marker},
                fill_color=symbol.fill,
                line_color=symbol.line,
                line_width=0.8 if symbol.line == "#ffffff" else 1.8,
            )
            source = _source(**columns)
            chart.add_glyph(source, points, name=switched.name, visible=switched.shown)


def _point_columns(content: MapContent, layer: str) -> dict[str, Any]:
    """Columns of a layer of trees, which have rows, or of other points, which have keys."""
    if trees := content.trees.get(layer):
        x, y = trees.positions.T
        return {"x": x.copy(), "y": y.copy(), "size": trees.size_px, "row": trees.row}
    if points := content.points.get(layer):
        x, y = points.positions.T
        size = [_POINT_PX] * len(points.key)
        return {"x": x.copy(), "y": y.copy(), "size": size, "key": list(points.key)}
    return {}


def _add_highlight(chart: Plot) -> None:
    """Empty renderers that the page's script fills with what is selected."""
    from bokeh.models import MultiPolygons, Scatter  # noqa: PLC0415 - as above

    shapes, points = _source(xs=[], ys=[]), _source(x=[], y=[])
    for colour, width in (("#ffffff", 8.0), (INK, 3.6)):
        edge: dict[str, Any] = {"fill_color": None, "line_color": colour, "line_width": width}
        chart.add_glyph(shapes, MultiPolygons(line_join="round", **edge), name="highlight")
        chart.add_glyph(points, Scatter(size=22, **edge), name="highlight_point")


def _add_labels(chart: Plot, content: MapContent) -> None:
    """Names of corridors, openings and trees apart, switched with their layers."""
    from bokeh.models import Text  # noqa: PLC0415 - as above

    sizes = {"corridors": "11px", "openings": "13px", "line_tree": "11px", "danger": "12px"}
    for layer, size in sizes.items():
        places = content.labels.get(layer)
        if places is not None and len(places.text):
            x, y = places.positions.T
            words = Text(
                text="text",
                text_font_size={"value": size},
                y_offset=_BESIDE_PX if layer in {"danger", "line_tree"} else 0,
                text_font_style="normal" if layer == "corridors" else "bold",
                **_LABEL,
            )
            source = _source(x=x.copy(), y=y.copy(), text=list(places.text))
            chart.add_glyph(source, words, name=layer, level="annotation")


def _line(symbol: AreaSymbol) -> dict[str, Any]:
    """Edge of a symbol, as the plotting library names it."""
    return {
        "line_color": symbol.line,
        "line_width": symbol.line_width,
        "line_dash": " ".join(map(str, symbol.dash)) or "solid",
        "line_join": "round",
    }


def _source(**columns: Any) -> Any:  # noqa: ANN401 - columns and sources of the plotting library
    """Columns of a renderer."""
    from bokeh.models import ColumnDataSource  # noqa: PLC0415 - as above

    return ColumnDataSource(data=columns)
