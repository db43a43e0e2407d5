"""Inputs given as areas, each united into one."""

from dataclasses import dataclass

import geopandas as gpd
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.measure.zones import Ground
from glademark.survey import Survey


@dataclass(frozen=True, kw_only=True, slots=True)
class Cover:
    """
    The ground before anything is measured, in one projected CRS in metres.

    Attributes
    ----------
    stand, operable
        Polygons; the operable area is the stand less its keep-outs.
    keep_out, landing, water, setback
        Polygons, perhaps empty.
    """

    stand: BaseGeometry
    operable: BaseGeometry
    keep_out: BaseGeometry
    landing: BaseGeometry
    water: BaseGeometry
    setback: BaseGeometry

    @property
    def edges(self) -> list[BaseGeometry]:
        """
        Areas whose outlines are lines that no mark made.

        Returns
        -------
        areas
            Stand, keep-outs and setbacks.
        """
        return [self.stand, self.keep_out, self.setback]

    def over(self, corridor: BaseGeometry, openings: gpd.GeoDataFrame | None = None) -> Ground:
        """
        What is laid over the stand.

        Parameters
        ----------
        corridor
            Union of the corridors.
        openings
            Polygon rows, once they are known.

        Returns
        -------
        ground
            For the partition into zones.
        """
        opening: BaseGeometry = shapely.MultiPolygon()
        if openings is not None:
            opening = shapely.union_all(openings.geometry.to_numpy())
        return Ground(
            stand=self.stand,
            keep_out=self.keep_out,
            landing=self.landing,
            corridor=corridor,
            opening=opening,
        )


def cover_of(survey: Survey) -> Cover:
    """
    Stand, keep-outs, landings, water and setbacks as one area each.

    Parameters
    ----------
    survey
        As intake hands it on.

    Returns
    -------
    cover
        United areas.
    """
    frames = (survey.stand, survey.keep_out, survey.landings, survey.water, survey.setbacks)
    stand, keep_out, landing, water, setback = (
        shapely.union_all(frame.geometry.to_numpy()) for frame in frames
    )
    return Cover(
        stand=stand,
        operable=shapely.difference(stand, keep_out),
        keep_out=keep_out,
        landing=landing,
        water=water,
        setback=setback,
    )
