"""
Layers as papers and handheld files read them: the same from memory and from a GeoPackage.

Danger trees, line trees and leave trees one by one; the order of work for the crew, corridors from
the landing outward, and the wood on each.
"""

import math
from collections.abc import Callable, Iterable, Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from glademark.contracts.frames import of_declared_type
from glademark.contracts.layers import LAYERS, Layer, Units
from glademark.contracts.survey import labels_of
from glademark.errors import shown
from glademark.report.delivery import Delivery
from glademark.report.quantities import (
    AT_LEAST,
    MISSING,
    show_diameter,
    show_length,
    show_number,
    show_volume,
    written_frame,
)
from glademark.report.wording import say, unit_text, volume_amounts

_WGS84 = "EPSG:4326"


def layer_frame(delivery: Delivery, name: str) -> gpd.GeoDataFrame:
    """
    One layer of the layout in a form that does not depend on where it came from.

    Returns
    -------
    layer
        Its declared columns of their declared kinds, with those in the user's units beside them,
        on an index 0..n-1; text ``""`` where there is none; geometry of exactly the declared type
        in the working CRS. Shared by all who ask: not to be changed.
    """
    return delivery.once(f"layer {name}", lambda: _layer_frame(delivery, name))


def _layer_frame(delivery: Delivery, name: str) -> gpd.GeoDataFrame:
    """One layer, worked out."""
    layer, units = LAYERS[name], delivery.project.heading.units
    frame: gpd.GeoDataFrame = getattr(delivery.layout, name).reset_index(drop=True)
    if {"label", "tree_id"} <= set(layer.names):
        frame = frame.assign(label=labels_of(frame).replace("", pd.NA).fillna(frame["tree_id"]))
    shapes = of_declared_type(frame.geometry.to_numpy(), str(layer.geometry))
    return gpd.GeoDataFrame(
        table_frame(frame, layer, units), geometry=shapes, crs=delivery.layout.crs
    )


def table_frame(frame: pd.DataFrame, layer: Layer, units: Units) -> pd.DataFrame:
    """The declared columns of a table in a form that does not depend on where it came from."""
    table = written_frame(frame, layer, units)
    text = {column.name: "" for column in layer.columns if column.kind == "text"}
    return table.fillna(text)


def cut_marks(delivery: Delivery) -> gpd.GeoDataFrame:
    """The marks that are to be cut."""
    marks = layer_frame(delivery, "marks")
    kinds = ["cut", "line_tree"] if delivery.project.marks.line_trees_confirmed else ["cut"]
    return gpd.GeoDataFrame(marks[marks["kind"].isin(kinds)])


def kept_line_trees(delivery: Delivery) -> gpd.GeoDataFrame:
    """The line trees that are not to be cut yet."""
    marks = layer_frame(delivery, "marks")
    confirmed = delivery.project.marks.line_trees_confirmed
    return gpd.GeoDataFrame(marks[(marks["kind"] == "line_tree") & (not confirmed)])


def unconfirmed_marks(delivery: Delivery) -> gpd.GeoDataFrame:
    """Rows of `layer_frame` ``marks`` that are not known to be cut."""
    marks = layer_frame(delivery, "marks")
    return gpd.GeoDataFrame(marks[marks["kind"] == "unconfirmed"])


def letters_in_words(marks: pd.DataFrame) -> str:
    """Sentence on the letters before the numbers of trees; nothing where they have none."""
    first = marks[marks["tree_id"] != ""].drop_duplicates("marker")
    found = zip(first["marker"], first["label"], "-" + first["tree_id"], strict=True)
    letters = {
        marker: label.removesuffix(own) for marker, label, own in found if label.endswith(own)
    }
    named = [f"{one} {shown(marker)}" for marker, one in letters.items() if one != marker]
    return say("whose-mark", letters="; ".join(named)) if named else ""


def in_words(counts: pd.Series) -> pd.Series:
    """Whole numbers as they are shown."""
    return worded(counts.astype("float64"), lambda number: show_number(number, 0))


def worded(values: pd.Series, form: Callable[[Any], str]) -> pd.Series:
    """Values as they are shown."""
    return pd.Series([form(value) for value in values.tolist()], index=values.index, dtype="string")


