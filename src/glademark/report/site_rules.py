"""
What the crew has to know beside the map, in words: setbacks, danger trees, line trees.

References
----------
.. [1] United States, Occupational Safety and Health Administration: Logging operations, 29 CFR
       1910.266, paragraph (h)(1)(vi): a danger tree that is not felled or removed is marked, and no
       work is done within two tree lengths of it unless the employer shows that a shorter distance
       is no hazard; paragraph (d)(6)(ii): occupied work areas lie at least two tree lengths apart.
       The text was read in a restatement; paragraph (vi) is numbered from memory.
"""

from collections.abc import Mapping
from types import MappingProxyType

TWO_TREE_LENGTHS = (
    "No work within two tree lengths of a danger tree until it has been felled or removed, and at "
    "least two tree lengths between crews at work (United States: OSHA 29 CFR 1910.266 (h)(1) "
    "and (d)(6)). Where local rules ask for more, they govern."
)
"""The distance around danger trees, with its source."""

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
        "no_cut": "No tree is cut in it.",
        "no_machine": "No machine enters it.",
        "residual_basal_area": "Some basal area has to stay in it; cut only what is painted.",
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
