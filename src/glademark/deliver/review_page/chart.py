"""The map as a document of the plotting library's script, the same for the same input."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from glademark.deliver.review_page.chart_document import Document, Model, given, taken
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
    from collections.abc import Iterator, Mapping

    import numpy.typing as npt

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
_RING_PX = 22  # around a tree that is selected
_DECIMALS = 2
_SHAPES: dict[str, Any] = {"xs": taken("xs"), "ys": taken("ys")}
_PLACES: dict[str, Any] = {"x": taken("x"), "y": taken("y")}
_LABEL: dict[str, Any] = {
    "text_align": given("center"),
    "text_baseline": given("middle"),
    "text_color": given(INK),
    "background_fill_color": given("#ffffff"),
    "background_fill_alpha": given(0.88),
    "border_line_color": given(INK),
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
    document = Document()
    return document.item(_plot(document, content))


def _plot(document: Document, content: MapContent) -> Model:
    """Plot with one renderer a symbol, named after its layer."""
    west, south, east, north = content.box
    wheel = document.model("WheelZoomTool", renderers="auto", zoom_on_axis=False)
    tools = [document.model("PanTool"), wheel]
    return document.model(
        "Plot",
        name=MAP_NAME,
        x_range=document.model("Range1d", start=west, end=east),
        y_range=document.model("Range1d", start=south, end=north),
        x_scale=document.model("LinearScale"),
        y_scale=document.model("LinearScale"),
        toolbar=document.model("Toolbar", tools=tools, active_scroll={"id": wheel["id"]}),
        toolbar_location=None,
        sizing_mode="stretch_both",
        min_border=0,
        background_fill_color=GROUND,
        border_fill_color=GROUND,
        outline_line_color=None,
        lod_threshold=_SLOW_FROM,
        lod_factor=_DRAWN_MEANWHILE,
        renderers=[
            *_areas(document, content),
            *_marks(document, content),
            *_highlight(document),
            *_labels(document, content),
        ],
    )


def _areas(document: Document, content: MapContent) -> Iterator[Model]:
    """The stand's ground, areas from the lowest up, and the stand's boundary over them."""
    xs, ys = content.plane.rings(content.stand.geometry)
    ground = document.source(xs=xs, ys=ys)
    fill = {"fill_color": given(STAND_FILL), "line_color": given(None)}
    yield document.renderer(
        "MultiPolygons", ground, _SHAPES | fill, name="ground", level="underlay"
    )
    for switched in AREAS:
        for symbol in switched.areas:
            yield from _area(document, content, symbol, shown=switched.shown)
    edge = {"fill_color": given(None), **_line(STAND)}
    yield document.renderer("MultiPolygons", ground, _SHAPES | edge, name="stand")


def _area(
    document: Document, content: MapContent, symbol: AreaSymbol, *, shown: bool
) -> Iterator[Model]:
    """Features of one symbol, each with its key."""
    features = content.areas.get((symbol.layer, symbol.part))
    if features is None or features.empty:
        return
    xs, ys = content.plane.rings(features.geometry)
    looks: dict[str, Any] = {
        "fill_color": given(symbol.fill),
        "fill_alpha": given(symbol.fill_share),
    }
    if symbol.hatch:
        looks |= {
            "hatch_pattern": given(_HATCHES[symbol.hatch]),
            "hatch_color": given(symbol.line),
            "hatch_alpha": given(0.75),
            "hatch_scale": given(_HATCH_PX),
            "hatch_weight": given(1.0),
        }
    source = document.source(xs=xs, ys=ys, key=list(features["key"]))
    yield document.renderer(
        "MultiPolygons", source, _SHAPES | looks | _line(symbol), name=symbol.layer, visible=shown
    )


def _marks(document: Document, content: MapContent) -> Iterator[Model]:
    """Crowns, then one renderer a kind of tree."""
    if len(content.crowns):
        (crown,) = CROWNS.areas
        x, y, radius = (_numbers(column) for column in content.crowns.T)
        looks = {
            "radius": taken("radius"),
            "fill_color": given(crown.fill),
            "fill_alpha": given(crown.fill_share),
            "line_color": given(crown.line),
            "line_width": given(crown.line_width),
        }
        source = document.source(x=x, y=y, radius=radius)
        yield document.renderer(
            "Circle", source, _PLACES | looks, name=CROWNS.name, visible=CROWNS.shown
        )
    for switched in MARKS:
        columns = _point_columns(content, switched.name)
        symbol = switched.mark
        if columns and symbol is not None:
            looks = {
                "size": taken("size"),
                "marker": given(symbol.marker),
                "fill_color": given(symbol.fill),
                "line_color": given(symbol.line),
                "line_width": given(0.8 if symbol.line == "#ffffff" else 1.8),
            }
            yield document.renderer(
                "Scatter",
                document.source(**columns),
                _PLACES | looks,
                name=switched.name,
                visible=switched.shown,
            )


def _point_columns(content: MapContent, layer: str) -> dict[str, Any]:
    """Columns of a layer of trees, which have rows, or of other points, which have keys."""
    if trees := content.trees.get(layer):
        x, y = (_numbers(column) for column in trees.positions.T)
        return {"x": x, "y": y, "size": _numbers(trees.size_px), "row": trees.row.tolist()}
    if points := content.points.get(layer):
        x, y = (_numbers(column) for column in points.positions.T)
        return {"x": x, "y": y, "size": [_POINT_PX] * len(points.key), "key": list(points.key)}
    return {}


def _highlight(document: Document) -> Iterator[Model]:
    """Empty renderers that the page's script fills with what is selected."""
    shapes, points = document.source(xs=[], ys=[]), document.source(x=[], y=[])
    for colour, width in (("#ffffff", 8.0), (INK, 3.6)):
        line = {
            "fill_color": given(None),
            "line_color": given(colour),
            "line_width": given(width),
        }
        outline = _SHAPES | line | {"line_join": given("round")}
        yield document.renderer("MultiPolygons", shapes, outline, name="highlight")
        ring = _PLACES | line | {"size": given(_RING_PX)}
        yield document.renderer("Scatter", points, ring, name="highlight_point")


def _labels(document: Document, content: MapContent) -> Iterator[Model]:
    """Names of corridors and numbers of openings, switched with their layers."""
    for layer, size, weight in (("corridors", "11px", "normal"), ("openings", "13px", "bold")):
        places = content.labels.get(layer)
        if places is not None and len(places.text):
            x, y = (_numbers(column) for column in places.positions.T)
            looks = {
                "text": taken("text"),
                "text_font_size": given(size),
                "text_font_style": given(weight),
            }
            yield document.renderer(
                "Text",
                document.source(x=x, y=y, text=list(places.text)),
                _PLACES | _LABEL | looks,
                name=layer,
                level="annotation",
            )


def _line(symbol: AreaSymbol) -> dict[str, Any]:
    """Edge of a symbol, as the plotting library names it."""
    return {
        "line_color": given(symbol.line),
        "line_width": given(symbol.line_width),
        "line_dash": given(list(symbol.dash) or "solid"),
        "line_join": given("round"),
    }


def _numbers(column: npt.NDArray[np.float32]) -> list[float]:
    """Numbers as the page holds them, to the centimetre."""
    found: list[float] = np.round(column.astype(float), _DECIMALS).tolist()
    return found
