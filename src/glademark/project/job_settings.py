"""Settings of terrain, machine, wind, trees that stay, advice, comparison, uncertainty, papers."""

from collections.abc import Mapping
from datetime import date
from itertools import pairwise
from typing import Literal

from pydantic import (
    Field,
    field_validator,
    model_validator,
)

from glademark.project.text_values import (
    DEFAULT_POSITION_ERROR_M,
    WORDS_MAX,
    Bearing,
    Length,
    Part,
    PositionError,
    Share,
    Solid,
    WoundArea,
)

GroupRule = Literal["whole", "edge_trees", "free"]
"""How advice may touch a group: as a whole, by trees on its edge, or tree by tree."""


class TerrainSettings(Part):
    """
    How the terrain raster is read, and over what grades are taken.

    Attributes
    ----------
    height_unit
        Unit of the heights; the file's own where not given.
    margin_m
        Ground around the stand that is read as well.
    covered_min
        Least share of the stand that must have heights.
    grade_lengths_m
        Lengths over which grades are taken, rising.
    steep_grade
        From where on a stretch counts as steep.
    grade_classes
        Upper ends of the classes of grade, rising.
    """

    height_unit: Literal["m", "ft"] | None = None
    margin_m: Length = Field(50.0, alias="margin", gt=0, le=5000)
    covered_min: Share = 0.5
    grade_lengths_m: tuple[Length, ...] = Field(
        (10.0, 30.0), alias="grade_lengths", min_length=1, max_length=6
    )
    steep_grade: Share = Field(0.2, gt=0)
    grade_classes: tuple[Share, ...] = Field((0.1, 0.2, 0.3), min_length=1, max_length=12)

    @field_validator("grade_lengths_m", "grade_classes")
    @classmethod
    def _rising(cls, value: tuple[float, ...]) -> tuple[float, ...]:
        if not all(b > a for a, b in pairwise((0.0, *value))):
            msg = f"{list(value)} does not rise from a first value above 0"
            raise ValueError(msg)
        return value


class MachineSettings(Part):
    """
    What the machine reaches and carries.

    Attributes
    ----------
    reach_m
        Of boom or winch line, from the corridor's edge.
    enters_openings
        Whether it goes into openings that a corridor meets, and reaches their trees from inside.
    payload_m3
        Solid wood of one load.
    snapping_distance_m
        Corridor ends this close to another line or a landing belong to it.
    """

    reach_m: Length | None = Field(None, alias="reach", gt=0, le=500)
    enters_openings: bool = False
    payload_m3: Solid | None = Field(None, alias="payload", gt=0)
    snapping_distance_m: Length = Field(1.0, alias="snapping_distance", ge=0, le=20)


class WindSettings(Part):
    """
    The prevailing wind and the height of the trees that it meets.

    Attributes
    ----------
    from_deg
        Bearing from which it blows, clockwise from north.
    tree_height_m
        Height of the trees around openings; that of their marks where not given.
    """

    from_deg: Bearing | None = Field(None, alias="from")
    tree_height_m: Length | None = Field(None, alias="tree_height", gt=0, le=150)


class AdviseSettings(Part):
    """How groups may be touched by advice."""

    groups: GroupRule = "whole"


