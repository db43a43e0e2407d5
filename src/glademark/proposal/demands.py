"""What the limits of a project demand of groups, and what each tree takes of the allowances."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from glademark.contracts.layout import Layout
from glademark.measure.standing import BASAL, SOLID
from glademark.project.model import Project
from glademark.proposal.limits import LimitRow
from glademark.proposal.stock import Demands, FloatArray
from glademark.units import HECTARE_M2

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
