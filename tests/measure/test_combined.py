"""Combined openings: where a strip of corridor makes two holes one."""

import math
from collections.abc import Callable

import pytest
import shapely

from glademark.contracts.layout import Layout

LayoutOf = Callable[..., Layout]
ACRE_M2 = 43_560 * 0.3048**2
STAND = shapely.box(-500, -500, 500, 500)
ALONG = shapely.LineString([(-300, 0), (300, 0)])


def two_squares(layout_of: LayoutOf, gap: float, **given: object) -> Layout:
    """Layout with two walked squares of 40 m side, a gap apart, their centres on y = 0."""
    squares = [
        shapely.box(-40 - gap / 2, -20, -gap / 2, 20),
        shapely.box(gap / 2, -20, 40 + gap / 2, 20),
    ]
    return layout_of(STAND, walked=squares, **given)


def test_a_corridor_joins_two_squares_six_metres_apart(layout_of: LayoutOf) -> None:
    """
    Two squares of 1,600 m2 on one 4 m strip, 6 m apart, are one hole of 3,256 m2 (0.8046 acre).

    2 x 1,600 and 4 m x (6 + 4 + 4) m of strip: all between them, one width beyond each.
    """
    combined = two_squares(layout_of, 6, corridors=[ALONG]).combined_openings

    assert combined["openings"].tolist() == ["1, 2"]
    assert combined["area_m2"].tolist() == pytest.approx([3256])
    assert combined["area_m2"].iloc[0] / ACRE_M2 == pytest.approx(0.8046, abs=5e-5)
    assert combined["net_of_corridor_m2"].tolist() == pytest.approx([2 * (1600 - 160)])


def test_a_corridor_leaves_two_squares_thirty_metres_apart(layout_of: LayoutOf) -> None:
    """Thirty metres apart each square is a hole of 1,600 + 2 x 4 x 4 = 1,632 m2 (0.4033 acre)."""
    layout = two_squares(layout_of, 30, corridors=[ALONG])
    combined = layout.combined_openings

    assert combined["openings"].tolist() == ["1", "2"]
    assert combined["area_m2"].tolist() == pytest.approx([1632, 1632])
    assert combined["area_m2"].iloc[0] / ACRE_M2 == pytest.approx(0.4033, abs=5e-5)
    assert layout.openings["combined_area_m2"].tolist() == pytest.approx([1632, 1632])
    assert layout.figures.openings.combined_count == 2


@pytest.mark.parametrize(("gap", "holes"), [(7.999, 1), (8.0, 1), (8.001, 2)])
def test_two_widths_are_just_joined(layout_of: LayoutOf, gap: float, holes: int) -> None:
    """One width from either side closes a gap of two widths, and none wider."""
    layout = two_squares(layout_of, gap, corridors=[ALONG])

    assert layout.figures.openings.combined_count == holes


def test_openings_that_touch_are_one_hole_without_a_corridor(layout_of: LayoutOf) -> None:
    """Two openings with a common edge are one continuous opening."""
    layout = two_squares(layout_of, 0)

    assert layout.combined_openings["openings"].tolist() == ["1, 2"]
    assert layout.combined_openings["area_m2"].tolist() == pytest.approx([3200])
    assert layout.openings["combined"].tolist() == [1, 1]


def test_without_a_corridor_near_openings_stay_apart(layout_of: LayoutOf) -> None:
    """A corridor that passes both openings by joins nothing."""
    beside = shapely.LineString([(-300, 30), (300, 30)])
    layout = two_squares(layout_of, 6, corridors=[beside])

    assert layout.combined_openings["area_m2"].tolist() == pytest.approx([1600, 1600])


def test_a_corridor_that_meets_one_opening_widens_that_one(layout_of: LayoutOf) -> None:
    """A strip that meets one opening belongs to its hole out to one width, and to no other's."""
    ends = shapely.LineString([(-300, 0), (-20, 0)])
    layout = two_squares(layout_of, 6, corridors=[ends])

    assert layout.combined_openings["area_m2"].tolist() == pytest.approx([1616, 1600])


def test_the_reach_of_a_strip_is_its_own_width(layout_of: LayoutOf) -> None:
    """A strip 6 m wide joins over 12 m: 2 x 1,600 + 6 x (12 + 6 + 6) m2."""
    wide = {"geometry": ALONG, "width_m": 6.0}
    layout = two_squares(layout_of, 12, corridors=[wide])

    assert layout.combined_openings["area_m2"].tolist() == pytest.approx([3200 + 6 * 24])


def test_three_openings_on_a_corridor_are_one_hole(layout_of: LayoutOf) -> None:
    """Joining goes on from hole to hole: three in a row are one, named by its lowest number."""
    squares = [shapely.box(x, -10, x + 20, 10) for x in (0, 26, 52)]
    layout = layout_of(STAND, walked=squares, corridors=[ALONG])
    combined = layout.combined_openings

    assert combined[["combined", "openings", "openings_count"]].to_numpy().tolist() == [
        [1, "1, 2, 3", 3]
    ]
    assert combined["area_m2"].iloc[0] == pytest.approx(3 * 400 + 4 * (2 * 6 + 2 * 4))


def test_an_oblique_strip_reaches_one_width_from_the_crown_edge(layout_of: LayoutOf) -> None:
    """
    At a straight edge a strip at 45 degrees reaches on by its width square to that edge.

    The piece is w / sin(45) wide along the edge and w deep: w^2 sqrt(2), once on each side.
    """
    slanting = shapely.LineString([(-200, -200), (200, 200)])
    layout = layout_of(STAND, walked=[shapely.box(-100, -20, 100, 20)], corridors=[slanting])

    expected = 200 * 40 + 2 * 16 * math.sqrt(2)
    assert layout.combined_openings["area_m2"].tolist() == pytest.approx([expected])
