"""Wood to cut by zone as every table shows it, and what its sums leave out, in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from glademark.errors import counted
from glademark.forestry.size_classes import NO_DIAMETER
from glademark.measure.standing import BASAL
from glademark.measure.tally import NOT_STATED
from glademark.report.quantities import (
    AT_LEAST,
    basal_area_unit,
    end_words,
    heading_unit,
    sale_decimals,
    show,
    show_number,
    shown_unit,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from glademark.contracts.layers import Units
    from glademark.contracts.layout import Layout, ProductFigures, VolumeFigures
    from glademark.report.delivery import Delivery

ALL = "all"
NAMED = 3
"""Reasons named for a product; the rest are counted."""


@dataclass(frozen=True, kw_only=True, slots=True)
class WoodRow:
    """Numbers by zone and over all, of one product or measure; `before` stands before the unit."""

    title: str
    unit: str
    numbers: pd.Series
    decimals: int
    rule: str = ""
    before: str = ""


def wood_rows(cells: pd.DataFrame, zones: Sequence[str], units: Units) -> Iterator[WoodRow]:
    """
    Trees, basal area, each product in its sale unit, solid volume where all of it converts.

    `cells` are cells of the tally. A product that leaves out trees says so, and how many.
    """
    yield WoodRow(title="trees", unit="", numbers=_by_zone(cells, "trees", zones), decimals=0)
    name, size = basal_area_unit(units)
    basal_area = _by_zone(cells, "basal_area_m2", zones) / size
    least = AT_LEAST if (cells["size_class"] == NO_DIAMETER).any() else ""
    yield WoodRow(title="basal area", unit=name, numbers=basal_area, decimals=1, before=least)
    for (product, unit), part in cells.groupby(["product", "volume_unit"], sort=True):
        lost = _by_zone(part, "trees_without", zones)
        known = part["volume_net"].notna().any()
        yield WoodRow(
            title=str(product),
            unit=heading_unit(str(unit)) if known else "not computed",
            numbers=_by_zone(part, "volume_net", zones),
            decimals=sale_decimals(str(unit)),
            rule=next((rule for rule in part["log_rule"].dropna().unique() if rule), ""),
            before=AT_LEAST if known and lost[ALL] > 0 else "",
        )
        if lost[ALL] > 0:
            yield WoodRow(title="  trees without a volume", unit="", numbers=lost, decimals=0)
    if converts(cells):
        name, size = shown_unit("m3", units)
        yield WoodRow(
            title="solid volume",
            unit=name,
            numbers=_by_zone(cells, "volume_m3", zones) / size,
            decimals=sale_decimals(name),
            before=AT_LEAST if cells["volume_m3"].isna().any() else "",
        )


def opening_volumes(layout: Layout) -> dict[tuple[str, str], pd.DataFrame]:
    """Known volumes of one stand's openings by product and unit, on the numbers of all of them."""
    number = layout.openings["opening"].astype("int64")
    rows = layout.volume_by_opening.astype({"opening": "int64"}).set_index("opening")
    return {
        (str(name), str(unit)): part.reindex(number)
        for (name, unit), part in rows.groupby(["product", "volume_unit"], sort=True)
        if part["volume_net"].notna().any()
    }


def converts(cells: pd.DataFrame) -> bool:
    """Whether there is a total of solid volume: some of it is known, and all volume converts."""
    lost = cells["volume_m3"].isna() & cells["volume_net"].notna()
    return bool(cells["volume_m3"].notna().any() and not lost.any())


def _by_zone(cells: pd.DataFrame, column: str, zones: Sequence[str]) -> pd.Series:
    """Sum of a column in each zone and over all; NaN where there is nothing to add."""
    values = pd.to_numeric(cells[column]).astype("float64")
    sums = values.groupby(cells["zone"]).sum(min_count=1).reindex([*zones])
    sums[ALL] = values.sum(min_count=1)
    return sums


