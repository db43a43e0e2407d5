"""Crossings of water and setbacks: where, at what angle, and in the list of checks."""

import math
from collections.abc import Callable

import pytest
import shapely

from glademark.contracts.terrain import PERMIT
from glademark.judge.checks import judge
from glademark.judge.limits import Case

STAND = shapely.box(0, 0, 200, 200)
BROOK = shapely.box(90, -20, 94, 220)  # banks run north and south


@pytest.mark.parametrize("angle", [90.0, 60.0, 35.0])
def test_angle_is_that_between_corridor_and_bank(
    laid_out: Callable[..., Case], angle: float
) -> None:
    """A corridor that meets a straight bank at an angle crosses w / sin(angle) of water."""
    reach = 60 / math.tan(math.radians(angle))
    line = shapely.LineString([(32, 100 - reach), (152, 100 + reach)])
    crossings = laid_out(STAND, corridors=[line], water=[BROOK]).layout.water_crossings
    point = crossings.geometry.iloc[0]

    assert crossings["angle_deg"].to_list() == pytest.approx([angle])
    assert crossings["length_m"].to_list() == pytest.approx([4 / math.sin(math.radians(angle))])
    assert (point.x, point.y) == pytest.approx((92, 100))
    assert crossings["what"].to_list() == ["water"]


def test_a_setback_on_both_banks_is_crossed_once(laid_out: Callable[..., Case]) -> None:
    """The strips on both sides and the water between are one crossing of the setback."""
    strips = shapely.MultiPolygon([shapely.box(80, 0, 90, 200), shapely.box(94, 0, 104, 200)])
    case = laid_out(
        STAND,
        corridors=[shapely.LineString([(0, 50), (200, 50)]), shapely.LineString([(0, 9), (60, 9)])],
        water=[BROOK],
        setbacks=[{"geometry": strips, "name": "brook", "rule": "no_machine"}],
    )
    crossings = case.layout.water_crossings

    assert crossings["what"].to_list() == ["water", "setback"]
    assert crossings["length_m"].to_list() == pytest.approx([4, 24])
    assert crossings["rule"].to_list() == ["", "no_machine"]
    assert case.layout.ground.crossings is not None
    assert case.layout.ground.crossings.setbacks == 1


def test_a_crossing_beyond_the_boundary_counts_too(laid_out: Callable[..., Case]) -> None:
    """On the way to the landing a brook outside the stand is crossed all the same."""
    away = shapely.box(250, -20, 254, 220)
    line = shapely.LineString([(100, 100), (300, 100)])
    crossings = laid_out(STAND, corridors=[line], water=[away]).layout.water_crossings

    assert crossings["in_stand"].to_list() == [False]


def test_a_corridor_that_ends_in_the_water_has_one_bank(laid_out: Callable[..., Case]) -> None:
    """Only the bank that it reaches gives the angle."""
    line = shapely.LineString([(50, 100), (92, 100)])
    crossings = laid_out(STAND, corridors=[line], water=[BROOK]).layout.water_crossings

    assert crossings["angle_deg"].to_list() == pytest.approx([90])
    assert crossings["length_m"].to_list() == pytest.approx([2])


def test_a_corridor_along_the_bank_crosses_nothing(laid_out: Callable[..., Case]) -> None:
    """Touching the bank is no crossing."""
    line = shapely.LineString([(94, 10), (94, 150)])
    layout = laid_out(STAND, corridors=[line], water=[BROOK]).layout

    assert layout.water_crossings.empty
    assert not any("permit" in notice for notice in layout.notices)


def test_all_crossings_are_one_row_of_the_checks_that_defers_to_local_rules(
    laid_out: Callable[..., Case],
) -> None:
    """Without any limit, crossings are counted as not checked, with the word about permits."""
    lines = [shapely.LineString([(0, y), (200, y)]) for y in (80, 100, 120)]
    case = laid_out(STAND, corridors=lines, water=[BROOK])
    row = judge(case, []).set_index("limit").loc["water_crossing"]

    assert (row["verdict"], row["unit"], row["reason"]) == ("not_checked", "crossings", PERMIT)
    assert row["measured"] == 3
    assert row["feature"] == "1, 2, 3"
    assert row["subject"] == "corridors cross water 3 times, setbacks nowhere"
    assert any(PERMIT in notice for notice in case.layout.notices)
