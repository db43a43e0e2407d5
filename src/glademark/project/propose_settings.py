"""The tables ``[propose]``: what fails, what groups are worth; ``[canopy]``: trees of a raster."""

import re
from collections.abc import Mapping
from typing import Annotated, Literal, NamedTuple

from pydantic import Field, field_validator, model_validator

from glademark.forestry.allometry import WidthForm
from glademark.project.text_values import Length, Part, Text
from glademark.units import ACRE_M2, CUBIC_FOOT_M3, FOOT_M, HECTARE_M2

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
GroupPoints = Annotated[str, Text(pattern=r"^\s*[\d.]+\s*$", examples=("0.05",))]


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
    """
    How trees are found in a raster of canopy heights.

    Attributes
    ----------
    height_unit
        Unit of the heights; the file's own where not given.
    crown_width
        Form by which a height suggests the width of a crown.
    tree_height_min_m
        Lower tops are no trees.
    """

    height_unit: Literal["m", "ft"] | None = None
    crown_width: WidthForm = "combined"
    tree_height_min_m: Length = Field(5.0, alias="tree_height_min", gt=0, le=100)


class PriorityRule(Part):
    """Priority of the trees that fit: a column and its value, or NAME_min and NAME_max."""

    when: Mapping[str, str | float | bool] = Field(min_length=1)
    priority: float = Field(gt=0)


class ProposeSettings(Part):
    """
    What is proposed, and how much of it.

    Attributes
    ----------
    failing_from
        Priority from which a tree is failing.
    trees_inside
        Whether every standing tree inside an opening belongs to its group.
    other_groups_min
        Groups of an alternative that no earlier one has.
    rounds_max, nodes_max
        Budget of the search: rounds of new candidates, nodes of the integer program.
    """

    min_trees: int = Field(4, ge=1)
    groups_min: int = Field(1, ge=0)
    groups_max: int = Field(12, ge=1, le=100_000)
    priority_column: str | None = None
    priority: tuple[PriorityRule, ...] = ()
    failing_from: float = Field(1.0, gt=0)
    trees_inside: Literal["all_cut", "may_stay"] = "all_cut"
    alternatives: int = Field(3, ge=1, le=9)
    other_groups_min: int = Field(2, ge=1)
    rounds_max: int = Field(20, ge=0, le=1000)
    nodes_max: int = Field(20_000, ge=1)
    weights: ProposeWeights = ProposeWeights()

    @model_validator(mode="after")
    def _least_below_most(self) -> "ProposeSettings":
        """As many groups as are asked for must be allowed."""
        if self.groups_min > self.groups_max:
            msg = f"groups_min {self.groups_min} is more than groups_max {self.groups_max}"
            raise ValueError(msg)
        return self
