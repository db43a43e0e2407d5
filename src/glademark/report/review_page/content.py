"""
What the map shows: features with their keys, trees by kind, and where labels stand.

Shapes are held as metres from a corner of the stand, to the centimetre.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely

from glademark.contracts.survey import labels_of
from glademark.report.wording import field_text

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import geopandas as gpd
    import numpy.typing as npt

    from glademark.contracts.layout import Layout
    from glademark.report.delivery import Delivery

_DECIMALS = 2  # 1 cm: no receiver and no screen shows less
_TOLERANCE_M = 0.05  # vertices that nobody can see are left out of what is drawn, never of an area
_GRID_M = 100.0  # the corner is a round coordinate

Rings = list[list[list[list[float]]]]
"""For each feature its polygons, for each of these its outer ring and holes, as numbers."""

MOST_MARKS = 20_000
"""Marks that a page can show and stay quick; beyond, the map has none to cut and says so."""

AREA_LAYERS = (
    "zones", "setbacks", "water", "exclusions", "hazards", "landings", "corridors",
    "incidental_openings", "openings",
    "combined_openings",
)  # fmt: skip
"""Layers of areas, the lowest first."""

POINT_LAYERS = ("water_crossings",)
"""Layers of points that are no trees."""

_PART_COLUMNS = {"zones": "zone", "corridors": "state"}

_KIND_LAYERS = {
    "group_boundary": "group_points",
    "group_centre": "group_points",
    "line_tree": "line_tree",
    "danger": "danger",
    "unconfirmed": "unconfirmed",
}

_CUT_LAYERS = {"corridor": "cut_corridor", "opening": "cut_opening", "matrix": "cut_matrix"}

_DANGER_PX = 17.0  # nobody may overlook one

_CM_PER_PX = 7.0  # a stem of 35 cm is drawn 5 px larger than the smallest

_MARGIN = 0.04  # of the stand's extent, around it


@dataclass(frozen=True, kw_only=True, slots=True)
class Plane:
    """Where the page's zero lies."""

    east_m: float
    north_m: float  # east_m and north_m: coordinates of that corner in the working CRS

    @classmethod
    def below(cls, layer: gpd.GeoDataFrame) -> Plane:
        """Plane with its zero at a round coordinate below and left of a layer."""
        west, south, _, _ = layer.total_bounds
        return cls(
            east_m=float(np.floor(west / _GRID_M) * _GRID_M),
            north_m=float(np.floor(south / _GRID_M) * _GRID_M),
        )

    def points(self, layer: gpd.GeoDataFrame) -> npt.NDArray[np.float32]:
        """
        Positions of the points of a layer.

        Parameters
        ----------
        layer
            Point rows in the working CRS.

        Returns
        -------
        positions
            One row a point: x and y [m]; NaN for an empty point.
        """
        xy = np.column_stack([layer.geometry.x, layer.geometry.y])
        return np.asarray(xy - [self.east_m, self.north_m], dtype=np.float32)

    def rings(self, shapes: Sequence[object] | gpd.GeoSeries) -> tuple[Rings, Rings]:
        """
        Outlines of polygons as a script draws them.

        Parameters
        ----------
        shapes
            Polygons and multipolygons in the working CRS; others are empty.

        Returns
        -------
        xs, ys
            Coordinates [m] of every ring.
        """
        moved = shapely.transform(
            shapely.simplify(np.asarray(shapes, dtype=object), _TOLERANCE_M),
            lambda xy: np.round(xy - [self.east_m, self.north_m], _DECIMALS),
        )
        outlines = [_outlines(shape) for shape in moved]
        xs, ys = (
            [[[ring[:, axis].tolist() for ring in part] for part in parts] for parts in outlines]
            for axis in (0, 1)
        )
        return xs, ys

    def box(self, shape: shapely.Geometry) -> list[float]:
        """
        Bounds of one shape.

        Parameters
        ----------
        shape
            In the working CRS, not empty.

        Returns
        -------
        box
            West, south, east, north [m].
        """
        west, south, east, north = shapely.bounds(shape).tolist()
        zero = (self.east_m, self.north_m) * 2
        corners = (west, south, east, north)
        return [round(at - from_, _DECIMALS) for at, from_ in zip(corners, zero, strict=True)]


