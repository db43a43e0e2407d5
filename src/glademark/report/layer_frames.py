"""Layers as papers and handheld files read them: the same from memory and from a GeoPackage."""

from collections.abc import Callable, Iterable
from typing import Any

import geopandas as gpd
import pandas as pd

from glademark.contracts.frames import of_declared_type
from glademark.contracts.layers import LAYERS, Layer, Units
from glademark.contracts.survey import labels_of
from glademark.errors import shown
from glademark.report.columns import written_frame
from glademark.report.crew_sentences import say
from glademark.report.delivery import Delivery
from glademark.report.quantities import show_number


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
