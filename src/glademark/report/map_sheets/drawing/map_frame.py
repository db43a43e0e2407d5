"""A map frame: which ground lies under which box of the sheet."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import shapely

from glademark.contracts.frames import sound
from glademark.report.map_sheets.drawing.paper import metres_per_point

if TYPE_CHECKING:
    from collections.abc import Sequence

    from glademark.report.map_sheets.drawing.paper import Box

FloatArray = npt.NDArray[np.float64]


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
