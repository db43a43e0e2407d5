"""The way to the landing: a star, a loop, broken networks by hand; a grid in closed form."""

import math

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from glademark.measure.terrain.network import Network, build_network, enter, wood_over
from glademark.measure.terrain.noding import end_links

STAND = shapely.box(-1000, -1000, 1000, 1000)
LANDING = shapely.box(-10, -5, 0, 5)


def network_of(
    *lines: list[tuple[float, float]],
    landings: tuple[shapely.Polygon, ...] = (LANDING,),
    stand: shapely.Polygon = STAND,
    snap_m: float = 1.0,
) -> Network:
    """Network of lines given by their coordinates."""
    made = np.array([shapely.LineString(points) for points in lines], dtype=object)
    return build_network(made, np.array(landings, dtype=object), stand=stand, snap_m=snap_m)


def points_at(*positions: tuple[float, float]) -> np.ndarray:
    """Points as an array."""
    return np.array([shapely.Point(position) for position in positions], dtype=object)


def arriving(network: Network, entry: object, wood: np.ndarray) -> float:
    """Wood that leaves stretches into landings."""
    stretches = wood_over(network, entry, wood)  # type: ignore[arg-type] # an Entry
    return float(stretches.wood[stretches.distance_m == 0].sum())


def test_star() -> None:
    """Three arms from a hub 50 m from the landing: the way is arm plus 50 m."""
    network = network_of(
        [(0, 0), (50, 0)], [(50, 0), (150, 0)], [(50, 0), (50, 80)], [(50, 0), (50, -60)]
    )
    points = points_at((150, 3), (50, 80), (48, -40), (20, 2))
    entry = enter(network, points)
    stretches = wood_over(network, entry, np.ones((4, 1)))
    trunk = np.isclose(stretches.farthest_m, 50)

    assert entry.distance_m == pytest.approx([150, 130, 90, 20])
    assert stretches.wood[trunk].ravel().tolist() == [4.0]
    assert sorted(stretches.wood[~trunk].ravel()) == [1.0, 1.0, 1.0]


def test_loop_is_left_by_the_shorter_way() -> None:
    """A square of 4 x 100 m behind the landing: the far corner is 200 m away, wood parts there."""
    network = network_of([(0, 0), (100, 0), (100, 100), (0, 100), (0, 0)])
    # the side x = 0 enters the landing's edge at y = 5
    points = points_at((60, 0), (100, 60), (60, 100), (0, 60))
    entry = enter(network, points)
    stretches = wood_over(network, entry, np.ones((4, 1)))

    assert entry.distance_m == pytest.approx([60, 160, 155, 55])
    assert stretches.farthest_m.max() == pytest.approx((400 - 5) / 2)
    assert sorted(stretches.wood.ravel()) == [2.0, 2.0]


def test_two_ways_between_two_nodes() -> None:
    """A bypass of 120 m beside 100 m: wood on the bypass goes the shorter way round."""
    network = network_of([(0, 0), (20, 0), (120, 0)], [(20, 0), (20, 10), (120, 10), (120, 0)])
    entry = enter(network, points_at((120, 9), (30, 10), (60, 0)))
    # at (120, 9): 9 + 100 + 20, not 1 + 110 + 20
    stretches = wood_over(network, entry, np.ones((3, 1)))

    assert entry.distance_m == pytest.approx([129, 40, 60])
    assert arriving(network, entry, np.ones((3, 1))) == pytest.approx(3)
    assert sorted(stretches.wood.ravel()) == [1.0, 1.0, 2.0, 3.0]


def test_a_gap_within_the_snapping_distance_is_bridged() -> None:
    """0.8 m are bridged and counted, 1.2 m are not."""
    near = network_of([(0, 0), (50, 0)], [(50.8, 0), (100, 0)])
    far = network_of([(0, 0), (50, 0)], [(51.2, 0), (100, 0)])
    end = points_at((100, 0))

    assert enter(near, end).distance_m == pytest.approx([100])
    assert enter(far, end).distance_m == [math.inf]


