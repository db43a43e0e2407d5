"""The limits of a project as the program holds them, and how each may be moved."""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

from glademark.proposal.program import Relaxed
from glademark.proposal.stock import Demands

OF_TREES = ("dbh_max", "reach_max")
"""Limits that say which trees a group may have."""

OF_CORRIDORS = ("corridor", "water_crossings_max", "regeneration_machine_share_max")
"""Beginnings of limits that no group changes."""


@dataclass(frozen=True, kw_only=True, slots=True)
class LimitRow:
    """
    One limit of the project.

    Attributes
    ----------
    limit
        Key in [limits], or groups_min, groups_max of [propose].
    field
        Field of `Demands` that holds it.
    value, unit
        As the project states it, in SI.
    quantity
        What of the stock an allowance is of; empty for others.
    allowance
        Place among the allowances; -1 for others.
    per_unit
        By how much the field grows with the limit.
    """

    limit: str
    field: str
    value: float
    unit: str
    quantity: str = ""
    allowance: int = -1
    per_unit: float = 1.0

    def price(self, linear: Relaxed) -> float | None:
        """Points per unit of the limit in the linear program; None where it has no row there."""
        allowances = len(linear.duals)
        if self.field == "groups_max":
            return float(linear.duals[allowances - 1])
        if self.field == "groups_min":
            return -linear.least_dual
        place = _row_of(self, linear)
        return None if place is None else float(linear.duals[place]) * self.per_unit


def judged_afterwards(asked: Iterable[str], held: Iterable[LimitRow]) -> list[str]:
    """Limits asked that the program does not hold, so that only finished layouts are judged."""
    known = {*OF_TREES, *(row.limit for row in held)}
    return [name for name in asked if name not in known and not name.startswith(OF_CORRIDORS)]


def _row_of(row: LimitRow, linear: Relaxed) -> int | None:
    """Place of the row of an allowance, or of the area of all openings, among all rows."""
    first = len(linear.duals) - 1 - linear.amounts
    if row.field == "area_total_max_m2":
        return first
    return first + 1 + row.allowance if row.field == "amounts_max" else None


def _with(demands: Demands, field: str, value: Any) -> Demands:  # noqa: ANN401 - as the field has it
    """Demands with another value of one field."""
    return replace(demands, **{field: value})


def relaxed_limits(demands: Demands, row: LimitRow, step: float) -> tuple[Demands, bool] | None:
    """Demands with a limit at a part of its value, and whether the same candidates tell of it."""
    change = row.value * (step - 1) * row.per_unit
    if row.field == "amounts_max":
        amounts = list(demands.amounts_max)
        amounts[row.allowance] += change
        return replace(demands, amounts_max=tuple(amounts)), True
    if row.field in {"groups_min", "groups_max"}:
        value = row.value * step
        if value != int(value):
            return None
        return _with(demands, row.field, int(value)), True
    if row.field == "slope_max":
        return None  # candidates do not carry their slope
    stricter = step < 1 if row.field in _MOST else step > 1
    free = row.field in {"spacing_m", "area_total_max_m2", "combined_max_m2"}
    value = getattr(demands, row.field) + change
    return _with(demands, row.field, value), bool(stricter or free)


_MOST = ("area_max_m2", "combined_max_m2", "area_total_max_m2")


WITHOUT: dict[str, object] = {
    "area_min_m2": 0.0,
    "area_max_m2": math.inf,
    "spacing_m": 0.0,
    "boundary_m": 0.0,
    "water_m": 0.0,
    "slope_max": math.inf,
    "combined_max_m2": math.inf,
    "area_total_max_m2": math.inf,
    "groups_min": 0,
    "groups_max": 100_000,
}
"""Value of each field of `Demands` that asks for nothing."""


def without(demands: Demands, row: LimitRow) -> Demands:
    """Demands without one of the limits."""
    if row.field == "amounts_max":
        amounts = list(demands.amounts_max)
        amounts[row.allowance] = math.inf
        return replace(demands, amounts_max=tuple(amounts))
    return _with(demands, row.field, WITHOUT[row.field])
