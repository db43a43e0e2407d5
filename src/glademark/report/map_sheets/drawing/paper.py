"""
Paper of the sheets: its size, boxes on it, and which ground lies under a box.

All lengths in points, from the lower left corner.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import shapely

from glademark.contracts.frames import sound
from glademark.units import FOOT_M

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from glademark.contracts.layers import Units

POINTS_PER_INCH = 72.0
POINT_M = 0.0254 / POINTS_PER_INCH
"""Size of a point on paper [m]."""

MARGIN_PT = 28.0
"""White edge of a sheet: 10 mm, which any printer can leave."""

PAPERS: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "letter": (612.0, 792.0),
        "tabloid": (792.0, 1224.0),
        "A4": (595.276, 841.89),
        "A3": (841.89, 1190.551),
    }
)
"""Width and height of each paper, upright [points]."""

_BY_UNITS: Mapping[str, str] = MappingProxyType({"us": "letter", "metric": "A4"})

_INCH_M = FOOT_M / 12

_METRIC = (100, 200, 250, 500, 750, 1000, 1250, 1500, 2000, 2500, 3000, 4000, 5000, 6000, 7500,
           10_000, 12_500, 15_000, 20_000, 25_000, 30_000, 40_000, 50_000, 75_000,
           100_000)  # fmt: skip

_FEET_TO_AN_INCH = (10, 20, 30, 40, 50, 60, 80, 100, 150, 200, 250, 300, 400, 500, 600, 800, 1000,
                    1200, 1500, 2000, 2500, 3000, 4000, 5000, 6000, 8000)  # fmt: skip

OVERVIEW_FINEST = {"us": 1200, "metric": 1000}
"""Scale beyond which a map of a whole stand is not enlarged: 1 in = 100 ft, 1:1,000."""

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Box:
    """A rectangle on the sheet."""

    left: float
    bottom: float
    width: float
    height: float

    @property
    def right(self) -> float:
        """Right edge [points]."""
        return self.left + self.width

    @property
    def top(self) -> float:
        """Upper edge [points]."""
        return self.bottom + self.height

    @property
    def polygon(self) -> shapely.Polygon:
        """The rectangle as a shape."""
        return shapely.box(self.left, self.bottom, self.right, self.top)

    def inset(self, *, left: float = 0, right: float = 0, bottom: float = 0, top: float = 0) -> Box:
        """The rectangle less strips along its edges."""
        return Box(
            left=self.left + left,
            bottom=self.bottom + bottom,
            width=self.width - left - right,
            height=self.height - bottom - top,
        )

    def columns(self, shares: Sequence[float], *, gap: float) -> list[Box]:
        """Boxes side by side."""
        room = (self.width - gap * (len(shares) - 1)) / sum(shares)
        boxes, left = [], self.left
        for share in shares:
            boxes.append(Box(left=left, bottom=self.bottom, width=room * share, height=self.height))
            left += room * share + gap
        return boxes


def paper_size(paper: str | None, units: Units, *, landscape: bool) -> tuple[float, float]:
    """
    Width and height of a sheet [points].

    Examples
    --------
    >>> paper_size(None, "us", landscape=True)
    (792.0, 612.0)
    """
    width, height = PAPERS[paper or _BY_UNITS[units]]
    return (height, width) if landscape else (width, height)


def sheet_box(size: tuple[float, float]) -> Box:
    """What of a sheet may be printed on."""
    width, height = size
    return Box(left=0, bottom=0, width=width, height=height).inset(
        left=MARGIN_PT, right=MARGIN_PT, bottom=MARGIN_PT, top=MARGIN_PT
    )


def round_scales(units: Units) -> tuple[int, ...]:
    """
    Denominators of round scales.

    Examples
    --------
    >>> round_scales("us")[7], round_scales("metric")[5]
    (1200, 1000)
    """
    return tuple(12 * feet for feet in _FEET_TO_AN_INCH) if units == "us" else _METRIC


def metres_per_point(denominator: float) -> float:
    """Ground that one point of paper covers [m]."""
    return denominator * POINT_M


def fitting_scale(
    ground_m: tuple[float, float], room_pt: tuple[float, float], units: Units, *, finest: int = 0
) -> int:
    """
    Denominator of the largest round scale at which some ground fits on some paper.

    Parameters
    ----------
    ground_m
        Width and height of the ground [m].
    room_pt
        Width and height of the paper [points].

    Examples
    --------
    >>> fitting_scale((600, 400), (500, 500), "us"), fitting_scale((600, 400), (500, 500), "metric")
    (3600, 4000)
    """
    needed = max(ground / POINT_M / room for ground, room in zip(ground_m, room_pt, strict=True))
    fitting = [scale for scale in round_scales(units) if scale >= max(needed, finest)]
    coarsest = round_scales(units)[-1]
    return fitting[0] if fitting else coarsest * math.ceil(needed / coarsest)


def scale_words(denominator: int, units: Units) -> str:
    """
    A scale as people say it.

    Examples
    --------
    >>> scale_words(3600, "us"), scale_words(2500, "metric")
    ('1 in = 300 ft (1:3,600)', '1:2,500')
    """
    ratio = f"1:{denominator:,}"
    feet = denominator * _INCH_M / FOOT_M
    return f"1 in = {feet:,.4g} ft ({ratio})" if units == "us" else ratio


@dataclass(frozen=True, kw_only=True, slots=True)
class MapFrame:
    """
    A box of the sheet with a map in it, north up along the grid.

    Attributes
    ----------
    name
        What it shows, in words.
    box
        On the sheet [points].
    west_m, south_m
        Lower left corner in the working CRS [m].
    denominator
        Of the scale.
    """

    name: str
    box: Box
    west_m: float
    south_m: float
    denominator: int

    @property
    def metres_per_point(self) -> float:
        """Ground that one point of paper covers [m]."""
        return metres_per_point(self.denominator)

    @property
    def ground(self) -> tuple[float, float, float, float]:
        """
        West, south, east and north of the ground [m].

        Returns
        -------
        ground
            In the working CRS.
        """
        size = self.metres_per_point
        east, north = self.west_m + self.box.width * size, self.south_m + self.box.height * size
        return self.west_m, self.south_m, east, north

    def on_paper(self, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
        """
        Where positions lie on the sheet [points].

        Parameters
        ----------
        x, y
            In the working CRS [m].
        """
        size = self.metres_per_point
        return (
            self.box.left + (np.asarray(x) - self.west_m) / size,
            self.box.bottom + (np.asarray(y) - self.south_m) / size,
        )

    def drawn(self, shapes: Sequence[shapely.Geometry] | FloatArray) -> npt.NDArray[np.object_]:
        """
        Shapes as they lie on the sheet, those that meet the frame only.

        Parameters
        ----------
        shapes
            In the working CRS; missing and empty ones are passed over.
        """
        found = np.asarray(shapes, dtype=object)
        found = found[~shapely.is_empty(found) & ~shapely.is_missing(found)]
        found = found[shapely.intersects(found, shapely.box(*self.ground))]
        return self.placed(found)

    def placed(self, shapes: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
        """Shapes of the working CRS in points of the sheet."""
        moved = shapely.transform(
            shapes, lambda at: np.column_stack(self.on_paper(at[:, 0], at[:, 1]))
        )
        return sound(np.asarray(moved, dtype=object), what="map sheets")


def frame_over(
    name: str, box: Box, ground: tuple[float, float, float, float], denominator: int
) -> MapFrame:
    """
    A map frame with some ground in its middle.

    Parameters
    ----------
    ground
        West, south, east and north [m].
    """
    west, south, east, north = ground
    size = metres_per_point(denominator)
    return MapFrame(
        name=name,
        box=box,
        west_m=(west + east - box.width * size) / 2,
        south_m=(south + north - box.height * size) / 2,
        denominator=denominator,
    )
