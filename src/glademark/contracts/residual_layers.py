"""Layers and tables of the stand that stays."""

from glademark.contracts.frames import (
    Column,
    Layer,
    count_column,
    flag_column,
    real_column,
    text_column,
)

STATES = ("standing", "marked", "residual")
"""Before the cut, what the marks and the paper tally take, and what stays."""

_ROW = "Trees of all sizes and species stand in the row total; the other rows are parts of it."


def _amounts(state: str) -> tuple[Column, ...]:
    """Trees, basal area and volume of one state, in all and per hectare of the operable area."""
    title = state.capitalize()
    return (
        real_column(f"{state}_trees", "", f"{title} trees", "Of the whole stand."),
        real_column(f"{state}_trees_per_ha", "1/ha", f"{title} trees", "Of the operable area."),
        real_column(f"{state}_basal_area_m2", "m2", f"{title} basal area", "Of the whole stand."),
        real_column(
            f"{state}_basal_area_m2_ha", "m2/ha", f"{title} basal area", "Of the operable area."
        ),
        real_column(
            f"{state}_volume_m3",
            "m3",
            f"{title} solid volume",
            "Net; empty where it is not known of every tree.",
        ),
    )


def _ends(state: str) -> tuple[Column, ...]:
    """Ends of the intervals of one state; of a full list both are the figure itself."""
    title = state.capitalize()
    return tuple(
        column
        for end in ("low", "high")
        for column in (
            real_column(f"{state}_trees_{end}", "", f"{title} trees, {end}", "End of interval."),
            real_column(
                f"{state}_basal_area_{end}_m2",
                "m2",
                f"{title} basal area, {end}",
                "End of the interval.",
            ),
        )
    )


