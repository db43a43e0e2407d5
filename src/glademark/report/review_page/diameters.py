"""Diameter distribution: marked trees by size class, with standing and residual where known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from glademark.report.quantities import show_number
from glademark.report.review_page.tables import class_order
from glademark.report.review_page.wording import field_text

if TYPE_CHECKING:
    from glademark.contracts.layout import Layout

WIDTH, HEIGHT = 640, 260
"""Size of the picture, in its own units."""

_LEFT, _RIGHT, _TOP, _BOTTOM = 56, 8, 12, 42
_GAP = 0.28  # of a class, between bars
_TICKS = 4
_STEPS = (1, 2, 2.5, 5, 10)


@dataclass(frozen=True, kw_only=True, slots=True)
class Bar:
    """
    One size class.

    Attributes
    ----------
    label
        Of the class.
    marked, standing, residual
        Trees; None where not known.
    x, width
        Place in the picture.
    marked_y, marked_height, residual_y, residual_height
        Of the two parts; residual has no height where it is not known or below zero.
    target, target_y
        Trees that the class is to keep, and where; None without a target.
    """

    label: str
    marked: float
    standing: float | None
    residual: float | None
    x: float
    width: float
    marked_y: float
    marked_height: float
    residual_y: float
    residual_height: float
    target: float | None
    target_y: float | None

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
    width: int = WIDTH
    height: int = HEIGHT
    left: int = _LEFT
    base: int = HEIGHT - _BOTTOM


def histogram(layout: Layout) -> Histogram:
    """Trees by size class as bars."""
    classes = _classes(layout)
    tallest = max((_height(row) for row in classes), default=0.0)
    top, ticks = _scale(tallest)
    room = (WIDTH - _LEFT - _RIGHT) / max(len(classes), 1)
    return Histogram(
        bars=tuple(_bar(row, place, room, top) for place, row in enumerate(classes)),
        ticks=ticks if classes else (),
        has_standing=any(standing is not None for _, _, standing, _ in classes),
        has_target=any(target is not None for *_, target in classes),
        below_zero=any(known is not None and marked > known for _, marked, known, _ in classes),
    )


_Class = tuple[str, float, float | None, float | None]


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
    base, unit = HEIGHT - _BOTTOM, (HEIGHT - _BOTTOM - _TOP) / top
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
    base = HEIGHT - _BOTTOM
    ticks = tuple(
        Tick(
            y=round(base - (base - _TOP) * place / _TICKS, 1),
            text=show_number(step * place, 0 if step == round(step) else 1),
        )
        for place in range(_TICKS + 1)
    )
    return top, ticks
