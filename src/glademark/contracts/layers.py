"""
Every layer and table, declared once: its columns with type, unit and meaning.

Readers know from here which columns to look for, writers which to write, the GeoPackage its data
dictionary, and the documentation its tables. Columns carry SI units in their names; `shown_beside`
says which ones also stand in the user's units.
"""

from collections.abc import Mapping
from types import MappingProxyType

from glademark.contracts.frames import (
    AREA,
    BASAL_AREA,
    SLOPES,
    TREES_WITHOUT,
    VOLUME_M3,
    Column,
    Geometry,
    Kind,
    Layer,
    Units,
    count_column,
    flag_column,
    interval,
    present,
    real_column,
    shown_beside,
    text_column,
    where_given,
)
from glademark.contracts.measured_layers import (
    COMBINED,
    CONTOURS,
    CORRIDOR_GRADES,
    CORRIDOR_STUBS,
    EXTRACTION,
    INCIDENTAL_OPENINGS,
    OPENINGS,
    WATER_CROSSINGS,
)
from glademark.contracts.residual_layers import RESIDUAL_LAYERS, RESIDUAL_TABLES
from glademark.contracts.result_tables import (
    ALLOWANCE,
    CHECKS,
    PARAMETERS,
    REJECTED,
    STOCK_BY_CLASS,
    VOLUME_BY_OPENING,
    VOLUME_BY_ZONE,
)

__all__ = [
    "LAYERS", "Column", "Geometry", "Kind", "Layer", "Units", "count_column", "flag_column",
    "present", "real_column", "shown_beside", "text_column",
]  # fmt: skip

STAND = Layer(
    name="stand",
    title="Stand",
    meaning="The area laid out.",
    geometry="MultiPolygon",
    columns=(
        text_column("name", "Stand", "Name of the project."),
        AREA,
        real_column(
            "area_geodesic_m2", "m2", "Geodesic area", "Area on the ellipsoid of the working CRS."
        ),
        real_column("operable_m2", "m2", "Operable area", "The stand less its exclusions."),
        real_column("perimeter_m", "m", "Perimeter", "Length of the boundary, holes included."),
    ),
)

CORRIDORS = Layer(
    name="corridors",
    title="Corridors",
    meaning="The ground that one corridor takes inside the stand; corridors may overlap.",
    geometry="MultiPolygon",
    columns=(
        text_column("corridor", "Corridor", "The marker's own name, else a number."),
        text_column("state", "State", "new, or existing."),
        real_column("width_m", "m", "Width", "Full width, side to side."),
        real_column("length_m", "m", "Length", "Centre line inside the stand."),
        AREA,
        count_column(
            "trees", "Trees", "Cut trees tallied as corridor wood with this corridor the nearest."
        ),
        BASAL_AREA,
        VOLUME_M3,
        text_column("volume", "Volume", "Net volume by product, each in its sale unit."),
        TREES_WITHOUT,
        *where_given(
            real_column(
                "grade_short_pct",
                "%",
                "Steepest grade, short",
                "Over the shortest stated length, without sign.",
            ),
            real_column(
                "grade_long_pct",
                "%",
                "Steepest grade, long",
                "Over the longest stated length, without sign.",
            ),
            real_column("steep_m", "m", "Longest steep stretch", "Above the stated grade."),
            real_column(
                "cross_slope_pct",
                "%",
                "Cross-slope",
                "Steepest ground at right angles to the line, mean over a piece.",
            ),
            real_column(
                "adverse_m", "m", "Adverse", "Length that is uphill on the way to the landing."
            ),
            real_column("favourable_m", "m", "Favourable", "Length that is downhill on that way."),
            text_column(
                "landing", "Landing", "Nearest along corridors; empty where none is reached."
            ),
            real_column(
                "extraction_m",
                "m",
                "Extraction distance",
                "From its farthest point to the landing.",
            ),
        ),
    ),
)

CORRIDOR_LINES = Layer(
    name="corridor_lines",
    title="Corridor centre lines",
    meaning="Centre line of a corridor, carried on to the one that it joins, cut at the stand.",
    geometry="MultiLineString",
    columns=(
        text_column("corridor", "Corridor", "The marker's own name, else a number."),
        text_column("state", "State", "new, or existing."),
        real_column("width_m", "m", "Width", "Full width, side to side."),
        real_column("length_m", "m", "Length", "Centre line inside the stand."),
    ),
)

ZONES = Layer(
    name="zones",
    title="Zones",
    meaning="A part of the stand: exclusion, landing, corridor, opening or matrix.",
    geometry="MultiPolygon",
    columns=(
        text_column("zone", "Zone", "exclusion, landing, corridor, opening or matrix."),
        AREA,
        real_column("share", "", "Share of the stand", "From 0 to 1."),
        count_column("trees", "Trees", "Cut trees by final zone."),
        BASAL_AREA,
        VOLUME_M3,
        TREES_WITHOUT,
        *SLOPES,
        *interval("trees", "", "Trees", "true number of trees"),
        *interval("volume", "m3", "Solid volume", "true volume"),
    ),
)

