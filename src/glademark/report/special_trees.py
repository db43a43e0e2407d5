"""Danger trees, line trees and leave trees one by one, as every paper shows them."""

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from glademark.report.crew_sentences import say
from glademark.report.delivery import Delivery
from glademark.report.layer_frames import kept_line_trees, layer_frame, worded
from glademark.report.quantities import MISSING, show_diameter, show_length

_WGS84 = "EPSG:4326"


def danger_trees(delivery: Delivery) -> gpd.GeoDataFrame:
    """Rows of `layer_frame` ``marks`` with `near` and `where` in words, and `keep_away_m`."""
    marks = layer_frame(delivery, "marks")
    trees = marks[marks["kind"] == "danger"]
    height = trees["height_m"].astype("float64")
    stated = delivery.project.crew.tree_length_m
    length = height if stated is None else height.fillna(stated)
    return _in_words(delivery, trees.assign(keep_away_m=2 * length))


def line_trees(delivery: Delivery) -> gpd.GeoDataFrame:
    """Line trees that are not to be cut yet, with `near` and `where` in words."""
    return _in_words(delivery, kept_line_trees(delivery))


def leave_trees(delivery: Delivery) -> gpd.GeoDataFrame:
    """Trees that stay: those of their own layer, then marks; with `near` and `where` in words."""
    marks = layer_frame(delivery, "marks")
    parts = [layer_frame(delivery, "leave_trees"), marks[marks["kind"] == "leave"]]
    columns = ["label", "tree_id", "species", "dbh_cm", "geometry"]
    frame = pd.concat([part[columns] for part in parts], ignore_index=True)
    trees = gpd.GeoDataFrame(frame, geometry="geometry", crs=delivery.layout.crs)
    return _in_words(delivery, _with_corridor(delivery, trees))


def danger_circles(delivery: Delivery) -> gpd.GeoDataFrame:
    """Ground within two tree lengths of danger trees, where a length is known."""
    trees = danger_trees(delivery)
    known = trees[trees["keep_away_m"].notna()]
    away = known["keep_away_m"].to_numpy(dtype=float)
    return known.set_geometry(shapely.buffer(known.geometry.to_numpy(), away, quad_segs=24))


def keep_away_words(delivery: Delivery, trees: pd.DataFrame) -> pd.Series:
    """Two tree lengths of each danger tree, in figures where one is known."""
    units = delivery.project.heading.units
    words = worded(trees["keep_away_m"], lambda length: show_length(length, units))
    return words.replace(MISSING, say("two-lengths"))


def position_words(points: gpd.GeoSeries) -> list[str]:
    """
    Positions as a crew reads them out on the telephone.

    Examples
    --------
    >>> position_words(gpd.GeoSeries.from_xy([-88.5], [46.25], crs="EPSG:4326"))
    ['46.25000, -88.50000']
    """
    placed = points.to_crs(_WGS84)
    return [f"{lat:.5f}, {lon:.5f}" for lon, lat in shapely.get_coordinates(placed.to_numpy())]


def tree_words(delivery: Delivery, trees: pd.DataFrame) -> pd.Series:
    """Species, diameter, nearest corridor and position of each tree, in one sentence."""
    units = delivery.project.heading.units
    dbh = worded(trees["dbh_cm"], lambda cm: show_diameter(cm, units))
    parts = [trees["species"], dbh, trees["near"], trees["where"]]
    rows = zip(*(part.tolist() for part in parts), strict=True)
    words = ["; ".join(part for part in row if part not in {"", MISSING}) + "." for row in rows]
    return pd.Series(words, index=trees.index, dtype="string")


def _with_corridor(delivery: Delivery, trees: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Trees with the name of the nearest corridor and the distance to it."""
    corridors = layer_frame(delivery, "corridors")
    if corridors.empty or trees.empty:
        return trees.assign(corridor="", corridor_distance_m=np.nan)
    (_, row), away = corridors.sindex.nearest(
        trees.geometry, return_all=False, return_distance=True
    )
    return trees.assign(corridor=corridors["corridor"].to_numpy()[row], corridor_distance_m=away)


def _in_words(delivery: Delivery, trees: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Trees with their nearest corridor and their position in words."""
    units = delivery.project.heading.units
    away = worded(trees["corridor_distance_m"], lambda m: show_length(m, units))
    near = [
        say("in-corridor" if is_in else "from-corridor", away=far, corridor=one) if one else MISSING
        for one, far, is_in in zip(
            trees["corridor"], away, trees["corridor_distance_m"] <= 0, strict=True
        )
    ]
    return trees.assign(near=near, where=position_words(trees.geometry))
