"""
Wood to cut by zone and the stand that stays, in rows and words: built once, printed by all.

What the sums leave out is said.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from glademark.contracts.residual_layers import STATES
from glademark.errors import counted, listed, shown
from glademark.forestry.size_classes import NO_DIAMETER, PURE_SHARE, share_in_words
from glademark.measure.standing import BASAL
from glademark.measure.tally import NOT_STATED
from glademark.report.quantities import (
    AT_LEAST,
    AT_MOST,
    MISSING,
    basal_area_unit,
    end_words,
    heading_unit,
    sale_decimals,
    show,
    show_diameter,
    show_number,
    show_share,
    shown_unit,
)
from glademark.units import ACRE_M2, HECTARE_M2

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from glademark.contracts.layers import Units
    from glademark.contracts.layout import Layout, ProductFigures, VolumeFigures
    from glademark.report.delivery import Delivery

BEFORE_AFTER = ("Before", "Marked", "After")
_VERDICT_WORDS = {
    "met": "met",
    "near": "near",
    "exceeded": "outside the tolerance",
    "not_checked": MISSING,
}
_DENSITY = 0
_DOUGLAS_FIR = "Douglas-fir"  # the species that relative density was made for
_Q_DECIMALS = 2

_CLASS_HEADS = ("Size class", "Before", "Marked", "After", "Target", "Verdict", "Mark another")

_WITHOUT_TARGET = 4

ALL = "all"

NAMED = 3
"""Reasons named for a product; the rest are counted."""

_AMOUNTS = ("gross", "net")

_COUNTS = ("trees", "trees_without", "parts_without")


def basis_in_words(residual: Mapping[str, Any], confidence: float) -> str:
    """What the trees before the cut come from; nothing where they are not known."""
    basis = residual.get("basis")
    if not basis:
        return ""
    if basis == "standing":
        return "Before the cut: the list of all standing trees. Canopy cover: union of the crowns."
    return (
        "Before the cut: cruise plots; in brackets the interval at "
        f"{100 * confidence:g} %. Canopy cover: crowns that overlap at random."
    )


def structure_rows(layout: Layout, units: Units) -> list[tuple[str, str, str, str]]:
    """Name, before, marked and after of each figure of the stand; none where it is not known."""
    residual = layout.residual
    if "basis" not in residual:
        return []
    states = [residual[state] for state in STATES]
    area_m2, area = (ACRE_M2, "acre") if units == "us" else (HECTARE_M2, "ha")

    def _row(
        name: str, key: str, unit: str, ends: tuple[str, ...] = ("", "", "")
    ) -> tuple[str, str, str, str]:
        before, marked, after = (
            _with_ends(one, key, unit, units, end) for one, end in zip(states, ends, strict=True)
        )
        return name, before, marked, after

    def _plain(name: str, key: str, form: Any) -> tuple[str, str, str, str]:  # noqa: ANN401
        before, marked, after = (form(one.get(key, math.nan)) for one in states)
        return name, before, marked, after

    rows = [
        _row("Trees", "trees_per_ha", "trees/ha"),
        _row("Basal area", "basal_area_m2_ha", "m2/ha", ("", AT_LEAST, AT_MOST)),
        _row("Solid volume", "volume_m3_ha", "m3/ha"),
        _plain(
            "Quadratic mean diameter",
            "quadratic_mean_diameter_cm",
            lambda value: show_diameter(value, units),
        ),
        _plain(
            f"Stand density index per {area}",
            "stand_density_index",
            lambda value: show_number(value * area_m2 / HECTARE_M2, _DENSITY),
        ),
        _plain(
            f"Percent stocking of {residual.get('stocking_type', '')}",
            "percent_stocking",
            lambda value: show_number(value, 0),
        ),
        _plain("Canopy cover", "canopy_cover", show_share),
        _plain("Quotient q", "q", lambda value: show_number(value, _Q_DECIMALS)),
    ]
    firs = residual["standing"]["species"].get(_DOUGLAS_FIR, {})
    if _number(firs.get("share_of_basal_area")) >= PURE_SHARE:
        name = "Relative density (Curtis; ft2/acre and inches)"
        rows.append(_plain(name, "relative_density", lambda value: show_number(value, 1)))
    return [row for row in rows if any(cell != MISSING for cell in row[1:])]


def _with_ends(state: Mapping[str, Any], key: str, unit: str, units: Units, name: str = "") -> str:
    """A figure, with its interval where it has one; `name` where trees are left out of it."""
    value = show(state[key], unit, units)
    if name and state.get("trees_without_dbh") and value != MISSING:
        value = f"{name} {value}"
    low, high = (state.get(f"{key}_{end}") for end in ("low", "high"))
    if low is None or high is None or not high > low:
        return value
    ends = " to ".join(show(end, unit, units).rsplit(" ", 1)[0] for end in (low, high))
    return f"{value} ({ends})"


def species_rows(layout: Layout) -> list[tuple[str, str, str]]:
    """Name of each species and its share of the basal area before and after."""
    residual = layout.residual
    if "basis" not in residual:
        return []
    before, after = (residual[state]["species"] for state in ("standing", "residual"))
    names = sorted(before, key=lambda name: -_number(before[name]["share_of_basal_area"]))
    return [
        (
            name,
            show_share(before[name]["share_of_basal_area"]),
            show_share(after[name]["share_of_basal_area"]),
        )
        for name in names
    ]


def _number(value: float | None) -> float:
    """A number for sorting; none comes last."""
    return 0.0 if value is None or value != value else value  # noqa: PLR0124 - NaN


def class_heads(layout: Layout) -> tuple[str, ...]:
    """Headings of `class_rows`: those of the target only where there is one."""
    return _CLASS_HEADS[: None if len(layout.marking_ratio) else _WITHOUT_TARGET]


def class_rows(layout: Layout) -> list[tuple[str, ...]]:
    """Trees of each size class before, marked, after with interval, target, verdict, ratio."""
    columns = len(class_heads(layout))
    return [row[:columns] for row in _class_rows(layout)]


def _class_rows(layout: Layout) -> list[tuple[str, ...]]:
    """The same with all columns."""
    table = layout.residual_by_class
    if table.empty:
        return []
    ratio = layout.marking_ratio
    words = dict(zip(ratio["size_class"], ratio["still_to_mark_of"], strict=True))
    return [
        (
            str(row["size_class"]),
            show_number(row["standing_trees"], 0),
            show_number(row["marked_trees"], 0),
            _interval(row),
            show_number(row["target_trees"], 0),
            _VERDICT_WORDS[str(row["verdict"])],
            words.get(row["size_class"], "") or MISSING,
        )
        for _, row in table[table["row"] == "class"].iterrows()  # a dozen classes
    ]


def _interval(row: pd.Series) -> str:
    """Residual trees, with their interval where there is one."""
    value = show_number(row["residual_trees"], 0)
    low, high = float(row["residual_trees_low"]), float(row["residual_trees_high"])
    thin = ", few plot trees" if row["thin"] and high > low else ""
    return (
        f"{value} ({show_number(low, 0)} to {show_number(high, 0)}{thin})" if high > low else value
    )


def kept_lines(layout: Layout, units: Units) -> Iterator[str]:
    """Short sentences on reasons, crop trees, young growth, retained trees and edges."""
    residual = layout.residual
    if "reasons" in residual:
        yield _reasons(residual)
    if "crop_trees" in residual:
        yield _crop_trees(residual["crop_trees"])
    if "regeneration" in residual:
        found = residual["regeneration"]
        yield (
            f"Regeneration: {found['patches']} {'patch' if found['patches'] == 1 else 'patches'}, "
            f"{found['released']} released by openings, {found['crossed']} crossed by corridors"
        )
    if len(layout.retention):
        yield _retained(layout, units)
    if "stability" in residual:
        found = residual["stability"]
        yield (
            f"{found['trees_beyond']} of {counted(found['trees_measured'], 'measured tree')} "
            "within 10 m of openings and corridors are beyond the stated height-diameter or "
            "crown ratio"
        )


def _reasons(residual: Mapping[str, Any]) -> str:
    """Trees by their main reason."""
    told = [f"{shown(code)} {trees:,}" for code, trees in residual["reasons"].items()]
    without = residual["trees_without_reason"]
    stated = [f"not stated {without:,}"] if without else []
    return f"Trees marked by main reason: {', '.join([*told, *stated])}"


def _crop_trees(found: Mapping[str, Any]) -> str:
    """What the cut does for crop trees."""
    if found["released"] is None:
        sides = counted(found["freed_sides"], "side")
        return (
            f"{counted(found['count'], 'crop tree')}: {sides} freed by marks; how many stay "
            "crowded is not known without a map of the standing trees"
        )
    return (
        f"{found['released']} of {counted(found['count'], 'crop tree')} released, "
        f"{counted(found['freed_sides'], 'side')} freed"
    )


def _retained(layout: Layout, units: Units) -> str:
    """Retained trees by kind, and those that are marked as well."""
    rows = [
        f"{shown(row['kind'])} {show(row['trees_per_ha'], 'trees/ha', units)}"
        for _, row in layout.retention.iterrows()  # a handful of kinds
    ]
    lost = layout.residual.get("retention", {}).get("marked_as_well", [])
    marked = (
        f"; {counted(len(lost), 'retained tree')} marked to be cut: {listed(lost)}" if lost else ""
    )
    return f"Retained trees: {', '.join(rows)}{marked}"


def ratio_lines(layout: Layout) -> list[str]:
    """What is still to be marked by class, as a marker is told."""
    ratio = layout.marking_ratio
    more = ratio[ratio["still_to_mark_trees"] > 0]
    return [
        f"{row['still_to_mark_of']} in the {row['size_class']} class"
        for _, row in more.iterrows()  # a dozen classes
        if row["still_to_mark_of"] not in {"", share_in_words(0.0)}
    ]


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
                f"{_reasons_without(product)}"
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


def _reasons_without(product: ProductFigures) -> str:
    """Why trees have no volume, with their size classes, most of them first."""
    by_reason: dict[str, list[str]] = {}
    for one in product.without:
        of_class = "" if one.size_class == one.reason else f" of {one.size_class}"
        by_reason.setdefault(one.reason, []).append(f"{one.trees:,}{of_class}")
    said = [f"{', '.join(sizes)} ({reason})" for reason, sizes in by_reason.items()]
    more = f"; and {len(said) - NAMED} more reasons" if len(said) > NAMED else ""
    return "; ".join(said[:NAMED]) + more


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
