"""
What the crew has to know beside the map, in words: setbacks, danger trees, line trees.

Two tree lengths are common practice; some countries ask for them by law, and none is built in here.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

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
    from collections.abc import Mapping

    from glademark.contracts.layers import Units
    from glademark.contracts.layout import Figures
    from glademark.project.model import Project
    from glademark.report.delivery import Delivery

TWO_TREE_LENGTHS = (
    "No work within two tree lengths of a danger tree until it has been felled or removed, and at "
    "least two tree lengths between crews at work. Where local rules ask for more, they govern."
)
"""The distance around danger trees."""

LINE_TREES = (
    "Line trees stand on the property line and are co-owned. They are NOT to be cut until their "
    "owners agree and the forester confirms it in writing."
)
"""What holds for line trees that are not confirmed."""

UNCONFIRMED = "A tree without listed paint is NOT to be cut until the forester says so."
"""What holds for an unconfirmed tree."""

EXCLUSIONS = "Nothing is cut here, and no machine enters."
"""What holds in an exclusion."""

CROSSINGS = "Cross here and nowhere else, once whoever is in charge of the water agrees."
"""What holds where a corridor crosses water."""

LEAVE_TREES = "Stays. Mind its bark, roots and crown."
"""What holds for a leave tree."""

SETBACK_RULES: Mapping[str, str] = MappingProxyType(
    {
        "no_cut": "Rule: no tree may be cut in it.",
        "no_machine": "Rule: no machine may enter it.",
        "residual_basal_area": "Rule: some basal area must stay in it; cut only what is painted.",
    }
)
"""What each rule of a setback asks of the crew."""

KINDS: Mapping[str, str] = MappingProxyType(
    {
        "corridor": "cut: corridor tree",
        "cut": "cut",
        "leave": "leave: do not cut",
        "group_boundary": "edge of a group; the tree itself is not tallied",
        "group_centre": "middle of a group; the tree itself is not tallied",
        "line_tree": "line tree: do NOT cut until confirmed",
        "danger": "DANGER TREE: keep two tree lengths away",
        "unconfirmed": "STOP: ask before you cut",
    }
)
"""What each meaning of a paint asks of the crew."""


def unpainted_rules(project: Project) -> tuple[tuple[str, str], ...]:
    """Where a stem without paint stands, and what is done with it."""
    cleared_cm, only = project.openings.cleared_to_dbh_cm, "Cut painted trees only."
    in_openings = only if cleared_cm is None else cleared_words(cleared_cm, project)
    return (
        ("in openings", in_openings),
        (
            "elsewhere",
            f"{only} Where the machine cannot pass without another, stop and call.",
        ),
    )


def cleared_words(cleared_cm: float, project: Project) -> str:
    """What is cut in openings beside the painted trees."""
    size = show_diameter(cleared_cm, project.heading.units)
    return (
        f"Cut every stem of {size} DBH and larger, painted or not, but for leave trees, line "
        "trees, danger trees and unconfirmed trees; tallies hold painted trees only."
    )


def hazard_words(keep_away_m: float, project: Project) -> str:
    """What holds at a hazard."""
    away = show_length(keep_away_m, project.heading.units)
    return "HAZARD: show the crew before work." + f" Keep {away} away." * (away != MISSING)


CAUTIONS = (
    "Positions under a canopy are approximate: the paint on the tree governs, not the map.",
    "This is no legal survey of any boundary; line trees are co-owned.",
    (
        "Felling and extraction kill: local rules, licensed practice and the crew's judgement "
        "come first."
    ),
)
"""One sentence each, in the order in which they are shown."""


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
