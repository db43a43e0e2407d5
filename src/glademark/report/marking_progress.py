"""Marking progress: how much of the stand is marked so far, what that took, what remains."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from glademark.measure.standing import BASAL
from glademark.report.quantities import (
    AT_LEAST,
    AT_MOST,
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
class MarkingProgress:
    """
    What a forester asks at the end of a marking day.

    Attributes
    ----------
    marked_ground
        Share of the operable area that is marked so far, and both areas.
    taken
        Share of the basal area taken on marked ground, and of that of the whole stand.
    remaining
        Remaining allowance of basal area, and where; empty where no limit is set.
    """

    marked_ground: str
    taken: str
    remaining: str


def marking_progress(layout: Layout, units: Units) -> MarkingProgress | None:
    """
    Marking progress in words.

    Parameters
    ----------
    layout
        What was measured.
    units
        What the project shows.

    Returns
    -------
    progress
        None where the stock is not known, no tree is marked, or no marked ground was given: all of
        the stand counts as marked then.
    """
    rows = layout.allowance[layout.allowance["quantity"] == BASAL]
    if rows.empty:
        return None
    names = (
        "marked", "share", "share_on_marked_ground", "remaining", "remaining_per_ha_elsewhere",
        "trees_without",
    )  # fmt: skip
    row = {name: float(rows[name].astype(float).iloc[0]) for name in names}
    share = (
        row["share"] / row["share_on_marked_ground"]
        if row["share_on_marked_ground"] > 0
        else math.nan
    )
    if not math.isfinite(share):
        return None
    operable_m2, least = layout.figures.stand.operable_m2, f"{AT_LEAST} " * _leaves_out(row)
    areas = [show_area(part * operable_m2, units) for part in (share, 1.0, 1.0 - share)]
    return MarkingProgress(
        marked_ground=f"{show_share(share)} of the operable area, {areas[0]} of {areas[1]}",
        taken=f"{least}{show_share(row['share_on_marked_ground'])} of the basal area there, "
        f"{least}{show_share(row['share'])} of that of the stand",
        remaining=_remaining(row, areas[2], units),
    )


def _leaves_out(row: dict[str, float]) -> bool:
    """Whether trees without a diameter are not in what is marked."""
    return row["trees_without"] > 0


def _remaining(row: dict[str, float], rest: str, units: Units) -> str:
    """What remains, and where."""
    if math.isnan(row["remaining"]):
        return ""
    if row["remaining"] <= 0:
        return "nothing: the allowance is used up"
    most = f"{AT_MOST} " * _leaves_out(row)
    if math.isnan(row["remaining_per_ha_elsewhere"]):
        name, size = basal_area_unit(units)
        return f"{most}{show_number(row['remaining'] / size, 0)} {name}"
    each = show(row["remaining_per_ha_elsewhere"], "m2/ha", units)
    return f"{most}{each} on the {rest} not marked so far"
