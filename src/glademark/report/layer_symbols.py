"""
The symbol of every layer: colours of our own, chosen to be told apart in grey by their lightness.

Shape and pattern carry the meaning; colour helps.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

Shape = Literal["circle", "square", "triangle", "star", "cross", "x"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Symbol:
    """
    How one kind of feature is drawn.

    Attributes
    ----------
    stroke
        Colour of lines and edges, as ``#rrggbb``.
    width
        Of lines and edges [pixels].
    fill
        Colour of an area or a point; None for none.
    opacity
        Of the fill, from 0 to 1.
    dashes
        Lengths of dashes and gaps [pixels]; empty for a full line.
    hatch
        Shape that fills an area in a pattern; None for none.
    point
        Shape of a point.
    size
        Of a point [pixels].
    """

    stroke: str
    width: float = 1.0
    fill: str | None = None
    opacity: float = 1.0
    dashes: tuple[float, ...] = ()
    hatch: Shape | None = None
    point: Shape = "circle"
    size: float = 7.0


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
