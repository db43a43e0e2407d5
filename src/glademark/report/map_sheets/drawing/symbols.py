"""
With which symbols the sheets are drawn, on the map and in the legend.

Shape and pattern carry the meaning, colour helps: every symbol is told from the others in grey.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from glademark.report.map_sheets.drawing.outlines import Outline, circle, joined, polygon
from glademark.report.map_sheets.drawing.page import INK, WHITE, Fill, Stroke

if TYPE_CHECKING:
    from collections.abc import Mapping

    from glademark.report.map_sheets.drawing.page import Page
    from glademark.report.map_sheets.drawing.paper import Box

_UMBER, _RUST, _PLUM, _NAVY, _BARK, _PINE, _OLIVE = (
    "#6b4010", "#8c3600", "#55246e", "#1b578a", "#463a2e", "#0b4a2a", "#6f6312",
)  # fmt: skip

OUTSIDE = "#f1efe9"
"""Ground around the stand."""

BOUNDARY = Stroke(colour=INK, width=1.7, dashes=(11, 2.4, 2.4, 2.4))
BOUNDARY_BAND = Stroke(colour="#cfcabd", width=5)
CONTOUR = Stroke(colour="#b09c7c", width=0.35)
INDEX_CONTOUR = Stroke(colour="#8d7853", width=0.7)
STEEP = Stroke(colour=INK, width=1.5, dashes=(1.2, 1.6))
GRID = Stroke(colour="#8a8f94", width=0.35)
SHEET_EDGE = Stroke(colour="#5a6570", width=0.55, dashes=(4, 3))
COMBINED = Stroke(colour=_RUST, width=0.8, dashes=(3.5, 2))
DISTANCE = Stroke(colour=INK, width=0.8)
LEADER = Stroke(colour=INK, width=0.45)

AREAS: Mapping[str, Fill] = MappingProxyType(
    {
        "water": Fill(
            face="#b7d6ea", hatch="level", edge=Stroke(colour=_NAVY, width=0.8), hatch_width=0.3
        ),
        "exclusions": Fill(hatch="crossed", edge=Stroke(colour=_PLUM, width=1.2), hatch_width=0.55),
        "no_cut": Fill(
            hatch="rising", edge=Stroke(colour=_NAVY, width=0.8, dashes=(4, 2)), hatch_width=0.45
        ),
        "no_machine": Fill(
            hatch="falling", edge=Stroke(colour=_NAVY, width=0.8, dashes=(4, 2)), hatch_width=0.45
        ),
        "residual_basal_area": Fill(
            hatch="dotted", edge=Stroke(colour=_NAVY, width=0.8, dashes=(4, 2)), hatch_width=0.4
        ),
        "landings": Fill(
            face="#cdbfae", hatch="gridded", edge=Stroke(colour=_BARK, width=1.3), hatch_width=0.5
        ),
        "new": Fill(face="#dcb680", edge=Stroke(colour=_UMBER, width=0.45)),
        "existing": Fill(face="#f3e7d3", edge=Stroke(colour=_UMBER, width=0.7, dashes=(3, 1.6))),
        "openings": Fill(face="#fbdcc0", edge=Stroke(colour=_RUST, width=0.95)),
        "incidental_openings": Fill(
            face="#f3eec8", edge=Stroke(colour=_OLIVE, width=0.8, dashes=(1, 1.4))
        ),
        "hazards": Fill(
            face="#f6d5d9",
            hatch="rising",
            edge=Stroke(colour="#b3001b", width=1.1),
            hatch_width=0.5,
        ),
        "danger_circles": Fill(edge=Stroke(colour="#b3001b", width=1.1, dashes=(5, 1.5, 1, 1.5))),
    }
)
"""Areas: layers, rules of setbacks, and states of corridors."""


@dataclass(frozen=True, kw_only=True, slots=True)
class TreeSymbol:
    """
    How a tree or a point is drawn.

    Attributes
    ----------
    title
        As the legend has it.
    shape
        Of the symbol.
    style
        Of the shape.
    mark
        What is drawn over the shape; nothing where empty.
    width
        In points at the scale of the overview; 0 where it goes by the diameter of the tree.
    """

    title: str
    shape: str
    style: Fill
    mark: str = ""
    width: float = 0.0


TREES: Mapping[str, TreeSymbol] = MappingProxyType(
    {
        "group_point": TreeSymbol(
            title="Point of a group as walked, no tree of the tally",
            shape="cross",
            style=Fill(face=_RUST),
            width=4.2,
        ),
        "cut": TreeSymbol(
            title="Tree to cut",
            shape="circle",
            style=Fill(face="#2b2f33", edge=Stroke(colour=WHITE, width=0.3)),
        ),
        "corridor_cut": TreeSymbol(
            title="Tree to cut, corridor wood",
            shape="circle",
            style=Fill(face=WHITE, edge=Stroke(colour=INK, width=0.75)),
        ),
        "unconfirmed": TreeSymbol(
            title="UNCONFIRMED: not to be cut until the forester says so",
            shape="diamond",
            style=Fill(face=WHITE, edge=Stroke(colour="#8a1c7c", width=1.0)),
            width=6.5,
        ),
        "leave": TreeSymbol(
            title="LEAVE TREE: stays",
            shape="star",
            style=Fill(face=WHITE, edge=Stroke(colour=_PINE, width=0.9)),
            width=7.5,
        ),
        "line_confirmed": TreeSymbol(
            title="Line tree, confirmed for cutting",
            shape="square",
            style=Fill(face="#f4dc5e", edge=Stroke(colour=INK, width=0.9)),
            mark="dot",
            width=7.5,
        ),
        "line": TreeSymbol(
            title="LINE TREE: not to be cut until confirmed",
            shape="square",
            style=Fill(face="#f7e98f", edge=Stroke(colour=INK, width=1.1)),
            mark="bar",
            width=8.5,
        ),
        "danger": TreeSymbol(
            title="DANGER TREE: keep two tree lengths away",
            shape="triangle",
            style=Fill(face="#ffd23d", edge=Stroke(colour=INK, width=1.4)),
            mark="exclamation",
            width=12.0,
        ),
        "crossing": TreeSymbol(
            title="Corridor crosses water or a setback",
            shape="bridge",
            style=Fill(face=INK),
            width=8.0,
        ),
    }
)
"""Trees and points, those below others first."""

_LEAST_PT, _PT_PER_CM, _MOST_PT = 0.7, 0.062, 6.5  # width of a cut tree's symbol by its diameter
_UNKNOWN_PT = 1.3  # of a tree without a diameter


def cut_width(dbh_cm: np.ndarray, *, enlarged: float = 1.0) -> np.ndarray:
    """
    Width of the symbols of cut trees [points].

    `dbh_cm`: diameters; NaN where not known. Rising with the diameter; small where it is not known.
    """
    known = np.clip(_LEAST_PT + _PT_PER_CM * dbh_cm, 1.2, _MOST_PT)
    return np.asarray(np.where(np.isnan(dbh_cm), _UNKNOWN_PT, known) * enlarged)


@cache
def shape_outline(name: str) -> Outline:
    """Outline of a symbol, 1 wide, around its middle."""
    if name == "circle":
        return circle(0.5)
    if name == "star":
        turns = np.pi / 2 + np.arange(10) * np.pi / 5
        reach = np.where(np.arange(10) % 2, 0.24, 0.54)
        return polygon(np.column_stack([np.cos(turns) * reach, np.sin(turns) * reach]))
    if name == "exclamation":
        bar = polygon([(-0.055, 0.26), (0.055, 0.26), (0.03, -0.06), (-0.03, -0.06)])
        return joined([bar, circle(0.06, middle=(0.0, -0.2))])
    if name == "dot":
        return circle(0.17)
    return polygon(_OUTLINES[name])


_OUTLINES: Mapping[str, tuple[tuple[float, float], ...]] = MappingProxyType(
    {
        "square": ((-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5)),
        "triangle": ((-0.54, -0.4), (0.54, -0.4), (0, 0.54)),
        "diamond": ((0, -0.54), (0.54, 0), (0, 0.54), (-0.54, 0)),
        "bar": ((-0.5, 0.32), (-0.32, 0.5), (0.5, -0.32), (0.32, -0.5)),
        "cross": (
            (-0.13, -0.5), (0.13, -0.5), (0.13, -0.13), (0.5, -0.13), (0.5, 0.13), (0.13, 0.13),
            (0.13, 0.5), (-0.13, 0.5), (-0.13, 0.13), (-0.5, 0.13), (-0.5, -0.13), (-0.13, -0.13),
        ),
        "bridge": (
            (-0.5, 0.4), (-0.3, 0.22), (0.3, 0.22), (0.5, 0.4), (0.5, 0.26), (0.34, 0.1),
            (0.34, -0.1), (0.5, -0.26), (0.5, -0.4), (0.3, -0.22), (-0.3, -0.22), (-0.5, -0.4),
            (-0.5, -0.26), (-0.34, -0.1), (-0.34, 0.1), (-0.5, 0.26),
        ),
    }
)  # fmt: skip


def draw_trees(
    page: Page,
    name: str,
    places: np.ndarray,
    widths: np.ndarray,
    *,
    level: float,
    clip: Box | None = None,
) -> None:
    """Draw one kind of tree."""
    symbol = TREES[name]
    page.symbols(shape_outline(symbol.shape), places, widths, symbol.style, level=level, clip=clip)
    if symbol.mark:
        page.symbols(
            shape_outline(symbol.mark),
            places,
            widths,
            Fill(face=INK),
            level=level + 0.01,
            clip=clip,
        )