@pytest.mark.parametrize(("back_m", "linked_m"), [(2, []), (10, [1.5])])
def test_a_line_that_turns_back_beside_itself(back_m: float, linked_m: list[float]) -> None:
    """Snapping within 2 m, an end is linked to its own line where that is over 8 m along it."""
    line = shapely.LineString([(0, 0), (100, 0), (100, 1.5), (100 - back_m, 1.5)])

    assert shapely.length(end_links(np.array([line]), snap_m=2.0)).tolist() == linked_m


def test_an_end_beside_the_middle_of_another_line_is_joined() -> None:
    """A branch that stops 0.6 m short of the main line: 30 + 0.6 + 40 m."""
    network = network_of([(0, 0), (100, 0)], [(40, 30.6), (40, 0.6)])

    assert enter(network, points_at((40, 30.6))).distance_m == pytest.approx([70.6])


def test_three_ends_that_nearly_meet_are_all_joined() -> None:
    """Ends at the corners of a triangle within reach of each other hang together."""
    network = network_of([(0, 0), (50, 0)], [(50.5, 0.5), (90, 40)], [(50.5, -0.5), (90, -40)])

    assert np.isfinite(network.distance_m).all()


def test_crossing_lines_are_joined() -> None:
    """Lines that cross meet where they do."""
    network = network_of([(0, 0), (100, 0)], [(30, -50), (30, 50)])

    assert enter(network, points_at((30, 50), (30, -20))).distance_m == pytest.approx([80, 50])


def test_a_line_that_closes_on_itself_is_no_dead_end() -> None:
    """A lasso: its rope ends 0.5 m from its own middle, so both ways round are open."""
    network = network_of([(0, 0), (40, 0), (100, 0), (100, 60), (40, 60), (40, 0.5)])
    entry = enter(network, points_at((40, 50)))

    assert entry.distance_m == pytest.approx([90])  # 49.5 + 0.5 + 40


def test_lines_that_no_landing_reaches_are_told_apart() -> None:
    """What hangs together without a landing has no way; its wood arrives nowhere."""
    network = network_of([(0, 0), (50, 0)], [(200, 0), (300, 0)], [(250, 0), (250, 90)])
    entry = enter(network, points_at((30, 0), (210, 0), (250, 50)))
    wood = np.array([[1.0], [2.0], [4.0]])

    assert np.isfinite(entry.distance_m).tolist() == [True, False, False]
    assert entry.landing.tolist() == [0, -1, -1]
    assert arriving(network, entry, wood) == 1.0
    assert wood_over(network, entry, wood).wood.sum() == 7.0


def test_the_nearest_of_two_landings_is_taken() -> None:
    """A line between two landings 100 m apart parts in the middle."""
    other = shapely.box(100, -5, 110, 5)
    network = network_of([(0, 0), (100, 0)], landings=(LANDING, other))
    entry = enter(network, points_at((30, 0), (60, 0)))
    stretches = wood_over(network, entry, np.ones((2, 1)))

    assert entry.distance_m == pytest.approx([30, 40])
    assert entry.landing.tolist() == [0, 1]
    assert sorted(shapely.length(stretches.geometry)) == pytest.approx([50, 50])
    assert stretches.wood.ravel().tolist() == [1.0, 1.0]


def test_stretches_run_towards_the_landing() -> None:
    """Every stretch is drawn the way the wood goes."""
    network = network_of([(0, 0), (50, 0)], [(50, 0), (50, 80)])
    entry = enter(network, points_at((50, 70)))
    stretches = wood_over(network, entry, np.ones((1, 1)))
    ends = shapely.get_coordinates(shapely.get_point(stretches.geometry, -1))

    assert sorted(map(tuple, ends.tolist())) == [(0.0, 0.0), (50.0, 0.0)]


@pytest.mark.parametrize("gap", [0.0, 0.7])
def test_extraction_ends_at_the_edge_of_the_landing(gap: float) -> None:
    """A line into the landing stops at its edge; one that ends just before it bridges the gap."""
    line = [(-8.0, 0.0), (60.0, 0.0)] if gap == 0 else [(gap, 0.0), (60.0, 0.0)]

    assert enter(network_of(line), points_at((60, 0))).distance_m == pytest.approx([60])


