"""Area of the union of round crowns."""

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from glademark.uncertainty.openings import union_areas


def test_two_crowns_share_their_lens() -> None:
    """Two unit circles a radius apart cover 2 pi less the lens 2 pi/3 - root 3 / 2."""
    found = union_areas(np.array([[[0.0, 0.0], [1.0, 0.0]]]), [1.0, 1.0])

    assert found[0] == pytest.approx(2 * np.pi - (2 * np.pi / 3 - 3**0.5 / 2), rel=1e-12)


def test_crowns_apart_are_added_up() -> None:
    """Crowns that do not meet count in full."""
    found = union_areas(np.array([[[0.0, 0.0], [9.0, 0.0], [0.0, 9.0]]]), [1.0, 2.0, 3.0])

    assert found[0] == pytest.approx(14 * np.pi, rel=1e-12)


def test_equal_crowns_at_one_place_count_once() -> None:
    """Two marks at one averaged fix leave one hole."""
    assert union_areas(np.zeros((1, 3, 2)), [2.0, 2.0, 2.0])[0] == pytest.approx(4 * np.pi)


def test_no_crowns_have_no_area() -> None:
    """Without crowns there is nothing, in as many draws as asked."""
    assert union_areas(np.zeros((3, 0, 2)), np.zeros(0)).tolist() == [0.0, 0.0, 0.0]


@given(st.integers(0, 10_000), st.integers(1, 25))
def test_union_is_that_of_another_engine(seed: int, trees: int) -> None:
    """The exact area equals a fine polygon union: 128 segments a quarter are 2.5e-5 too small."""
    rng = np.random.default_rng(seed)
    centres, radii = rng.uniform(0, 15, (2, trees, 2)), rng.uniform(0.5, 5, (2, trees))
    plain = [
        shapely.union_all(shapely.buffer(shapely.points(at), r, quad_segs=128)).area
        for at, r in zip(centres, radii, strict=True)
    ]

    assert union_areas(centres, radii).tolist() == pytest.approx(plain, rel=5e-5)
