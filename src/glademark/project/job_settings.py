"""Settings of terrain, machine, wind, trees that stay, and of the jobs beside the layout."""

import re
from collections.abc import Mapping
from datetime import date
from itertools import pairwise
from typing import Annotated, Literal, NamedTuple

from pydantic import (
    Field,
    field_validator,
    model_validator,
)

from glademark.forestry.allometry import WidthForm
from glademark.project.text_values import (
    DEFAULT_POSITION_ERROR_M,
    WORDS_MAX,
    Bearing,
    Length,
    Part,
    PositionError,
    Share,
    Solid,
    Text,
    WoundArea,
)
from glademark.units import ACRE_M2, CUBIC_FOOT_M3, FOOT_M, HECTARE_M2

GroupRule = Literal["whole", "edge_trees", "free"]
"""How advice may touch a group: as a whole, by trees on its edge, or tree by tree."""

_TREE_SIZES: Mapping[str, tuple[str, float]] = {
    "m2": ("basal_area_m2", 1.0),
    "ft2": ("basal_area_m2", FOOT_M**2),
    "m3": ("volume_m3", 1.0),
    "ft3": ("volume_m3", CUBIC_FOOT_M3),
    "tree": ("tree", 1.0),
}

_GROUND: Mapping[str, float] = {"ha": HECTARE_M2, "acre": ACRE_M2, "m2": 1.0, "ft2": FOOT_M**2}

_WAY: Mapping[str, float] = {"m": 1.0, "ft": FOOT_M}

_POINTS = re.compile(r"\s*(\d+(?:\.\d+)?|\.\d+)(?:\s+per\s+(?:(\d+(?:\.\d+)?)\s+)?([a-z]+\d?))?\s*")

GroupPoints = Annotated[str, Text(pattern=r"^\s*[\d.]+\s*$", examples=("0.05",))]


class TerrainSettings(Part):
    """How the terrain raster is read, and over what grades are taken."""

    height_unit: Literal["m", "ft"] | None = None
    """Unit of the heights; the file's own where not given."""
    margin_m: Length = Field(50.0, alias="margin", gt=0, le=5000)
    """Ground around the stand that is read as well."""
    covered_min: Share = 0.5  # least share of the stand that must have heights
    grade_lengths_m: tuple[Length, ...] = Field(
        (10.0, 30.0), alias="grade_lengths", min_length=1, max_length=6
    )
    """Lengths over which grades are taken, rising."""
    steep_grade: Share = Field(0.2, gt=0)  # from where on a stretch counts as steep
    grade_classes: tuple[Share, ...] = Field((0.1, 0.2, 0.3), min_length=1, max_length=12)
    """Upper ends of the classes of grade, rising."""

    @field_validator("grade_lengths_m", "grade_classes")
    @classmethod
    def _rising(cls, value: tuple[float, ...]) -> tuple[float, ...]:
        if not all(b > a for a, b in pairwise((0.0, *value))):
            msg = f"{list(value)} does not rise from a first value above 0"
            raise ValueError(msg)
        return value


class MachineSettings(Part):
    """What the machine reaches and carries."""

    reach_m: Length | None = Field(None, alias="reach", gt=0, le=500)
    """Of boom or winch line, from the corridor's edge."""
    enters_openings: bool = False
    """Whether it goes into openings that a corridor meets, and reaches their trees from inside."""
    payload_m3: Solid | None = Field(None, alias="payload", gt=0)  # solid wood of one load
    snapping_distance_m: Length = Field(1.0, alias="snapping_distance", ge=0, le=20)
    """Corridor ends this close to another line or a landing belong to it."""


class WindSettings(Part):
    """The prevailing wind and the height of the trees that it meets."""

    from_deg: Bearing | None = Field(None, alias="from")
    """Bearing from which it blows, clockwise from north."""
    tree_height_m: Length | None = Field(None, alias="tree_height", gt=0, le=150)
    """Height of the trees around openings; that of their marks where not given."""


class AdviseSettings(Part):
    """How groups may be touched by advice."""

    groups: GroupRule = "whole"


