"""The allowance and the diameter distribution as pictures."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from glademark.report.quantities import (
    basal_area_unit,
    end_words,
    heading_unit,
    sale_decimals,
    show_number,
    show_share,
    shown_unit,
)
from glademark.report.review_page.tables import class_order
from glademark.report.wording import field_text, unit_text
from glademark.units import HECTARE_M2

if TYPE_CHECKING:
    from glademark.contracts.layers import Units
    from glademark.contracts.layout import Layout

WIDTH = 600
"""Length of the picture, in its own units."""

_PARTS = (
    ("corridor", "Corridors"),
    ("opening", "Openings"),
    ("matrix", "Matrix"),
    ("other", "Elsewhere"),
)
_AIR = 1.06  # of the longest bar

_GAP = 0.28  # of a class, between bars

_TICKS = 4

_STEPS = (1, 2, 2.5, 5, 10)

_Class = tuple[str, float, float | None, float | None]


@dataclass(frozen=True, kw_only=True, slots=True)
class Part:
    """What is marked in a zone: its place in the picture, and in words with its share."""

    name: str
    title: str
    x: float
    width: float
    text: str
    share: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Account:
    """One quantity: allowable removal, marked, remaining."""

    title: str
    basis: str
    """title and basis: the quantity with its unit, and where the standing stock comes from."""
    parts: tuple[Part, ...]  # what is marked in each zone, side by side
    allowable_x: float | None
    allowable_from: float | None
    allowable_width: float | None
    """allowable_x, allowable_from and allowable_width: place of the allowable removal and of its
    interval; None where either is not there."""
    standing: str
    allowable: str
    marked: str
    remaining: str
    share: str  # standing, allowable, marked, remaining and share: in words, with their intervals
    marked_ground: str
    rest: str
    """marked_ground and rest: where only a part is marked so far: share taken on marked ground,
    what remains for the rest by its area; else empty."""
    exceeded: bool  # whether more is marked than allowable


def accounts(layout: Layout, units: Units) -> tuple[Account, ...]:
    """The allowance, one account a quantity."""
    rows = layout.allowance.astype(object).to_dict("records")
    return tuple(_account({str(key): part for key, part in row.items()}, units) for row in rows)


def _account(row: dict[str, Any], units: Units) -> Account:
    """One quantity."""
    name, size, decimals = _unit(row["unit"], units)
    number = {key: _number(value) for key, value in row.items()}
    marked, without = number["marked"], int(row.get("trees_without", 0))
    high = number["remaining_high"] + marked
    ends = (marked, number["allowable"], high, 0.0)
    longest = max(value for value in ends if not math.isnan(value))
    per = WIDTH / (longest * _AIR) if longest > 0 else 0.0
    low = number["remaining_low"] + marked
    interval = not math.isnan(low) and high > low

    def words(key: str) -> str:
        """The amount with its interval."""
        ends = [number.get(f"{key}{end}", math.nan) / size for end in ("_low", "_high")]
        text = show_number(number[key] / size, decimals)
        if math.isnan(number[key]):
            return "not computed" if without and key in {"marked", "remaining"} else ""
        if any(math.isnan(end) for end in ends) or ends[0] == ends[1]:
            return f"{end_words(row, key, text)} {name}"
        between = " to ".join(show_number(end, decimals) for end in ends)
        return f"{end_words(row, key, text)} {name} ({between})"

    return Account(
        title=_title(row, name),
        basis=field_text(row["basis"])
        + (f"; {without:,} marked trees without an amount are left out" if without else ""),
        parts=_parts(number, per, size, (name, decimals)),
        allowable_x=None
        if math.isnan(number["allowable"])
        else round(number["allowable"] * per, 1),
        allowable_from=round(low * per, 1) if interval else None,
        allowable_width=round((high - low) * per, 1) if interval else None,
        standing=words("standing"),
        allowable=words("allowable"),
        marked=words("marked"),
        remaining=words("remaining"),
        share=end_words(row, "share", _share_words(number)),
        marked_ground=_marked_ground_words(number),
        rest=_rest_words(number, size, (name, decimals), units),
        exceeded=number["remaining"] < 0,
    )


def _number(value: object) -> float:
    """A number, NaN for none and for text."""
    return float(value) if isinstance(value, int | float) else math.nan


def _unit(unit: str, units: Units) -> tuple[str, float, int]:
    """Name of the unit shown, how much it holds, decimals."""
    if unit == "m2":
        name, size = basal_area_unit(units)
    else:
        name, size = shown_unit(unit, units)
    return unit_text(heading_unit(name)), size, sale_decimals(name)


def _title(row: dict[str, Any], name: str) -> str:
    """The quantity, and by which rule it is scaled."""
    quantity = field_text(row["quantity"]).replace("_", " ")
    rule = field_text(row["log_rule"])
    return f"{quantity.capitalize()}, {name}" + (f" ({rule})" if rule else "")


def _parts(
    number: dict[str, float], per: float, size: float, shown: tuple[str, int]
) -> tuple[Part, ...]:
    """What is marked in each zone, side by side."""
    name, decimals = shown
    parts: list[Part] = []
    x = 0.0
    for zone, title in _PARTS:
        amount = number[f"marked_{zone}"]
        if not amount > 0:
            continue
        share = number.get(f"share_{zone}", math.nan)
        parts.append(
            Part(
                name=zone,
                title=title,
                x=round(x * per, 1),
                width=round(amount * per, 1),
                text=f"{show_number(amount / size, decimals)} {name}",
                share="" if math.isnan(share) else show_share(share),
            )
        )
        x += amount
    return tuple(parts)


def _share_words(number: dict[str, float]) -> str:
    """Share of the standing stock that is taken, with its interval."""
    share, low, high = (number[f"share{end}"] for end in ("", "_low", "_high"))
    if math.isnan(share):
        return ""
    if math.isnan(low) or low == high:
        return show_share(share)
    return f"{show_share(share)} ({show_share(low)} to {show_share(high)})"


def _marked_ground_words(number: dict[str, float]) -> str:
    """Share taken on marked ground; empty where all of the stand is."""
    share = number["share_on_marked_ground"]
    return "" if math.isnan(share) else show_share(share)


def _rest_words(number: dict[str, float], size: float, shown: tuple[str, int], units: Units) -> str:
    """What remains for each hectare or acre not marked yet; empty where all is."""
    remaining = number["remaining_per_ha_elsewhere"]
    if math.isnan(remaining):
        return ""
    ground, ground_m2 = shown_unit("m2", units)
    name, decimals = shown
    return f"{show_number(remaining * ground_m2 / HECTARE_M2 / size, decimals)} {name} per {ground}"


HISTOGRAM_WIDTH, HISTOGRAM_HEIGHT = 640, 260
"""Size of the picture, in its own units."""

_LEFT, _RIGHT, _TOP, _BOTTOM = 56, 8, 12, 42


@dataclass(frozen=True, kw_only=True, slots=True)
class Bar:
    """One size class."""

    label: str  # of the class
    marked: float
    standing: float | None
    residual: float | None  # marked, standing and residual: trees; None where not known
    x: float
    width: float  # x and width: place in the picture
    marked_y: float
    marked_height: float
    residual_y: float
    residual_height: float
    """marked_y, marked_height, residual_y and residual_height: of the two parts; residual has no
    height where it is not known or below zero."""
    target: float | None
    target_y: float | None
    """target and target_y: trees that the class is to keep, and where; None without a target."""

    @property
    def texts(self) -> tuple[str, ...]:
        """Standing, marked, residual and target trees as people read them."""
        return tuple(
            "\N{EN DASH}" if number is None else show_number(number, 0)
            for number in (self.standing, self.marked, self.residual, self.target)
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class Tick:
    """A line of the scale: where, and what it says."""

    y: float
    text: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Histogram:
    """Bars and scale; `has_standing`, `has_target`: whether those are known."""

    bars: tuple[Bar, ...]
    ticks: tuple[Tick, ...]
    has_standing: bool
    has_target: bool
    below_zero: bool
    width: int = HISTOGRAM_WIDTH
    height: int = HISTOGRAM_HEIGHT
    left: int = _LEFT
    base: int = HISTOGRAM_HEIGHT - _BOTTOM


def histogram(layout: Layout) -> Histogram:
    """Trees by size class as bars."""
    classes = _classes(layout)
    tallest = max((_height(row) for row in classes), default=0.0)
    top, ticks = _scale(tallest)
    room = (HISTOGRAM_WIDTH - _LEFT - _RIGHT) / max(len(classes), 1)
    return Histogram(
        bars=tuple(_bar(row, place, room, top) for place, row in enumerate(classes)),
        ticks=ticks if classes else (),
        has_standing=any(standing is not None for _, _, standing, _ in classes),
        has_target=any(target is not None for *_, target in classes),
        below_zero=any(known is not None and marked > known for _, marked, known, _ in classes),
    )


def _classes(layout: Layout) -> list[_Class]:
    """Label, marked, standing and target trees of each class, in order."""
    stays = layout.residual_by_class
    stock = stays[stays["row"] == "class"] if len(stays) else layout.stock_by_class
    if len(stock):
        names = ["size_class", "marked_trees", "standing_trees", "target_trees"]
        return [
            (field_text(label), float(cut), _known(stand), _known(target))
            for label, cut, stand, target in stock.reindex(columns=names).to_numpy(dtype=object)
        ]
    tally = layout.volume_by_zone
    cells = tally[tally["row"] == "cell"]
    trees = pd.to_numeric(cells["trees"]).astype("float64").groupby(cells["size_class"]).sum()
    counted = sorted(trees.to_dict().items(), key=lambda one: class_order(one[0]))
    return [(field_text(label), number, None, None) for label, number in counted]


def _known(number: float) -> float | None:
    """A number, or None where it is not known."""
    return None if np.isnan(number) else float(number)


def _height(row: _Class) -> float:
    """Trees at the top of a bar or target."""
    return max(row[1], row[2] or 0.0, row[3] or 0.0)


def _bar(row: _Class, place: int, room: float, top: float) -> Bar:
    """One class in the picture: what stays below, what is marked above it."""
    label, marked, standing, target = row
    residual = None if standing is None else standing - marked
    stays = max(residual or 0.0, 0.0)
    base, unit = HISTOGRAM_HEIGHT - _BOTTOM, (HISTOGRAM_HEIGHT - _BOTTOM - _TOP) / top
    return Bar(
        label=label,
        marked=marked,
        standing=standing,
        residual=residual,
        x=round(_LEFT + room * (place + _GAP / 2), 1),
        width=round(room * (1 - _GAP), 1),
        marked_y=round(base - (stays + marked) * unit, 1),
        marked_height=round(marked * unit, 1),
        residual_y=round(base - stays * unit, 1),
        residual_height=round(stays * unit, 1),
        target=target,
        target_y=None if target is None else round(base - target * unit, 1),
    )


def _scale(tallest: float) -> tuple[float, tuple[Tick, ...]]:
    """Top of the scale and its lines, at round numbers."""
    power = 1.0
    while power * _STEPS[-1] * _TICKS < tallest:
        power *= 10
    step = next(power * size for size in _STEPS if power * size * _TICKS >= tallest)
    step = max(step, 1.0)
    top = step * _TICKS
    base = HISTOGRAM_HEIGHT - _BOTTOM
    ticks = tuple(
        Tick(
            y=round(base - (base - _TOP) * place / _TICKS, 1),
            text=show_number(step * place, 0 if step == round(step) else 1),
        )
        for place in range(_TICKS + 1)
    )
    return top, ticks