def _outlines(shape: shapely.Geometry) -> list[list[npt.NDArray[np.float64]]]:
    """Coordinates of the rings of each polygon, the outer one first."""
    parts = [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]
    return [
        [shapely.get_coordinates(ring) for ring in (part.exterior, *part.interiors)]
        for part in parts
        if not part.is_empty
    ]


_SMALLEST_PX, _LARGEST_PX, _PLAIN_PX = 5.0, 12.0, 11.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Trees:
    """Trees of one kind: positions [m], size on the screen [px], row among all trees."""

    positions: npt.NDArray[np.float32]
    size_px: npt.NDArray[np.float32]
    row: npt.NDArray[np.int32]


@dataclass(frozen=True, kw_only=True, slots=True)
class Points:
    """Points that are no trees: positions [m] and keys."""

    positions: npt.NDArray[np.float32]
    key: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Labels:
    """Texts and where they stand [m]."""

    positions: npt.NDArray[np.float32]
    text: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class MapContent:
    """All that is drawn."""

    plane: Plane  # where the page's zero lies
    box: list[float]  # west, south, east, north of the stand with a margin [m]
    stand: gpd.GeoDataFrame  # its layer
    areas: Mapping[tuple[str, str], gpd.GeoDataFrame]  # features with a `key`, by layer and part
    trees: Mapping[str, Trees]  # by kind
    points: Mapping[str, Points]  # other points with a `key`, by layer
    crowns: npt.NDArray[np.float32]  # x, y, radius [m] of the crowns of cut trees
    labels: Mapping[str, Labels]  # by layer
    all_trees: gpd.GeoDataFrame
    """Marks, then leave trees: one row a `Trees.row`; columns of `contracts.layers.MARKS`."""
    left_out: int  # marks that the map cannot show, since they are too many


def map_content(delivery: Delivery, verdicts: Mapping[str, str]) -> MapContent:
    """What the map shows."""
    layout = delivery.layout
    plane = Plane.below(layout.stand)
    everything = _all_trees(layout)
    is_cut = everything["drawn"].str.startswith("cut_")
    shown = everything if len(everything) <= MOST_MARKS else everything[~is_cut]
    shown = shown.reset_index(drop=True)
    return MapContent(
        plane=plane,
        box=_around(plane.box(layout.stand.union_all())),
        stand=layout.stand,
        areas=_areas(layout, verdicts),
        trees=_trees(shown, plane),
        points=_points(layout, plane),
        crowns=_crowns(shown, plane),
        labels={**_labels(layout, plane), **_tree_labels(shown, plane)},
        all_trees=shown,
        left_out=len(everything) - len(shown),
    )


def keyed(layout: Layout, layer: str) -> gpd.GeoDataFrame:
    """Features of a layer that have a shape, with the keys that the page knows them by."""
    frame = getattr(layout, layer)
    keys = [f"{layer}:{place}" for place in range(len(frame))]
    keyed_frame = frame.assign(key=pd.Series(keys, index=frame.index, dtype=object))
    shown: gpd.GeoDataFrame = keyed_frame[~(frame.geometry.is_empty | frame.geometry.isna())]
    return shown


def _areas(layout: Layout, verdicts: Mapping[str, str]) -> dict[tuple[str, str], gpd.GeoDataFrame]:
    """Features by layer and part; of combined openings only those that join several."""
    found: dict[tuple[str, str], gpd.GeoDataFrame] = {}
    for layer in AREA_LAYERS:
        features = keyed(layout, layer)
        if layer == "combined_openings":
            features = features[features["openings_count"] > 1]
        if layer == "openings":
            part = features["key"].map(lambda key: verdicts.get(key, "inside"))
        elif layer in _PART_COLUMNS:
            part = features[_PART_COLUMNS[layer]].astype(object)
        else:
            part = pd.Series("", index=features.index, dtype=object)
        for name in part.unique():
            found[layer, str(name)] = features[part == name]
    return found


def _all_trees(layout: Layout) -> gpd.GeoDataFrame:
    """Marks with the layer that each is drawn in, then leave trees."""
    marks = layout.marks[layout.marks["kind"] != "leave"]
    kind, zone = marks["kind"].astype(object), marks["zone"].astype(object)
    cut = zone.map(_CUT_LAYERS).fillna("cut_other")
    marks = marks.assign(drawn=kind.map(_KIND_LAYERS).fillna(cut))
    leave = layout.leave_trees.assign(drawn="leave", kind="leave")
    frames = [frame for frame in (marks, leave) if len(frame)]
    trees = pd.concat(frames, ignore_index=True) if frames else marks
    return trees[~trees.geometry.is_empty].reset_index(drop=True)