def trees_and_products(cut: pd.DataFrame, key: str) -> pd.DataFrame:
    """Trees to cut by opening or corridor, with their products in words."""
    sums = cut.groupby([key, "product"], dropna=True)["count"].sum().reset_index()
    products = sums["product"].replace("", say("without-product"))
    sums["words"] = in_words(sums["count"]) + " " + products
    groups = sums.groupby(key, sort=True)
    return pd.DataFrame({"trees": groups["count"].sum(), "products": groups["words"].agg(_joined)})


def _joined(words: Iterable[str]) -> str:
    """Words in a row."""
    return ", ".join(words)


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


def corridors_in_order(delivery: Delivery) -> gpd.GeoDataFrame:
    """Rows of `layer_frame` ``corridors`` by the way to a landing; those that reach none last."""
    frame = layer_frame(delivery, "corridors")
    ways = layer_frame(delivery, "extraction")
    ways = ways[ways["landing"] != ""].astype({"corridor": "object"})
    near = ways.groupby("corridor")["distance_m"].min()
    order = frame["corridor"].astype("object").map(near).astype("float64")
    return frame.assign(way_m=order).sort_values("way_m", kind="stable", na_position="last")


def wood_at_landings(delivery: Delivery) -> pd.DataFrame:
    """Located trees, and volumes in words, that reach each landing."""
    ways = layer_frame(delivery, "extraction")
    last = ways[(ways["landing"] != "") & (ways["distance_m"] <= 0) & (ways["trees"] > 0)]
    how: Any = {"trees": "sum", "volume": "; ".join, "trees_without": "sum"}
    found = last.groupby("landing", as_index=False).agg(how)
    rows = zip(found["volume"], found["trees_without"], found["trees"], strict=True)
    return pd.DataFrame(found.assign(volume=[_added(*row) for row in rows]))


def _added(words: str, without: int, trees: int) -> str:
    """Volumes in words with those of one product and unit added, and trees that have none."""
    frame = pd.DataFrame(
        [
            (one.product, one.unit, one.number, one.text.startswith(AT_LEAST))
            for one in volume_amounts(words)
        ],
        columns=["product", "unit", "net", "least"],
    )
    parts = []
    for key, rows in frame.groupby(["product", "unit"]):
        product, unit = map(str, key)
        least = f"{AT_LEAST} " if rows["least"].any() else ""
        amount = unit_text(show_volume(rows["net"].sum(), unit))
        parts.append(f"{product} {least}{amount}")
    lost = say("without-volume", without=f"{without:,}", trees=f"{trees:,}") if without else ""
    return "; ".join(filter(None, [", ".join(parts), lost]))


def volume_text(words: object) -> str:
    """
    Volumes of a feature by product, as they are printed.

    Examples
    --------
    >>> volume_text("pulpwood at least 6.79 cord; sawlog 3,020 board foot")
    'pulpwood at least 6.8 cords, sawlog 3,020 board feet'
    """
    return ", ".join(f"{one.product} {one.text}".strip() for one in volume_amounts(words))


def steep_words(row: Mapping[Any, Any], units: Units) -> str:
    """The longest steep stretch of a corridor and its steepest grade; empty where none is known."""
    length, grade = (_number(row.get(name)) for name in ("steep_m", "grade_short_pct"))
    if not length > 0:
        return ""
    over = show_length(length, units)
    if math.isnan(grade):
        return say("steep", length=over)
    return say("steep-up-to", length=over, grade=f"{grade:.0f}")


def _number(value: Any) -> float:  # noqa: ANN401 - a cell
    """A cell as a number, NaN where it is empty."""
    return float("nan") if value is None or value is pd.NA else float(value)


def crossing_words(delivery: Delivery, corridor: str) -> str:
    """What water a corridor crosses in the stand; empty where none."""
    frame = layer_frame(delivery, "water_crossings")
    mine = frame[(frame["what"] == "water") & frame["in_stand"] & (frame["corridor"] == corridor)]
    names = ", ".join(mine["name"].replace("", say("a-water")))
    return say("crosses", names=names) if names else ""


def way_words(way_m: float, units: Units) -> str:
    """How far a corridor begins from its landing."""
    if math.isnan(way_m):
        return say("not-reached")
    return say("at-it") if way_m <= 0 else show_length(way_m, units)
