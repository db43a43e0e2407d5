"""Layers of openings and of the ground: grades, contours, ways of the wood, crossings."""

from glademark.contracts.frames import (
    AREA,
    BASAL_AREA,
    SLOPES,
    TREES_WITHOUT,
    VOLUME_M3,
    Layer,
    count_column,
    flag_column,
    interval,
    real_column,
    text_column,
    where_given,
)

_OPENING_MEASURES = (
    AREA,
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
    BASAL_AREA,
    VOLUME_M3,
    text_column("volume", "Volume", "Net volume by product, each in its sale unit."),
    TREES_WITHOUT,
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

_NO_INTERVAL = text_column(
    "no_interval", "No interval", "Why the true area is not given an interval."
)
_CROSSES_AT = text_column(
    "crosses_at",
    "Crosses itself at",
    "Where a walked outline crosses itself, so that its area is not known.",
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
        *SLOPES,
        *where_given(
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
        *where_given(
            real_column(
                "area_with_unconfirmed_m2",
                "m2",
                "Area with unconfirmed",
                "Area of the opening if every unconfirmed tree were cut as well.",
            ),
        ),
        *interval("area", "m2", "Area", "true area"),
        *interval("spacing", "m", "Spacing", "true spacing"),
        *interval("boundary", "m", "To boundary", "true distance"),
        *interval("water", "m", "To water", "true distance"),
        *where_given(
            _NO_INTERVAL,
            _CROSSES_AT,
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
        AREA,
        real_column(
            "net_of_corridor_m2", "m2", "Area net of corridors", "Area less what corridors take."
        ),
        *interval("area", "m2", "Area", "true area"),
        *where_given(
            _NO_INTERVAL,
            _CROSSES_AT,
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
        VOLUME_M3,
        text_column("volume", "Volume", "Net volume by product, each in its sale unit."),
        TREES_WITHOUT,
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
        VOLUME_M3,
        text_column("crosses", "Crosses", "exclusion, setback or water in its way; empty without."),
    ),
)
