"""Openings in every draw: closed forms for linking, outlines, distances."""

import numpy as np
import pytest
import shapely
from scipy.stats import norm, rice

from glademark.uncertainty.errors import draw_positions
from glademark.uncertainty.openings import (
    DrawnOpening,
    area_draws,
    combined_draws,
    distance_draws,
    spacing_draws,
)

DRAWS = 8000
NO_LEAVE = (np.zeros((DRAWS, 0, 2)), np.zeros(0))


def tree(place: tuple[float, float], radius: float, sigma: float, seed: int) -> DrawnOpening:
    """One crown with plain noise."""
    rng = np.random.default_rng(seed)
    recorded = np.array([place], dtype=float)
    return DrawnOpening(
        recorded=recorded,
        radii_m=np.array([radius]),
        centres=recorded - rng.standard_normal((DRAWS, 1, 2)) * sigma,
        drawn_radii_m=np.full((DRAWS, 1), radius),
        basis="tagged",
        leave=NO_LEAVE,
        error_m=sigma,
    )


def square(sigma: float, seed: int) -> DrawnOpening:
    """A walked square of 20 m, its four corners each with their own noise."""
    rng = np.random.default_rng(seed)
    recorded = np.array([[0.0, 0], [20, 0], [20, 20], [0, 20]])
    return DrawnOpening(
        recorded=recorded,
        radii_m=np.zeros(4),
        centres=recorded - rng.standard_normal((DRAWS, 4, 2)) * sigma,
        drawn_radii_m=np.zeros((DRAWS, 4)),
        basis="walked",
        leave=NO_LEAVE,
        error_m=sigma,
    )


@pytest.mark.parametrize(("gap", "sigma"), [(-1.0, 1.0), (0.5, 1.0), (2.0, 2.0), (4.0, 3.0)])
def test_chance_of_linking_is_the_rice_distribution(gap: float, sigma: float) -> None:
    """Two crowns link where the distance of their centres, Rice distributed, is within reach."""
    one, other = tree((0, 0), 3.0, sigma, 1), tree((5.0 + gap, 0), 2.0, sigma, 2)
    linked = (spacing_draws(one, other) <= 0).mean()
    spread = sigma * 2**0.5
    expected = rice.cdf(5.0 / spread, (5.0 + gap) / spread)

    assert linked == pytest.approx(expected, abs=3 * (0.25 / DRAWS) ** 0.5)


def test_distance_of_one_crown_to_a_straight_line_is_normal() -> None:
    """Without other crowns, the distance to a long line has the error of one axis."""
    found = distance_draws(tree((0, 0), 3.0, 2.0, 3), shapely.LineString([(-500, 20), (500, 20)]))

    assert found.mean() == pytest.approx(17.0, abs=0.1)
    assert (found < 15).mean() == pytest.approx(norm.cdf(-1), abs=0.02)


def test_walked_outline_keeps_its_area_on_average() -> None:
    """Corners err on their own, so the shoelace sum is unbiased: sd is sigma/2 root of sum d^2."""
    found = area_draws(square(1.0, 4), measured_m2=400.0)
    diagonal = 20 * 2**0.5  # between the two neighbours of each corner

    assert found.mean() == pytest.approx(400.0, abs=1.0)
    assert found.std() == pytest.approx(0.5 * (4 * diagonal**2) ** 0.5, rel=0.05)


def test_stated_radius_has_no_error_of_position() -> None:
    """A disc of a stated radius is as large wherever its centre is."""
    disc = tree((0, 0), 10.0, 3.0, 5)
    stated = DrawnOpening(
        recorded=disc.recorded,
        radii_m=disc.radii_m,
        centres=disc.centres,
        drawn_radii_m=disc.drawn_radii_m,
        basis="centre",
        leave=NO_LEAVE,
        error_m=3.0,
    )

    assert set(area_draws(stated, measured_m2=314.0)) == {314.0}


def test_leave_crown_is_taken_out_in_every_draw() -> None:
    """A leave tree in the middle of a wide crown takes its whole crown from the area."""
    wide = tree((0, 0), 10.0, 0.1, 6)
    less = DrawnOpening(
        recorded=wide.recorded,
        radii_m=wide.radii_m,
        centres=wide.centres,
        drawn_radii_m=wide.drawn_radii_m,
        basis="tagged",
        leave=(np.zeros((DRAWS, 1, 2)), np.array([2.0])),
        error_m=0.1,
    )

    assert area_draws(less, measured_m2=0.0) == pytest.approx(96 * np.pi)


def test_combined_hole_has_the_strip_beside_it() -> None:
    """A strip of width w through a crown's middle adds about 2 w^2 to it: w on either side."""
    one = tree((0, 0), 10.0, 0.01, 7)
    few = DrawnOpening(
        recorded=one.recorded,
        radii_m=one.radii_m,
        centres=one.centres[:20],
        drawn_radii_m=one.drawn_radii_m[:20],
        basis="tagged",
        leave=(np.zeros((20, 0, 2)), np.zeros(0)),
        error_m=0.01,
    )
    measured = 100 * np.pi + 2 * 4 * 4
    found = combined_draws(
        [few],
        shapely.box(-50, -2, 50, 2),
        width_m=4.0,
        measured_m2=measured,
        line_shifts=np.zeros((20, 2)),
    )

    assert found == pytest.approx(measured, rel=0.01)


def test_spacing_without_error_is_that_of_the_crowns_themselves() -> None:
    """Crowns of 3 m and 2 m whose centres are 12 m apart leave 7 m, in every draw."""
    found = spacing_draws(tree((0, 0), 3.0, 0.0, 1), tree((12, 0), 2.0, 0.0, 2))

    assert found == pytest.approx(np.full(DRAWS, 7.0))


def test_spacing_from_a_walked_outline_is_not_biased() -> None:
    """Noise brings the nearest corner closer; twice the recorded less the noisy takes that out."""
    found = spacing_draws(square(1.5, 8), tree((40, 10), 3.0, 0.05, 9))
    noisy_corners = 17.0  # crown edge at x = 37, the side at x = 20

    assert np.median(found) >= noisy_corners


def test_group_without_error_stays_where_it_is() -> None:
    """With a centimetre of error the drawn positions are the recorded ones."""
    rng = np.random.default_rng(10)
    recorded = rng.uniform(0, 30, (12, 2)) + np.array([400_000, 5_000_000])
    found = draw_positions(
        recorded, radii_m=np.full(12, 3.0), error_m=np.full(12, 0.01), count=40, rng=rng
    )

    assert np.abs(found - recorded).max() < 0.1


def test_drawn_group_is_not_spread_a_second_time() -> None:
    """The spread of the drawn positions is that of the trees, not of the records."""
    rng = np.random.default_rng(11)
    grid = np.stack(np.meshgrid(np.arange(7), np.arange(7)), axis=-1).reshape(-1, 2) * 5.0
    recorded = grid + rng.normal(0, 5, grid.shape)
    found = draw_positions(
        recorded, radii_m=np.full(49, 3.0), error_m=np.full(49, 5.0), count=200, rng=rng
    )
    plain = recorded + rng.normal(0, 5, (200, *grid.shape))

    assert found.std(axis=1).mean() == pytest.approx(grid.std(axis=0).mean(), rel=0.1)
    assert plain.std(axis=1).mean() > 1.15 * grid.std(axis=0).mean()
