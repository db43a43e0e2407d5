"""
What the maps show: the layers of a layout, sorted by the symbol that they get, and the symbols.

Shape and pattern carry the meaning, colour helps: every symbol is told from the others in grey.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np
import shapely

from glademark.report.layer_frames import danger_circles
from glademark.report.map_sheets.page import INK, WHITE, Fill, Stroke
from glademark.report.map_sheets.paper import Outline, circle, joined, polygon

if TYPE_CHECKING:
    from collections.abc import Mapping

    import geopandas as gpd
    import pandas as pd

    from glademark.contracts.layers import Units
    from glademark.contracts.layout import Layout
    from glademark.report.delivery import Delivery
    from glademark.report.map_sheets.page import Page
    from glademark.report.map_sheets.paper import Box

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

_UNKNOWN_PT = 1.3  # of a tree without a diameter

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

_GROUP_POINTS = ("group_boundary", "group_centre")

_SAME_CROSSING_M = 60.0  # within which a crossing of a setback belongs to one of its water


@dataclass(frozen=True, kw_only=True, slots=True)
class TreeSymbol:
    """How a tree or a point is drawn."""

    title: str  # as the legend has it
    shape: str  # of the symbol
    style: Fill  # of the shape
    mark: str = ""  # what is drawn over the shape; nothing where empty
    width: float = 0.0
    """In points at the scale of the overview; 0 where it goes by the diameter of the tree."""


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


@dataclass(frozen=True, kw_only=True, slots=True)
class Trees:
    """Trees, or points, of one symbol."""

    places: np.ndarray  # in the working CRS [m]; shape (n, 2)
    widths: np.ndarray  # of the symbols at the scale of the overview [points]; shape (n,)
    names: np.ndarray  # as recorded; shape (n,)


@dataclass(frozen=True, kw_only=True, slots=True)
class MapContent:
    """What the maps show."""

    delivery: Delivery  # what is handed over
    areas: Mapping[str, np.ndarray]
    """Shapes by the key of their symbol in `report.map_sheets.content.AREAS`, those below others
    first."""
    names: Mapping[str, np.ndarray]  # names of those shapes, in the same order
    trees: Mapping[str, Trees]  # by the key of their symbol in `report.map_sheets.content.TREES`
    points: np.ndarray
    """More points to be drawn, as red dots without a line in the legend [m]; shape (n, 2)."""

    @property
    def layout(self) -> Layout:
        """What was measured."""
        return self.delivery.layout

    @property
    def units(self) -> Units:
        """Units that the project shows."""
        return self.delivery.project.heading.units

    @property
    def stand(self) -> shapely.Geometry:
        """
        The stand as one shape.

        Returns
        -------
        stand
            In the working CRS.
        """
        return shapely.union_all(self.layout.stand.geometry.to_numpy())

    @property
    def extent(self) -> tuple[float, float, float, float]:
        """Ground that the overview has to show: the stand and what was laid out beyond it [m]."""
        layout = self.layout
        shapes = [
            *layout.stand.geometry,
            *layout.openings.geometry,
            *self.areas["landings"],
            *(shapely.MultiPoint(found.places) for found in self.trees.values()),
        ]
        bounds = shapely.bounds(np.asarray(shapes, dtype=object))
        bounds = bounds[~np.isnan(bounds).any(axis=1)]
        west, south = bounds[:, :2].min(axis=0)
        east, north = bounds[:, 2:].max(axis=0)
        return float(west), float(south), float(east), float(north)


def map_content(delivery: Delivery, *, points: gpd.GeoSeries | None = None) -> MapContent:
    """
    What the maps of a delivery show.

    Parameters
    ----------
    points
        More points to be drawn, in the working CRS.
    """
    frames = _area_frames(delivery)
    extra = np.empty((0, 2)) if points is None else shapely.get_coordinates(points.to_numpy())
    return MapContent(
        delivery=delivery,
        areas={key: frame.geometry.to_numpy() for key, (frame, _) in frames.items()},
        names={key: frame[column].to_numpy() for key, (frame, column) in frames.items()},
        trees=_trees(delivery),
        points=extra,
    )


def _area_frames(delivery: Delivery) -> dict[str, tuple[gpd.GeoDataFrame, str]]:
    """Frame and name column of each kind of area, in the order in which they are drawn."""
    layout = delivery.layout
    corridors, setbacks = layout.corridors, layout.setbacks
    rules = ("residual_basal_area", "no_machine", "no_cut")
    return {
        "water": (layout.water, "name"),
        "existing": (corridors[corridors["state"] == "existing"], "corridor"),
        "new": (corridors[corridors["state"] != "existing"], "corridor"),
        "landings": (layout.landings, "name"),
        "incidental_openings": (layout.incidental_openings, "incidental"),
        "openings": (layout.openings, "opening"),
        **{rule: (setbacks[setbacks["rule"] == rule], "name") for rule in rules},
        "exclusions": (layout.exclusions, "name"),
        "hazards": (layout.hazards, "name"),
        "danger_circles": (danger_circles(delivery), "label"),
    }


def _trees(delivery: Delivery) -> dict[str, Trees]:
    """Trees and points by symbol, those below others first."""
    marks, layout = delivery.layout.marks, delivery.layout
    confirmed = delivery.project.marks.line_trees_confirmed
    is_cut, is_line = marks["kind"] == "cut", marks["kind"] == "line_tree"
    in_corridor = marks["zone"] == "corridor"
    found = {
        "group_point": marks[marks["kind"].isin(_GROUP_POINTS)],
        "cut": marks[is_cut & ~in_corridor],
        "corridor_cut": marks[is_cut & in_corridor],
        "unconfirmed": marks[marks["kind"] == "unconfirmed"],
        "leave": layout.leave_trees,
        "line_confirmed": marks[is_line & confirmed],
        "line": marks[is_line & (not confirmed)],
        "danger": marks[marks["kind"] == "danger"],
        "crossing": _crossings(layout),
    }
    return {name: _placed(name, frame) for name, frame in found.items()}


def _crossings(layout: Layout) -> gpd.GeoDataFrame:
    """Crossings of water, and those of setbacks that are not part of one."""
    crossings = layout.water_crossings
    of_water = (crossings["what"] == "water").to_numpy()
    water = shapely.union_all(crossings.geometry.to_numpy()[of_water])
    apart = ~shapely.dwithin(crossings.geometry.to_numpy(), water, _SAME_CROSSING_M)
    return crossings[of_water | apart]


def _placed(name: str, frame: pd.DataFrame) -> Trees:
    """Places, sizes and names of trees of one symbol, large ones first."""
    points = frame.geometry.to_numpy()
    there = ~shapely.is_empty(points) & ~shapely.is_missing(points)
    frame, points = frame[there], points[there]
    fixed = TREES[name].width
    if fixed or not len(frame):
        widths = np.full(len(frame), fixed)
    else:
        widths = cut_width(frame["dbh_cm"].to_numpy(dtype=float))
    order = np.argsort(-widths, kind="stable")
    ids = frame["label" if "label" in frame else "crossing"].astype("string").fillna("")
    places = shapely.get_coordinates(points)
    return Trees(
        places=places[order], widths=widths[order], names=ids.to_numpy(dtype=object)[order]
    )
