"""
With which symbols the layers are drawn, on the map and in its legend.

Shape and pattern carry the meaning, colour helps: every symbol is told from the others in grey.
"""

from dataclasses import dataclass
from typing import Literal

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


@dataclass(frozen=True, kw_only=True, slots=True)
class AreaSymbol:
    """
    How an area is drawn.

    Attributes
    ----------
    layer
        Layer that it belongs to and is switched with.
    part
        Which of its features; empty for all of them.
    title
        As the legend has it.
    fill, fill_share
        Colour and how much of it covers, from 0 to 1.
    line, line_width, dash
        Colour, width [px] and lengths of dashes and gaps [px] of the edge.
    hatch
        Pattern in the colour of the edge.
    """

    layer: str
    title: str
    line: str
    part: str = ""
    fill: str = "#ffffff"
    fill_share: float = 0.0
    line_width: float = 1.2
    dash: tuple[int, ...] = ()
    hatch: Hatch = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class MarkSymbol:
    """
    How a tree is drawn.

    Attributes
    ----------
    layer
        Name under which it is switched.
    title
        As the legend has it.
    marker
        Shape.
    fill, line
        Colours.
    """

    layer: str
    title: str
    marker: Marker
    fill: str
    line: str


@dataclass(frozen=True, kw_only=True, slots=True)
class SwitchedLayer:
    """
    One line of the legend, with its switch.

    Attributes
    ----------
    name
        Of the layer.
    title
        As people read it.
    areas
        Symbols of an area layer: one, or one for each part.
    mark
        Symbol of a layer of trees.
    shown
        Whether it is on when the page opens.
    """

    name: str
    title: str
    areas: tuple[AreaSymbol, ...] = ()
    mark: MarkSymbol | None = None
    shown: bool = True


GROUND = "#eef0ea"
STAND_FILL = "#fdfdfb"
INK = "#1c2a24"
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
