"""Layers of the ground: grades, contours, ways of the wood, crossings, proposed stubs."""

from glademark.contracts.layer import (
    TREES_WITHOUT,
    VOLUME_M3,
    Layer,
    count_column,
    flag_column,
    real_column,
    text_column,
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
