"""What limits demand of groups, as rows of the program, and what each tree takes of allowances."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from glademark.contracts.frames import FloatArray
from glademark.contracts.layout import Layout
from glademark.measure.standing import BASAL, SOLID
from glademark.project.model import Project
from glademark.proposal.growth import Demands
from glademark.proposal.program import Relaxed
from glademark.units import HECTARE_M2

OF_TREES = ("dbh_max", "reach_max")
"""Limits that say which trees a group may have."""

OF_CORRIDORS = ("corridor", "water_crossings_max", "regeneration_machine_share_max")
"""Beginnings of limits that no group changes."""


@dataclass(frozen=True, kw_only=True, slots=True)
class LimitRow:
    """One limit of the project."""

    limit: str  # key in [limits], or groups_min, groups_max of [propose]
    field: str  # field of `Demands` that holds it
    value: float
    unit: str  # value and unit: as the project states it, in SI
    quantity: str = ""  # what of the stock an allowance is of; empty for others
    allowance: int = -1  # place among the allowances; -1 for others
    per_unit: float = 1.0  # by how much the field grows with the limit

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


NET = "net "
"""Start of the columns that hold the net volume of a product."""

ROUNDING = 1e-9
"""Share of a stock by which groups stay below what they may take."""

_SINGLE: Mapping[str, tuple[str, str]] = {
    "opening_area_min": ("area_min_m2", "m2"),
    "opening_area_max": ("area_max_m2", "m2"),
    "combined_area_max": ("combined_max_m2", "m2"),
    "opening_spacing_min": ("spacing_m", "m"),
    "boundary_distance_min": ("boundary_m", "m"),
    "water_distance_min": ("water_m", "m"),
    "opening_slope_max": ("slope_max", "share"),
}
"""Limits that are fields of `Demands`, with their units."""


def demands_of(
    values: Mapping[str, object], layout: Layout, project: Project, trees: pd.DataFrame
) -> tuple[tuple[LimitRow, ...], FloatArray, Demands]:
    """Limits as rows and as demands, and what each tree takes of the allowances."""
    settings, fields, rows = project.propose, dict[str, float](), list[LimitRow]()
    for limit, (name, unit) in _SINGLE.items():
        if limit in values:
            value = float(str(values[limit]))
            field = name
            if name == "area_max_m2" and project.openings.measure == "combined":
                field = "combined_max_m2"
            pick = max if name.endswith(("_min_m2", "_m")) else min  # the stricter of two
            fields[field] = pick(value, fields.get(field, value))
            rows.append(LimitRow(limit=limit, field=field, value=value, unit=unit))
    if "openings_share_max" in values:
        share, area = float(str(values["openings_share_max"])), layout.figures.stand.area_m2
        fields["area_total_max_m2"] = share * area * (1 - 1e-9)
        rows.append(
            LimitRow(
                limit="openings_share_max", field="area_total_max_m2", value=share, unit="share",
                per_unit=area,
            )
        )  # fmt: skip
    if "combined_max_m2" in fields:
        fields["area_max_m2"] = min(fields["combined_max_m2"], fields.get("area_max_m2", math.inf))
    allowances = _allowances(values, layout, trees)
    rows += [replace(row, allowance=place) for place, (row, _, _) in enumerate(allowances)]
    for name in ("groups_min", "groups_max"):
        rows.append(LimitRow(limit=name, field=name, value=float(getattr(settings, name)), unit=""))
    demands = Demands(
        **fields,
        amounts_max=tuple(most for _, most, _ in allowances),
        groups_min=settings.groups_min,
        groups_max=settings.groups_max,
        min_trees=settings.min_trees,
    )
    columns = [amount for _, _, amount in allowances]
    amounts = np.column_stack(columns) if columns else np.zeros((len(trees), 0))
    return tuple(rows), amounts, demands


def _allowances(
    values: Mapping[str, object], layout: Layout, trees: pd.DataFrame
) -> list[tuple[LimitRow, float, FloatArray]]:
    """Limits on what is removed: the row, what groups may still take, and what each tree takes."""
    hectares = layout.figures.stand.operable_m2 / HECTARE_M2
    stocks = {
        name: stock
        for name, stock in _stocks(layout, trees).items()
        if np.isfinite(_amount_of(trees, name)).all()  # else no tree says what it takes
    }
    found: list[tuple[LimitRow, float, FloatArray]] = []
    for limit, quantity in _removals(values, [*stocks]):
        standing, marked = stocks[quantity]
        value = float(str(values[limit]))
        share = limit != "residual_basal_area_min"
        most = value * standing - marked if share else standing - value * hectares - marked
        row = LimitRow(
            limit=limit,
            field="amounts_max",
            value=value,
            unit="share" if share else "m2/ha",
            quantity=quantity,
            per_unit=standing if share else -hectares,
        )
        found.append((row, most - ROUNDING * standing, _amount_of(trees, quantity)))
    return found


def _stocks(layout: Layout, trees: pd.DataFrame) -> dict[str, tuple[float, float]]:
    """Standing amount of each quantity and what corridors take: as a layout has it, else summed."""
    table = layout.allowance.set_index("quantity")
    known = {
        str(name): (float(table.loc[name, "standing"]), float(table.loc[name, "marked_at_most"]))
        for name in table.index
    }
    summed = [BASAL, *(name.removeprefix(NET) for name in map(str, trees) if name.startswith(NET))]
    for name in summed:
        amount = _amount_of(trees, name)
        if name not in known and np.isfinite(amount).all():
            inside = trees["in_operable"].to_numpy(dtype=bool)
            taken = trees["cut_first"].to_numpy(dtype=bool)
            known[name] = float(amount[inside].sum()), float(amount[taken].sum())
    return known


def _removals(values: Mapping[str, object], known: Sequence[str]) -> list[tuple[str, str]]:
    """Limits on removal and the quantities that each is judged for, as the checks have it."""
    products = [name for name in known if name not in (BASAL, SOLID)]
    if not products and SOLID in known:
        products = [SOLID]
    own = "removal_basal_area_share_max"
    found = []
    if "removal_share_max" in values:
        found += [("removal_share_max", name) for name in products]
        if own not in values and BASAL in known:
            found.append(("removal_share_max", BASAL))
    of_basal_area = [name for name in (own, "residual_basal_area_min") if name in values]
    return found + [(name, BASAL) for name in of_basal_area if BASAL in known]


def _amount_of(trees: pd.DataFrame, quantity: str) -> FloatArray:
    """What each tree takes of a quantity; one of which it is not known the most that any takes."""
    names = {BASAL: "basal_area_m2", SOLID: "volume_m3"}
    name = names.get(quantity, f"{NET}{quantity}")
    if name not in trees:
        return np.zeros(len(trees))
    amount = trees[name].to_numpy(dtype=float)
    largest = np.nanmax(amount) if np.isfinite(amount).any() else np.nan
    return np.where(np.isnan(amount), largest, amount)