class CompareSettings(Part):
    """How the stumps and tracks after the cut are held against the layout."""

    stump_error_m: Length | None = Field(None, alias="stump_error", ge=0, le=200)
    """Horizontal root mean square error of the stumps' positions; that of the marks if None."""
    driven_error_m: Length = Field(DEFAULT_POSITION_ERROR_M, alias="driven_error", ge=0, le=200)
    """The same of the driven lines."""
    adjust_error: bool = True  # whether the size of the errors is estimated from the matches
    diameter_at: Literal["breast", "stump"] = "stump"
    """Where the stumps' diameters were taken, where their column does not say."""
    stump_height_m: Length = Field(0.3, alias="stump_height", ge=0, le=1.37)
    """Height at which stumps were measured, where it was not recorded."""
    stump_bark: Literal["outside", "inside"] = "outside"
    """Whether they were measured outside or inside the bark."""
    diameter_error: Share = Field(0.08, gt=0, lt=1)
    """Relative error of a diameter, conversion from the stump included."""
    species_error: Share = Field(0.03, gt=0, lt=1)
    low_mark_kept: Share = Field(0.95, gt=0, lt=1)
    low_mark_false: Share = Field(0.02, gt=0, lt=1)
    """species_error, low_mark_kept and low_mark_false: share of species named wrongly, of marked
    stumps on which a low mark is seen, and of other stumps on which one is believed to be seen."""
    doubtful_below: Share = Field(0.9, gt=0.5, lt=1)  # A finding less sure than this is doubtful
    unmarked_in_corridors_allowed: bool = False
    """Whether the contract lets the operator cut unmarked trees inside corridors."""
    unmarked_share_max: Share | None = None
    """Share of the cut trees that may be unmarked, where the contract allows it nowhere else."""
    residual_damage_share_max: Share | None = None
    """Share of the residual trees that may be damaged."""
    wound_area_min_m2: WoundArea = Field(0.0, alias="wound_area_min", ge=0)
    """Wounds smaller than this are recorded, and not counted as damage."""
    machine_width_m: Length | None = Field(None, alias="machine_width", gt=0, le=30)
    """Width of the driven machine; the default width of corridors if None."""
    confidence: Share = Field(0.95, gt=0.5, lt=1)  # of all intervals


class UncertaintySettings(Part):
    """How the position error is carried through; without this table it is not."""

    off: bool = False  # whether the table is passed over
    draws: int = Field(500, ge=100, le=10_000)
    seed: int = Field(1, ge=0)  # draws and seed: number of draws, and where the generator starts
    interval: Share = Field(0.9, ge=0.5, le=0.99)  # share of the draws that an interval holds
    near_chance: Share = Field(0.05, gt=0, lt=0.5)
    """Chance of being beyond a limit from which a value inside it is near."""
    shared: Share = Field(0.0, ge=0, le=0.9)
    """Share of the variance of a fix that it has in common with those taken together."""
    shared_by: Literal["day", "file", "time"] = "day"
    """Which fixes err together: those of a day, of a file, or of a stretch of minutes."""
    shared_minutes: float = Field(30.0, gt=0, le=1440)  # length of such a stretch
    line_error_m: PositionError | None = Field(None, alias="line_error")
    """Horizontal root mean square error of corridor lines and walked outlines; that of the marks
    where not given."""
    line_error_length_m: Length = Field(20.0, alias="line_error_length", ge=0, le=1000)
    """Distance over which the vertices of a line err alike."""
    crown_error: Share = Field(0.2, ge=0, le=0.5)
    """Relative standard error of a crown radius that was not measured."""


class DeliverSettings(Part):
    """What is made, and on which paper."""

    only: tuple[str, ...] = ()  # ids of the deliverables to make; all where empty
    paper: Literal["letter", "tabloid", "A4", "A3"] | None = None
    """Paper of the map sheets; letter or A4 by the units of the project where not given."""
    scale: int | None = Field(None, ge=100, le=100_000)
    """Denominator of the overview map's scale; a round one that fits where not given."""
    prescription: str | None = Field(None, pattern=r"\S")
    """The silvicultural system and the rules for marking, in words, for the filing."""
    approved_by: str | None = Field(None, pattern=r"\S")
    approved_on: str | None = None
    """approved_by and approved_on: who approved cutting although limits are exceeded, and the day,
    written ``2026-05-04``; both or neither."""

    @field_validator("approved_on", mode="before")
    @classmethod
    def _a_day(cls, value: object) -> object:
        """A day as text, however the file writes it."""
        return None if value is None else date.fromisoformat(str(value)).isoformat()

    @model_validator(mode="after")
    def _by_someone_on_a_day(self) -> "DeliverSettings":
        """An approval has a name and a day."""
        if (self.approved_by is None) != (self.approved_on is None):
            msg = "approved_by and approved_on belong together: who approved it, and the day"
            raise ValueError(msg)
        return self


class CrewSettings(Part):
    """What the crew is told beside the marks; each is printed where it is given."""

    meeting_point: str | None = None
    access: str | None = None
    flagging: Mapping[str, str] = Field(default_factory=dict, max_length=WORDS_MAX)
    """What each colour of flagging means."""
    slash: str | None = None
    top: str | None = None
    stump_height: str | None = None
    """top and stump_height: rules in words, such as ``4 in`` or ``at most 12 in, uphill side``."""
    tree_length_m: Length | None = Field(None, alias="tree_length", gt=0, le=150)
    """For the distance around danger trees whose height is not measured; no distance where none."""


class CropTreeSettings(Part):
    """When a neighbour crowds a crop tree, and what may harm it; `sides` start at north."""

    sides: Literal[4, 8] = 4
    touch_distance_m: Length = Field(1.0, alias="touch_distance", ge=0, le=20)
    damage_distance_m: Length = Field(3.0, alias="damage_distance", ge=0, le=50)
    felling_distance_m: Length = Field(20.0, alias="felling_distance", ge=0, le=100)


class StabilitySettings(Part):
    """Beyond which a tree beside an opening or corridor is worth a look; no defaults."""

    height_diameter_max: float | None = Field(None, gt=0, le=300)
    live_crown_ratio_min: Share | None = Field(None, gt=0, lt=1)


