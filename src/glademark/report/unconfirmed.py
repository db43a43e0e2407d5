"""Unconfirmed trees in words, the same on every screen and paper: how many, and what if cut."""

from glademark.contracts.layers import Units
from glademark.contracts.layout import Figures
from glademark.report.delivery import Delivery
from glademark.report.quantities import (
    basal_area_unit,
    show_against,
    show_area,
    show_number,
    show_volume,
)

NOT_TO_BE_CUT = "NOT to be cut until the forester says so"
"""What holds for an unconfirmed tree."""

_MOST_OPENINGS = 10
_SAME_M2 = 0.1


def unconfirmed_trees(figures: Figures) -> str:
    """How many there are; nothing where there is none."""
    number = figures.marks.unconfirmed
    return f"{show_number(number, 0)} unconfirmed tree{'s' * (number != 1)}" if number else ""


def totals_with(figures: Figures, units: Units) -> str:
    """Trees, basal area and volumes if the unconfirmed trees were cut; nothing without any."""
    beside = figures.with_unconfirmed
    if beside is None:
        return ""
    name, size = basal_area_unit(units)
    parts = [
        f"{show_number(beside.trees, 0)} trees on the map",
        f"{show_number(beside.basal_area_m2 / size, 1)} {name} basal area",
    ]
    parts += [
        f"{product} {show_volume(amount.net, amount.unit)}"
        for product, amount in beside.by_product.items()
        if amount.unit
    ]
    return ", ".join(parts)


def openings_with(delivery: Delivery) -> str:
    """Openings if the unconfirmed trees were cut; nothing where none would be another."""
    units, figures = delivery.project.heading.units, delivery.layout.figures
    beside = figures.with_unconfirmed
    if beside is None:
        return ""
    openings = delivery.layout.openings
    areas = zip(
        openings["opening"],
        openings["area_m2"],
        openings["area_with_unconfirmed_m2"],
        strict=True,
    )
    changed = [
        "opening {} {} instead of {}".format(number, *show_against(after, before, "m2", units))
        for number, before, after in areas
        if abs(after - before) > _SAME_M2
    ]
    if len(changed) > _MOST_OPENINGS:
        changed = [*changed[:_MOST_OPENINGS], f"and {len(changed) - _MOST_OPENINGS} more"]
    if not changed and beside.openings == figures.openings.count:
        return ""
    number = f"{beside.openings} opening{'s' * (beside.openings != 1)}"
    whole = f"{number}, {show_area(beside.opening_area_m2, units)}"
    return "; ".join([whole, ", ".join(changed)] if changed else [whole])


def all_with(delivery: Delivery) -> str:
    """Totals and openings if the unconfirmed trees were cut; nothing without any."""
    totals = totals_with(delivery.layout.figures, delivery.project.heading.units)
    return "; ".join(words for words in (totals, openings_with(delivery)) if words)
