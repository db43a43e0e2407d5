"""Reach: strips of known width, shares in closed form, stubs by hand."""

from collections.abc import Callable

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from glademark.judge.limits import Case
from glademark.measure.terrain.reach import MOST_STUBS, shortest_stubs, to_corridor

MAIN = shapely.box(0, -2, 300, 2)


def points_at(*positions: tuple[float, float]) -> np.ndarray:
    """Points as an array."""
    return np.array([shapely.Point(position) for position in positions], dtype=object)


def test_distance_is_to_the_edge_of_the_nearest_corridor() -> None:
    """From y = 12 it is 10 m to the edge of the 4 m strip; inside it is none."""
    other = shapely.box(0, 30, 300, 34)
    away, which = to_corridor(
        points_at((50, 12), (50, 1), (50, 25)), np.array([MAIN, other], dtype=object)
    )

    assert away == pytest.approx([10, 0, 5])
    assert which.tolist() == [0, 0, 1]


def test_the_wider_corridor_may_be_nearer_by_its_edge() -> None:
    """Midway between two centre lines, the wide corridor's edge is nearer."""
    wide = shapely.box(0, 36, 300, 44)
    away, which = to_corridor(points_at((50, 20)), np.array([MAIN, wide], dtype=object))

    assert (away[0], which[0]) == (16, 1)


def test_without_corridors_nothing_is_near() -> None:
    """No corridor, no distance; an empty strip is none."""
    away, which = to_corridor(points_at((0, 0)), np.array([shapely.Polygon()], dtype=object))

    assert np.isnan(away[0])
    assert which[0] == -1


def test_share_within_reach_of_a_strip_is_that_of_its_width(
    laid_out: Callable[..., Case], marks_at: Callable[..., list[dict[str, object]]]
) -> None:
    """
    Trees evenly over a stand of width W with one corridor of width w in its middle.

    Within reach r of the edges lies a band of w + 2 r, so of trees on a grid of 5 m over 100 m,
    with w = 4 and r = 10.5 (25 m), those of rows 2.5, 7.5, ... within 12.5 m of the middle: 6 of 20
    rows (the outermost two lie exactly on the limit).
    """
    spots = [(x, y) for x in np.arange(2.5, 100, 5) for y in np.arange(2.5, 100, 5)]
    case = laid_out(
        shapely.box(0, 0, 100, 100),
        project={"machine": {"reach": "10.5 m"}},
        corridors=[shapely.LineString([(0, 50), (100, 50)])],
        marks=marks_at(*spots, crown_radius_m=0.5),
    )
    reach = case.layout.ground.reach

    assert reach is not None
    assert (reach.trees_within, reach.trees_beyond) == (6 * 20, 14 * 20)
    assert reach.farthest_m == pytest.approx(47.5 - 2)
    assert case.layout.marks["within_reach"].sum() == 120
    assert set(case.layout.marks["reach_corridor"]) == {"1"}


def test_stub_to_one_tree_is_as_long_as_it_must_be() -> None:
    """A tree 40 m from the edge and a reach of 15 m need a stub of 25 m straight to it."""
    stubs = shortest_stubs(
        points_at((100, 42)), np.array([MAIN], dtype=object), reach_m=15, width_m=4
    )

    assert shapely.get_coordinates(stubs.lines[0]).tolist() == [[100, 2], [100, 27]]
    assert (stubs.start.tolist(), stubs.tree.tolist(), stubs.served.tolist()) == ([0], [0], [0])


def test_stub_serves_what_else_comes_within_its_reach() -> None:
    """
    The stub to (100, 42) ends at y = 27 and is 4 m wide: its edge at x = 102 brings (115, 20) to
    within 13 m and (121, 20) to 19 m. The latter needs 4 m more, from the stub.
    """
    stubs = shortest_stubs(
        points_at((100, 42), (115, 20), (121, 20), (50, 10)),
        np.array([MAIN], dtype=object),
        reach_m=15,
        width_m=4,
    )

    assert stubs.served.tolist() == [0, 0, 1, -1]
    # from the main corridor (121, 20) is 18 m away, so its own stub starts there: 3 m
    assert shapely.length(stubs.lines) == pytest.approx([25, 3])
    assert stubs.start.tolist() == [0, 0]


