"""
What was asked for: the project file as a model, every quantity already in SI.

A key of the file that carries a unit becomes a field with the unit in its name: ``width = "14 ft"``
is `CorridorSettings.width_m`, 4.2672.
"""

import math
import re
from collections.abc import Mapping
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import (
    Field,
    GetJsonSchemaHandler,
    SerializerFunctionWrapHandler,
    Strict,
    field_validator,
    model_serializer,
    model_validator,
)
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema

from glademark.errors import UnitError
from glademark.forestry import product_key
from glademark.project.job_settings import (
    AdviseSettings,
    CanopySettings,
    CompareSettings,
    CrewSettings,
    CropTreeSettings,
    DeliverSettings,
    MachineSettings,
    ProposeSettings,
    StabilitySettings,
    TerrainSettings,
    UncertaintySettings,
    WindSettings,
)
from glademark.project.text_values import (
    DEFAULT_POSITION_ERROR_M,
    WORDS_MAX,
    Area,
    BasalAreaPerHectare,
    ClassWidth,
    Diameter,
    Length,
    OneOrMore,
    Part,
    PositionError,
    Share,
    Solid,
    bare_or_table,
)
from glademark.units import AREA_M2, share, to_si

PaintMeaning = Literal[
    "corridor", "cut", "leave", "group_boundary", "group_centre", "line_tree", "danger"
]
Unit = Literal["board foot", "MBF", "cord", "m3", "ft3", "green ton"]

NAME_FIELD = re.compile(r"\{(\w+)\}")
"""A field of a pattern of names."""

NAME_FIELDS = (
    "id", "species", "dbh", "paint", "product", "group", "kind", "count", "height", "logs",
)  # fmt: skip
"""What the name of a mark may hold."""


DEFAULT_WIDTH_M = 4.0
DEFAULT_CROWN_RADIUS_M = 3.0
DEFAULT_MIN_AREA = "0.05 acre"


class Source(Part):
    """One input file, with what cannot be read from it."""

    file: Path  # path; relative to the project file until it is read, absolute after
    layer: str | None = None  # layer of a file that holds several
    crs: str | None = None  # coordinate system, where the file does not say its own

    @model_validator(mode="before")
    @classmethod
    def _plain_path(cls, value: object) -> object:
        return {"file": value} if isinstance(value, str | Path) else value

    @classmethod
    def __get_pydantic_json_schema__(
        cls, schema: CoreSchema, handler: GetJsonSchemaHandler, /
    ) -> JsonSchemaValue:
        """A path alone, or the table."""
        table = super().__get_pydantic_json_schema__(schema, handler)
        return bare_or_table(table, handler, {"type": "string", "description": "Path of a file."})


Sources = Annotated[tuple[Source, ...], Field(min_length=1), OneOrMore()]


class Inputs(Part):
    """The field files, one or several of each."""

    stand: Sources
    corridors: Sources | None = None
    marks: Sources
    tally: Sources | None = None
    openings: Sources | None = None
    exclusions: Sources | None = None
    setbacks: Sources | None = None
    water: Sources | None = None
    landings: Sources | None = None
    hazards: Sources | None = None
    leave_trees: Sources | None = None
    standing: Sources | None = None
    crop_trees: Sources | None = None
    regeneration: Sources | None = None
    failing_patches: Sources | None = None
    marked_ground: Sources | None = None
    cruise: Sources | None = None
    terrain: Sources | None = None
    canopy_height: Sources | None = None


class Heading(Part):
    """Name of the project and how it is shown."""

    name: str
    stand_id: str | None = Field(None, min_length=1)
    """Column of the inputs that names the stand of a record, where there are many stands; None
    where there is one."""
    units: Literal["us", "metric"] = "us"
    working_crs: str | None = None
    season: str | None = None


class CorridorSettings(Part):
    """Widths of corridors [m]."""

    width_m: Length = Field(DEFAULT_WIDTH_M, alias="width", gt=0, le=100)
    width_column: str | None = None
    width_unit: Literal["m", "ft"] | None = None


