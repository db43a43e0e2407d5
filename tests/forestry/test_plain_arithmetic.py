"""Basal area, pattern, position error and sizes at their edges."""

import math

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given

from glademark.errors import InputError
from glademark.forestry import basal_area_m2, clark_evans, quadratic_mean_diameter_cm
from glademark.forestry.opening_size import circle_diameter, corridor_share
from glademark.forestry.packaged_data import packaged_table, source
from glademark.forestry.position_accuracy import error_from_radius, mean_error, radius_holding


@given(st.lists(st.floats(1, 200), min_size=1, max_size=50))
def test_mean_diameter_gives_the_basal_area_back(dbh_cm: list[float]) -> None:
    """As many trees of the quadratic mean diameter have the same basal area."""
    total = float(basal_area_m2(dbh_cm).sum())

    mean = quadratic_mean_diameter_cm(total, len(dbh_cm))

    assert float(basal_area_m2(mean)) * len(dbh_cm) == pytest.approx(total)


def test_no_trees_have_no_mean_diameter() -> None:
    """Without trees there is no mean, and without a diameter no basal area."""
    assert math.isnan(float(quadratic_mean_diameter_cm(0, 0)))
    assert math.isnan(float(basal_area_m2(math.nan)))


def test_edge_correction_lowers_the_index() -> None:
    """With its perimeter a pattern reads less regular than without."""
    plain = clark_evans([6, 6, 5, 5, 4, 4, 2, 2, 8], area=225)
    corrected = clark_evans([6, 6, 5, 5, 4, 4, 2, 2, 8], area=225, perimeter=60)

    assert corrected.index < plain.index
    assert math.isnan(corrected.z)
    assert corrected.points == 9


@pytest.mark.parametrize(
    ("distances", "area", "perimeter"), [([], 1, None), ([1], 0, None), ([1], 1, 0)]
)
def test_pattern_needs_points_and_ground(
    distances: list[float], area: float, perimeter: float | None
) -> None:
    """No points, or no ground, make no pattern."""
    with pytest.raises(InputError, match="expected at least one distance"):
        clark_evans(distances, area=area, perimeter=perimeter)


@given(error=st.floats(0.01, 100), share=st.floats(0.05, 0.99))
def test_radius_and_error_turn_into_one_another(error: float, share: float) -> None:
    """Error to radius and back is the error."""
    radius = radius_holding(share, error)

    assert float(error_from_radius(share, radius)) == pytest.approx(error)


def test_circular_error_is_that_of_random_fixes() -> None:
    """Of a million fixes 4 m off by root mean square, 95 % lie within the CE95, and so the mean."""
    fixes = np.random.default_rng(3).normal(0, 4 / math.sqrt(2), (1_000_000, 2))
    distance = np.hypot(*fixes.T)

    within = float(np.mean(distance <= radius_holding(0.95, 4.0)))

    assert within == pytest.approx(0.95, abs=1e-3)
    assert float(distance.mean()) == pytest.approx(float(mean_error(4.0)), rel=2e-3)


@given(st.floats(0.1, 1e6))
def test_circle_gives_its_area_back(area: float) -> None:
    """The circle of the equivalent diameter has the area that it was made from."""
    assert math.pi / 4 * float(circle_diameter(area)) ** 2 == pytest.approx(area)


@pytest.mark.parametrize("given_both", [{}, {"spacing": 100, "clear": 88}])
def test_spacing_and_clear_distance_are_not_mixed(given_both: dict[str, float]) -> None:
    """Centre to centre and edge to edge give different shares: one must be named."""
    with pytest.raises(TypeError, match="give either the spacing"):
        corridor_share(12, **given_both)


@pytest.mark.parametrize("table", ["crown_width", "species"])
def test_every_packaged_row_names_a_listed_source(table: str) -> None:
    """Each figure that ships leads to a publication, or says that it is from memory."""
    keys = np.unique(packaged_table(table)["source"])

    assert all(source(str(key)).citation for key in keys)
    assert {source(str(key)).basis for key in keys} <= {"published", "from memory"}