def test_a_later_stub_may_start_from_an_earlier_one() -> None:
    """A tree beside the far end of a stub is nearer to that than to the corridor."""
    stubs = shortest_stubs(
        points_at((100, 102), (130, 80)), np.array([MAIN], dtype=object), reach_m=10, width_m=4
    )

    assert shapely.length(stubs.lines) == pytest.approx([90, 18])  # 130 - 102 = 28, less 10
    assert stubs.start.tolist() == [0, -1]


@given(
    reach=st.floats(1, 30),
    spots=st.lists(st.tuples(st.floats(0, 300), st.floats(-200, 200)), min_size=1, max_size=30),
)
def test_stubs_bring_every_tree_within_reach(
    reach: float, spots: list[tuple[float, float]]
) -> None:
    """With the stubs built, no tree is beyond reach; without them, exactly those served were."""
    points = points_at(*spots)
    strips = np.array([MAIN], dtype=object)
    stubs = shortest_stubs(points, strips, reach_m=reach, width_m=4)
    built = shapely.buffer(stubs.lines, 2, cap_style="flat")
    before = shapely.distance(points, MAIN)
    after = shapely.distance(points, shapely.union_all([MAIN, *built]))

    assert after.max() <= reach + 1e-5
    assert (stubs.served >= 0).tolist() == (before > reach + 1e-6).tolist()


def test_stubs_end_where_corridors_are_missing() -> None:
    """Trees far apart without end: the list of stubs stops, and says whom it leaves."""
    far = points_at(*((x, 500.0) for x in np.arange(0, 8000, 100)))
    stubs = shortest_stubs(far, np.array([MAIN], dtype=object), reach_m=5, width_m=4)
    built = shapely.buffer(stubs.lines, 2, cap_style="flat")
    after = shapely.distance(far, shapely.union_all([MAIN, *built]))

    assert len(stubs.lines) == MOST_STUBS
    assert (after > 5 + 1e-5).tolist() == (stubs.served < 0).tolist()
    assert (stubs.served < 0).any()


def test_a_stub_says_what_it_would_cross(
    laid_out: Callable[..., Case], marks_at: Callable[..., list[dict[str, object]]]
) -> None:
    """An exclusion between the corridor and the tree stands beside the proposed stub."""
    case = laid_out(
        shapely.box(0, 0, 200, 200),
        project={"machine": {"reach": "10 m"}},
        corridors=[shapely.LineString([(0, 50), (200, 50)])],
        marks=marks_at((100, 152), (20, 55), count=3),
        exclusions=[shapely.box(90, 80, 110, 90)],
    )
    stubs = case.layout.corridor_stubs

    assert stubs[["corridor", "trees", "crosses"]].to_numpy().tolist() == [["1", 3, "exclusion"]]
    assert stubs["length_m"].to_list() == pytest.approx([90])


@pytest.mark.parametrize(("enters", "beyond"), [(False, 6), (True, 4)])
def test_a_machine_that_enters_openings_reaches_their_trees(
    laid_out: Callable[..., Case],
    marks_at: Callable[..., list[dict[str, object]]],
    *,
    enters: bool,
    beyond: int,
) -> None:
    """Of a group that meets the corridor all trees are in reach, of one far from it none is."""
    near = marks_at(*[(50.0, 55.0 + 5 * n) for n in range(4)], group="1")
    far = marks_at(*[(20.0 + 5 * n, 90.0) for n in range(4)], group="2")
    case = laid_out(
        shapely.box(0, 0, 100, 100),
        project={"machine": {"reach": "10 m", "enters_openings": enters}},
        corridors=[shapely.LineString([(0, 50), (100, 50)])],
        marks=[*near, *far],
    )
    reach = case.layout.ground.reach

    assert reach is not None
    assert (reach.trees_within, reach.trees_beyond) == (8 - beyond, beyond)
