"""Layers of openings: group openings, those that are one opening together, incidental ones."""

from glademark.contracts.layer import (
    AREA,
    BASAL_AREA,
    SLOPES,
    TREES_WITHOUT,
    VOLUME_M3,
    Layer,
    count_column,
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
