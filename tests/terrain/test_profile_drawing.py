"""A profile as lines on paper."""

import numpy as np
import pytest

from glademark.contracts.terrain import Profile
from glademark.report.profile_drawing import draw_profile, round_numbers


def profile_of(heights: list[float], step: float = 10.0) -> Profile:
    """A profile with samples at equal steps."""
    count = len(heights)
    return Profile(
        corridor="A",
        part=1,
        at_m=np.arange(count) * step,
        height_m=np.array(heights, dtype=float),
        to_landing=np.ones(count - 1),
    )


def test_ground_fills_the_box_and_its_exaggeration_is_said() -> None:
    """30 m long and 3 m high in a box of 60 x 12: two to one along, four to one up."""
    drawing = draw_profile(profile_of([100, 101, 103, 102]), width=60, height=12, steep_grade=0.5)

    assert drawing.lines[0].tolist() == [[0, 0], [20, 4], [40, 12], [60, 8]]
    assert drawing.exaggeration == pytest.approx(4 / 2)
    assert drawing.steep == ()


def test_steep_stretches_are_told_apart() -> None:
    """Only the second of three intervals rises two in ten."""
    drawing = draw_profile(profile_of([100, 101, 103, 102]), width=60, height=12, steep_grade=0.15)

    assert [line.tolist() for line in drawing.steep] == [[[20, 4], [40, 12]]]


def test_missing_heights_break_the_line() -> None:
    """Where no height is known nothing is drawn."""
    drawing = draw_profile(
        profile_of([100, 101, np.nan, 102, 103]), width=40, height=3, steep_grade=0.5
    )

    assert [line[:, 0].tolist() for line in drawing.lines] == [[0, 10], [30, 40]]
    assert draw_profile(profile_of([np.nan] * 3), width=40, height=3, steep_grade=0.5).lines == ()


def test_level_ground_runs_through_the_middle() -> None:
    """Without any rise there is still a line."""
    drawing = draw_profile(profile_of([100, 100]), width=40, height=8, steep_grade=0.5)

    assert drawing.lines[0].tolist() == [[0, 4], [40, 4]]


def test_ticks_stand_at_round_numbers() -> None:
    """Every tick is at the place of its number."""
    drawing = draw_profile(profile_of([102, 118]), width=40, height=8, steep_grade=0.5)

    assert [at for _, at in drawing.height_ticks] == [105, 110, 115]
    assert drawing.height_ticks[0][0] == pytest.approx((105 - 102) / 16 * 8)
    assert [at for _, at in drawing.along_ticks] == [0, 2, 4, 6, 8, 10]


@pytest.mark.parametrize("low", [0.0, 3.7, -120.5])
@pytest.mark.parametrize("size", [0.03, 1.0, 37.0, 4000.0])
def test_round_numbers_are_few_and_within(low: float, size: float) -> None:
    """About as many as are wanted, evenly apart, between the ends."""
    found = np.array(round_numbers(low, low + size, about=5))

    assert 3 <= len(found) <= 9
    assert np.ptp(np.diff(found)) < 1e-9 * size
    assert found.min() >= low - 1e-9 * size
    assert found.max() <= low + size + 1e-9 * size
