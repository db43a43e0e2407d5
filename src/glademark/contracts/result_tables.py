"""Tables without places: volume, allowance, stock, checks, rejected records, settings, stands."""

from glademark.contracts.frames import (
    BASAL_AREA,
    TREES_WITHOUT,
    Layer,
    count_column,
    real_column,
    text_column,
)

VOLUME_BY_OPENING = Layer(
    name="volume_by_opening",
    title="Volume by opening",
    meaning="Cut trees of one group opening that are sold as one product in one unit.",
    geometry=None,
    columns=(
        count_column("opening", "Opening", "Number of the opening."),
        text_column("product", "Product", "What the wood is sold as."),
        text_column("volume_unit", "Volume unit", "Sale unit of the product."),
        real_column(
            "volume_net", "", "Net volume", "Of the trees that have one; empty where none has."
        ),
        TREES_WITHOUT,
    ),
)

VOLUME_BY_ZONE = Layer(
    name="volume_by_zone",
    title="Volume by zone",
    meaning="Cut trees of one zone, product, species and size class; totals are marked as such.",
    geometry=None,
    columns=(
        text_column("row", "Row", "cell, zone, product, zone_product or total: what the row sums."),
        text_column("zone", "Zone", "Final zone; all where the row sums over zones."),
        text_column("located", "Located", "located, not_located (paper tally), or all."),
        text_column("product", "Product", "What the trees are sold as; all where summed."),
        text_column("species", "Species", "One name a species; all where summed."),
        text_column("size_class", "Size class", "DBH class; all where summed."),
        count_column("trees", "Trees", "Trees, each counted once under its own product."),
        BASAL_AREA,
        real_column(
            "volume_gross",
            "",
            "Gross volume",
            "Before defect, in the sale unit, of trees that have one; empty where units differ.",
        ),
        real_column(
            "volume_net",
            "",
            "Net volume",
            "After defect, in the sale unit, of trees that have one; empty where units differ.",
        ),
        text_column("volume_unit", "Volume unit", "Sale unit of the product."),
        text_column("log_rule", "Log rule", "Rule that board feet are scaled by."),
        real_column(
            "volume_m3",
            "m3",
            "Solid volume",
            "Net, of the trees that have a volume; empty where some of it does not convert.",
        ),
        TREES_WITHOUT,
        real_column(
            "trees_per_ha",
            "1/ha",
            "Trees per hectare",
            "Over the area of the zone, or of the stand.",
        ),
        real_column(
            "basal_area_m2_ha",
            "m2/ha",
            "Basal area per hectare",
            "Over the area of the zone, or of the stand.",
        ),
        real_column(
            "volume_m3_ha",
            "m3/ha",
            "Solid volume per hectare",
            "Over the area of the zone, or of the stand.",
        ),
        real_column(
            "share_of_volume", "", "Share of volume", "Net volume over the standing volume."
        ),
        real_column(
            "share_of_basal_area", "", "Share of basal area", "Over the standing basal area."
        ),
        text_column(
            "volume_source", "Volume source", "The table or equation that the volume comes from."
        ),
    ),
)

ALLOWANCE = Layer(
    name="allowance",
    title="Allowance",
    meaning="Standing stock of one quantity: allowable removal, what is marked, what remains.",
    geometry=None,
    columns=(
        text_column("quantity", "Quantity", "basal_area, solid_volume, or a product by its name."),
        text_column("unit", "Unit", "m2 for basal area, m3 for solid volume, else the sale unit."),
        text_column("log_rule", "Log rule", "Rule that board feet are scaled by."),
        text_column(
            "basis",
            "Basis",
            "cruise, standing (a list of all trees), or given in the project file.",
        ),
        real_column("standing", "", "Standing", "Standing stock of the operable area."),
        real_column("standing_low", "", "Standing, low", "Lower end of its confidence interval."),
        real_column("standing_high", "", "Standing, high", "Upper end of its confidence interval."),
        real_column(
            "allowable_share",
            "",
            "Allowable share",
            "Share of the standing stock that may be removed.",
        ),
        real_column("allowable", "", "Allowable removal", "Allowable share times standing."),
        real_column(
            "marked_corridor", "", "Marked in corridors", "Cut in the corridors: counted first."
        ),
        real_column("marked_opening", "", "Marked in openings", "Cut in the openings."),
        real_column("marked_matrix", "", "Marked in the matrix", "Cut in the matrix."),
        real_column("marked_other", "", "Marked elsewhere", "Cut in landings and exclusions."),
        real_column(
            "marked", "", "Marked", "All that is marked to cut, located or not, and has an amount."
        ),
        count_column(
            "trees_without", "Trees without an amount", "Marked trees that no amount holds."
        ),
        real_column(
            "marked_at_most",
            "",
            "Marked, at most",
            "With the largest amount of a cut tree for each tree that has none.",
        ),
        real_column(
            "remaining",
            "",
            "Remaining allowance",
            "Allowable less marked; negative where exceeded.",
        ),
        real_column(
            "remaining_low", "", "Remaining, low", "With the low end of the standing stock."
        ),
        real_column(
            "remaining_high", "", "Remaining, high", "With the high end of the standing stock."
        ),
        real_column("share", "", "Share taken", "Marked over standing, from 0 to 1."),
        real_column("share_low", "", "Share, low", "With the high end of the standing stock."),
        real_column("share_high", "", "Share, high", "With the low end of the standing stock."),
        real_column(
            "share_corridor",
            "",
            "Share in corridors",
            "Of the stock on their ground; empty where one is above 95 %.",
        ),
        real_column(
            "share_opening",
            "",
            "Share in openings",
            "Of the stock on their ground; empty where one is above 95 %.",
        ),
        real_column(
            "share_matrix",
            "",
            "Share in the matrix",
            "Of the stock on its ground; empty where one is above 95 %.",
        ),
        real_column(
            "share_on_marked_ground", "", "Share on marked ground", "Where only a part is marked."
        ),
        real_column(
            "remaining_per_ha_elsewhere",
            "",
            "Remaining per hectare",
            "On the ground not marked so far.",
        ),
    ),
)

