"""Spacing of neighbouring lanes, on lines whose distance is plain to see."""

import math
from collections.abc import Sequence

import geopandas as gpd
import pandas as pd
import pytest
import shapely

from glademark.measure.corridors import lane_spacing

LANE = [(0, 0), (300, 0)]


def spacing(lines: Sequence[Sequence[tuple[float, float]]], least_m: float = 20) -> pd.DataFrame:
    """Spacing of lanes named by letters."""
    frame = gpd.GeoDataFrame(
        {"corridor": [chr(65 + i) for i in range(len(lines))]},
        geometry=[shapely.LineString(line) for line in lines],
        crs="EPSG:26916",
    )
    return lane_spacing(frame, least_m=least_m)


def test_parallel_lanes_are_as_far_apart_as_they_are_drawn() -> None:
    """Only neighbours make a pair: of three lanes 8 and 30 m apart, two."""
    found = spacing([LANE, [(0, 8), (300, 8)], [(0, 38), (300, 38)]])

    assert found[["first", "second"]].to_numpy().tolist() == [["A", "B"], ["B", "C"]]
    assert found["median_m"].tolist() == pytest.approx([8, 30])
    assert found["least_m"].tolist() == pytest.approx([8, 30])


def test_lanes_that_draw_together_have_a_median_and_a_least() -> None:
    """From 10 m to 40 m over 300 m: 25 m halfway, measured across either lane."""
    found = spacing([LANE, [(0, 10), (300, 40)]])
    slope = math.cos(math.atan(0.1))

    assert found["median_m"].item() == pytest.approx(25, rel=0.01)
    assert 10 * slope < found["least_m"].item() < 10.5


@pytest.mark.parametrize(("turn_deg", "pairs"), [(29, 1), (31, 0)])
def test_lanes_within_thirty_degrees_run_side_by_side(turn_deg: float, pairs: int) -> None:
    """A lane that turns away by more is no neighbour, however near it is."""
    way = math.radians(turn_deg)
    other = [(100, 30), (100 + 200 * math.cos(way), 30 + 200 * math.sin(way))]

    assert len(spacing([LANE, other])) == pairs


def test_a_lane_drawn_the_other_way_is_still_a_neighbour() -> None:
    """The direction in which a line was digitised does not matter."""
    assert spacing([LANE, [(300, 12), (0, 12)]])["median_m"].item() == pytest.approx(12)


def test_ground_round_a_shared_node_is_left_out() -> None:
    """Two lanes fork at 20 degrees: within 20 m of the fork their distance says nothing."""
    way = math.radians(20)
    fork = [(0, 0), (300 * math.cos(way), 300 * math.sin(way))]
    found = spacing([LANE, fork])

    assert 20 * math.tan(way) <= found["least_m"].item() < 24 * math.tan(way)


def test_lanes_on_one_main_trail_share_no_node_with_each_other() -> None:
    """Two lanes 8 m apart that both end on a trail across them are judged down to the trail."""
    trail = [(0, -20), (0, 40)]
    found = spacing([LANE, [(0, 8), (300, 8)], trail])

    assert found[["first", "second", "median_m"]].to_numpy().tolist() == [["A", "B", 8.0]]


def test_a_line_that_stands_twice_is_one_lane() -> None:
    """Its copy is no neighbour at 0 m."""
    found = spacing([LANE, LANE, [(0, 30), (300, 30)]])

    assert 0 not in found["least_m"].tolist()
    assert found["median_m"].min() == pytest.approx(30)


def test_a_track_that_comes_back_is_its_own_neighbour() -> None:
    """One recorded track up a lane and down the next, 12 m apart, is judged beyond its turn."""
    found = spacing([[(0, 0), (300, 0), (300, 12), (0, 12)]])

    assert found[["first", "second"]].to_numpy().tolist() == [["A", "A"]]
    assert found["median_m"].item() == pytest.approx(12)


def test_no_lanes_have_no_spacing() -> None:
    """Without lanes there is nothing to say."""
    assert spacing([]).empty
