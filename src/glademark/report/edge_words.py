"""What areas of openings are measured to, in words, with the lower and the upper figure."""

from collections.abc import Mapping
from typing import Any

import pandas as pd

from glademark.contracts.layers import Units
from glademark.contracts.layout import OpeningFigures
from glademark.report.crew_sentences import say
from glademark.report.quantities import show_area, show_length

_WORDS = {
    "marked_crowns": "the edge is that of the crowns of the marked trees",
    "standing_crowns": "the edge is that of the standing crowns around (radius {}): ground into "
    "which none of them fits is open",
    "boles": "the edge is at the boles around, a standing crown (radius {}) beyond the marked ones",
}


def edge_words(figures: OpeningFigures, units: Units) -> str:
    """The definition of an opening's edge, as a sentence."""
    radius = show_length(figures.standing_crown_radius_m, units)
    words = _WORDS[figures.edge].format(radius)
    return f"{words[0].upper()}{words[1:]}."


def edge_in_short(edge: str, radius_m: float, units: Units) -> str:
    """Where openings end, in a few words."""
    return say(f"edge-{edge}", radius=show_length(radius_m, units))


def lower_and_upper(row: Mapping[Any, Any], units: Units) -> str:
    """Area of an opening by marked crowns and to the boles; empty where neither is known."""
    named = (("area_marked_crowns_m2", "by marked crowns"), ("area_boles_m2", "to the boles"))
    found = [
        f"{show_area(float(row[column]), units)} {words}"
        for column, words in named
        if column in row and pd.notna(row[column])
    ]
    return ", ".join(found)