def _pattern(units: str) -> str:
    """Regular expression of points per one of some units."""
    return rf"^\s*[\d.]+ per (?:[\d.]+ )?(?:{units})\s*$"


TreePoints = Annotated[
    str, Text(pattern=_pattern("m2|ft2|m3|ft3|tree"), examples=("1 per m2", "2 per tree"))
]
GroundPoints = Annotated[
    str, Text(pattern=_pattern("ha|acre|m2|ft2"), examples=("10 per ha", "4 per acre"))
]
WayPoints = Annotated[str, Text(pattern=_pattern("m|ft"), examples=("0.2 per 100 m",))]


class PointsPer(NamedTuple):
    """Points for each unit in SI, and what of a tree they count: an area, volume or the tree."""

    points: float
    of: str = ""


def _points(text: str, units: Mapping[str, object]) -> tuple[float, str]:
    """Points and unit of a weight, its number of units divided out."""
    found = _POINTS.fullmatch(text)
    unit = found[3] or "" if found else ""
    if found is None or (unit not in units if units else bool(unit)):
        words = f"points per {', '.join(units)}" if units else "a number of points"
        msg = f"{text!r} is no weight; expected {words}, as in '0.5 per m2' or '0.05'"
        raise ValueError(msg)
    return float(found[1]) / float(found[2] or 1), unit


class ProposeWeights(Part):
    """What groups gain and lose, in points."""

    failing: TreePoints = "1 per m2"
    growing_stock: TreePoints = "0.5 per m2"
    regeneration: GroundPoints = "10 per ha"
    distance: WayPoints = "0.2 per 100 m"
    new_corridor: WayPoints = "0.2 per 100 m"
    group: GroupPoints = "0.05"

    @field_validator("failing", "growing_stock")
    @classmethod
    def _per_tree(cls, value: str) -> str:
        _points(value, _TREE_SIZES)
        return value

    @field_validator("regeneration")
    @classmethod
    def _per_ground(cls, value: str) -> str:
        _points(value, _GROUND)
        return value

    @field_validator("distance", "new_corridor")
    @classmethod
    def _per_way(cls, value: str) -> str:
        _points(value, _WAY)
        return value

    @field_validator("group")
    @classmethod
    def _plain(cls, value: str) -> str:
        _points(value, {})
        return value

    def of_trees(self, name: Literal["failing", "growing_stock"]) -> PointsPer:
        """Points per unit of a tree's size."""
        points, unit = _points(getattr(self, name), _TREE_SIZES)
        of, size = _TREE_SIZES[unit]
        return PointsPer(points / size, of)

    @property
    def regeneration_per_m2(self) -> float:
        """Points per square metre of regeneration inside an opening."""
        points, unit = _points(self.regeneration, _GROUND)
        return points / _GROUND[unit]

    def per_metre(self, name: Literal["distance", "new_corridor"]) -> float:
        """Points lost per metre."""
        points, unit = _points(getattr(self, name), _WAY)
        return points / _WAY[unit]

    @property
    def per_group(self) -> float:
        """Points lost for each group."""
        return _points(self.group, {})[0]


class CanopySettings(Part):
    """How trees are found in a raster of canopy heights."""

    height_unit: Literal["m", "ft"] | None = None
    """Unit of the heights; the file's own where not given."""
    crown_width: WidthForm = "combined"  # form by which a height suggests the width of a crown
    tree_height_min_m: Length = Field(5.0, alias="tree_height_min", gt=0, le=100)
    """Lower tops are no trees."""


class PriorityRule(Part):
    """Priority of the trees that fit: a column and its value, or NAME_min and NAME_max."""

    when: Mapping[str, str | float | bool] = Field(min_length=1)
    priority: float = Field(gt=0)


class ProposeSettings(Part):
    """What is proposed, and how much of it."""

    min_trees: int = Field(4, ge=1)
    groups_min: int = Field(1, ge=0)
    groups_max: int = Field(12, ge=1, le=100_000)
    priority_column: str | None = None
    priority: tuple[PriorityRule, ...] = ()
    failing_from: float = Field(1.0, gt=0)  # priority from which a tree is failing
    trees_inside: Literal["all_cut", "may_stay"] = "all_cut"
    """Whether every standing tree inside an opening belongs to its group."""
    alternatives: int = Field(3, ge=1, le=9)
    other_groups_min: int = Field(2, ge=1)  # groups of an alternative that no earlier one has
    rounds_max: int = Field(20, ge=0, le=1000)
    nodes_max: int = Field(20_000, ge=1)
    """rounds_max and nodes_max: budget of the search: rounds of new candidates, nodes of the
    integer program."""
    weights: ProposeWeights = ProposeWeights()

    @model_validator(mode="after")
    def _least_below_most(self) -> "ProposeSettings":
        """As many groups as are asked for must be allowed."""
        if self.groups_min > self.groups_max:
            msg = f"groups_min {self.groups_min} is more than groups_max {self.groups_max}"
            raise ValueError(msg)
        return self
