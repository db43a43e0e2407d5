"""Estimates from places walked, by hand and over many samples of one population."""

import math

import numpy as np
import pytest

from glademark.comparison.sample_check import more_places, ratio_estimate
from glademark.errors import InputError
from glademark.forestry import Estimate


def test_ratio_by_hand() -> None:
    """Counts 2 and 4 on 100 m2 each: 0.03 per m2, deviations 1 and -1, error root 2/2 over 100."""
    found = ratio_estimate([2, 4], [100, 100])

    assert found.mean == pytest.approx(0.03)
    assert found.standard_error == pytest.approx(math.sqrt(2 / 2) / 100)


def test_a_whole_that_was_walked_has_no_sampling_error() -> None:
    """Where the places are all there is, their sum is the truth."""
    found = ratio_estimate([2, 4, 1], [100, 50, 50], whole=200)

    assert found.mean == pytest.approx(7)
    assert found.standard_error == 0


def test_error_of_the_match_is_added() -> None:
    """What a match leaves open on each place stays open in their sum."""
    found = ratio_estimate([2, 4, 1], [100, 50, 50], whole=200, within=[0.5, 0.3, 0.2])

    assert found.standard_error == pytest.approx(1.0)


def test_totals_are_right_on_the_average_with_their_error() -> None:
    """Over 2,000 samples of 8 strips out of 40, mean and spread are as the estimate says."""
    rng = np.random.default_rng(1)
    size = rng.uniform(80, 120, 40)
    count = rng.poisson(0.05 * size)
    drawn = [rng.choice(40, 8, replace=False) for _ in range(2000)]
    found = [ratio_estimate(count[at], size[at], whole=size.sum()) for at in drawn]
    means = np.array([one.mean for one in found])

    assert means.mean() == pytest.approx(count.sum(), rel=0.01)
    assert np.mean([one.standard_error for one in found]) == pytest.approx(means.std(), rel=0.06)


def test_more_places_reach_the_limit_by_the_t_of_their_number() -> None:
    """Half of the interval must be less than the way to the limit, with the t of the new number."""
    walked = Estimate(
        plots=4,
        mean=0.03,
        standard_deviation=0.008,
        standard_error=0.004,
        degrees_of_freedom=3,
    )

    # spread 0.008: n = 5 gives 2.776 x 0.008 / root 5 = 0.00993 < 0.01 (t from printed tables)
    assert more_places(walked, limit=0.02) == 1
    assert more_places(walked, limit=0.1) == 0
    assert more_places(walked, limit=0.03) is None
    # two places, 0.02 and 0.04: spread root 2 / 100, n = 5 gives 2.776 x 0.00632 = 0.0176 < 0.02
    assert more_places(ratio_estimate([2, 4], [100, 100]), limit=0.01) == 3


def test_a_single_place_settles_nothing() -> None:
    """One place has no error to go by."""
    assert more_places(ratio_estimate([3], [100]), limit=0.5) is None


@pytest.mark.parametrize(("count", "size"), [([], []), ([0.0], [0.0])])
def test_no_place_is_refused(count: list[float], size: list[float]) -> None:
    """An estimate from nothing is not made."""
    with pytest.raises(InputError, match="no place of any size was walked; expected at least one"):
        ratio_estimate(count, size)
