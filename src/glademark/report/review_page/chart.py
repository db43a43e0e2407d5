"""
The map as a figure of the plotting library, and as JSON that is the same for the same input.

Shape and pattern carry the meaning, colour helps: every symbol is told from the others in grey.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from collections.abc import Mapping

    from bokeh.models import Plot

    from glademark.report.review_page.content import MapContent

Hatch = Literal["", "rising", "falling", "crossed", "dotted", "level", "waves"]
Marker = Literal[
    "circle",
    "circle_dot",
    "triangle",
    "hex",
    "diamond",
    "star",
    "square_cross",
    "square_x",
    "cross",
    "x",
]

GROUND = "#eef0ea"

STAND_FILL = "#fdfdfb"

INK = "#1c2a24"

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


@dataclass(frozen=True, kw_only=True, slots=True)
class AreaSymbol:
    """How an area is drawn."""

    layer: str  # layer that it belongs to and is switched with
    title: str  # as the legend has it
    line: str
    part: str = ""  # which of its features; empty for all of them
    fill: str = "#ffffff"
    fill_share: float = 0.0  # fill and fill_share: colour and how much of it covers, from 0 to 1
    line_width: float = 1.2
    dash: tuple[int, ...] = ()
    """line, line_width and dash: colour, width [px] and lengths of dashes and gaps [px] of the
    edge."""
    hatch: Hatch = ""  # pattern in the colour of the edge


@dataclass(frozen=True, kw_only=True, slots=True)
class MarkSymbol:
    """How a tree is drawn."""

    layer: str  # name under which it is switched
    title: str  # as the legend has it
    marker: Marker  # shape
    fill: str
    line: str  # fill and line: colours


@dataclass(frozen=True, kw_only=True, slots=True)
class SwitchedLayer:
    """One line of the legend, with its switch."""

    name: str  # of the layer
    title: str  # as people read it
    areas: tuple[AreaSymbol, ...] = ()  # symbols of an area layer: one, or one for each part
    mark: MarkSymbol | None = None  # symbol of a layer of trees
    shown: bool = True  # whether it is on when the page opens


_AMBER, _RUST, _PLUM, _BLUE, _SLATE, _EARTH, _MOSS = (
    "#f0b84a", "#9a3412", "#6d2158", "#1f6aa5", "#5b6670", "#7a5c3a", "#3f6b4f",
)  # fmt: skip

STAND = AreaSymbol(
    layer="stand", title="Stand boundary", line=INK, line_width=2.4, dash=(14, 4, 3, 4)
)

AREAS: tuple[SwitchedLayer, ...] = (
    SwitchedLayer(
        name="zones",
        title="Zones",
        shown=False,
        areas=(
            AreaSymbol(layer="zones", part="matrix", title="Matrix", line=_MOSS, fill="#cfe0c8",
                       fill_share=0.7, line_width=0.5),
            AreaSymbol(layer="zones", part="opening", title="Opening", line="#8a5a00", fill=_AMBER,
                       fill_share=0.7, line_width=0.5, hatch="dotted"),
            AreaSymbol(layer="zones", part="corridor", title="Corridor", line=_SLATE,
                       fill="#aab2b8", fill_share=0.9, line_width=0.5),
            AreaSymbol(layer="zones", part="landing", title="Landing", line=_EARTH, fill="#d8c6ab",
                       fill_share=0.9, line_width=0.5, hatch="level"),
            AreaSymbol(layer="zones", part="exclusion", title="Exclusion", line=_PLUM,
                       fill="#ffffff", fill_share=0.9, line_width=0.5, hatch="crossed"),
        ),
    ),
    SwitchedLayer(
        name="setbacks",
        title="Setbacks",
        areas=(
            AreaSymbol(layer="setbacks", title="Setback", line=_BLUE, fill="#d8e8f5",
                       fill_share=0.45, dash=(5, 4), hatch="falling"),
        ),
    ),
    SwitchedLayer(
        name="water",
        title="Water",
        areas=(
            AreaSymbol(layer="water", title="Water", line="#174f7c", fill="#6aaede",
                       fill_share=0.95, hatch="waves"),
        ),
    ),
    SwitchedLayer(
        name="exclusions",
        title="Exclusions",
        areas=(
            AreaSymbol(layer="exclusions", title="Exclusion", line=_PLUM, fill="#f3e3ee",
                       fill_share=0.7, line_width=1.8, hatch="crossed"),
        ),
    ),
    SwitchedLayer(
        name="hazards",
        title="Hazards",
        areas=(
            AreaSymbol(layer="hazards", title="Hazard", line="#b3001b", fill="#f6d5d9",
                       fill_share=0.7, line_width=1.8, hatch="rising"),
        ),
    ),
    SwitchedLayer(
        name="landings",
        title="Landings",
        areas=(
            AreaSymbol(layer="landings", title="Landing", line=_EARTH, fill="#e3d5bd",
                       fill_share=0.95, line_width=1.6, hatch="level"),
        ),
    ),
    SwitchedLayer(
        name="corridors",
        title="Corridors",
        areas=(
            AreaSymbol(layer="corridors", part="new", title="New", line=_SLATE, fill="#b9c0c6",
                       fill_share=0.85, line_width=1.0),
            AreaSymbol(layer="corridors", part="existing", title="Existing already", line=_SLATE,
                       fill="#ffffff", fill_share=0.85, line_width=1.0, hatch="rising"),
        ),
    ),
    SwitchedLayer(
        name="incidental_openings",
        title="Incidental openings",
        areas=(
            AreaSymbol(layer="incidental_openings", title="Incidental opening", line="#8a6d1f",
                       fill="#faf0cf",
                       fill_share=0.6, dash=(3, 3), hatch="dotted"),
        ),
    ),
    SwitchedLayer(
        name="openings",
        title="Openings",
        areas=(
            AreaSymbol(layer="openings", part="inside", title="Inside its limits", line="#8a5a00",
                       fill=_AMBER, fill_share=0.55, line_width=1.6),
            AreaSymbol(layer="openings", part="near", title="Near a limit", line="#8a5a00",
                       fill=_AMBER, fill_share=0.55, line_width=2.4, dash=(8, 3), hatch="falling"),
            AreaSymbol(layer="openings", part="exceeded", title="Beyond a limit", line=_RUST,
                       fill="#e8794a", fill_share=0.5, line_width=3.0, hatch="rising"),
        ),
    ),
    SwitchedLayer(
        name="combined_openings",
        title="Combined openings",
        areas=(
            AreaSymbol(layer="combined_openings", title="Openings that corridors join", line=INK,
                       line_width=2.0, dash=(2, 4)),
        ),
    ),
)  # fmt: skip
"""Areas, the lowest first."""


def _trees(name: str, title: str, marker: Marker, fill: str, line: str) -> SwitchedLayer:
    """A layer of trees or other points."""
    return SwitchedLayer(
        name=name,
        title=title,
        mark=MarkSymbol(layer=name, title=title, marker=marker, fill=fill, line=line),
    )


MARKS: tuple[SwitchedLayer, ...] = (
    _trees("cut_matrix", "Cut trees, matrix", "hex", "#2b2f33", "#ffffff"),
    _trees("cut_opening", "Cut trees, openings", "circle", "#2b2f33", "#ffffff"),
    _trees("cut_corridor", "Cut trees, corridors", "circle_dot", "#ffffff", "#1b1f23"),
    _trees("cut_other", "Cut trees elsewhere", "x", _PLUM, _PLUM),
    _trees("group_points", "Points of groups", "cross", "#8c3600", "#8c3600"),
    _trees("unconfirmed", "Unconfirmed trees, not to be cut", "diamond", "#ffffff", "#8a1c7c"),
    _trees("leave", "Leave trees, to stay", "star", "#ffffff", "#0b4a2a"),
    _trees("line_tree", "Line trees, not to be cut", "square_cross", "#f7e98f", "#1b1f23"),
    _trees("water_crossings", "Water crossings", "square_x", "#ffffff", "#0f4c81"),
    _trees("danger", "Danger trees", "triangle", "#ffd23d", "#1b1f23"),
)
"""Trees and other points, the lowest first."""

CROWNS = SwitchedLayer(
    name="crowns",
    title="Crowns of cut trees",
    shown=False,
    areas=(
        AreaSymbol(
            layer="crowns",
            title="Crown disc",
            line="#4d7a52",
            line_width=0.8,
            fill="#8fb58f",
            fill_share=0.25,
        ),
    ),
)
"""The crowns that openings are made of, drawn to scale."""


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
