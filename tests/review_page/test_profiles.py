"""Corridor profiles on the review page."""

import geopandas as gpd
import numpy as np
import pytest
import shapely

from glademark.report.profile_drawing import (
    BOTTOM,
    HEIGHT,
    LEFT,
    RIGHT,
    TOP,
    WIDTH,
    profile_pictures,
)


def pieces(heights: list[float], *, corridor: str = "A", part: int = 1) -> gpd.GeoDataFrame:
    """Pieces of 10 m with heights at their ends."""
    at = 10.0 * np.arange(len(heights))
    return gpd.GeoDataFrame(
        {
            "corridor": corridor,
            "part": part,
            "from_m": at[:-1],
            "to_m": at[1:],
            "elevation_from_m": heights[:-1],
            "elevation_to_m": heights[1:],
            "grade_pct": 10.0 * np.diff(heights),
        },
        geometry=[shapely.LineString([(x, 0), (x + 10, 0)]) for x in at[:-1]],
    )


def points(line: str) -> np.ndarray:
    """Corners of a polyline."""
    return np.array([[float(n) for n in pair.split(",")] for pair in line.split()])


def test_an_even_slope_is_a_straight_line_from_corner_to_corner() -> None:
    """An even slope is a straight line from corner to corner of the drawing."""
    (picture,) = profile_pictures(pieces([400, 401, 402]), units="metric", steep_grade=0.3)

    middle = [(LEFT + WIDTH - RIGHT) / 2, (TOP + HEIGHT - BOTTOM) / 2]
    assert points(picture.lines[0]) == pytest.approx(
        np.array([[LEFT, HEIGHT - BOTTOM], middle, [WIDTH - RIGHT, TOP]]), abs=0.1
    )
    assert not picture.steep


def test_only_the_steep_piece_is_marked() -> None:
    """A rise of 4 m over 10 m is a grade of 40 %, steeper than 30 %; the others are not."""
    (picture,) = profile_pictures(pieces([400, 401, 405, 406]), units="metric", steep_grade=0.3)

    (steep,) = picture.steep
    assert len(points(steep)) == 2
    assert picture.beside == "30.0 m long, from 400 m to 406 m high, steepest piece 40.0 %"


def test_numbers_are_round_in_the_units_of_the_page() -> None:
    """Along a line of 100 m, 328 ft, feet are round at 100, 200 and 300 of them."""
    line = pieces([400.0 + i for i in range(11)])

    (picture,) = profile_pictures(line, units="us", steep_grade=0.3)

    texts = [text for _, text in picture.along]
    assert texts == ["0", "100", "200", "300"]
    place = [x for x, _ in picture.along]
    foot = (WIDTH - LEFT - RIGHT) / (100 / 0.3048)
    assert np.diff(place) == pytest.approx(100 * foot, abs=0.2)


def test_parts_of_a_corridor_are_named() -> None:
    """A corridor that the stand cuts in two has two pictures under different titles."""
    both = gpd.GeoDataFrame(
        np.vstack([pieces([400, 401]), pieces([401, 402], part=2)]),
        columns=pieces([400, 401]).columns,
    ).infer_objects()

    found = profile_pictures(both, units="metric", steep_grade=0.3)

    assert [picture.title for picture in found] == ["A, part 1", "A, part 2"]


def test_without_heights_there_is_no_picture() -> None:
    """Without terrain, or where no height is known, nothing is drawn."""
    assert profile_pictures(pieces([]).iloc[:0], units="us", steep_grade=0.3) == ()
    bare = pieces([np.nan, np.nan])
    assert profile_pictures(bare, units="us", steep_grade=0.3) == ()