RESIDUAL_BY_CLASS = Layer(
    name="residual_by_class",
    title="Residual stand by size class",
    meaning=f"Trees of one size class, species, or both. {_ROW}",
    geometry=None,
    columns=(
        text_column("row", "Row", "class, species, cell (class of a species) or total."),
        text_column("species", "Species", "Empty in rows of all species."),
        text_column("size_class", "Size class", "Empty in rows of all sizes."),
        *(column for state in STATES for column in _amounts(state)),
        *_ends("standing"),
        *_ends("residual"),
        real_column(
            "share_of_basal_area_standing", "", "Share before", "Of the basal area before the cut."
        ),
        real_column(
            "share_of_basal_area_residual", "", "Share after", "Of the basal area that stays."
        ),
        count_column("plot_trees", "Plot trees", "Trees counted on plots; empty for a full list."),
        flag_column("thin", "Thin", "Whether fewer than 20 plot trees stand behind the interval."),
        count_column(
            "trees_without_dbh",
            "Marked without DBH",
            "Marked trees left out of the basal areas: marked is at least, residual at most that.",
        ),
        real_column("target_trees", "", "Target trees", "Of the whole stand."),
        real_column("surplus_trees", "", "Surplus trees", "Residual less target."),
        text_column("deviation", "Deviation", "surplus, deficit or nothing."),
        text_column(
            "verdict",
            "Verdict",
            "met within the tolerance; exceeded where the whole interval is outside it; else near; "
            "not_checked without a target, or for a deficit in a class of which nothing is marked.",
        ),
    ),
)
MARKING_RATIO = Layer(
    name="marking_ratio",
    title="Still to be marked",
    meaning="Trees of one size class against the target structure.",
    geometry=None,
    columns=(
        text_column("size_class", "Size class", "Class of diameters."),
        real_column("standing_trees", "", "Standing trees", "Before the cut."),
        real_column("marked_trees", "", "Marked trees", "Marks and paper tally."),
        real_column("prescribed_trees", "", "Prescribed trees", "Standing less target, 0 or more."),
        real_column(
            "still_to_mark_trees", "", "Still to mark", "Prescribed less marked; below 0: too many."
        ),
        real_column("marked_share", "", "Marked share", "Of the standing trees."),
        real_column("prescribed_share", "", "Prescribed share", "Of the standing trees."),
        text_column("marked_of", "Marked", "The nearest simple fraction of the standing trees."),
        text_column("prescribed_of", "Prescribed", "The same of what is prescribed."),
        real_column(
            "unmarked_between_trees",
            "",
            "Unmarked between",
            "Unmarked trees between openings and corridors, which take theirs anyway.",
        ),
        text_column(
            "still_to_mark_of",
            "Mark another",
            "Of the unmarked trees between openings and corridors.",
        ),
    ),
)
REMOVALS_BY_REASON = Layer(
    name="removals_by_reason",
    title="Removals by reason",
    meaning="Marked trees of one reason, zone and product. Row total holds all of them.",
    geometry=None,
    columns=(
        text_column("row", "Row", "cell, reason, zone or total."),
        text_column("reason", "Reason", "The main reason of its trees, or not_stated."),
        text_column("zone", "Zone", "Final zone."),
        text_column("product", "Product", "What the trees are sold as."),
        count_column("trees", "Trees", "By their main reason, so that rows add up."),
        count_column("trees_naming", "Trees naming it", "Trees with it as main or further reason."),
        real_column("basal_area_m2", "m2", "Basal area", "Of the trees that have a diameter."),
        real_column("volume_net", "", "Net volume", "In the sale unit of the product."),
        text_column("volume_unit", "Volume unit", "Sale unit of the volume."),
        real_column("volume_m3", "m3", "Solid volume", "Net; empty where some does not convert."),
        count_column(
            "trees_without_volume", "Trees without a volume", "Trees that the volumes leave out."
        ),
    ),
)
RETENTION = Layer(
    name="retention",
    title="Retained trees",
    meaning="Trees that are kept for one purpose, or for any.",
    geometry=None,
    columns=(
        text_column("kind", "Kept for", "Code of the project, or all."),
        count_column("trees", "Trees", "Not marked to be cut."),
        real_column("trees_per_ha", "1/ha", "Trees", "Of the operable area."),
        real_column("basal_area_m2", "m2", "Basal area", "Empty where a diameter is missing."),
        real_column(
            "farthest_m",
            "m",
            "Farthest point",
            "Largest distance from a point of the operable area to the nearest such tree.",
        ),
    ),
)
CROP_TREES = Layer(
    name="crop_trees",
    title="Crop trees",
    meaning="A tree whose crown is to be free of neighbours.",
    geometry="Point",
    columns=(
        text_column("tree_id", "Tree", "Its own number."),
        text_column("species", "Species", "One name a species."),
        real_column("dbh_cm", "cm", "DBH", "Diameter at breast height."),
        real_column("crown_radius_m", "m", "Crown radius", "Measured, or as for any tree."),
        count_column("sides", "Sides", "Sectors of the crown; the first is centred on north."),
        count_column("open_before", "Open before", "Sides without a crowding neighbour."),
        count_column("freed", "Freed", "Sides whose every crowding neighbour is marked."),
        count_column("open_after", "Open after", "Sides without a crowding neighbour that stays."),
        text_column("crowded", "Still crowded", "Names of those sides."),
        flag_column("released", "Released", "Whether enough sides are open and marks freed some."),
        flag_column("marked", "Marked", "Whether it is itself marked to be cut."),
        real_column("corridor_m", "m", "To corridor edge", "0 inside one."),
        flag_column("near_corridor", "Near corridor", "Whether within damage_distance."),
        count_column("felled_within", "Felled within reach", "Marked trees that may fall on it."),
    ),
)
REGENERATION = Layer(
    name="regeneration",
    title="Regeneration",
    meaning="A patch of young growth.",
    geometry="MultiPolygon",
    columns=(
        text_column("name", "Name", "As recorded."),
        real_column("area_m2", "m2", "Area", "Planar area in the working CRS."),
        real_column("released_m2", "m2", "Released", "Area in openings."),
        real_column("released_share", "", "Released share", "Of the patch."),
        real_column("machine_m2", "m2", "Under machines", "Area in corridors and landings."),
        real_column("machine_share", "", "Share under machines", "Of the patch."),
        text_column("corridors", "Corridors", "Names of those that cross it."),
    ),
)
EXPOSED_EDGES = Layer(
    name="exposed_edges",
    title="Trees at exposed edges",
    meaning="A tree that stays within 10 m of an opening or corridor, beyond a stated threshold.",
    geometry="Point",
    columns=(
        text_column("tree_id", "Tree", "Its own number."),
        real_column("height_diameter", "", "Height over diameter", "Both in one unit."),
        real_column("live_crown_ratio", "", "Live crown ratio", "Live crown over height."),
        text_column("edge", "Edge", "The opening or corridor."),
    ),
)
RESIDUAL_LAYERS = (CROP_TREES, REGENERATION, EXPOSED_EDGES)
RESIDUAL_TABLES = (RESIDUAL_BY_CLASS, MARKING_RATIO, REMOVALS_BY_REASON, RETENTION)