class MarkSettings(Part):
    """How marks are read."""

    columns: Mapping[str, str] = Field(default_factory=dict)
    dbh_unit: Literal["in", "cm", "mm", "m"] | None = None
    height_unit: Literal["ft", "m"] | None = None
    diameter_at: Literal["breast", "stump"] = "breast"
    position_error_m: PositionError = Field(DEFAULT_POSITION_ERROR_M, alias="position_error")
    position_error_by_file_m: Mapping[str, PositionError] = Field(
        default_factory=dict, alias="position_error_by_file"
    )
    position_error_column: Literal["rmse", "cep", "ce90", "ce95"] = "rmse"
    paint: Mapping[str, PaintMeaning] = Field(default_factory=dict, max_length=WORDS_MAX)
    without_paint: Literal["unconfirmed", "cut"] = "unconfirmed"
    name_pattern: str | None = None
    line_trees_confirmed: bool = False
    repeats: Literal["refuse", "keep"] = "refuse"
    match_distance_m: Length | None = Field(None, alias="match_distance", ge=0, le=50)

    @field_validator("name_pattern")
    @classmethod
    def _of_known_fields(cls, value: str | None) -> str | None:
        fields = NAME_FIELD.findall(value or "")
        signs = NAME_FIELD.sub("", value or "")
        known = set(fields) <= set(NAME_FIELDS) and len(set(fields)) == len(fields)
        if value is not None and (not fields or not known or "{" in signs or "}" in signs):
            msg = (
                f"name_pattern {value!r} does not say what a name holds; expected fields such as "
                f"'{{species}} {{dbh}} {{paint}}', each once, of {', '.join(NAME_FIELDS)}"
            )
            raise ValueError(msg)
        return value


class OpeningSettings(Part):
    """What makes an opening, and where it ends; `measured_edge` where the plan does not say."""

    edge: Literal["standing_crowns", "marked_crowns", "boles"] | None = None
    standing_crown_radius_m: Length | None = Field(None, alias="standing_crown_radius", ge=0, le=30)
    walked_along: Literal["standing_crowns", "boles"] | None = None
    leave_tree_crowns: Literal["counted", "deducted"] = "counted"

    link_distance_m: Length = Field(0.0, alias="link_distance", ge=0, le=50)
    min_trees: int = Field(4, ge=1)
    min_area_m2: Area = Field(to_si(DEFAULT_MIN_AREA, AREA_M2), alias="min_area", ge=0)
    measure: Literal["opening", "combined"] = "opening"
    crown_radius_m: Length = Field(DEFAULT_CROWN_RADIUS_M, alias="crown_radius", gt=0, le=30)
    cleared_to_dbh_cm: Diameter | None = Field(None, alias="cleared_to_dbh")

    @property
    def measured_edge(self) -> Literal["standing_crowns", "marked_crowns", "boles"]:
        """Edge that areas are measured to."""
        return self.edge or "standing_crowns"


class WaterSettings(Part):
    """Banks and the strips along them; left and right looking downstream along a line."""

    width_m: Length | None = Field(None, alias="width", gt=0)
    setback_m: Length | None = Field(None, alias="setback", gt=0)
    setback_rule: Literal["no_cut", "no_machine", "residual_basal_area"] = "no_cut"
    side: Literal["left", "right", "both"] = "both"
    setback_minimum_m2_ha: BasalAreaPerHectare | None = Field(None, alias="setback_minimum", gt=0)


class ProductSettings(Part):
    """How a product is sold."""

    unit: Unit
    rule: str | None = None
    solid_m3: Solid | None = Field(None, alias="solid", gt=0)
    equations: str | None = None
    part: str | None = None


class SpeciesSettings(Part):
    """A species as the project names it; its key is one more spelling."""

    name: str = Field(min_length=1)
    group: str = ""
    crown: str = ""
    volume_as: str = ""


