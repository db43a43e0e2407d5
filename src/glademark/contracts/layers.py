"""
Every layer and table, declared once: its columns with type, unit and meaning.

Readers know from here which columns to look for, writers which to write, the GeoPackage its data
dictionary, and the documentation its tables. Columns carry SI units in their names; `shown_beside`
says which ones also stand in the user's units.
"""

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

from glademark.contracts.layer import (
    Column,
    Geometry,
    Kind,
    Layer,
    Units,
    count_column,
    flag_column,
    present,
    real_column,
    shown_beside,
    text_column,
)
from glademark.contracts.residual_layers import RESIDUAL_LAYERS, RESIDUAL_TABLES

__all__ = [
    "LAYERS", "Column", "Geometry", "Kind", "Layer", "Units", "count_column", "flag_column",
    "present", "real_column", "shown_beside", "text_column",
]  # fmt: skip


def _where_given(*columns: Column) -> tuple[Column, ...]:
    """Columns that are left out where what they need was not given."""
    return tuple(replace(column, optional=True) for column in columns)


def _interval(name: str, unit: str, title: str, what: str) -> tuple[Column, ...]:
    """The two ends of an interval, left out where the position error is not carried through."""
    suffix = f"_{unit}" if unit else ""
    return _where_given(
        *(
            real_column(
                f"{name}_{end}{suffix}", unit, f"{title}, {end}", f"{words} end of the {what}."
            )
            for end, words in (("low", "Low"), ("high", "High"))
        )
    )


_AREA = real_column("area_m2", "m2", "Area", "Planar area in the working CRS.")
_SLOPES = _where_given(
    real_column(
        "slope_mean_pct", "%", "Mean slope", "Of the terrain's cells inside, by Horn's method."
    ),
    real_column("slope_p90_pct", "%", "90th percentile of slope", "One cell in ten is steeper."),
    real_column("slope_max_pct", "%", "Largest slope", "Of the terrain's cells inside."),
    text_column("aspect", "Main aspect", "Sector that most of its sloping cells face; or flat."),
)
_BASAL_AREA = real_column(
    "basal_area_m2",
    "m2",
    "Basal area",
    "Cross-section of the stems at breast height, summed over trees.",
)
_VOLUME_M3 = real_column(
    "volume_m3",
    "m3",
    "Solid volume",
    "Net solid volume; empty where it is not known of every tree.",
)
_TREES_WITHOUT = count_column(
    "trees_without", "Trees without a volume", "Trees that the volumes of the row leave out."
)