def test_the_way_outside_the_stand_is_known() -> None:
    """A landing 40 m outside the stand: a tree 25 m inside is 65 m away, 25 m of them inside."""
    network = network_of([(0, 0), (200, 0)], stand=shapely.box(40, -100, 300, 100))
    entry = enter(network, points_at((65, 0)))

    assert entry.distance_m == pytest.approx([65])
    assert entry.inside_m == pytest.approx([25])


def test_wood_beyond_the_end_of_a_corridor_arrives_once() -> None:
    """A tree ahead of a dead end comes onto the corridor at its very end."""
    network = network_of([(0, 0), (80, 0)], [(80, 0), (80, 50)])
    entry = enter(network, points_at((80, 90), (70, 60)))
    stretches = wood_over(network, entry, np.ones((2, 1)))

    assert entry.distance_m == pytest.approx([130, 130])
    assert stretches.wood.ravel().tolist() == [2.0, 2.0]


def test_grid_has_the_mean_distance_of_its_formula() -> None:
    """
    Corridors of length L, s apart on a main line from the landing, trees evenly along them.

    Corridor k = 1 to n leaves the main line k s from the landing. A tree at y has k s + y to go.
    The mean of k is (n + 1) / 2 and that of y, at the middles of m equal steps, is L / 2, so the
    mean distance is s (n + 1) / 2 + L / 2. The main line's first stretch carries all n m trees,
    the next one those of n - 1 corridors, and so on.
    """
    n, s, length, m = 12, 25.0, 180.0, 30
    lines = [[(0.0, 0.0), (n * s, 0.0)]]
    lines += [[(k * s, 0.0), (k * s, length)] for k in range(1, n + 1)]
    network = network_of(*lines)
    y = (np.arange(m) + 0.5) * length / m
    points = points_at(*((k * s + 1.5, at) for k in range(1, n + 1) for at in y))
    entry = enter(network, points)
    stretches = wood_over(network, entry, np.ones((n * m, 1)))
    on_main = shapely.get_coordinates(shapely.centroid(stretches.geometry))[:, 1] == 0
    along = np.argsort(stretches.distance_m[on_main])

    assert entry.distance_m.mean() == pytest.approx(s * (n + 1) / 2 + length / 2)
    assert stretches.wood[on_main].ravel()[along].tolist() == [m * (n - k) for k in range(n)]


def relaxed(network: Network, on_landing: np.ndarray) -> np.ndarray:
    """Ways from every node by relaxing all edges until nothing gets shorter."""
    start, end = network.edges.ends.T
    ways = np.where(on_landing, 0.0, math.inf)
    for _ in ways:
        shorter = ways.copy()
        np.minimum.at(shorter, start, ways[end] + network.edges.length_m)
        np.minimum.at(shorter, end, ways[start] + network.edges.length_m)
        if (shorter == ways).all():
            break
        ways = shorter
    return ways


@given(seed=st.integers(0, 2**32 - 1), lines=st.integers(2, 7))
def test_distances_and_wood_by_a_second_method(seed: int, lines: int) -> None:
    """On random crossing lines, relaxing all edges gives the same ways; no wood is lost."""
    made = np.random.default_rng(seed)
    ends = made.integers(-400, 400, size=(lines, 2, 2)).astype(float)
    network = network_of([(-10, 0), (399, 7)], *(list(map(tuple, line)) for line in ends))
    on_landing = shapely.dwithin(shapely.points(network.edges.nodes), LANDING, 2e-3)
    points = points_at(*made.uniform(-400, 400, size=(40, 2)))
    entry = enter(network, points)
    wood = made.uniform(0, 1, size=(40, 2))
    reached = np.isfinite(entry.distance_m)

    np.testing.assert_allclose(network.distance_m, relaxed(network, on_landing), atol=1e-6)
    assert arriving(network, entry, wood) == pytest.approx(wood[reached].sum())


def test_without_a_line_outside_the_landing_nothing_is_there() -> None:
    """A line that lies in the landing is no network."""
    network = network_of([(-8, 0), (-2, 0)])

    assert len(network.edges.geometry) == 0