class VolumeSettings(Part):
    """Where volumes come from, and the classes they are shown in; no reading is "class"."""

    table: Source | None = None
    table_reading: Literal["class", "interpolate"] | None = None
    table_class_width: ClassWidth | None = None
    region: str = ""
    division: str = "all"
    site_index_m: Length | None = Field(None, alias="site_index", gt=0)
    stand_basal_area_m2_ha: BasalAreaPerHectare | None = Field(None, alias="stand_basal_area", gt=0)
    form_class: float = Field(78.0, gt=50, lt=100)

    size_classes: tuple[float, ...] | ClassWidth | None = None
    products: Mapping[str, ProductSettings] = Field(default_factory=dict)

    @field_validator("products")
    @classmethod
    def _named_once(cls, value: Mapping[str, ProductSettings]) -> Mapping[str, ProductSettings]:
        products = {product_key(name): one for name, one in value.items()}
        if len(products) < len(value):
            msg = f"products {', '.join(value)} name one twice; case and spaces do not count"
            raise ValueError(msg)
        return products

    @field_validator("size_classes")
    @classmethod
    def _rising(cls, value: tuple[float, ...] | str | None) -> tuple[float, ...] | str | None:
        if isinstance(value, tuple):
            steps = [b > a for a, b in pairwise(value)]
            if not value or not all(steps) or not all(0 < edge < math.inf for edge in value):
                msg = f"size_classes {list(value)} do not rise from a positive first edge"
                raise ValueError(msg)
        return value


class AllowanceSettings(Part):
    """The share of the standing stock that this entry may remove."""

    removal_share_max: Share | None = None
    confidence: Share = 0.95
    standing: Mapping[str, str] = Field(default_factory=dict)
    strata: Mapping[str, Area] = Field(default_factory=dict)
    smallest_dbh_cm: Diameter | None = Field(None, alias="smallest_dbh", gt=0)
    top: str = ""
    tally_top: str = ""


class TargetStructure(Part):
    """Trees that each class is to keep: by basal area, largest diameter and q, or from a table."""

    basal_area_m2_ha: BasalAreaPerHectare | None = Field(None, alias="basal_area", gt=0)
    """Of the classes from that of `dbh_min_cm` (the lowest class where not given) to that of
    `dbh_max_cm`."""
    dbh_min_cm: Diameter | None = Field(None, alias="dbh_min", gt=0)
    dbh_max_cm: Diameter | None = Field(None, alias="dbh_max", gt=0)
    q: float | None = Field(None, ge=1, le=10)  # trees of a class over trees of the next larger one
    class_width: ClassWidth | None = None
    tolerance: Share = 0.2  # share of a class's target within which it is met
    table: Source | None = None  # trees per hectare or acre by class, instead

    @model_validator(mode="after")
    def _one_form(self) -> "TargetStructure":
        """Either the closed form with all its parts, or a table."""
        closed = (self.basal_area_m2_ha, self.dbh_max_cm, self.q)
        given = [part is not None for part in closed]
        if self.table is not None and any((*given, self.dbh_min_cm is not None)):
            msg = (
                "the target is given twice: expected basal_area, dbh_max and q, or a table. "
                "Take one of them out"
            )
            raise ValueError(msg)
        if self.table is None and not all(given):
            msg = "the target needs basal_area, dbh_max and q together, or a table. Add them"
            raise ValueError(msg)
        low, high = self.dbh_min_cm, self.dbh_max_cm
        if low is not None and high is not None and low >= high:
            msg = f"dbh_min ({low:g} cm) is not below dbh_max ({high:g} cm). Correct one of them"
            raise ValueError(msg)
        return self


def _with_value(stated: Any) -> Any:  # noqa: ANN401 - whatever TOML holds
    """A limit that is stated bare as one that has a value."""
    return stated if isinstance(stated, Mapping) and "value" in stated else {"value": stated}


