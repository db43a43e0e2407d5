"""What the project file says of trees that stay."""

from typing import Literal

from pydantic import Field

from glademark.project.quantities import Length, Share
from glademark.project.text_values import Part


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