_LABEL = text_column(
    "label",
    "Label",
    "What the tree is called on paper, unique in its stand: its number, behind the marker or the "
    "letter of the file where numbers repeat.",
)

MARKS = Layer(
    name="marks",
    title="Marks",
    meaning="One used record of a painted tree, or of a point of a group.",
    geometry="Point",
    columns=(
        text_column("tree_id", "Tree", "The marker's own number of the record."),
        _LABEL,
        text_column("marker", "Marker", "Who marked, else the file that the record came from."),
        count_column("count", "Count", "Trees that the record stands for."),
        text_column(
            "kind",
            "Kind",
            "cut, leave, group_boundary, group_centre, line_tree, danger or unconfirmed.",
        ),
        real_column(
            "dbh_cm",
            "cm",
            "DBH",
            "Diameter at breast height, or at the stump if the project says so.",
        ),
        text_column(
            "dbh_flag",
            "DBH flag",
            "unreadable or impossible: no diameter; doubtful or unit_in_cell: to be checked.",
        ),
        text_column("size_class", "Size class", "DBH class in the recorded unit."),
        text_column("species", "Species", "One name a species; lower case where not known."),
        text_column("product", "Product", "What the tree is sold as."),
        text_column("paint", "Paint", "Colour, as recorded."),
        text_column("group", "Group", "Group that the marker named."),
        real_column("height_m", "m", "Height", "Total height, where measured."),
        real_column("crown_radius_m", "m", "Crown radius", "Radius of the crown disc."),
        text_column(
            "crown_source", "Crown source", "measured, an equation, or the project's default."
        ),
        text_column("zone", "Zone", "Final zone: what the paint says, else where the point falls."),
        text_column(
            "zone_located", "Located zone", "Where the point falls; marks of an opening are in it."
        ),
        text_column(
            "zone_painted",
            "Painted zone",
            "What the paint says: corridor, not_corridor or nothing.",
        ),
        count_column("opening", "Opening", "Number of its opening."),
        real_column(
            "line_distance_m",
            "m",
            "To nearest line",
            "Distance to the nearest edge of a corridor, exclusion, setback or the boundary.",
        ),
        real_column(
            "corridor_distance_m",
            "m",
            "To corridor edge",
            "Nearest corridor edge; negative inside.",
        ),
        text_column("corridor", "Nearest corridor", "Name of the nearest corridor."),
        real_column(
            "position_error_m", "m", "Position error", "Horizontal root mean square error."
        ),
        BASAL_AREA,
        real_column(
            "volume", "", "Volume", "Net volume in the sale unit, all trees of the record."
        ),
        text_column("volume_unit", "Volume unit", "Sale unit of the volume."),
        VOLUME_M3,
        text_column(
            "volume_source", "Volume source", "Where the volume comes from, or why there is none."
        ),
        text_column("source_file", "File", "Input file of the record."),
        count_column("record", "Record", "Line or feature number in that file."),
        *where_given(
            real_column("logs", "", "Logs", "16-ft logs, halves allowed, where counted."),
            text_column(
                "reason", "Reason", "Why it is cut, in codes; the main one first, + between them."
            ),
            flag_column(
                "must_go", "Must go", "Whether it is never to be spared, where the marks say so."
            ),
            real_column(
                "elevation_m", "m", "Elevation", "Height of the ground in the terrain raster."
            ),
            real_column("slope_pct", "%", "Slope", "Slope of the ground by Horn's method."),
            text_column("reach_corridor", "Corridor in reach", "Corridor whose edge is nearest."),
            real_column(
                "reach_m",
                "m",
                "To that edge",
                "Distance to its edge; 0 inside a corridor, "
                "and in an opening that the machine enters.",
            ),
            flag_column("within_reach", "Within reach", "Whether the machine reaches it."),
            text_column(
                "landing", "Landing", "Nearest along corridors; empty where none is reached."
            ),
            real_column(
                "extraction_m", "m", "Extraction distance", "Along corridors to that landing."
            ),
        ),
        *where_given(
            *(
                real_column(
                    f"chance_{zone}", "", f"Chance of {zone}", "That it truly belongs there."
                )
                for zone in ("exclusion", "landing", "corridor", "opening", "matrix")
            ),
            count_column(
                "remeasure", "Measure again", "Rank among the marks that settle most uncertainty."
            ),
            real_column(
                "uncertainty_settled",
                "",
                "Uncertainty settled",
                "Variance of verdicts that it explains.",
            ),
        ),
    ),
)


def _area_layer(name: str, title: str, meaning: str, *more: Column) -> Layer:
    return Layer(
        name=name,
        title=title,
        meaning=meaning,
        geometry="MultiPolygon",
        columns=(text_column("name", "Name", "As recorded."), *more),
    )


