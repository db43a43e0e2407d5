"""The evening view: how much of the stand is marked so far, what that took, what is left."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from glademark.measure.standing import BASAL
from glademark.report.quantities import (
    basal_area_unit,
    show,
    show_area,
    show_number,
    show_share,
)

if TYPE_CHECKING:
    from glademark.contracts.layers import Units
    from glademark.contracts.layout import Layout


@dataclass(frozen=True, kw_only=True, slots=True)
class Evening:
    """
    What a forester asks at the end of a marking day.

    Attributes
    ----------
    covered
        Share of the operable area that the marking has covered, and both areas.
    taken
        Share of the basal area taken on covered ground, and of that of the whole stand.
    left
        Basal area that may still go, and where; empty where no cap is set.
    """

    covered: str
    taken: str
    left: str


def evening_view(layout: Layout, units: Units) -> Evening | None:
    """
    The evening view in words.

    Parameters
    ----------
    layout
        What was measured.
    units
        What the project shows.

    Returns
    -------
    evening
        None where the stock is not known, no tree is marked, or no covered ground was given: all of
        the stand counts as covered then.
    """
    rows = layout.allowance[layout.allowance["quantity"] == BASAL]
    if rows.empty:
        return None
    names = ("drawn", "share", "share_covered", "left", "left_per_ha_rest")
    row = {name: float(rows[name].astype(float).iloc[0]) for name in names}
    share = row["share"] / row["share_covered"] if row["share_covered"] > 0 else math.nan
    if not math.isfinite(share):
        return None
    operable_m2 = layout.figures.stand.operable_m2
    areas = [show_area(part * operable_m2, units) for part in (share, 1.0, 1.0 - share)]
    return Evening(
        covered=f"{show_share(share)} of the operable area, {areas[0]} of {areas[1]}",
        taken=f"{show_share(row['share_covered'])} of the basal area there, "
        f"{show_share(row['share'])} of that of the stand",
        left=_left(row, areas[2], units),
    )


def _left(row: dict[str, float], rest: str, units: Units) -> str:
    """What may still go, and where."""
    if math.isnan(row["left"]):
        return ""
    if row["left"] <= 0:
        return "nothing: the cap is used up"
    if math.isnan(row["left_per_ha_rest"]):
        name, size = basal_area_unit(units)
        return f"{show_number(row['left'] / size, 0)} {name}"
    return f"{show(row['left_per_ha_rest'], 'm2/ha', units)} on the {rest} not covered so far"