STAND = Layer(
    name="stand",
    title="Stand",
    meaning="The area laid out.",
    geometry="MultiPolygon",
    columns=(
        text_column("name", "Stand", "Name of the project."),
        _AREA,
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
        _AREA,
        count_column(
            "trees", "Trees", "Cut trees tallied as corridor wood with this corridor the nearest."
        ),
        _BASAL_AREA,
        _VOLUME_M3,
        text_column("volume", "Volume", "Net volume by product, each in its sale unit."),
        _TREES_WITHOUT,
        *_where_given(
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
_OPENING_MEASURES = (
    _AREA,
    real_column(
        "area_marked_crowns_m2",
        "m2",
        "Area of marked crowns",
        "The lower figure: the crowns of its trees, gaps up to the link distance closed.",
    ),
    real_column(
        "area_boles_m2",
        "m2",
        "Area to the boles",
        "The upper figure: as far as the nearest boles can be whose crowns only touch.",
    ),
    real_column(
        "net_of_leave_m2", "m2", "Area net of leave trees", "Area less the crowns of leave trees."
    ),
    real_column("perimeter_m", "m", "Perimeter", "Length of the outer edge, of all parts."),
    count_column("parts", "Parts", "Separate pieces of the hole."),
    count_column("trees", "Trees", "Cut trees."),
    _BASAL_AREA,
    _VOLUME_M3,
    text_column("volume", "Volume", "Net volume by product, each in its sale unit."),
    _TREES_WITHOUT,
    real_column("length_m", "m", "Length", "Longest axis."),
    real_column("width_m", "m", "Width", "Widest extent at right angles to the longest axis."),
    real_column(
        "ellipse_m2",
        "m2",
        "Ellipse estimate",
        "pi/4 x length x width, for comparison with field notes only; never used as the area.",
    ),
    real_column(
        "equivalent_diameter_m", "m", "Equivalent diameter", "Diameter of the circle of equal area."
    ),
    real_column(
        "diameter_to_height",
        "",
        "Diameter to height",
        "Equivalent diameter over the mean height of the opening's marks; empty without heights.",
    ),
)
OPENINGS = Layer(
    name="openings",
    title="Group openings",
    meaning="A group of trees taken together, leaving one hole, to the edge that the plan states.",
    geometry="MultiPolygon",
    columns=(
        count_column(
            "opening", "Opening", "Number: the marker's own, else north to south, west to east."
        ),
        text_column(
            "group", "Group", "Name that the marker gave; empty for crown-linked openings."
        ),
        text_column(
            "basis", "Basis", "walked, tagged, centre or crowns: what says that it is an opening."
        ),
        *_OPENING_MEASURES,
        real_column(
            "widest_gap_m",
            "m",
            "Widest gap",
            "Widest of the gaps that have to be crossed to reach all parts; empty for one part.",
        ),
        count_column(
            "other_marks_inside",
            "Other marks inside",
            "Cut trees inside the edge that are no trees of the group; tallied in the matrix.",
        ),
        real_column(
            "in_corridor_m2", "m2", "In corridors", "Part of the area that corridors take as well."
        ),
        count_column(
            "combined", "Combined opening", "Number of the combined opening that it belongs to."
        ),
        real_column(
            "combined_area_m2",
            "m2",
            "Combined area",
            "Area of that combined opening, gross of corridor.",
        ),
        count_column("nearest", "Nearest opening", "Number of the nearest other opening."),
        real_column("spacing_m", "m", "Spacing", "Edge to edge of the nearest other opening."),
        real_column(
            "boundary_m",
            "m",
            "To boundary",
            "Distance to the stand boundary; 0 where it reaches it.",
        ),
        real_column(
            "water_m",
            "m",
            "To water",
            "Distance to the nearest bank; empty where no water is given.",
        ),
        real_column("corridor_m", "m", "To corridor", "Distance to the nearest corridor edge."),
        *_SLOPES,
        *_where_given(
            real_column("long_axis_deg", "deg", "Long axis", "Bearing from north, 0 to below 180."),
            real_column(
                "width_to_height",
                "",
                "Width to height",
                "Width over the height of the trees around, else of the opening's marks.",
            ),
            real_column(
                "corridor_edge_m", "m", "Edge on corridors", "Edge that is a corridor already."
            ),
            real_column(
                "windward_edge_m", "m", "Windward edge", "Edge that faces the stated wind."
            ),
            real_column(
                "windward_backed_m",
                "m",
                "Windward edge with trees",
                "Of it, edge with standing crowns within one tree height behind it.",
            ),
        ),
        *_where_given(
            real_column(
                "area_with_unconfirmed_m2",
                "m2",
                "Area with unconfirmed",
                "Area of the opening if every unconfirmed tree were cut as well.",
            ),
        ),
        *_interval("area", "m2", "Area", "true area"),
        *_interval("spacing", "m", "Spacing", "true spacing"),
        *_interval("boundary", "m", "To boundary", "true distance"),
        *_interval("water", "m", "To water", "true distance"),
        *_where_given(
            text_column(
                "no_interval", "No interval", "Why the true area is not given an interval."
            ),
            text_column(
                "crosses_at",
                "Crosses itself at",
                "Where a walked outline crosses itself, so that its area is not known.",
            ),
            text_column("no_area", "No area", "Why its area on the stated edge is not known."),
            text_column(
                "reasons", "Reasons", "Trees by their main reason, where reasons are given."
            ),
            text_column("why", "Why here", "Of a proposed group: one sentence."),
        ),
    ),
)
COMBINED = Layer(
    name="combined_openings",
    title="Combined openings",
    meaning="Openings, with the strips of corridor at them, that are one continuous opening.",
    geometry="MultiPolygon",
    columns=(
        count_column(
            "combined", "Combined opening", "Number: that of its lowest-numbered opening."
        ),
        text_column("openings", "Openings", "Numbers of the openings in it."),
        count_column("openings_count", "Openings in it", "How many openings it joins."),
        _AREA,
        real_column(
            "net_of_corridor_m2", "m2", "Area net of corridors", "Area less what corridors take."
        ),
        *_interval("area", "m2", "Area", "true area"),
        *_where_given(
            text_column(
                "no_interval", "No interval", "Why the true area is not given an interval."
            ),
            text_column(
                "crosses_at",
                "Crosses itself at",
                "Where a walked outline crosses itself, so that its area is not known.",
            ),
            text_column("no_area", "No area", "Why the area of an opening in it is not known."),
        ),
    ),
)
INCIDENTAL_OPENINGS = Layer(
    name="incidental_openings",
    title="Incidental openings",
    meaning="Marked crowns that happen to touch; outside the openings' count and share.",
    geometry="MultiPolygon",
    columns=(
        count_column("incidental", "Incidental opening", "Number, north to south, west to east."),
        *(c for c in _OPENING_MEASURES if c.name not in {"diameter_to_height", "volume"}),
    ),
)
ZONES = Layer(
    name="zones",
    title="Zones",
    meaning="A part of the stand: exclusion, landing, corridor, opening or matrix.",
    geometry="MultiPolygon",
    columns=(
        text_column("zone", "Zone", "exclusion, landing, corridor, opening or matrix."),
        _AREA,
        real_column("share", "", "Share of the stand", "From 0 to 1."),
        count_column("trees", "Trees", "Cut trees by final zone."),
        _BASAL_AREA,
        _VOLUME_M3,
        _TREES_WITHOUT,
        *_SLOPES,
        *_interval("trees", "", "Trees", "true number of trees"),
        *_interval("volume", "m3", "Solid volume", "true volume"),
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
        _BASAL_AREA,
        real_column(
            "volume", "", "Volume", "Net volume in the sale unit, all trees of the record."
        ),
        text_column("volume_unit", "Volume unit", "Sale unit of the volume."),
        _VOLUME_M3,
        text_column(
            "volume_source", "Volume source", "Where the volume comes from, or why there is none."
        ),
        text_column("source_file", "File", "Input file of the record."),
        count_column("record", "Record", "Line or feature number in that file."),
        *_where_given(
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
        *_where_given(
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


EXCLUSIONS = _area_layer("exclusions", "Exclusions", "An area where nothing is cut.", _AREA)
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
    _AREA,
)
LANDINGS = _area_layer(
    "landings",
    "Landings",
    "Where wood is piled, and roads given as areas; as given, also outside the stand.",
    _AREA,
)
HAZARDS = _area_layer(
    "hazards",
    "Hazards",
    "Ground within the distance to keep from a hazard other than a danger tree.",
    real_column("keep_away_m", "m", "Keep away", "Distance to keep; empty where none is stated."),
    _AREA,
)
WATER = _area_layer("water", "Water", "Open water out to its banks.", _AREA)
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
        *_where_given(
            text_column("retention", "Kept for", "What it is kept for, in the project's codes."),
            text_column("marked_as", "Marked as", "Mark that it is as well: a contradiction."),
        ),
    ),
)
CORRIDOR_GRADES = Layer(
    name="corridor_grades",
    title="Corridor grades",
    meaning="A piece of a corridor inside the stand, with its grade.",
    geometry="MultiLineString",
    columns=(
        text_column("corridor", "Corridor", "The marker's own name, else a number."),
        count_column("part", "Part", "Unbroken part of the corridor, from 1."),
        count_column("piece", "Piece", "Along the part, from 1."),
        real_column("from_m", "m", "From", "Distance along the part at which the piece begins."),
        real_column("to_m", "m", "To", "Distance along the part at which the piece ends."),
        real_column("length_m", "m", "Length", "Of the piece."),
        real_column("elevation_from_m", "m", "Elevation from", "Where the piece begins."),
        real_column("elevation_to_m", "m", "Elevation to", "Where the piece ends."),
        real_column(
            "grade_pct",
            "%",
            "Grade",
            "Positive uphill: towards the landing where one is reached, else along the line.",
        ),
        text_column(
            "direction",
            "Direction",
            "adverse (uphill to the landing), favourable or level; empty without a landing.",
        ),
        real_column(
            "cross_slope_pct", "%", "Cross-slope", "Mean slope of the ground across the line."
        ),
        text_column("grade_class", "Grade class", "Class of the grade, without sign."),
        flag_column("steep", "Steep", "Whether the grade is above the stated one."),
    ),
)
CONTOURS = Layer(
    name="contours",
    title="Contours",
    meaning="Contour line of one height in the terrain raster, from which the maps draw theirs.",
    geometry="MultiLineString",
    columns=(
        real_column("elevation_m", "m", "Elevation", "Of the line: a whole foot or metre."),
        real_column("interval_m", "m", "Interval", "Between two lines, the same for all of them."),
    ),
)
EXTRACTION = Layer(
    name="extraction",
    title="Extraction",
    meaning="A stretch of corridor, drawn towards the landing, and the wood that passes over it.",
    geometry="MultiLineString",
    columns=(
        count_column("stretch", "Stretch", "Number, nearest to a landing first."),
        text_column("corridor", "Corridor", "Corridor that the stretch is of."),
        text_column(
            "landing", "Landing", "Where the wood goes; empty where no landing is reached."
        ),
        real_column("length_m", "m", "Length", "Of the stretch."),
        real_column("distance_m", "m", "To landing", "Along corridors from its near end."),
        real_column("farthest_m", "m", "Farthest", "Along corridors from its far end."),
        flag_column("in_stand", "In the stand", "Whether it lies in the stand."),
        count_column("trees", "Trees", "Cut trees that pass over its near end."),
        _VOLUME_M3,
        text_column("volume", "Volume", "Net volume by product, each in its sale unit."),
        _TREES_WITHOUT,
        real_column(
            "loads",
            "",
            "Loads",
            "Solid volume over the stated payload; empty without one, or where the volume is.",
        ),
    ),
)
WATER_CROSSINGS = Layer(
    name="water_crossings",
    title="Water crossings",
    meaning="Where a corridor crosses water or a setback; may need a permit under local rules.",
    geometry="Point",
    columns=(
        count_column("crossing", "Crossing", "Number, water first."),
        text_column("corridor", "Corridor", "Corridor that crosses."),
        text_column("what", "What", "water or setback."),
        text_column("name", "Name", "Of the water or setback, as recorded."),
        text_column("rule", "Rule", "Of a setback."),
        real_column("angle_deg", "deg", "Angle", "To the bank: 90 is square to it, 0 along it."),
        real_column("length_m", "m", "Length", "Of the way through."),
        flag_column("in_stand", "In the stand", "Whether it lies in the stand."),
    ),
)
CORRIDOR_STUBS = Layer(
    name="corridor_stubs",
    title="Corridor stubs",
    meaning="A proposal: a new stub of corridor that would bring trees within reach. Not laid out.",
    geometry="MultiLineString",
    columns=(
        count_column("stub", "Stub", "Number."),
        text_column("corridor", "Corridor", "Where it starts; or stub and its number."),
        real_column("length_m", "m", "Length", "From the corridor's edge."),
        text_column("tree_id", "Tree", "Label of the farthest tree that it serves."),
        count_column("trees", "Trees", "Cut trees that it brings within reach."),
        _VOLUME_M3,
        text_column("crosses", "Crosses", "exclusion, setback or water in its way; empty without."),
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
        _BASAL_AREA,
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
        _TREES_WITHOUT,
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
        _BASAL_AREA,
        real_column(
            "volume", "", "Volume", "Net volume given up, in the sale unit of its product."
        ),
        text_column("volume_unit", "Volume unit", "Sale unit of the volume."),
        _VOLUME_M3,
        text_column("source_file", "File", "Input file of the record."),
        count_column("record", "Record", "Line or feature number in that file."),
    ),
)
"""Layer of the advice; it is no part of a layout."""

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
        _TREES_WITHOUT,
        count_column("rejected", "Rejected", "Records rejected."),
        count_column("exceeded", "Exceeded", "Checks with this verdict."),
        count_column("near", "Near", "Checks with this verdict."),
        count_column("met", "Met", "Checks with this verdict."),
        count_column("not_checked", "Not checked", "Checks with this verdict."),
    ),
)
"""One row a stand, in a run over many."""

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
