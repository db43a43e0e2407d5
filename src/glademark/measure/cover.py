"""Inputs given as areas, each united into one; of one stand, or of many beside each other."""

from collections.abc import Sequence
from dataclasses import dataclass, fields

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.contracts.survey import Survey
from glademark.measure.zones import Ground

GeometryArray = npt.NDArray[np.object_]


@dataclass(frozen=True, kw_only=True, slots=True)
class Cover:
    """
    The ground before anything is measured, in one projected CRS in metres.

    Attributes
    ----------
    stand, operable
        Polygons; the operable area is the stand less its exclusions.
    exclusion, landing, water, setback
        Polygons, perhaps empty.
    """

    stand: BaseGeometry
    operable: BaseGeometry
    exclusion: BaseGeometry
    landing: BaseGeometry
    water: BaseGeometry
    setback: BaseGeometry


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Covers:
    """
    The ground of many stands: the areas of `Cover`, each as an array with a place a stand.

    Attributes
    ----------
    stand, operable, exclusion, landing, water, setback
        Shape (stands,).
    """

    stand: GeometryArray
    operable: GeometryArray
    exclusion: GeometryArray
    landing: GeometryArray
    water: GeometryArray
    setback: GeometryArray

    @property
    def edges(self) -> tuple[GeometryArray, ...]:
        """
        Areas whose outlines are lines that no mark made.

        Returns
        -------
        areas
            Stands, exclusions and setbacks.
        """
        return self.stand, self.exclusion, self.setback

    def over(self, corridor: GeometryArray, opening: GeometryArray | None = None) -> Ground:
        """
        What is laid over the stands.

        Parameters
        ----------
        corridor
            Union of the corridors of each stand.
        opening
            Union of the openings of each, once they are known.

        Returns
        -------
        ground
            For the partition into zones.
        """
        none = np.full(len(self.stand), shapely.MultiPolygon(), dtype=object)
        return Ground(
            stand=self.stand,
            exclusion=self.exclusion,
            landing=self.landing,
            corridor=corridor,
            opening=none if opening is None else opening,
        )

    def of(self, place: int) -> Cover:
        """
        The ground of one of the stands.

        Parameters
        ----------
        place
            Of the stand.

        Returns
        -------
        cover
            Single areas.
        """
        return Cover(**{one.name: getattr(self, one.name)[place] for one in fields(self)})


def covers_of(surveys: Sequence[Survey]) -> Covers:
    """
    Stand, exclusions, landings, water and setbacks of many surveys.

    Parameters
    ----------
    surveys
        As intake hands them on, in one CRS.

    Returns
    -------
    covers
        United areas, a place a survey.
    """
    stand, exclusion, landing, water, setback = (
        _united([getattr(survey, name) for survey in surveys])
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


def cover_of(survey: Survey) -> Cover:
    """
    Stand, exclusions, landings, water and setbacks as one area each.

    Parameters
    ----------
    survey
        As intake hands it on.

    Returns
    -------
    cover
        United areas.
    """
    return covers_of([survey]).of(0)


def _united(frames: Sequence[gpd.GeoDataFrame]) -> GeometryArray:
    """Union of the rows of each frame, empty where it has none."""
    found = np.full(len(frames), shapely.GeometryCollection(), dtype=object)
    for place, frame in enumerate(frames):
        if len(frame):
            found[place] = shapely.union_all(np.asarray(frame.geometry.array))
    return found
