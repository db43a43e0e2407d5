"""The stand that stays in words and rows: built once, printed by terminal, page and papers."""

import math
from collections.abc import Iterator, Mapping
from typing import Any

import pandas as pd

from glademark.contracts.layers import Units
from glademark.contracts.layout import Layout
from glademark.contracts.residual_layers import STATES
from glademark.errors import counted, listed, shown
from glademark.forestry.size_classes import PURE_SHARE, share_in_words
from glademark.report.quantities import (
    AT_LEAST,
    AT_MOST,
    MISSING,
    show,
    show_diameter,
    show_number,
    show_share,
)
from glademark.units import ACRE_M2, HECTARE_M2

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


_CLASS_HEADS = ("Size class", "Before", "Marked", "After", "Target", "Verdict", "Mark another")
_WITHOUT_TARGET = 4


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
