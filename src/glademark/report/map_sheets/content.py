"""What the maps show: the layers of a layout, sorted by the symbol that they get."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from glademark.report.map_sheets.drawing.symbols import TREES, cut_width
from glademark.report.special_trees import danger_circles

if TYPE_CHECKING:
    from collections.abc import Mapping

    import geopandas as gpd
    import pandas as pd

    from glademark.contracts.layers import Units
    from glademark.contracts.layout import Layout
    from glademark.report.delivery import Delivery

_GROUP_POINTS = ("group_boundary", "group_centre")
_SAME_CROSSING_M = 60.0  # within which a crossing of a setback belongs to one of its water


@dataclass(frozen=True, kw_only=True, slots=True)
class Trees:
    """
    Trees, or points, of one symbol.

    Attributes
    ----------
    places
        In the working CRS [m]; shape (n, 2).
    widths
        Of the symbols at the scale of the overview [points]; shape (n,).
    names
        As recorded; shape (n,).
    """

    places: np.ndarray
    widths: np.ndarray
    names: np.ndarray


@dataclass(frozen=True, kw_only=True, slots=True)
class MapContent:
    """
    What the maps show.

    Attributes
    ----------
    delivery
        What is handed over.
    areas
        Shapes by the key of their symbol in `report.map_sheets.drawing.symbols.AREAS`, those
        below others first.
    names
        Names of those shapes, in the same order.
    trees
        By the key of their symbol in `report.map_sheets.drawing.symbols.TREES`.
    points
        More points to be drawn, as red dots without a line in the legend [m]; shape (n, 2).
    """

    delivery: Delivery
    areas: Mapping[str, np.ndarray]
    names: Mapping[str, np.ndarray]
    trees: Mapping[str, Trees]
    points: np.ndarray

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
