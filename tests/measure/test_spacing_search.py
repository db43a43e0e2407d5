"""The nearest other opening, held against the distances of all pairs."""

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from glademark.measure.openings import nearest_other

CORNER, SIDE = st.integers(0, 30), st.integers(1, 12)
BOXES = st.lists(st.tuples(CORNER, CORNER, SIDE, SIDE, st.booleans()), min_size=2, max_size=12)


@given(BOXES)
def test_every_opening_has_the_nearest_of_all_others(
    given_boxes: list[tuple[int, int, int, int, bool]],
) -> None:
    """Distances of all pairs say the same: of openings apart, touching, alike, or in another."""
    shapes = np.array(
        [
            shapely.box(x, y, x + wide, y + high).buffer(2.0 if rounded else 0.0)
            for x, y, wide, high, rounded in given_boxes
        ]
    )
    number = np.arange(len(shapes), 0, -1)
    between = shapely.distance(shapes[:, None], shapes[None, :])
    np.fill_diagonal(between, np.inf)

    nearest, spacing = nearest_other(shapes, number=number, stand=np.zeros(len(shapes), int))

    assert spacing == pytest.approx(between.min(axis=1), abs=1e-9)
    for mine, named in enumerate(nearest.to_numpy(dtype=int)):
        as_near = number[between[mine] <= between[mine].min() + 1e-12]
        assert named in as_near


def test_of_openings_as_near_the_lower_number_is_named() -> None:
    """Two openings 10 m to the left and right: the one with the lower number."""
    shapes = np.array([shapely.box(west, 0, west + 10, 10) for west in (0, 20, 40)])

    nearest, spacing = nearest_other(shapes, number=np.array([7, 1, 4]), stand=np.zeros(3, int))

    assert nearest.to_numpy(dtype=int).tolist() == [1, 4, 1]
    assert spacing.tolist() == [10.0, 10.0, 10.0]


def test_a_single_opening_has_no_other() -> None:
    """No number and no distance."""
    nearest, spacing = nearest_other(
        np.array([shapely.box(0, 0, 10, 10)]), number=np.array([1]), stand=np.array([0])
    )

    assert nearest.isna().all()
    assert np.isnan(spacing).all()
