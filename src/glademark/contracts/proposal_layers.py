"""Layers and tables of a proposal, declared as those of the layout are."""

from collections.abc import Mapping
from types import MappingProxyType

from glademark.contracts.layers import (
    Column,
    Layer,
    count_column,
    flag_column,
    real_column,
    text_column,
)

CAUTIONS = (
    "Proposals are flags to walk to, no marks: nothing is cut by them.",
    "Risk, defect and regeneration are judged at the tree and on the ground.",
)
"""On every output of a proposal."""

_ALTERNATIVE = count_column("alternative", "Alternative", "Number of the layout, the best first.")
_GROUP = count_column("group", "Group", "Number of the group, north to south, west to east.")
_BASAL_AREA = real_column(
    "basal_area_m2", "m2", "Basal area", "Of the trees with a diameter, at breast height."
)
_VOLUME_M3 = real_column(
    "volume_m3", "m3", "Solid volume", "Net; empty where that of a tree is not known."
)


def _points(name: str, title: str, meaning: str) -> Column:
    """A column of points."""
    return real_column(name, "", title, meaning)


GROUPS = Layer(
    name="proposed_groups",
    title="Proposed groups",
    meaning="A group of standing trees proposed to be looked at; no mark, and not for cutting.",
    geometry="MultiPolygon",
    columns=(
        _ALTERNATIVE,
        _GROUP,
        real_column("area_m2", "m2", "Area", "To the edge that the plan states."),
        real_column(
            "area_marked_crowns_m2", "m2", "Area of crowns", "The lower figure: crowns taken."
        ),
        real_column("area_boles_m2", "m2", "Area to the boles", "The upper figure."),
        count_column("trees", "Trees", "Trees of the group."),
        count_column("failing_trees", "Failing trees", "Those of a priority that is failing."),
        _BASAL_AREA,
        real_column(
            "failing_basal_area_m2", "m2", "Failing basal area", "That of the failing trees."
        ),
        _VOLUME_M3,
        text_column("volume", "Volume", "Net volume by product, each in its sale unit."),
        _points("score", "Score", "Points: the sum of the columns that follow."),
        *(
            _points(f"score_{name}", title, meaning)
            for name, title, meaning in (
                ("failing", "Points: failing", "Gained by failing trees."),
                ("growing_stock", "Points: growing stock", "Lost with other trees."),
                ("regeneration", "Points: regeneration", "Gained by regeneration inside."),
                ("distance", "Points: distance", "Lost by mean extraction distance."),
                ("new_corridor", "Points: new corridor", "Lost by corridor still needed."),
                ("group", "Points: group", "Lost for being a group."),
            )
        ),
        count_column("nearest", "Nearest group", "Number of the nearest other group."),
        real_column("spacing_m", "m", "Spacing", "Edge to edge with that group."),
        real_column("boundary_m", "m", "To the boundary", "From the opening's edge."),
        real_column("water_m", "m", "To water", "From the opening's edge to the bank."),
        real_column("corridor_m", "m", "To a corridor", "From edge to edge."),
        real_column(
            "extraction_m", "m", "Extraction", "Mean way of its trees to a landing; empty without."
        ),
        text_column("why", "Why here", "One sentence."),
    ),
)
TREES = Layer(
    name="proposed_trees",
    title="Trees of proposed groups",
    meaning="A standing tree of a proposed group; to be judged at the tree.",
    geometry="Point",
    columns=(
        _ALTERNATIVE,
        _GROUP,
        text_column("tree_id", "Tree", "As in the stem map."),
        text_column("species", "Species", "As recorded."),
        real_column("dbh_cm", "cm", "DBH", "At breast height."),
        real_column("crown_radius_m", "m", "Crown radius", "As measured or by its equation."),
        real_column("priority", "", "Priority", "By column or rules of the project."),
        flag_column("failing", "Failing", "Whether its priority is failing."),
        _BASAL_AREA,
        _VOLUME_M3,
    ),
)
ALTERNATIVES = Layer(
    name="alternatives",
    title="Alternatives",
    meaning="A layout of proposed groups; no mark, and not for cutting.",
    geometry=None,
    columns=(
        _ALTERNATIVE,
        _points("score", "Score", "Points of its groups."),
        count_column("groups", "Groups", "Number of groups."),
        real_column("area_m2", "m2", "Area", "Ground in openings."),
        real_column("area_share", "", "Share of the stand", "That ground over the stand's."),
        count_column("trees", "Trees", "Trees of its groups."),
        _BASAL_AREA,
        real_column(
            "removal_share_basal_area",
            "",
            "Share of basal area removed",
            "With the trees in corridors; empty without a known stock.",
        ),
        text_column("removal_share_volume", "Share of volume removed", "By product, likewise."),
        count_column("other_groups", "Other groups", "Groups that no earlier alternative has."),
        text_column("binding", "Binding limits", "Keys of limits that leave nothing over."),
        real_column("gap", "", "Gap", "(bound - score) / bound, over the candidates tried."),
    ),
)
PROPOSAL_LAYERS: Mapping[str, Layer] = MappingProxyType(
    {layer.name: layer for layer in (GROUPS, TREES, ALTERNATIVES)}
)
"""Layers and tables of ``proposals.gpkg``."""
