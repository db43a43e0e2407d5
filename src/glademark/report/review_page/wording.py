"""How the page words what the layers hold: text from field files guarded, units as printed."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from glademark.errors import shown
from glademark.report.quantities import AT_LEAST, MISSING, show_volume

if TYPE_CHECKING:
    from collections.abc import Mapping

LONGEST = 400
"""Characters kept of one text from a field file."""

_POWERS = str.maketrans("23", "²³")
_POWER = re.compile(r"(?<![A-Za-z])(m|ft)([23])(?![0-9])")
_VOLUME = re.compile(r"(?P<product>.*) (?P<amount>-?[\d,]+(?:\.\d+)?) (?P<unit>[A-Za-z].*)")

LIMIT_TITLES: Mapping[str, str] = {
    "opening_area_max": "Opening, largest area",
    "opening_area_min": "Opening, least area",
    "opening_width_heights_max": "Opening, largest width in tree heights",
    "opening_width_heights_min": "Opening, least width in tree heights",
    "combined_area_max": "Combined opening, largest area",
    "opening_spacing_min": "Openings, least spacing",
    "openings_share_max": "Openings, share of the stand",
    "corridor_share_max": "Corridors, share of the stand",
    "corridors_and_landings_share_max": "Corridors and landings, share of the stand",
    "corridor_density_max": "Corridors, largest density",
    "corridor_width_max": "Corridor, largest width",
    "corridor_spacing_min": "Neighbouring corridors, least spacing",
    "boundary_distance_min": "Opening to the boundary",
    "water_distance_min": "Opening to water",
    "removal_share_max": "Share of the stock removed",
    "removal_basal_area_share_max": "Share of the basal area removed",
    "residual_basal_area_min": "Basal area left",
    "dbh_max": "Largest diameter to cut",
    "target": "Target volume",
    "exclusion": "Exclusion",
    "setback": "Setback",
}
"""Limits as people read them; others by their key."""

_KINDS: Mapping[str, str] = {
    "cut": "to cut",
    "leave": "leave tree, to stay",
    "group_boundary": "point of a group's boundary",
    "group_centre": "centre of a group",
    "line_tree": "line tree, not to be cut until confirmed",
    "danger": "danger tree",
    "unconfirmed": "unconfirmed, not to be cut until the forester says so",
}
_BASIS: Mapping[str, str] = {
    "walked": "walked outline",
    "tagged": "group named with its trees",
    "centre": "centre, radius",
    "crowns": "touching crowns",
}
_NAMES: Mapping[str, str] = {
    **_KINDS,
    **_BASIS,
    "existing": "existing already",
    "no_cut": "no cutting",
    "no_machine": "no machines",
    "residual_basal_area": "a basal area stays",
    "exclusion": "exclusion",
    "not_corridor": "not corridor",
    "not_located": "paper tally",
    "not_checked": "not checked",
    "bechtold_2003": "Bechtold 2003",
}


def unit_text(text: str) -> str:
    """
    A quantity with its powers raised.

    Examples
    --------
    >>> unit_text("12.4 ft2/acre")
    '12.4 ft²/acre'
    """
    raised = _POWER.sub(lambda found: found[1] + found[2].translate(_POWERS), text)
    return "\N{EN DASH}" if raised == MISSING else raised


def field_text(value: object) -> str:
    """
    A text from a field file, fit to be shown.

    Examples
    --------
    >>> field_text(None), field_text("red oak")
    ('', 'red oak')
    """
    missing = value is None or value is pd.NA or (isinstance(value, float) and math.isnan(value))
    return "" if missing else shown(value, longest=LONGEST)


def name_text(value: object) -> str:
    """
    A word of the declared layers as people read it.

    Examples
    --------
    >>> name_text("exclusion"), name_text("tagged")
    ('exclusion', 'group named with its trees')
    """
    text = field_text(value)
    return _NAMES.get(text, text)


def limit_title(key: str) -> str:
    """
    A limit as people read it.

    Examples
    --------
    >>> limit_title("target"), limit_title("slope_max")
    ('Target volume', 'slope max')
    """
    return LIMIT_TITLES.get(key, field_text(key).replace("_", " "))


@dataclass(frozen=True, kw_only=True, slots=True)
class Amount:
    """
    Net volume of one product.

    Attributes
    ----------
    product
        As recorded; empty where the text is written otherwise.
    number
        In `unit`; None where the text is written otherwise.
    unit
        Sale unit in standard spelling.
    text
        As people read it.
    """

    product: str
    number: float | None
    unit: str
    text: str


def volume_amounts(words: object) -> list[Amount]:
    """
    Products and amounts of the text that an opening carries.

    Examples
    --------
    >>> [(one.product, one.text) for one in volume_amounts("pulpwood 6.79 cord; sawlog 1.2 MBF")]
    [('pulpwood', '6.8 cords'), ('sawlog', '1.20 MBF')]
    """
    return [_amount(part.strip()) for part in field_text(words).split(";") if part.strip()]


def _amount(part: str) -> Amount:
    """Product and amount of one part."""
    found = _VOLUME.fullmatch(part)
    if found is None:
        return Amount(product="", number=None, unit="", text=part)
    number = float(found["amount"].replace(",", ""))
    text = unit_text(show_volume(number, found["unit"]))
    product = found["product"].removesuffix(f" {AT_LEAST}")
    least = f"{AT_LEAST} " if product != found["product"] else ""
    return Amount(product=product, number=number, unit=found["unit"], text=f"{least}{text}")
