"""What goes on a handheld: the layers that the crew works with, in WGS 84, each feature named."""

from collections.abc import Callable, Mapping
from types import MappingProxyType

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from glademark.contracts.frames import MOST_MOVED, mended, rounded, tell_moved
from glademark.errors import shown
from glademark.measure.edges import outer_rings
from glademark.report.delivery import Delivery
from glademark.report.layer_frames import (
    cut_marks,
    danger_circles,
    danger_trees,
    in_words,
    keep_away_words,
    layer_frame,
    leave_trees,
    line_trees,
    tree_words,
    trees_and_products,
    unconfirmed_marks,
    worded,
)
from glademark.report.quantities import show_area, show_diameter, show_length
from glademark.report.wording import (
    approval_words,
    edition_words,
    exceeded_features,
    exceeded_words,
    hazard_words,
    say,
)

WGS84 = "EPSG:4326"
DECIMALS = 7
"""Of a coordinate in degrees: about a centimetre."""

ROUNDED_M = 0.01
"""How far rounding may move an outline [m]."""

MORE_DECIMALS = 10
"""Of an outline so jagged that rounding to a centimetre would make it cross itself."""

HALF_TURN = 180.0
"""Degrees of longitude."""

SIMPLIFIED_M = 0.1
"""How far an outline may move, rounding included [m]: far less than a receiver errs."""

KEPT: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "stand": ("area_m2",),
        "exclusions": ("area_m2",),
        "setbacks": ("rule", "area_m2"),
        "water": ("area_m2",),
        "landings": ("area_m2",),
        "hazards": ("keep_away_m", "area_m2"),
        "corridors": ("corridor", "state", "width_m", "length_m", "trees"),
        "corridor_lines": ("corridor", "state", "width_m", "length_m"),
        "openings": ("opening", "group", "basis", "trees", "area_m2"),
        "danger_circles": ("label",),
        "danger_trees": ("label", "tree_id", "species", "dbh_cm", "paint", "position_error_m"),
        "line_trees": ("label", "tree_id", "species", "dbh_cm", "paint", "position_error_m"),
        "unconfirmed_trees": ("label", "tree_id", "species", "dbh_cm", "paint", "position_error_m"),
        "leave_trees": ("label", "tree_id", "species", "dbh_cm"),
        "marks": (
            "label", "tree_id", "marker", "count", "species", "product", "dbh_cm", "paint", "zone",
            "opening", "corridor", "position_error_m",
        ),
    }
)  # fmt: skip
"""Declared columns that go along with each layer; no volume and no price is among them."""


_FEATURES: Mapping[str, str] = MappingProxyType(
    {
        "openings": "opening",
        "corridors": "corridor",
        "corridor_lines": "corridor",
        "setbacks": "name",
        "exclusions": "name",
    }
)
"""Column by which checks name the features of a layer."""


def placed_layers(delivery: Delivery) -> dict[str, gpd.GeoDataFrame]:
    """
    Every layer that the crew works with, by the names in `CREW_LAYERS`; none without rows.

    Each has `name`, `about` (one sentence), the columns in `KEPT`, and valid geometry in WGS 84,
    longitude first, rounded to `DECIMALS`. Outlines of openings are the outer ones, within
    `SIMPLIFIED_M` of those measured, with far fewer points. Shared by all: not to be changed.
    """
    return delivery.once("placed layers", lambda: _placed_layers(delivery))


def _placed_layers(delivery: Delivery) -> dict[str, gpd.GeoDataFrame]:
    """Every layer that the crew works with, worked out."""
    layers = {
        name: _kept(_flagged(CREW_LAYERS[name](delivery), delivery, name), KEPT[name])
        for name in CREW_LAYERS
    }
    openings = layers["openings"]
    openings = openings.set_geometry(outer_rings(openings.geometry.to_numpy()), crs=openings.crs)
    simpler, moved = mended(openings.simplify(SIMPLIFIED_M - ROUNDED_M).to_numpy())
    tell_moved(openings["name"].tolist(), moved, what="handheld files")
    layers["openings"] = openings.assign(geometry=simpler)
    return {name: placed(frame) for name, frame in layers.items() if len(frame)}