def _trees(trees: gpd.GeoDataFrame, plane: Plane) -> dict[str, Trees]:
    """Trees by the layer that they are drawn in."""
    positions = plane.points(trees)
    dbh_cm = pd.to_numeric(trees["dbh_cm"]).to_numpy(dtype=float)
    size = np.clip(_SMALLEST_PX + np.nan_to_num(dbh_cm) / _CM_PER_PX, _SMALLEST_PX, _LARGEST_PX)
    drawn = trees["drawn"].to_numpy(dtype=object)
    found = {}
    for name in sorted(set(drawn)):
        row = np.flatnonzero(drawn == name).astype(np.int32)
        plain = not name.startswith("cut_")
        one_px = _DANGER_PX if name == "danger" else _PLAIN_PX
        size_px = np.full(len(row), one_px) if plain else size[row]
        found[name] = Trees(positions=positions[row], size_px=size_px.astype(np.float32), row=row)
    return found


def _points(layout: Layout, plane: Plane) -> dict[str, Points]:
    """Points that are no trees, by layer; layers without any are left out."""
    found = {layer: keyed(layout, layer) for layer in POINT_LAYERS}
    return {
        layer: Points(positions=plane.points(features), key=tuple(features["key"]))
        for layer, features in found.items()
        if len(features)
    }


def _crowns(trees: gpd.GeoDataFrame, plane: Plane) -> npt.NDArray[np.float32]:
    """Crown discs of the cut trees whose radius is known."""
    radius = pd.to_numeric(trees["crown_radius_m"]).to_numpy(dtype=np.float32)
    cut = (trees["kind"] == "cut").to_numpy(dtype=bool) & (np.nan_to_num(radius) > 0)
    return np.asarray(np.column_stack([plane.points(trees), radius])[cut], dtype=np.float32)


def _labels(layout: Layout, plane: Plane) -> dict[str, Labels]:
    """Number in the middle of each opening, name at the middle of each corridor."""
    openings, lines = keyed(layout, "openings"), layout.corridor_lines
    lines = lines[~lines.geometry.is_empty]
    middles = shapely.line_interpolate_point(_longest(lines.geometry), 0.5, normalized=True)
    return {
        "openings": _placed(
            shapely.point_on_surface(openings.geometry.to_numpy()),
            openings["opening"].tolist(),
            plane,
        ),
        "corridors": _placed(middles, lines["corridor"].tolist(), plane),
    }


def _tree_labels(trees: gpd.GeoDataFrame, plane: Plane) -> dict[str, Labels]:
    """Labels of the trees that nobody may overlook, below them."""
    found = {}
    for layer, word in (("line_tree", "line tree"), ("danger", "DANGER")):
        mine = trees[trees["drawn"] == layer]
        texts = [f"{word} {label}" for label in labels_of(mine)]
        found[layer] = _placed(mine.geometry.to_numpy(), texts, plane)
    return found


def _longest(lines: gpd.GeoSeries) -> npt.NDArray[np.object_]:
    """The longest part of each line."""
    parts, owner = shapely.get_parts(lines.to_numpy(), return_index=True)
    order = np.argsort(-shapely.length(parts), kind="stable")
    _, first = np.unique(owner[order], return_index=True)
    return np.asarray(parts[order][first], dtype=object)


def _placed(points: npt.NDArray[np.object_], texts: Sequence[object], plane: Plane) -> Labels:
    """Labels at points; delimiters of formulas are taken apart, so that none is ever set as one."""
    xy = shapely.get_coordinates(points) - [plane.east_m, plane.north_m]
    words = (field_text(text)[:24].replace("$$", "$ $").replace("\\", "/") for text in texts)
    return Labels(positions=xy.astype(np.float32), text=tuple(words))


def _around(box: list[float]) -> list[float]:
    """The box with a margin."""
    west, south, east, north = box
    margin = _MARGIN * max(east - west, north - south)
    return [west - margin, south - margin, east + margin, north + margin]