EXCLUSIONS = _area_layer("exclusions", "Exclusions", "An area where nothing is cut.", AREA)

SETBACKS = _area_layer(
    "setbacks",
    "Setbacks",
    "A strip along water or a boundary with a rule of its own.",
    text_column("rule", "Rule", "no_cut, no_machine or residual_basal_area."),
    real_column(
        "minimum_m2_ha",
        "m2/ha",
        "Residual basal area",
        "Least basal area to be left, if that is the rule.",
    ),
    AREA,
)

LANDINGS = _area_layer(
    "landings",
    "Landings",
    "Where wood is piled, and roads given as areas; as given, also outside the stand.",
    AREA,
)

HAZARDS = _area_layer(
    "hazards",
    "Hazards",
    "Ground within the distance to keep from a hazard other than a danger tree.",
    real_column("keep_away_m", "m", "Keep away", "Distance to keep; empty where none is stated."),
    AREA,
)

WATER = _area_layer("water", "Water", "Open water out to its banks.", AREA)

LEAVE_TREES = Layer(
    name="leave_trees",
    title="Leave trees",
    meaning="A tree that stays.",
    geometry="Point",
    columns=(
        text_column("tree_id", "Tree", "The marker's own number."),
        _LABEL,
        text_column("species", "Species", "One name a species; lower case where not known."),
        real_column("dbh_cm", "cm", "DBH", "Diameter at breast height."),
        real_column("crown_radius_m", "m", "Crown radius", "Radius of the crown disc."),
        text_column(
            "crown_source", "Crown source", "measured, an equation, or the project's default."
        ),
        *where_given(
            text_column("retention", "Kept for", "What it is kept for, in the project's codes."),
            text_column("marked_as", "Marked as", "Mark that it is as well: a contradiction."),
        ),
    ),
)

CRUISE_PLOTS = Layer(
    name="cruise_plots",
    title="Cruise plots",
    meaning="A plot of the cruise, those without trees included.",
    geometry="Point",
    columns=(
        text_column("plot", "Plot", "As recorded."),
        text_column("stratum", "Stratum", "As recorded; empty without strata."),
        real_column("weight", "", "Weight", "Share of the plot that lies in the stand."),
        real_column("trees_per_ha", "1/ha", "Trees per hectare", "What the plot says."),
        real_column("basal_area_m2_ha", "m2/ha", "Basal area per hectare", "What the plot says."),
        real_column(
            "volume_m3_ha", "m3/ha", "Solid volume per hectare", "Empty if not computable."
        ),
    ),
)

LEAVE_STANDING = Layer(
    name="leave_standing",
    title="Trees to leave standing",
    meaning="A mark that is better left standing, so that the layout keeps inside its limits.",
    geometry="Point",
    columns=(
        *(
            column
            for column in MARKS.columns
            if column.name
            in {"tree_id", "label", "marker", "count", "dbh_cm", "species", "product"}
            | {"paint", "group"}
        ),
        count_column(
            "opening", "Opening", "Number of the opening that it was cut in; empty for none."
        ),
        text_column(
            "left_as",
            "Left as",
            "no-cut ground, whole group, edge of a group, tree of a group or single tree.",
        ),
        text_column(
            "mends",
            "Mends",
            "Limits that would be exceeded again without this tree and those spared with it.",
        ),
        real_column(
            "crown_radius_m", "m", "Crown radius", "Radius of the crown that stands again."
        ),
        BASAL_AREA,
        real_column(
            "volume", "", "Volume", "Net volume given up, in the sale unit of its product."
        ),
        text_column("volume_unit", "Volume unit", "Sale unit of the volume."),
        VOLUME_M3,
        text_column("source_file", "File", "Input file of the record."),
        count_column("record", "Record", "Line or feature number in that file."),
    ),
)
"""Layer of the advice; it is no part of a layout."""

LAYERS: Mapping[str, Layer] = MappingProxyType(
    {
        layer.name: layer
        for layer in (
            STAND,
            ZONES,
            CORRIDORS,
            CORRIDOR_LINES,
            OPENINGS,
            COMBINED,
            INCIDENTAL_OPENINGS,
            MARKS,
            EXCLUSIONS,
            SETBACKS,
            LANDINGS,
            HAZARDS,
            WATER,
            LEAVE_TREES,
            CRUISE_PLOTS,
            CORRIDOR_GRADES,
            EXTRACTION,
            WATER_CROSSINGS,
            CORRIDOR_STUBS,
            CONTOURS,
            *RESIDUAL_LAYERS,
            VOLUME_BY_ZONE,
            VOLUME_BY_OPENING,
            ALLOWANCE,
            STOCK_BY_CLASS,
            *RESIDUAL_TABLES,
            CHECKS,
            REJECTED,
            PARAMETERS,
        )
    }
)
"""Every layer and table of the output, in the order in which they are written."""