def placed(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """A layer in WGS 84, valid and rounded; more finely where rounding would move an area."""
    placed = frame.to_crs(WGS84)
    shapes, across = unbroken(placed.geometry.to_numpy())
    whole, moved = mended(shapes)
    written, more = rounded(whole, DECIMALS)
    jagged = more > MOST_MOVED
    written[jagged], more[jagged] = rounded(whole[jagged], MORE_DECIMALS)
    tell_moved(frame["name"].tolist(), moved + more, what="handheld files")
    written[across] = shapely.transform(written[across], _within_half_turn)
    found = placed.set_geometry(gpd.GeoSeries(written, index=placed.index, crs=WGS84))
    return gpd.GeoDataFrame(found[~found.geometry.is_empty])


def unbroken(
    shapes: npt.NDArray[np.object_],
) -> tuple[npt.NDArray[np.object_], npt.NDArray[np.bool_]]:
    """Shapes with those across the antimeridian at 0 to 360 degrees, and which ones these are."""
    bounds = shapely.bounds(shapes)
    across = bounds[:, 2] - bounds[:, 0] > HALF_TURN
    if not across.any():
        return shapes, across
    whole = shapes.copy()
    whole[across] = shapely.transform(
        whole[across], lambda xy: np.column_stack([xy[:, 0] % (2 * HALF_TURN), xy[:, 1]])
    )
    return whole, across


def _within_half_turn(xy: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Places of 0 to 360 degrees as such of -180 to 180."""
    west = np.round(xy[:, 0] - 2 * HALF_TURN, MORE_DECIMALS)
    return np.column_stack([np.where(xy[:, 0] > HALF_TURN, west, xy[:, 0]), xy[:, 1]])


def degrees(value: float) -> str:
    """A coordinate as it is written."""
    return f"{value:.{MORE_DECIMALS}f}".removesuffix("0" * (MORE_DECIMALS - DECIMALS))


def about_file(delivery: Delivery) -> str:
    """One sentence that stands at the head of a handheld file."""
    error = show_length(delivery.project.marks.position_error_m, delivery.project.heading.units)
    approval = approval_words(delivery)
    caution = say("caution-file", error=error)
    return f"{approval} {caution} {edition_words(delivery)}.".strip()


def _flagged(frame: gpd.GeoDataFrame, delivery: Delivery, layer: str) -> gpd.GeoDataFrame:
    """A layer in which the features that break a limit say so."""
    if layer not in _FEATURES:
        return frame
    broken = exceeded_features(delivery, layer.replace("corridor_lines", "corridors"))
    exceeded = frame[_FEATURES[layer]].astype("str").isin(broken)
    about = frame["about"].mask(exceeded, exceeded_words(delivery) + " " + frame["about"])
    return frame.assign(exceeded=exceeded, about=about)


def _kept(frame: gpd.GeoDataFrame, columns: tuple[str, ...]) -> gpd.GeoDataFrame:
    """The columns of a handheld layer, its empty shapes left out."""
    there = frame[~frame.geometry.is_empty]
    flag = ["exceeded"] if "exceeded" in there else []
    return gpd.GeoDataFrame(there[["name", "about", *flag, *columns, "geometry"]])


def _named(frame: gpd.GeoDataFrame, names: pd.Series, about: pd.Series | str) -> gpd.GeoDataFrame:
    """A layer with a name and a sentence for each feature, both fit to be shown."""
    if isinstance(about, str):
        about = pd.Series(about, index=frame.index, dtype="string")
    return frame.assign(name=worded(names, shown), about=worded(about, _sentence))


def _filled(name: str, /, **columns: pd.Series) -> pd.Series:
    """A sentence of the catalogue for each row, with columns of text in its places."""
    rows = zip(*(column.tolist() for column in columns.values()), strict=True)
    said = [say(name, **dict(zip(columns, row, strict=True))) for row in rows]
    index = next(iter(columns.values())).index
    return pd.Series(said, index=index, dtype="string")


def _sentence(text: object) -> str:
    """Text of a feature, fit to be shown."""
    return shown(text, longest=400)


def _stand(delivery: Delivery) -> gpd.GeoDataFrame:
    """The boundary."""
    frame = layer_frame(delivery, "stand")
    units = delivery.project.heading.units
    about = worded(frame["area_m2"], lambda m2: say("stand-of", area=show_area(m2, units)))
    return _named(frame, frame["name"], about)


def _areas(layer: str, about: str) -> Callable[[Delivery], gpd.GeoDataFrame]:
    """Maker of a layer of named areas."""

    def make(delivery: Delivery) -> gpd.GeoDataFrame:
        frame = layer_frame(delivery, layer)
        return _named(frame, _or_number(frame["name"], layer), say(about))

    return make


def _or_number(names: pd.Series, layer: str) -> pd.Series:
    """Word and name of each area of a layer; its number where it has no name."""
    word = say(f"word-{layer}")
    numbers = pd.Series(names.index + 1, index=names.index).astype("string")
    named = names.where(names != "", numbers)
    return named.where(named.str.casefold().str.startswith(word.casefold()), word + " " + named)


def _setbacks(delivery: Delivery) -> gpd.GeoDataFrame:
    """Setbacks with their rules in words."""
    frame = layer_frame(delivery, "setbacks")
    about = worded(frame["rule"], lambda rule: say(f"setback-{rule}"))
    return _named(frame, _or_number(frame["name"], "setbacks"), about)


def _hazards(delivery: Delivery) -> gpd.GeoDataFrame:
    """Hazards with the distance to keep."""
    frame = layer_frame(delivery, "hazards")
    about = worded(frame["keep_away_m"], lambda m: hazard_words(m, delivery.project))
    return _named(frame, _or_number(frame["name"], "hazards"), about)


def _corridors(delivery: Delivery) -> gpd.GeoDataFrame:
    """Corridors at their width."""
    frame = layer_frame(delivery, "corridors")
    about = _filled("corridor-trees", about=_corridor_words(delivery, frame),
                    trees=in_words(frame["trees"]))  # fmt: skip
    return _named(frame, _filled("corridor-name", name=frame["corridor"]), about)


def _corridor_lines(delivery: Delivery) -> gpd.GeoDataFrame:
    """Centre lines of corridors."""
    frame = layer_frame(delivery, "corridor_lines")
    names = _filled("corridor-name", name=frame["corridor"])
    return _named(frame, names, _corridor_words(delivery, frame))


def _corridor_words(delivery: Delivery, frame: gpd.GeoDataFrame) -> pd.Series:
    """State, width and length of each corridor."""
    units = delivery.project.heading.units
    width, length = (
        worded(frame[name], lambda value: show_length(value, units))
        for name in ("width_m", "length_m")
    )
    return _filled("corridor-about", state=frame["state"], width=width, length=length)


def _openings(delivery: Delivery) -> gpd.GeoDataFrame:
    """Openings with their trees and products."""
    units = delivery.project.heading.units
    frame = layer_frame(delivery, "openings")
    found = trees_and_products(cut_marks(delivery), "opening").reindex(frame["opening"])
    area = worded(frame["area_m2"], lambda value: show_area(value, units))
    products = found["products"].fillna("").set_axis(frame.index).astype("string")
    trees = in_words(frame["trees"])
    about = _filled("opening-about", trees=trees, products=products, area=area)
    return _named(frame, _filled("opening-name", name=frame["opening"].astype("string")), about)


def _danger_trees(delivery: Delivery) -> gpd.GeoDataFrame:
    """Danger trees."""
    frame = danger_trees(delivery)
    away = _filled("keep-away", away=keep_away_words(delivery, frame))
    about = away + " " + tree_words(delivery, frame) + f" {say('two-tree-lengths')}"
    return _named(frame, _filled("danger-name", name=frame["label"]), about)


def _danger_circles(delivery: Delivery) -> gpd.GeoDataFrame:
    """Ground around danger trees where nobody works."""
    frame = danger_circles(delivery)
    away = _filled("keep-away", away=keep_away_words(delivery, frame))
    about = away + f" {say('two-tree-lengths')}"
    return _named(frame, _filled("circle-name", name=frame["label"]), about)


def _line_trees(delivery: Delivery) -> gpd.GeoDataFrame:
    """Line trees that nobody may cut yet."""
    frame = line_trees(delivery)
    about = tree_words(delivery, frame) + f" {say('line-trees')}"
    return _named(frame, _filled("line-name", name=frame["label"]), about)


def _unconfirmed_trees(delivery: Delivery) -> gpd.GeoDataFrame:
    """Trees that nobody may cut before the forester confirms them."""
    frame = unconfirmed_marks(delivery)
    return _named(frame, _filled("unconfirmed-name", name=frame["label"]), say("unconfirmed"))


def _leave_trees(delivery: Delivery) -> gpd.GeoDataFrame:
    """Trees that stay: those of their own layer and those among the marks."""
    frame = leave_trees(delivery)
    about = tree_words(delivery, frame) + f" {say('leave-tree')}"
    return _named(frame, _filled("leave-name", name=frame["label"]), about)


def _marks(delivery: Delivery) -> gpd.GeoDataFrame:
    """Trees to cut."""
    units = delivery.project.heading.units
    frame = cut_marks(delivery)
    dbh = worded(frame["dbh_cm"], lambda value: show_diameter(value, units))
    words = {name: frame[name] for name in ("species", "product", "paint")}
    about = _filled("mark-about", dbh=dbh, **words)
    return _named(frame, frame["label"], about)


CREW_LAYERS: Mapping[str, Callable[[Delivery], gpd.GeoDataFrame]] = MappingProxyType(
    {
        "stand": _stand,
        "exclusions": _areas("exclusions", "exclusion"),
        "setbacks": _setbacks,
        "water": _areas("water", "water"),
        "landings": _areas("landings", "landing"),
        "hazards": _hazards,
        "corridors": _corridors,
        "corridor_lines": _corridor_lines,
        "openings": _openings,
        "danger_circles": _danger_circles,
        "danger_trees": _danger_trees,
        "line_trees": _line_trees,
        "unconfirmed_trees": _unconfirmed_trees,
        "leave_trees": _leave_trees,
        "marks": _marks,
    }
)