class CompareSettings(Part):
    """
    How the stumps and tracks after the cut are held against the layout.

    Attributes
    ----------
    stump_error_m
        Horizontal root mean square error of the stumps' positions; that of the marks if None.
    driven_error_m
        The same of the driven lines.
    adjust_error
        Whether the size of the errors is estimated from the matches.
    diameter_at
        Where the stumps' diameters were taken, where their column does not say.
    stump_height_m
        Height at which stumps were measured, where it was not recorded.
    stump_bark
        Whether they were measured outside or inside the bark.
    diameter_error
        Relative error of a diameter, conversion from the stump included.
    species_error, low_mark_kept, low_mark_false
        Share of species named wrongly, of marked stumps on which a low mark is seen, and of other
        stumps on which one is believed to be seen.
    doubtful_below
        A finding less sure than this is doubtful.
    unmarked_in_corridors_allowed
        Whether the contract lets the operator cut unmarked trees inside corridors.
    unmarked_share_max
        Share of the cut trees that may be unmarked, where the contract allows it nowhere else.
    residual_damage_share_max
        Share of the residual trees that may be damaged.
    wound_area_min_m2
        Wounds smaller than this are recorded, and not counted as damage.
    machine_width_m
        Width of the driven machine; the default width of corridors if None.
    confidence
        Of all intervals.
    """

    stump_error_m: Length | None = Field(None, alias="stump_error", ge=0, le=200)
    driven_error_m: Length = Field(DEFAULT_POSITION_ERROR_M, alias="driven_error", ge=0, le=200)
    adjust_error: bool = True
    diameter_at: Literal["breast", "stump"] = "stump"
    stump_height_m: Length = Field(0.3, alias="stump_height", ge=0, le=1.37)
    stump_bark: Literal["outside", "inside"] = "outside"
    diameter_error: Share = Field(0.08, gt=0, lt=1)
    species_error: Share = Field(0.03, gt=0, lt=1)
    low_mark_kept: Share = Field(0.95, gt=0, lt=1)
    low_mark_false: Share = Field(0.02, gt=0, lt=1)
    doubtful_below: Share = Field(0.9, gt=0.5, lt=1)
    unmarked_in_corridors_allowed: bool = False
    unmarked_share_max: Share | None = None
    residual_damage_share_max: Share | None = None
    wound_area_min_m2: WoundArea = Field(0.0, alias="wound_area_min", ge=0)
    machine_width_m: Length | None = Field(None, alias="machine_width", gt=0, le=30)
    confidence: Share = Field(0.95, gt=0.5, lt=1)


class UncertaintySettings(Part):
    """
    How the position error is carried through; without this table it is not.

    Attributes
    ----------
    off
        Whether the table is passed over.
    draws, seed
        Number of draws, and where the generator starts.
    interval
        Share of the draws that an interval holds.
    near_chance
        Chance of being beyond a limit from which a value inside it is near.
    shared
        Share of the variance of a fix that it has in common with those taken together.
    shared_by
        Which fixes err together: those of a day, of a file, or of a stretch of minutes.
    shared_minutes
        Length of such a stretch.
    line_error_m
        Horizontal root mean square error of corridor lines and walked outlines; that of the marks
        where not given.
    line_error_length_m
        Distance over which the vertices of a line err alike.
    crown_error
        Relative standard error of a crown radius that was not measured.
    """

    off: bool = False
    draws: int = Field(500, ge=100, le=10_000)
    seed: int = Field(1, ge=0)
    interval: Share = Field(0.9, ge=0.5, le=0.99)
    near_chance: Share = Field(0.05, gt=0, lt=0.5)
    shared: Share = Field(0.0, ge=0, le=0.9)
    shared_by: Literal["day", "file", "time"] = "day"
    shared_minutes: float = Field(30.0, gt=0, le=1440)
    line_error_m: PositionError | None = Field(None, alias="line_error")
    line_error_length_m: Length = Field(20.0, alias="line_error_length", ge=0, le=1000)
    crown_error: Share = Field(0.2, ge=0, le=0.5)


class DeliverSettings(Part):
    """
    What is made, and on which paper.

    Attributes
    ----------
    only
        Ids of the deliverables to make; all where empty.
    paper
        Paper of the map sheets; letter or A4 by the units of the project where not given.
    scale
        Denominator of the overview map's scale; a round one that fits where not given.
    prescription
        The silvicultural system and the rules for marking, in words, for the filing.
    approved_by, approved_on
        Who approved cutting although limits are exceeded, and the day, written ``2026-05-04``; both
        or neither.
    """

    only: tuple[str, ...] = ()
    paper: Literal["letter", "tabloid", "A4", "A3"] | None = None
    scale: int | None = Field(None, ge=100, le=100_000)
    prescription: str | None = Field(None, pattern=r"\S")
    approved_by: str | None = Field(None, pattern=r"\S")
    approved_on: str | None = None

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
    """
    What the crew is told beside the marks; each is printed where it is given.

    Attributes
    ----------
    flagging
        What each colour of flagging means.
    top, stump_height
        Rules in words, such as ``4 in`` or ``at most 12 in, uphill side``.
    tree_length_m
        For the distance around danger trees whose height is not measured; no distance where none.
    """

    meeting_point: str | None = None
    access: str | None = None
    flagging: Mapping[str, str] = Field(default_factory=dict, max_length=WORDS_MAX)
    slash: str | None = None
    top: str | None = None
    stump_height: str | None = None
    tree_length_m: Length | None = Field(None, alias="tree_length", gt=0, le=150)


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
