"""What must hold for strips, crowns and zones, tried on shapes thrown at random."""

import itertools
from collections.abc import Callable

import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shapely.geometry.base import BaseGeometry

from glademark.contracts.survey import Survey
from glademark.measure.corridors import measure_corridors
from glademark.measure.crowns import crown_discs
from glademark.measure.edges import closed, united_by
from glademark.measure.groups import crown_components
from glademark.measure.zones import Ground, covers_of, partition

place = st.integers(0, 400).map(lambda quarter: quarter / 4)
position = st.tuples(place, place)
tree = st.tuples(place, place, st.integers(2, 20).map(lambda quarter: quarter / 4))
trees = st.lists(tree, min_size=1, max_size=30)
distance = st.floats(0, 20)
plain = settings(max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])


def boxes(corners: list[tuple[float, float]], side: float) -> BaseGeometry:
    """Union of squares with these lower left corners."""
    x, y = np.array(corners, dtype=float).reshape(-1, 2).T
    return shapely.union_all(shapely.box(x, y, x + side, y + side))


def discs_of(crowns: list[tuple[float, float, float]]) -> tuple[np.ndarray, np.ndarray]:
    """Positions and radii of crowns."""
    table = np.array(crowns, dtype=float)
    return np.asarray(shapely.points(table[:, :2]), dtype=object), table[:, 2]


@given(st.lists(st.lists(position, max_size=6), min_size=4, max_size=4))
def test_zones_cover_the_stand_once(corners: list[list[tuple[float, float]]]) -> None:
    """However areas lie, edges drawn alike included, zones fill the stand without overlap."""
    exclusion, landing, corridor, opening = (
        boxes(each, side) for each, side in zip(corners, (30, 20, 8, 25), strict=True)
    )
    stand = shapely.box(0, 0, 100, 100)
    ground = Ground(
        stand=np.array([stand]),
        exclusion=np.array([exclusion]),
        landing=np.array([landing]),
        corridor=np.array([corridor]),
        opening=np.array([opening]),
    )
    zones = [each[0] for each in partition(ground).values()]

    assert sum(zone.area for zone in zones) == pytest.approx(stand.area, rel=1e-9)
    for one, other in itertools.combinations(zones, 2):
        assert shapely.intersection(one, other).area <= 1e-9 * stand.area


@plain
@given(
    st.lists(st.tuples(position, position), min_size=1, max_size=5),
    st.floats(1, 8),
    st.floats(1.05, 2),
)
def test_wider_corridors_never_take_less(
    survey_of: Callable[..., Survey],
    lines: list[tuple[tuple[float, float], tuple[float, float]]],
    width: float,
    factor: float,
) -> None:
    """More width never takes less ground, and never more than length times width and bends."""
    long = [ends for ends in lines if np.hypot(*np.subtract(*ends)) > 20]
    stand = shapely.box(-50, -50, 150, 150)
    taken = []
    for wide in (width, width * factor):
        rows = [{"geometry": shapely.LineString(ends), "width_m": wide} for ends in long]
        survey = survey_of(stand, corridors=rows)
        found = measure_corridors(survey.corridors, covers_of(survey))
        taken.append(found.figures[0].area_m2)

    assert taken[1] >= taken[0] * (1 - 1e-12)


@given(trees, distance, distance)
def test_a_larger_link_distance_never_makes_more_sets(
    crowns: list[tuple[float, float, float]], one: float, other: float
) -> None:
    """Crowns that are linked stay linked where wider gaps are linked too."""
    points, radii = discs_of(crowns)
    near, far = (
        crown_components(points, radius_m=radii, link_distance_m=d, stand=np.zeros(len(radii)))
        for d in sorted((one, other))
    )

    assert len(set(far)) <= len(set(near))
    pairs = set(zip(near.tolist(), far.tolist(), strict=True))
    assert len(pairs) == len(set(near))


@given(trees, distance)
def test_crown_sets_are_what_every_pair_says(
    crowns: list[tuple[float, float, float]], gap: float
) -> None:
    """Two trees within the link distance always share a set; sets are as few as that allows."""
    points, radii = discs_of(crowns)
    found = crown_components(
        points, radius_m=radii, link_distance_m=gap, stand=np.zeros(len(radii))
    )
    xy = shapely.get_coordinates(points)
    apart = np.hypot(*(xy[:, None] - xy[None, :]).transpose(2, 0, 1))
    linked = apart - radii[:, None] - radii[None, :] <= gap + 1e-6
    reach = np.linalg.matrix_power(linked.astype(float) + np.eye(len(radii)), len(radii)) > 0

    assert np.array_equal(found[:, None] == found[None, :], reach)


@given(trees, distance)
def test_closing_adds_ground_and_never_takes_it(
    crowns: list[tuple[float, float, float]], gap: float
) -> None:
    """The union of crowns, closed, is no smaller than they are and no larger than its hull."""
    points, radii = discs_of(crowns)
    discs = crown_discs(points, radius_m=radii, bearing=0.0)
    union = shapely.union_all(discs)
    hole = closed(united_by(discs, np.zeros(len(discs), dtype=np.intp))[1], gap)[0]

    assert hole.area >= union.area * (1 - 1e-12)
    assert hole.area <= union.convex_hull.area * (1 + 1e-9)
    assert union.area <= (np.pi * radii**2).sum() * (1 + 1e-9)
