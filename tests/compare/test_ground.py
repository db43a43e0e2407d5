"""Driven lines and openings after the cut, on figures whose answer is plain to see."""

import geopandas as gpd
import numpy as np
import pytest
import shapely

from glademark.comparison.comparison import Driven, driven_against, openings_against

CRS = "EPSG:26916"
STAND = shapely.box(0, 0, 100, 100)
NONE = shapely.MultiPolygon()


def lines(**named: shapely.LineString) -> gpd.GeoDataFrame:
    """Lines by name."""
    return gpd.GeoDataFrame(
        {"name": list(named), "corridor": list(named)}, geometry=list(named.values()), crs=CRS
    )


def along_x(y: float, x0: float = 0, x1: float = 100) -> shapely.LineString:
    """Line from west to east."""
    return shapely.LineString([(x0, y), (x1, y)])


def driven(track: shapely.LineString, *, width: float = 4.0, error: float = 0.0) -> Driven:
    """A track against one corridor of 4 m along y = 50."""
    return driven_against(
        lines(t=track),
        lines(A=along_x(50)),
        stand=STAND,
        corridor=shapely.box(0, 48, 100, 52),
        landing=NONE,
        sizes_m=(width, error),
    )


def test_a_track_on_its_corridor_leaves_nothing_outside() -> None:
    """Who stays on the strip has no length, no departure and no ground beyond it."""
    found = driven(along_x(50))

    assert found.figures.length_m == 100
    assert found.figures.outside_m == found.figures.departure_m == 0
    assert found.figures.beyond_m2 == pytest.approx(0)
    assert found.figures.not_driven_m == 0
    assert found.pieces.empty


def test_a_track_beside_its_corridor_is_outside_by_its_distance() -> None:
    """Ten metres beside the strip's edge: the whole length, ten metres, 100 m x 4 m of ground."""
    found = driven(along_x(62))

    assert found.figures.outside_m == 100
    assert found.figures.departure_m == pytest.approx(10)
    assert found.figures.beyond_m2 == pytest.approx(400)
    assert found.figures.driven_share == pytest.approx(0.04 + 0.04)
    assert found.figures.not_driven_m == 100
    assert found.pieces["corridor"].tolist() == ["A"]


def test_a_departure_within_the_error_is_not_held_to_be_one() -> None:
    """A track 1 m off the strip with an error of 1.5 m shows, but not beyond its error."""
    found = driven(along_x(53), error=1.5)

    assert found.figures.outside_m == 100
    assert found.figures.beyond_error_m == 0
    assert found.pieces["beyond_error"].tolist() == [False]


def test_only_the_part_in_the_stand_counts() -> None:
    """What was driven outside the stand is nobody's business here."""
    assert driven(along_x(62, -50, 150)).figures.length_m == 100


def test_an_opening_cut_wider_says_by_how_much() -> None:
    """A square of 20 m cut as one of 24 m: 176 m2 and 2 m (at a corner 2 x root 2) beyond."""
    laid = gpd.GeoDataFrame(
        {"opening": [7], "area_m2": [400.0]}, geometry=[shapely.box(40, 40, 60, 60)], crs=CRS
    )
    walked = gpd.GeoDataFrame(
        {"group": ["7", "new"]},
        geometry=[shapely.box(38, 38, 62, 62), shapely.box(80, 80, 90, 90)],
        crs=CRS,
    )

    found = openings_against(walked, laid)

    assert found["opening"].tolist()[0] == 7
    assert found["opening"].isna().tolist() == [False, True]
    assert found["beyond_area_m2"].tolist() == pytest.approx([176, 100])
    assert found["short_area_m2"].tolist() == [0, 0]
    assert found["departure_m"].iloc[0] == pytest.approx(2 * np.sqrt(2))


def test_no_walked_openings_are_an_empty_layer() -> None:
    """What was not given is a layer without rows."""
    laid = gpd.GeoDataFrame(
        {"opening": [7], "area_m2": [400.0]}, geometry=[shapely.box(40, 40, 60, 60)], crs=CRS
    )

    assert len(openings_against(laid.iloc[:0].assign(group=""), laid)) == 0
