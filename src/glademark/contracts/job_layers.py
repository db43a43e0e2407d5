"""Layers and tables of a proposal and of the comparison after the cut."""

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
from glademark.contracts.result_tables import REJECTED

_WOOD = (
    text_column("species", "Species", "As recorded."),
    real_column("dbh_cm", "cm", "DBH", "At breast height; converted where taken at the stump."),
    text_column("product", "Product", "As recorded, else that of the mark most alike."),
    real_column("basal_area_m2", "m2", "Basal area", "Cross-section at breast height."),
    text_column("volume", "Volume", "Net volume by product, each in its sale unit."),
    real_column("volume_m3", "m3", "Solid volume", "Net; empty where it cannot be converted."),
)
_SOURCE = (
    text_column("source_file", "File", "Input file of the record."),
    count_column("record", "Record", "Line or feature number in that file."),
)
_WITHOUT = real_column(
    "trees_without",
    "",
    "Trees without an amount",
    "Trees that the amount leaves out, since they have no volume or diameter.",
)
_DOUBTFUL = flag_column(
    "doubtful", "Doubtful", "Whether it is less sure than the project asks for."
)

STUMPS = Layer(
    name="stumps",
    title="Stumps",
    meaning="One stump, and the tree that it most likely was.",
    geometry="Point",
    columns=(
        text_column("stump_id", "Stump", "Number of the record."),
        text_column(
            "finding",
            "Finding",
            "matched, unmarked, unmarked_in_corridor, tallied, cleared, leave_tree, line_tree, "
            "danger_tree or unconfirmed_tree.",
        ),
        text_column("tree_id", "Tree", "Label of the tree that it is matched to."),
        text_column("marker", "Marker", "Who marked that tree."),
        real_column("chance", "", "Chance", "That the finding is right, from 0 to 1."),
        real_column(
            "chance_unmarked",
            "",
            "Chance of no mark",
            "That it is of no tree marked or counted on paper, nor cleared in an opening.",
        ),
        real_column(
            "chance_marked", "", "Chance of a mark", "That any tree marked to cut was this one."
        ),
        _DOUBTFUL,
        real_column("distance_m", "m", "Distance", "To the matched tree, common shifts taken out."),
        text_column(
            "place", "Place", "Zone, exclusion, setback or outside: where the point falls."
        ),
        real_column("place_chance", "", "Chance of the place", "By the error of its position."),
        text_column("low_mark", "Low mark", "seen, not seen, or nothing where not looked for."),
        real_column("diameter_cm", "cm", "Diameter", "As measured."),
        text_column("diameter_at", "Diameter at", "stump or breast."),
        *_WOOD,
        real_column(
            "position_error_m", "m", "Position error", "Horizontal root mean square error."
        ),
        *_SOURCE,
    ),
)
TREES = Layer(
    name="trees",
    title="Trees known before the cut",
    meaning="One tree of the layout, and whether a stump of it was found.",
    geometry="Point",
    columns=(
        text_column("tree_id", "Tree", "Label of the tree, unique in its stand."),
        text_column("marker", "Marker", "Who marked, else the file that the record came from."),
        text_column("kind", "Kind", "cut, leave, line_tree, danger or unconfirmed."),
        text_column("finding", "Finding", "cut, or no_stump where none was matched."),
        text_column("stump_id", "Stump", "Number of the matched stump."),
        real_column("chance", "", "Chance", "That the finding is right, from 0 to 1."),
        real_column("chance_cut", "", "Chance of being cut", "From 0 to 1."),
        _DOUBTFUL,
        text_column("zone", "Zone", "Of the layout."),
        *_WOOD,
        *_SOURCE,
    ),
)
DRIVEN = Layer(
    name="driven_outside",
    title="Driven lines outside corridors",
    meaning="A stretch of a driven line in the stand, off corridors and landings.",
    geometry="MultiLineString",
    columns=(
        text_column("name", "Line", "As recorded, else a number."),
        real_column("length_m", "m", "Length", "Of the stretch."),
        real_column(
            "departure_m", "m", "Widest departure", "From the nearest corridor or landing."
        ),
        flag_column(
            "beyond_error",
            "Beyond the error",
            "Whether it goes farther than two standard errors of the track.",
        ),
        text_column("corridor", "Nearest corridor", "Where the stretch begins."),
    ),
)  # fmt: skip
OPENINGS = Layer(
    name="openings_after",
    title="Openings after the cut",
    meaning="An opening as walked after the cut, beside the one that was laid out.",
    geometry="MultiPolygon",
    columns=(
        text_column("group", "Group", "As recorded, else a number."),
        count_column("opening", "Opening", "Laid opening that it overlaps the most."),
        real_column("area_m2", "m2", "Area", "As walked after the cut."),
        real_column("laid_area_m2", "m2", "Laid area", "Of that opening in the layout."),
        real_column("beyond_area_m2", "m2", "Beyond", "Walked, but not laid out as an opening."),
        real_column("short_area_m2", "m2", "Short", "Laid out, but not within the walked edge."),
        real_column(
            "departure_m", "m", "Widest departure", "Of the walked edge beyond the laid one."
        ),
    ),
)
FINDINGS = Layer(
    name="findings",
    title="Findings",
    meaning="How much one finding amounts to, with its interval.",
    geometry=None,
    columns=(
        text_column("finding", "Finding", "Key of the finding."),
        text_column("title", "What was seen", "In words."),
        text_column(
            "quantity", "Quantity", "trees, basal_area, solid_volume or a product by its name."
        ),
        text_column("unit", "Unit", "trees, m2, m3 or the product's sale unit."),
        real_column("amount", "", "Amount", "To be expected from the chances of all pairs."),
        real_column("low", "", "Low", "Lower end of the interval that the match leaves."),
        real_column(
            "high", "", "High", "Upper end of that interval; empty where trees are left out."
        ),
        _WITHOUT,
        real_column(
            "share_of_marked",
            "",
            "Share of marked",
            "Of what was marked to cut and counted on paper, from 0 to 1; empty where the amount "
            "leaves out trees.",
        ),
        real_column(
            "marked_without",
            "",
            "Marked without an amount",
            "Trees to cut that the share leaves out: with any, it is at most that.",
        ),
    ),
)
TALLIED = Layer(
    name="tallied",
    title="Trees counted on paper",
    meaning="Trees of the paper tally, and how many stumps without a mark may be theirs.",
    geometry=None,
    columns=(
        text_column("zone", "Zone", "As counted."),
        text_column("group", "Group", "Of an opening, where the tally names one."),
        text_column("species", "Species", "As counted."),
        text_column("product", "Product", "As counted."),
        text_column("size_class", "Size class", "By the project's classes."),
        real_column("trees", "", "Trees", "Counted; on the ground walked, where it was sampled."),
        real_column("found", "", "Found", "Stumps that are taken to be theirs."),
        real_column("no_stump", "", "No stump", "Trees less those."),
    ),
)
SAMPLE = Layer(
    name="sample_check",
    title="Estimates from the places walked",
    meaning="What the places walked say of the whole stand.",
    geometry=None,
    columns=(
        text_column("finding", "Finding", "Key of the finding."),
        text_column("quantity", "Quantity", "trees or basal_area; share of all stumps."),
        text_column("unit", "Unit", "trees, m2 or share."),
        count_column("places", "Places", "Walked plots or strips."),
        real_column("estimate", "", "Estimate", "For the stand; ratio to the area walked."),
        real_column("standard_error", "", "Standard error", "Between places."),
        real_column("low", "", "Low", "Lower end of the confidence interval."),
        real_column(
            "high", "", "High", "Upper end of that interval; empty where trees are left out."
        ),
        _WITHOUT,
    ),
)
DAMAGE = Layer(
    name="damage",
    title="Damage to residual trees",
    meaning="Share of the residual trees that are damaged, by distance from corridors.",
    geometry=None,
    columns=(
        text_column("part", "Part", "all, band (of distance), or unknown (distance not known)."),
        real_column("distance_from_m", "m", "From", "Least distance from a corridor edge."),
        real_column("distance_to_m", "m", "To", "Largest; nothing where there is no end."),
        count_column("plots", "Plots", "With trees."),
        count_column("trees", "Trees", "Residual trees looked at."),
        count_column("damaged", "Damaged", "Of these."),
        real_column("share", "", "Share", "Damaged of all, from 0 to 1."),
        real_column("standard_error", "", "Standard error", "Between plots."),
        real_column("low", "", "Low", "Lower end of the confidence interval."),
        real_column("high", "", "High", "Upper end of the confidence interval."),
    ),
)
SHIFTS = Layer(
    name="shifts",
    title="Common shifts",
    meaning="Shift that the positions of one day of stumps or marks have in common.",
    geometry=None,
    columns=(
        text_column("of", "Of", "stumps or marks."),
        text_column("day", "Day", "File and day as recorded."),
        count_column("trees", "Positions", "Of that day."),
        real_column("east_m", "m", "East", "Taken out."),
        real_column("north_m", "m", "North", "Taken out."),
    ),
)

AFTER_CUT_LAYERS: Mapping[str, Layer] = MappingProxyType(
    {
        layer.name: layer
        for layer in (
            STUMPS,
            TREES,
            DRIVEN,
            OPENINGS,
            FINDINGS,
            TALLIED,
            SAMPLE,
            DAMAGE,
            SHIFTS,
            REJECTED,
        )
    }
)
"""Every layer and table of ``compare.gpkg``, in the order in which they are written."""


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

PROPOSED_TREES = Layer(
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
    {layer.name: layer for layer in (GROUPS, PROPOSED_TREES, ALTERNATIVES)}
)
"""Layers and tables of ``proposals.gpkg``."""