class OneLimit(Part):
    """One limit as written; what its value means is known by the limit itself."""

    value: str | Annotated[int, Strict()] | Mapping[str, str]
    """Text with its unit, or one text per product."""
    authority: str = ""  # law, approved plan, contract or prescription; or empty
    source: str = ""  # where the limit stands written
    kinds: tuple[str, ...] = ()
    species: str = ""
    dbh_min_cm: Diameter | None = Field(None, alias="dbh_min", gt=0)
    """kinds, species and dbh_min_cm: which trees a limit is of, where it is of some."""

    @model_validator(mode="before")
    @classmethod
    def _bare_value(cls, value: Any) -> Any:  # noqa: ANN401 - whatever TOML holds
        return _with_value(value)

    @model_serializer(mode="wrap")
    def _as_stated(self, handler: SerializerFunctionWrapHandler) -> dict[str, Any]:
        """Without what most limits do not have."""
        found = handler(self)
        rare = ("kinds", "species", "dbh_min_cm", "more")
        return {name: part for name, part in found.items() if part or name not in rare}


class LimitSetting(OneLimit):
    """A limit, and `more` of the same where it is given as a list."""

    more: tuple[OneLimit, ...] = ()

    @model_validator(mode="before")
    @classmethod
    def _first_of_a_list(cls, value: Any) -> Any:  # noqa: ANN401 - whatever TOML holds
        if not isinstance(value, list | tuple) or not value:
            return value
        first, *others = value
        return {**_with_value(first), "more": others}

    @classmethod
    def __get_pydantic_json_schema__(
        cls, schema: CoreSchema, handler: GetJsonSchemaHandler, /
    ) -> JsonSchemaValue:
        """The value alone, or the table."""
        table = super().__get_pydantic_json_schema__(schema, handler)
        whole = handler.resolve_ref_schema(table)
        whole["properties"].pop("more")
        text, number, by_product = whole["properties"]["value"]["anyOf"]
        text |= {"description": "Text with its unit.", "examples": ["0.5 acre", "12 %"]}
        by_product |= {"description": "One such text a product."}
        by_product = {**by_product, "not": {"required": ["value"]}}
        number |= {"description": "A whole number, of a limit that counts."}
        return bare_or_table(table, handler, text, number, by_product, several=True)


class Project(Part):
    """A project file, read and checked."""

    heading: Heading = Field(alias="project")
    inputs: Inputs
    corridors: CorridorSettings = CorridorSettings()
    marks: MarkSettings = MarkSettings()
    openings: OpeningSettings = OpeningSettings()
    water: WaterSettings = WaterSettings()
    species: Mapping[str, SpeciesSettings] = Field(default_factory=dict)
    volume: VolumeSettings = VolumeSettings()
    allowance: AllowanceSettings = AllowanceSettings()
    terrain: TerrainSettings = TerrainSettings()
    canopy: CanopySettings = CanopySettings()
    machine: MachineSettings = MachineSettings()
    wind: WindSettings = WindSettings()
    target_structure: TargetStructure | None = None
    reasons: Mapping[str, str] = Field(default_factory=dict, max_length=WORDS_MAX)
    retention: Mapping[str, str] = Field(default_factory=dict, max_length=WORDS_MAX)
    crop_trees: CropTreeSettings = CropTreeSettings()
    stability: StabilitySettings = StabilitySettings()
    uncertainty: UncertaintySettings | None = None
    limits: Mapping[str, LimitSetting] = Field(default_factory=dict)
    advise: AdviseSettings = AdviseSettings()
    propose: ProposeSettings = ProposeSettings()
    compare: CompareSettings = CompareSettings()
    crew: CrewSettings = CrewSettings()
    deliver: DeliverSettings = DeliverSettings()

    @model_validator(mode="after")
    def _one_removal_share(self) -> "Project":
        """The share that may be removed stands in two tables: both must say the same."""
        limit, allowed = self.limits.get("removal_share_max"), self.allowance.removal_share_max
        if limit is None or allowed is None or not isinstance(limit.value, str):
            return self
        try:
            stated = share(limit.value)
        except UnitError:
            return self  # told where limits are read
        if not math.isclose(stated, allowed, rel_tol=1e-9):
            msg = (
                f"[limits] removal_share_max is {limit.value.strip()} and [allowance] "
                f"removal_share_max {100 * allowed:g} %; expected the same share in both, or in "
                "one alone"
            )
            raise ValueError(msg)
        return self
