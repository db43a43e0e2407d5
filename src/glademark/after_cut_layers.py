"""Layers and tables of the comparison after the cut, declared as those of the layout are."""

from collections.abc import Mapping
from types import MappingProxyType

from glademark.layers import SET_ASIDE, Column, Kind, Layer


def _column(name: str, kind: Kind, title: str, meaning: str, unit: str = "") -> Column:
    return Column(name=name, kind=kind, title=title, meaning=meaning, unit=unit)


def _text(name: str, title: str, meaning: str) -> Column:
    return _column(name, "text", title, meaning)


def _real(name: str, unit: str, title: str, meaning: str) -> Column:
    return _column(name, "real", title, meaning, unit)


_WOOD = (
    _text("species", "Species", "As recorded."),
    _real("dbh_cm", "cm", "DBH", "At breast height; converted where taken at the stump."),
    _text("product", "Product", "As recorded, else that of the mark most alike."),
    _real("basal_area_m2", "m2", "Basal area", "Cross-section at breast height."),
    _text("volume", "Volume", "Net volume by product, each in its sale unit."),
    _real("volume_m3", "m3", "Solid volume", "Net; empty where it cannot be converted."),
)
_SOURCE = (
    _text("source_file", "File", "Input file of the record."),
    _column("record", "integer", "Record", "Line or feature number in that file."),
)
_DOUBTFUL = _column(
    "doubtful", "flag", "Doubtful", "Whether it is less sure than the project asks for."
)

STUMPS = Layer(
    name="stumps",
    title="Stumps",
    meaning="One stump, and the tree that it most likely was.",
    geometry="Point",
    columns=(
        _text("stump_id", "Stump", "Number of the record."),
        _text(
            "finding",
            "Finding",
            "matched, unmarked, unmarked_in_corridor, leave_tree, line_tree or danger_tree.",
        ),
        _text("tree_id", "Tree", "Number of the tree that it is matched to."),
        _text("marker", "Marker", "Who marked that tree."),
        _real("chance", "", "Chance", "That the finding is right, from 0 to 1."),
        _real("chance_marked", "", "Chance of a mark", "That any tree marked to cut was this one."),
        _DOUBTFUL,
        _real("distance_m", "m", "Distance", "To the matched tree, common shifts taken out."),
        _text("place", "Place", "Zone, keep_out, setback or outside: where the point falls."),
        _real("place_chance", "", "Chance of the place", "By the error of its position."),
        _text("low_mark", "Low mark", "seen, not seen, or nothing where not looked for."),
        _real("diameter_cm", "cm", "Diameter", "As measured."),
        _text("diameter_at", "Diameter at", "stump or breast."),
        *_WOOD,
        _real("position_error_m", "m", "Position error", "Horizontal root mean square error."),
        *_SOURCE,
    ),
)
TREES = Layer(
    name="trees",
    title="Trees known before the cut",
    meaning="One tree of the layout, and whether a stump of it was found.",
    geometry="Point",
    columns=(
        _text("tree_id", "Tree", "The marker's own number."),
        _text("marker", "Marker", "Who marked, else the file that the record came from."),
        _text("kind", "Kind", "cut, leave, line_tree or danger."),
        _text("finding", "Finding", "cut, or no_stump where none was matched."),
        _text("stump_id", "Stump", "Number of the matched stump."),
        _real("chance", "", "Chance", "That the finding is right, from 0 to 1."),
        _real("chance_cut", "", "Chance of being cut", "From 0 to 1."),
        _DOUBTFUL,
        _text("zone", "Zone", "Of the layout."),
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
        _text("name", "Line", "As recorded, else a number."),
        _real("length_m", "m", "Length", "Of the stretch."),
        _real("departure_m", "m", "Widest departure", "From the nearest corridor or landing."),
        _column(
            "beyond_error", "flag", "Beyond the error", "Whether it goes farther than two standard "
            "errors of the track.",
        ),
        _text("corridor", "Nearest corridor", "Where the stretch begins."),
    ),
)  # fmt: skip
OPENINGS = Layer(
    name="openings_after",
    title="Openings after the cut",
    meaning="An opening as walked after the cut, beside the one that was laid out.",
    geometry="MultiPolygon",
    columns=(
        _text("group", "Group", "As recorded, else a number."),
        _column("opening", "integer", "Opening", "Laid opening that it overlaps the most."),
        _real("area_m2", "m2", "Area", "As walked after the cut."),
        _real("laid_area_m2", "m2", "Laid area", "Of that opening in the layout."),
        _real("beyond_area_m2", "m2", "Beyond", "Walked, but not laid out as an opening."),
        _real("short_area_m2", "m2", "Short", "Laid out, but not within the walked edge."),
        _real("departure_m", "m", "Widest departure", "Of the walked edge beyond the laid one."),
    ),
)
FINDINGS = Layer(
    name="findings",
    title="Findings",
    meaning="How much one finding amounts to, with its interval.",
    geometry=None,
    columns=(
        _text("finding", "Finding", "Key of the finding."),
        _text("title", "What was seen", "In words."),
        _text("quantity", "Quantity", "trees, basal_area, solid_volume or a product by its name."),
        _text("unit", "Unit", "trees, m2, m3 or the product's sale unit."),
        _real("amount", "", "Amount", "To be expected from the chances of all pairs."),
        _real("low", "", "Low", "Lower end of the interval that the match leaves."),
        _real("high", "", "High", "Upper end of that interval."),
        _real("share_of_marked", "", "Share of marked", "Of what was marked to cut, from 0 to 1."),
    ),
)
SAMPLE = Layer(
    name="sample_check",
    title="Estimates from the places walked",
    meaning="What the places walked say of the whole stand.",
    geometry=None,
    columns=(
        _text("finding", "Finding", "Key of the finding."),
        _text("quantity", "Quantity", "trees or basal_area; share of all stumps."),
        _text("unit", "Unit", "trees, m2 or share."),
        _column("places", "integer", "Places", "Walked plots or strips."),
        _real("estimate", "", "Estimate", "For the stand; ratio to the area walked."),
        _real("standard_error", "", "Standard error", "Between places."),
        _real("low", "", "Low", "Lower end of the confidence interval."),
        _real("high", "", "High", "Upper end of the confidence interval."),
    ),
)
SHIFTS = Layer(
    name="shifts",
    title="Common shifts",
    meaning="Shift that the positions of one day of stumps or marks have in common.",
    geometry=None,
    columns=(
        _text("of", "Of", "stumps or marks."),
        _text("day", "Day", "File and day as recorded."),
        _column("trees", "integer", "Positions", "Of that day."),
        _real("east_m", "m", "East", "Taken out."),
        _real("north_m", "m", "North", "Taken out."),
    ),
)

AFTER_CUT_LAYERS: Mapping[str, Layer] = MappingProxyType(
    {
        layer.name: layer
        for layer in (STUMPS, TREES, DRIVEN, OPENINGS, FINDINGS, SAMPLE, SHIFTS, SET_ASIDE)
    }
)
"""Every layer and table of ``compare.gpkg``, in the order in which they are written."""
