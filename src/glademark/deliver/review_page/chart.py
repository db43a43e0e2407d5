"""The map as a figure of the plotting library, and as JSON that is the same for the same input."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from glademark.deliver.review_page.symbols import (
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

    from bokeh.plotting import figure as Figure  # noqa: N812 - it is a class

    from glademark.deliver.review_page.content import MapContent
    from glademark.deliver.review_page.symbols import AreaSymbol

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
    """
    The map with all its layers, ready to be embedded.

    Parameters
    ----------
    content
        What is drawn.

    Returns
    -------
    item
        JSON item of the plotting library; ids are given by place, so that equal content gives
        equal JSON.
    """
    from bokeh.embed import json_item  # noqa: PLC0415 - heavy: only where the page is made

    item: dict[str, Any] = steady_ids(dict(json_item(_figure(content))))
    return item


def steady_ids(item: Any) -> Any:  # noqa: ANN401 - JSON is one of several types
    """
    A JSON item whose ids tell the place of a model in it, not when it was made.

    Parameters
    ----------
    item
        As the plotting library gives it.

    Returns
    -------
    item
        A copy; ids are ``m1``, ``m2``, ... in the order in which they come.

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


def _figure(content: MapContent) -> Figure:
    """Figure with one renderer a symbol, named after its layer."""
    from bokeh.models import PanTool, Range1d, WheelZoomTool  # noqa: PLC0415 - as above
    from bokeh.plotting import figure  # noqa: PLC0415 - as above

    west, south, east, north = content.box
    wheel = WheelZoomTool(zoom_on_axis=False)
    options: dict[str, Any] = {
        "name": MAP_NAME,
        "x_range": Range1d(start=west, end=east),
        "y_range": Range1d(start=south, end=north),
        "tools": [PanTool(), wheel],
        "toolbar_location": None,
        "sizing_mode": "stretch_both",
        "min_border": 0,
        "background_fill_color": GROUND,
        "border_fill_color": GROUND,
        "outline_line_color": None,
        "lod_threshold": _SLOW_FROM,
        "lod_factor": _DRAWN_MEANWHILE,
    }
    chart = figure(**options)
    chart.toolbar.active_scroll = wheel
    chart.axis.visible = False
    chart.grid.visible = False
    _add_areas(chart, content)
    _add_marks(chart, content)
    _add_highlight(chart)
    _add_labels(chart, content)
    return chart


def _add_areas(chart: Figure, content: MapContent) -> None:
    """The stand's ground, areas from the lowest up, and the stand's boundary over them."""
    xs, ys = content.plane.rings(content.stand.geometry)
    chart.multi_polygons(
        xs=xs, ys=ys, fill_color=STAND_FILL, line_color=None, name="ground", level="underlay"
    )
    for switched in AREAS:
        for symbol in switched.areas:
            _add_area(chart, content, symbol, shown=switched.shown)
    chart.multi_polygons(xs=xs, ys=ys, fill_color=None, name="stand", **_line(STAND))


def _add_area(chart: Figure, content: MapContent, symbol: AreaSymbol, *, shown: bool) -> None:
    """Features of one symbol, each with its key."""
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
    chart.multi_polygons(
        xs="xs",
        ys="ys",
        source=_source(xs=xs, ys=ys, key=list(features["key"])),
        name=symbol.layer,
        visible=shown,
        fill_color=symbol.fill,
        fill_alpha=symbol.fill_share,
        **hatch,
        **_line(symbol),
    )


def _add_marks(chart: Figure, content: MapContent) -> None:
    """Crowns, then one renderer a kind of tree."""
    if len(content.crowns):
        (crown,) = CROWNS.areas
        chart.circle(
            x=content.crowns[:, 0],
            y=content.crowns[:, 1],
            radius=content.crowns[:, 2],
            fill_color=crown.fill,
            fill_alpha=crown.fill_share,
            line_color=crown.line,
            line_width=crown.line_width,
            name=CROWNS.name,
            visible=CROWNS.shown,
        )
    for switched in MARKS:
        columns = _point_columns(content, switched.name)
        symbol = switched.mark
        if columns and symbol is not None:
            chart.scatter(
                x="x",
                y="y",
                size="size",
                marker=symbol.marker,
                source=_source(**columns),
                name=switched.name,
                visible=switched.shown,
                fill_color=symbol.fill,
                line_color=symbol.line,
                line_width=0.8 if symbol.line == "#ffffff" else 1.8,
            )


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


def _add_highlight(chart: Figure) -> None:
    """Empty renderers that the page's script fills with what is selected."""
    shapes, points = _source(xs=[], ys=[]), _source(x=[], y=[])
    for colour, width in (("#ffffff", 8.0), (INK, 3.6)):
        chart.multi_polygons(
            xs="xs",
            ys="ys",
            source=shapes,
            name="highlight",
            fill_color=None,
            line_color=colour,
            line_width=width,
            line_join="round",
        )
        chart.scatter(
            x="x",
            y="y",
            source=points,
            name="highlight_point",
            size=22,
            fill_color=None,
            line_color=colour,
            line_width=width,
        )


def _add_labels(chart: Figure, content: MapContent) -> None:
    """Names of corridors and numbers of openings, switched with their layers."""
    for layer, size in (("corridors", "11px"), ("openings", "13px")):
        places = content.labels.get(layer)
        if places is not None and len(places.text):
            x, y = places.positions.T
            chart.text(
                x="x",
                y="y",
                text="text",
                source=_source(x=x.copy(), y=y.copy(), text=list(places.text)),
                name=layer,
                text_font_size=size,
                text_font_style="bold" if layer == "openings" else "normal",
                level="annotation",
                **_LABEL,
            )


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
