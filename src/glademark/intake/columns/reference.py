"""What each input may hold, with an example row: the reference pages are made of it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from glademark.intake.columns import meanings
from glademark.intake.columns.kinds import MEANINGS
from glademark.intake.columns.meanings import Meaning


@dataclass(frozen=True, kw_only=True, slots=True)
class InputReference:
    """One input: what it is, its shapes, the meanings it must have, and an example row."""

    key: str
    what: str
    shapes: str
    example: Mapping[str, str]
    needed: Sequence[str] = ()

    @property
    def meanings(self) -> tuple[Meaning, ...]:
        """Columns that are looked for."""
        after = {"stumps": meanings.STUMPS, "damage": meanings.DAMAGE}
        return after[self.key] if self.key in after else MEANINGS[self.key]


_POINTS = "Points, or a table with columns of coordinates"
_AREAS = "Polygons, or closed lines"
_LINES = "Lines"
_TABLE = "Table"

INPUTS = (
    InputReference(
        key="stand",
        what="Boundary of the stand; holes and parts are kept.",
        shapes=_AREAS,
        example={"name": "Stand 7"},
    ),
    InputReference(
        key="marks",
        what="Painted trees, and points of groups: one record a tree, or `count` trees.",
        shapes=_POINTS,
        needed=("lon", "lat"),
        example={
            "tree_id": "318",
            "marker": "JD",
            "lon": "-88.1404222",
            "lat": "46.3946895",
            "dbh_in": "14.5",
            "species": "sugar maple",
            "product": "sawlog",
            "paint": "white",
            "group": "G 7",
            "count": "1",
            "height_ft": "72",
            "time": "2026-05-12 08:06",
            "reason": "risk+defect",
        },
    ),
    InputReference(
        key="corridors",
        what="Centre lines of machine corridors, new and existing.",
        shapes=_LINES,
        example={"corridor": "A", "width_ft": "14", "state": "new"},
    ),
    InputReference(
        key="tally",
        what="Trees counted on paper, without positions; a named group is that of an opening.",
        shapes=_TABLE,
        needed=("zone", "count"),
        example={
            "zone": "opening",
            "group": "G 7",
            "species": "red maple",
            "product": "pulpwood",
            "dbh_in": "8",
            "count": "11",
            "reason": "group",
        },
    ),
    InputReference(
        key="openings",
        what="Openings whose edge was walked.",
        shapes=_AREAS,
        example={"group": "G 7"},
    ),
    InputReference(
        key="exclusions",
        what="Areas where nothing is cut.",
        shapes=_AREAS,
        example={"name": "Nest"},
    ),
    InputReference(
        key="setbacks",
        what="Strips along water or a boundary with a rule of their own.",
        shapes="Polygons, or lines with a distance",
        needed=("rule",),
        example={
            "name": "Brook",
            "rule": "residual_basal_area",
            "minimum_ft2_ac": "60",
            "distance_ft": "50",
            "side": "left",
        },
    ),
    InputReference(
        key="water",
        what="Streams and shores.",
        shapes="Lines or polygons",
        example={"name": "Brook", "width_ft": "6", "side": "both"},
    ),
    InputReference(
        key="landings",
        what="Where wood is piled, and roads given as areas.",
        shapes="Polygons, or points",
        example={"name": "Landing 1"},
    ),
    InputReference(
        key="hazards",
        what="Hazards beside danger trees: power lines, rock, old shafts, hung-up trees. A point "
        "or line without a distance is drawn 2 m wide.",
        shapes="Points, lines or polygons",
        example={"name": "power line", "keep_away_ft": "35"},
    ),
    InputReference(
        key="leave_trees",
        what="Trees that stay.",
        shapes=_POINTS,
        needed=("lon", "lat"),
        example={
            "tree_id": "L1",
            "lon": "-88.1404222",
            "lat": "46.3946895",
            "species": "yellow birch",
            "dbh_in": "22",
            "height_ft": "75",
            "crown_radius_ft": "14",
            "retention": "cavity",
        },
    ),
    InputReference(
        key="standing",
        what="All standing trees before the cut, as a map, or as a list without positions; other "
        "columns are kept as text.",
        shapes=f"{_POINTS}, or a table without",
        example={
            "tree_id": "2041",
            "lon": "-88.1404222",
            "lat": "46.3946895",
            "species": "sugar maple",
            "dbh_in": "14.5",
            "height_ft": "72",
            "crown_radius_ft": "12",
            "product": "sawlog",
            "grade": "2",
            "defect_pct": "10",
            "condition": "dead top",
            "live_crown_ratio_pct": "35",
            "count": "1",
        },
    ),
    InputReference(
        key="crop_trees",
        what="Trees whose crowns are to be freed of neighbours.",
        shapes=_POINTS,
        needed=("lon", "lat"),
        example={
            "tree_id": "C1",
            "lon": "-88.1404222",
            "lat": "46.3946895",
            "species": "sugar maple",
            "dbh_in": "11",
            "height_ft": "68",
            "crown_radius_ft": "9",
        },
    ),
    InputReference(
        key="regeneration",
        what="Patches of young growth to spare or release.",
        shapes=_AREAS,
        example={"name": "Regeneration 1"},
    ),
    InputReference(
        key="failing_patches",
        what="Walked patches of failing trees, for proposals.",
        shapes=_AREAS,
        example={"name": "Patch 1", "priority": "2"},
    ),
    InputReference(
        key="marked_ground",
        what="Ground on which marking is finished so far.",
        shapes=_AREAS,
        example={"name": "Week 1"},
    ),
    InputReference(
        key="cruise",
        what="Trees on sample plots; a plot without trees is a row without a tree.",
        shapes="Table, or points",
        needed=("plot",),
        example={
            "plot": "12",
            "stratum": "north",
            "baf_ft2_ac": "10",
            "species": "sugar maple",
            "product": "sawlog",
            "dbh_in": "14.5",
            "count": "1",
            "height_ft": "70",
            "crown_radius_ft": "11",
            "live_crown_ratio_pct": "40",
            "is_marked": "no",
            "lon": "-88.1404222",
            "lat": "46.3946895",
        },
    ),
    InputReference(
        key="volume_table",
        what="Volume of one tree by diameter and, as needed, product, species, logs or height; "
        "the heading of volumes may carry their unit.",
        shapes=_TABLE,
        needed=("dbh", "volume"),
        example={
            "product": "sawlog",
            "species": "sugar maple",
            "dbh_in": "14",
            "volume": "0.118",
            "unit": "MBF",
        },
    ),
    InputReference(
        key="stumps",
        what="Stumps seen after the cut (`glademark compare --stumps`).",
        shapes=_POINTS,
        needed=("lon", "lat"),
        example={
            "id": "1",
            "lon": "-88.1404222",
            "lat": "46.3946895",
            "stump_diameter_in": "17",
            "stump_height_ft": "1",
            "species": "sugar maple",
            "product": "sawlog",
            "low_mark": "yes",
            "date": "2026-11-20",
        },
    ),
    InputReference(
        key="damage",
        what="Damage seen after the cut (`glademark compare --damage`): residual trees of plots, "
        "damaged or not, one record a tree or `count` trees; ruts; bent regeneration. A record "
        "that says nothing of a tree is of none.",
        shapes=f"{_TABLE}, or points",
        needed=("plot",),
        example={
            "plot": "4",
            "lon": "-88.1404222",
            "lat": "46.3946895",
            "count": "1",
            "species": "sugar maple",
            "dbh_in": "14",
            "damaged": "yes",
            "wound_area_in2": "40",
            "wound_height_ft": "2",
            "cause": "skidding",
            "root": "no",
            "crown": "no",
            "rut_depth_in": "6",
            "rut_length_ft": "22",
            "regeneration": "12",
            "bent": "3",
            "corridor_distance_ft": "8",
        },
    ),
)
"""Inputs in the order of the project file, those of after the cut last."""

MEANT: Mapping[str, str] = MappingProxyType(
    {
        "id": "Number of the record, as painted or written; it may repeat between files.",
        "marker": "Who marked; the file where it is blank.",
        "count": "Trees that the record stands for; 1 where blank.",
        "kind": "cut, leave, group boundary, group centre, line tree, danger or unconfirmed; it "
        "outranks paint.",
        "type": "As kind, where most of its words are kinds.",
        "dbh": "Diameter at breast height; its unit in the heading, the cell or the project file.",
        "dbh_unit": "Unit of the diameter in this row.",
        "species": "Code, common or scientific name, or one of the project's own.",
        "product": "What the tree is sold as.",
        "paint": "Colour; the project file says what it means.",
        "group": "Group opening that the record belongs to.",
        "height": "Total height.",
        "logs": "Number of 16-ft logs.",
        "crown_radius": "Radius of the crown.",
        "crown_width": "Width of the crown.",
        "volume": "Volume of the record, or of one tree in a volume table.",
        "volume_unit": "Sale unit of the volume in this row.",
        "defect": "Share of the volume that is lost to defect.",
        "cull": "Whether the tree has no net volume (yes, no).",
        "grade": "Grade of the tree.",
        "condition": "What is wrong with the tree, or how well it is; in your own words.",
        "live_crown_ratio": "Length of the live crown over the height of the tree.",
        "retention": "What the tree is kept for, in codes of the project file.",
        "reason": "Why the tree is cut, in codes of the project file; several with + between "
        "them, the main one first.",
        "is_marked": "Whether the tree is marked (yes, no).",
        "must_go": "Whether no advice may leave it standing (yes, no).",
        "position_error": "Horizontal error of this position.",
        "time": "When the record was made.",
        "date": "Day of the record, where the time stands apart.",
        "order": "Place of a boundary point on its perimeter.",
        "radius": "Radius of the group round its centre.",
        "lon": "Longitude in degrees, WGS 84.",
        "lat": "Latitude in degrees, WGS 84.",
        "x": "Easting, in the coordinate system that the project file states.",
        "y": "Northing, in the coordinate system that the project file states.",
        "utm_zone": "UTM zone of easting and northing, as in 16N.",
        "zone": "corridor, opening, matrix, landing or exclusion; opening where a group is named.",
        "name": "Name that is shown.",
        "width": "Full width.",
        "state": "new or existing.",
        "rule": "no_cut, no_machine or residual_basal_area.",
        "minimum": "Basal area that has to stay.",
        "side": "left, right or both: the banks that a line has strips on, looking downstream.",
        "keep_away": "Distance to keep from it; what is drawn is the ground within it.",
        "distance": "Width of the strip on each side of a line.",
        "plot": "Name of the plot.",
        "stratum": "Stratum that the plot stands for.",
        "weight": "Weight of a plot at an edge.",
        "baf": "Basal area factor of a variable-radius plot.",
        "plot_area": "Area of a fixed plot.",
        "plot_radius": "Radius of a fixed plot.",
        "times": "How often the tree counts (walkthrough).",
        "walkthrough": "Whether the tree counts twice (yes, no).",
        "stump_diameter": "Diameter at the stump.",
        "breast_diameter": "Diameter at breast height.",
        "diameter": "Diameter, taken where the project file says.",
        "stump_height": "Height at which the stump was measured.",
        "damaged": "Whether the tree is damaged, or how many of the record's trees are.",
        "wound_area": "Size of the wound; from `[compare] wound_area_min` on it is damage.",
        "wound_height": "Height of the wound above ground.",
        "cause": "What did it: felling, skidding, a machine.",
        "root": "Whether roots are damaged (yes, no).",
        "crown": "Whether the crown is damaged (yes, no).",
        "rut_depth": "Depth of a rut.",
        "rut_length": "Length of that rut.",
        "priority": "How badly the trees of a patch fail; blank: as the project's failing_from.",
        "regeneration": "Young trees looked at.",
        "bent": "Those of them that are bent or broken.",
        "corridor_distance": "From the nearest corridor edge; by the position where blank.",
        "low_mark": "Whether paint is seen below the cut (yes, no; blank: not looked for).",
    }
)
"""What a column of each meaning says."""
