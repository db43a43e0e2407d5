"""
What the crew has to know beside the map, in words: setbacks, danger trees, line trees.

Two tree lengths are common practice; some countries ask for them by law, and none is built in here.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

from glademark.report.quantities import show_diameter

if TYPE_CHECKING:
    from collections.abc import Mapping

    from glademark.project.model import Project

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
