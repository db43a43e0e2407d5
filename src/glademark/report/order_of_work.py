"""The order of work for the crew: corridors from the landing outward, and the wood on each."""

import math
from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import pandas as pd

from glademark.contracts.layers import Units
from glademark.report.crew_sentences import say
from glademark.report.delivery import Delivery
from glademark.report.layer_frames import layer_frame
from glademark.report.quantities import AT_LEAST, show_length, show_volume
from glademark.report.review_page.wording import unit_text, volume_amounts


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
