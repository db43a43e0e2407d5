"""Area on the ellipsoid beside the planar area, checked with an independent library."""

from collections.abc import Callable

import numpy as np
import pytest
import shapely
from geographiclib.geodesic import Geodesic  # type: ignore[import-untyped]  # ships no types
from pyproj import CRS, Transformer
from shapely.geometry.base import BaseGeometry

from glademark.contracts.layout import Layout
from glademark.measure.assembly import geodesic_areas_m2

GRS80 = Geodesic(6_378_137.0, 1 / 298.257222101)
STAND = shapely.Polygon(
    [(412_300, 5_138_100), (412_800, 5_138_150), (412_750, 5_138_600), (412_350, 5_138_500)],
    [[(412_500, 5_138_300), (412_500, 5_138_350), (412_550, 5_138_350), (412_550, 5_138_300)]],
)


def geodesic_area(stand: BaseGeometry, crs: CRS, ellipsoid: Geodesic) -> float:
    """Area by geodesics between the corners, holes taken off."""
    to_degrees = Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    areas = []
    for ring in shapely.get_rings(shapely.get_parts(stand)):
        polygon = ellipsoid.Polygon()
        for east, north in shapely.get_coordinates(ring)[:-1].tolist():
            longitude, latitude = to_degrees.transform(east, north)
            polygon.AddPoint(latitude, longitude)
        areas.append(abs(polygon.Compute(reverse=False, sign=True)[2]))
    outer = [
        ring.area for ring in map(shapely.Polygon, shapely.get_rings(shapely.get_parts(stand)))
    ]
    signs = np.where(np.isclose(outer, max(outer)), 1, -1)
    return float(signs @ np.array(areas))


def test_geodesic_area_of_a_stand_with_a_hole() -> None:
    """The area on the ellipsoid is that of GeographicLib on GRS80 within 1e-9."""
    crs = CRS.from_epsg(26916)
    found = float(geodesic_areas_m2(np.array([STAND]), crs=crs)[0])

    assert found == pytest.approx(geodesic_area(STAND, crs, GRS80), rel=1e-9)


def test_geodesic_area_on_another_ellipsoid() -> None:
    """In a CRS on WGS 84 the area is that on WGS 84."""
    crs = CRS.from_epsg(32633)
    found = float(geodesic_areas_m2(np.array([STAND]), crs=crs)[0])

    assert found == pytest.approx(geodesic_area(STAND, crs, Geodesic.WGS84), rel=1e-9)


def test_geodesic_area_does_not_hang_on_the_sense_of_the_ring() -> None:
    """A boundary walked the other way round encloses the same ground."""
    crs = CRS.from_epsg(26916)

    both = geodesic_areas_m2(np.array([STAND, STAND.reverse()]), crs=crs)

    assert both[0] == both[1]


@pytest.mark.parametrize(("west", "noticed"), [(400_000.0, False), (-300_000.0, True)])
def test_a_planar_area_that_is_far_off_is_noticed(
    layout_of: Callable[..., Layout], west: float, *, noticed: bool
) -> None:
    """
    Far from the middle of a UTM zone planar areas are too large, and the layout says so.

    The scale at an easting x is about 0.9996 (1 + (x - 500 km)^2 / (2 R^2)): at x = 400 km the area
    is 0.06 % too small, at -300 km about 1.5 % too large.
    """
    stand = shapely.box(west, 5_138_000, west + 300, 5_138_300)
    layout = layout_of(stand)
    scale = 0.9996 * (1 + (west + 150 - 500_000) ** 2 / (2 * 6_371_000**2))
    figures = layout.figures.stand

    assert figures.area_m2 / figures.area_geodesic_m2 == pytest.approx(scale**2, rel=1e-3)
    assert any("area on the ellipsoid differs" in n for n in layout.notices) == noticed
