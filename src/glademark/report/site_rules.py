"""
What the crew has to know beside the map, in words: setbacks, danger trees, line trees.

Two tree lengths are common practice; some countries ask for them by law, and none is built in here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from glademark.report.crew_sentences import say
from glademark.report.quantities import (
    AT_LEAST,
    MISSING,
    basal_area_unit,
    show_against,
    show_area,
    show_diameter,
    show_length,
    show_number,
    show_volume,
)

if TYPE_CHECKING:
    from glademark.contracts.layers import Units
    from glademark.contracts.layout import Figures
    from glademark.project.model import Project
    from glademark.report.delivery import Delivery


def cautions() -> tuple[str, ...]:
    """One sentence each, in the order in which they are shown."""
    return say("caution-paint"), say("caution-survey"), say("caution-work")


def unpainted_rules(project: Project) -> tuple[tuple[str, str], ...]:
    """Where a stem without paint stands, `openings` or `elsewhere`, and what is done with it."""
    cleared_cm = project.openings.cleared_to_dbh_cm
    in_openings = say("painted-only") if cleared_cm is None else cleared_words(cleared_cm, project)
    return ("openings", in_openings), ("elsewhere", say("painted-only-elsewhere"))


def cleared_words(cleared_cm: float, project: Project) -> str:
    """What is cut in openings beside the painted trees."""
    return say("cleared", size=show_diameter(cleared_cm, project.heading.units))


def hazard_words(keep_away_m: float, project: Project) -> str:
    """What holds at a hazard."""
    away = show_length(keep_away_m, project.heading.units)
    return say("hazard", away="none" if away == MISSING else away)


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
    least = f"{AT_LEAST} " if figures.volume.basal_area_missing_trees else ""
    parts = [
        f"{show_number(beside.trees, 0)} trees on the map",
        f"{least}{show_number(beside.basal_area_m2 / size, 1)} {name} basal area",
    ]
    parts += [
        f"{product} {f'{AT_LEAST} ' * bool(amount.trees_without)}"
        f"{show_volume(amount.net, amount.unit)}"
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
