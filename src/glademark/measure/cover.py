"""Inputs given as areas, united by stand."""

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely

from glademark.contracts.frames import STAND
from glademark.contracts.survey import Survey
from glademark.measure.sums import rows_by
from glademark.measure.zones import Ground

GeometryArray = npt.NDArray[np.object_]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Covers:
    """
    The ground before anything is measured, in one projected CRS in metres: one area a stand.

    Attributes
    ----------
    stand, operable
        Polygons; the operable area is the stand less its exclusions. Shape (stands,).
    exclusion, landing, water, setback
        Polygons, perhaps empty; shape (stands,).
    """

    stand: GeometryArray
    operable: GeometryArray
    exclusion: GeometryArray
    landing: GeometryArray
    water: GeometryArray
    setback: GeometryArray

    @property
    def edges(self) -> tuple[GeometryArray, ...]:
        """Areas whose outlines are lines that no mark made: stands, exclusions and setbacks."""
        return self.stand, self.exclusion, self.setback

    def over(self, corridor: GeometryArray, opening: GeometryArray) -> Ground:
        """What is laid over the stands, for the partition into zones."""
        return Ground(
            stand=self.stand,
            exclusion=self.exclusion,
            landing=self.landing,
            corridor=corridor,
            opening=opening,
        )


def covers_of(survey: Survey) -> Covers:
    """Stand, exclusions, landings, water and setbacks of a survey, each united by stand."""
    stand, exclusion, landing, water, setback = (
        _united(getattr(survey, name), len(survey.stand))
        for name in ("stand", "exclusions", "landings", "water", "setbacks")
    )
    return Covers(
        stand=stand,
        operable=shapely.difference(stand, exclusion),
        exclusion=exclusion,
        landing=landing,
        water=water,
        setback=setback,
    )


def _united(areas: gpd.GeoDataFrame, stands: int) -> GeometryArray:
    """Union of the areas of each stand, empty where it has none."""
    union = np.full(stands, shapely.GeometryCollection(), dtype=object)
    shapes = np.asarray(areas.geometry.array)
    for stand, rows in rows_by(areas[STAND]).items():
        union[stand] = shapely.union_all(shapes[rows])
    return union