STOCK_BY_CLASS = Layer(
    name="stock_by_class",
    title="Stock by size class",
    meaning="Standing trees of one size class, and what of them is marked.",
    geometry=None,
    columns=(
        text_column("size_class", "Size class", "DBH class in the recorded unit."),
        real_column(
            "standing_trees",
            "",
            "Standing trees",
            "On the operable area; empty where the cruise did not count all trees of the class.",
        ),
        real_column("marked_trees", "", "Marked trees", "To cut, located or not."),
        real_column(
            "residual_trees",
            "",
            "Residual trees",
            "Standing less marked; below zero, more is marked than stands.",
        ),
        real_column("standing_basal_area_m2", "m2", "Standing basal area", "On the operable area."),
        real_column("marked_basal_area_m2", "m2", "Marked basal area", "To cut, located or not."),
        real_column("residual_basal_area_m2", "m2", "Residual basal area", "Standing less marked."),
    ),
)

CHECKS = Layer(
    name="checks",
    title="Limits checked",
    meaning="One thing held against one limit.",
    geometry=None,
    columns=(
        text_column(
            "limit",
            "Limit",
            "Key of the limit in the project file, or the rule that is always checked.",
        ),
        text_column("subject", "What", "What is checked, in words."),
        text_column("layer", "Layer", "Layer of the feature it speaks of."),
        text_column(
            "feature", "Feature", "Number or name of that feature; several separated by a comma."
        ),
        real_column("measured", "", "Measured", "In the unit of the row."),
        real_column("limit_value", "", "Limit value", "In the unit of the row."),
        real_column("margin", "", "Margin", "Room left inside the limit; negative beyond it."),
        text_column("unit", "Unit", "SI unit of measured, limit and margin; share is from 0 to 1."),
        text_column("verdict", "Verdict", "met, near, exceeded or not_checked."),
        text_column(
            "reason", "Reason", "Why it was not checked, what makes it near, or its chance."
        ),
        real_column(
            "chance_exceeded",
            "",
            "Chance of exceeding",
            "From 0 to 1, by the position error; empty where that was not asked for or not known.",
        ),
        text_column("authority", "Authority", "Law, approved plan, contract or prescription."),
        text_column("source", "Source", "Where the limit stands written."),
    ),
)

REJECTED = Layer(
    name="rejected",
    title="Rejected",
    meaning="A record that could not be used.",
    geometry=None,
    columns=(
        text_column("input", "Input", "Which input it belongs to."),
        text_column("file", "File", "As named in the project file."),
        count_column("record", "Record", "Line of a text file, feature number of a layer."),
        text_column("tree_id", "Tree", "The record's own number, where it has one."),
        text_column("reason", "Reason", "Why it could not be used, and the mend."),
    ),
)

PARAMETERS = Layer(
    name="parameters",
    title="Parameters",
    meaning="One setting or figure that the layout rests on.",
    geometry=None,
    columns=(
        text_column(
            "name",
            "Name",
            "Key, with its table of the project file; figures behind summary, names under which "
            "columns of the marks came in behind recorded.",
        ),
        text_column("value", "Value", "As JSON; quantities in SI units."),
    ),
)

STAND_ID = text_column("stand_id", "Stand", "Stand that the row belongs to, where there are many.")
"""First column of every layer and table of a run over many stands."""

STANDS = Layer(
    name="stands",
    title="Stands of the run",
    meaning="A stand of a run over many stands, laid out or refused.",
    geometry=None,
    columns=(
        STAND_ID,
        text_column("outcome", "Outcome", "laid_out or refused."),
        text_column("reason", "Reason", "Why the stand was refused; empty where it is laid out."),
        real_column("area_m2", "area", "Area", "Of the stand."),
        real_column("operable_m2", "area", "Operable area", "The stand less its exclusions."),
        real_column("corridor_m2", "area", "Corridor area", "Inside the stand, overlaps once."),
        real_column("corridor_share", "share", "Corridor share", "Of the stand, from 0 to 1."),
        count_column("openings", "Openings", "Group openings."),
        real_column("opening_m2", "area", "Opening area", "Of all group openings."),
        real_column("largest_opening_m2", "area", "Largest opening", "Empty without an opening."),
        count_column("trees", "Trees", "Cut trees, the paper tally included."),
        count_column("unconfirmed", "Unconfirmed", "Trees that are not known to be cut, apart."),
        count_column("without_dbh", "Without DBH", "Located cut trees without a diameter."),
        real_column(
            "volume_m3", "m3", "Volume", "Net, solid; empty where some of it does not convert."
        ),
        text_column("volume", "Volume by product", "Net, each product in its sale unit."),
        TREES_WITHOUT,
        count_column("rejected", "Rejected", "Records rejected."),
        count_column("exceeded", "Exceeded", "Checks with this verdict."),
        count_column("near", "Near", "Checks with this verdict."),
        count_column("met", "Met", "Checks with this verdict."),
        count_column("not_checked", "Not checked", "Checks with this verdict."),
    ),
)
"""One row a stand, in a run over many."""