def left_out(volume: VolumeFigures) -> Iterator[str]:
    """What the sums of a layout leave out: one sentence a product, solid volume, basal area."""
    for name, product in volume.by_product.items():
        if product.trees_without:
            yield (
                f"{name}: {product.trees_without:,} of {product.trees:,} trees without a volume: "
                f"{_reasons(product)}"
            )
        if product.parts_without:
            trees = counted(product.parts_without, "tree")
            yield f"{name}: what {trees} of other products hold of it is not known"
    if volume.m3 is None and any(one.net is not None for one in volume.by_product.values()):
        trees = counted(volume.m3_missing_trees, "tree")
        yield f"No total of solid volume: not known of {trees} (state solid for their product)"
    elif volume.m3 is not None and volume.m3_missing_trees:
        yield f"Solid volume leaves out {counted(volume.m3_missing_trees, 'tree')} without a volume"
    if volume.basal_area_missing_trees:
        missing = counted(volume.basal_area_missing_trees, "tree")
        yield f"Basal area leaves out {missing} without a diameter"


def no_allowance(layout: Layout) -> list[str]:
    """Basal area and products cut that have no row in the allowance, where there is any stock."""
    cruised = not layout.cruise_plots.empty
    if layout.allowance.empty and not cruised:
        return []
    known = {*layout.allowance["quantity"], NOT_STATED}
    basal_area = ["basal area"] if cruised and BASAL not in known else []
    return basal_area + [name for name in layout.figures.volume.by_product if name not in known]


def stays_words(delivery: Delivery) -> str:
    """Basal area left with its interval; empty where the stock is not known."""
    layout, units = delivery.layout, delivery.project.heading.units
    left = layout.stock_left
    if not left:
        return ""
    middle, low, high = (left[f"basal_area_{end}m2_ha"] for end in ("", "low_", "high_"))
    rows = layout.allowance[layout.allowance["quantity"] == BASAL]
    words = end_words(rows.iloc[0].to_dict(), "remaining", show(middle, "m2/ha", units))
    if not high > low:
        return f"{words} basal area"
    ends = (show(low, "m2/ha", units), show(high, "m2/ha", units))
    confidence = delivery.project.allowance.confidence
    return f"{words} basal area ({ends[0]} to {ends[1]}, {100 * confidence:g} %)"


def _reasons(product: ProductFigures) -> str:
    """Why trees have no volume, with their size classes, most of them first."""
    by_reason: dict[str, list[str]] = {}
    for one in product.without:
        of_class = "" if one.size_class == one.reason else f" of {one.size_class}"
        by_reason.setdefault(one.reason, []).append(f"{one.trees:,}{of_class}")
    said = [f"{', '.join(sizes)} ({reason})" for reason, sizes in by_reason.items()]
    more = f"; and {len(said) - NAMED} more reasons" if len(said) > NAMED else ""
    return "; ".join(said[:NAMED]) + more


_AMOUNTS = ("gross", "net")
_COUNTS = ("trees", "trees_without", "parts_without")


def volume_of_products(by_product: Mapping[str, ProductFigures]) -> str:
    """Net volume of each product in its sale unit, as the table of stands has it."""
    found = []
    for name, one in by_product.items():
        amount = amount_words(one.net, one.unit, one.trees_without + one.parts_without)
        unit = "" if one.net is None else f" {heading_unit(one.unit)}"
        found.append(f"{name} {amount}{unit}")
    return "; ".join(found)


def amount_words(net: float | None, unit: str, trees_without: int) -> str:
    """A net volume without its unit, said to be a least where trees have none."""
    if net is None:
        return "not computed"
    least = f"{AT_LEAST} " if trees_without else ""
    return f"{least}{show_number(net, sale_decimals(unit))}"


def added(volumes: Sequence[Mapping[str, Mapping[str, Any]]]) -> dict[str, dict[str, Any]]:
    """
    Figures of each product over all stands, as in the summary of one.

    A product that stands sell in different units has one entry a unit: they are never added.
    """
    found: dict[tuple[str, str, str], list[Mapping[str, Any]]] = {}
    for by_product in volumes:
        for name, one in by_product.items():
            found.setdefault((name, one["unit"], one["rule"]), []).append(one)
    names = [name for name, _, _ in found]
    return {
        name if names.count(name) == 1 else f"{name}, {heading_unit(unit) or 'not computed'}": {
            "unit": unit,
            "rule": rule,
            **{key: _sum([one[key] for one in parts]) for key in _AMOUNTS},
            **{key: sum(one[key] for one in parts) for key in _COUNTS},
        }
        for (name, unit, rule), parts in sorted(found.items())
    }


def _sum(amounts: Sequence[float | None]) -> float | None:
    """Sum of the amounts that are known; None where none is."""
    known = [amount for amount in amounts if amount is not None]
    return sum(known) if known else None
