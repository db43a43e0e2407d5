"""Profiles: grades of lines on planes at any bearing, classes, steep stretches, cross-slope."""

import math
from collections.abc import Callable

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from glademark.contracts.terrain import Elevation, heights_at
from glademark.measure.terrain.profiles import (
    class_labels,
    grade_classes,
    longest_runs,
    piece_table,
    sample_lines,
    steepest,
)


def lines_of(*coordinates: list[tuple[float, float]]) -> np.ndarray:
    """Lines as an array."""
    return np.array([shapely.LineString(points) for points in coordinates], dtype=object)


@given(
    east=st.floats(-0.8, 0.8),
    north=st.floats(-0.8, 0.8),
    bearing=st.floats(0, 360),
    length=st.floats(1.0, 250.0),
)
def test_grade_on_a_plane_is_exact_at_any_bearing(
    plane: Callable[..., Elevation], east: float, north: float, bearing: float, length: float
) -> None:
    """Along a bearing b, a plane climbs by east sin b + north cos b, whatever the length."""
    b = math.radians(bearing)
    start = np.array([200.0, 200.0])
    end = start + length * np.array([math.sin(b), math.cos(b)])
    samples = sample_lines(lines_of([tuple(start), tuple(end)]), plane(east, north), piece_m=10)
    pieces = piece_table(samples, plane(east, north), width_m=np.array([4.0]))
    climb = east * math.sin(b) + north * math.cos(b)
    across = abs(east * math.cos(b) - north * math.sin(b))

    np.testing.assert_allclose(pieces["grade"], climb, atol=1e-9)
    np.testing.assert_allclose(pieces["cross_slope"], across, atol=1e-9)
    for over in (10.0, 30.0):
        assert steepest(samples, over_m=over)[0] == pytest.approx(abs(climb), abs=1e-9)
    assert pieces["length_m"].sum() == pytest.approx(length)
    assert pieces["length_m"].max() <= 10 + 1e-9


def test_a_bend_is_followed(plane: Callable[..., Elevation]) -> None:
    """40 m up a one-in-five slope, then 40 m along it: 20 % and 0 %."""
    ground = plane(0.2, 0.0)
    samples = sample_lines(lines_of([(0, 0), (40, 0), (40, 40)]), ground, piece_m=10)
    pieces = piece_table(samples, ground, width_m=np.array([4.0]))

    assert pieces["grade"].to_numpy() == pytest.approx([0.2] * 4 + [0.0] * 4)
    assert pieces["cross_slope"].to_numpy() == pytest.approx([0.0] * 4 + [0.2] * 4)
    assert pieces["height_to_m"].to_numpy() == pytest.approx([502, 504, 506, 508] + [508] * 4)


def test_a_longer_stretch_is_gentler_than_its_steepest_part(
    ground_of: Callable[..., Elevation],
) -> None:
    """A bank 10 m long that rises 3 m, level before and behind: 30 % over 10 m, 10 % over 30 m."""
    ground = ground_of(
        lambda x, _y: 0.3 * np.clip(x - 50, 0, 10), cell=(1.0, 10.0), shape=(40, 220), west=-50.5
    )
    samples = sample_lines(lines_of([(0, 0), (100, 0)]), ground, piece_m=10, spacing_m=1.0)

    assert steepest(samples, over_m=10)[0] == pytest.approx(0.3)
    assert steepest(samples, over_m=30)[0] == pytest.approx(3 / 30, abs=1e-9)
    assert steepest(samples, over_m=500)[0] == pytest.approx(3 / 100, abs=1e-9)


def test_the_end_of_a_line_is_looked_at_too(ground_of: Callable[..., Elevation]) -> None:
    """The steep last 4 m of a 54 m line are found over 10 m: (4 x 0.5) / 10."""
    ground = ground_of(
        lambda x, _y: 0.5 * np.maximum(x - 50, 0), cell=(1.0, 10.0), shape=(40, 220), west=-50.5
    )
    samples = sample_lines(lines_of([(0, 0), (54, 0)]), ground, piece_m=10, spacing_m=1.0)

    assert steepest(samples, over_m=10)[0] == pytest.approx(0.2)


def test_longest_steep_stretch_is_unbroken(ground_of: Callable[..., Elevation]) -> None:
    """Steep for 20 m, level for 10 m, steep for 30 m: the longest stretch has 30 m."""
    ground = ground_of(
        lambda x, _y: 0.3 * (np.clip(x, 0, 20) + np.clip(x - 30, 0, 30)),
        cell=(1.0, 10.0),
        shape=(40, 220),
        west=-50.5,  # middles of cells on whole metres
    )
    lines = lines_of([(0, 0), (100, 0)], [(70, 0), (100, 0)])
    samples = sample_lines(lines, ground, piece_m=10, spacing_m=1.0)
    pieces = piece_table(samples, ground, width_m=np.array([4.0, 4.0]))

    assert longest_runs(pieces, above=0.25).to_list() == pytest.approx([30, 0])


def test_ground_without_heights_gives_no_grade(plane: Callable[..., Elevation]) -> None:
    """A line that leaves the raster has grades as far as heights go."""
    ground = plane(0.1, 0.0)  # up to x = 500
    samples = sample_lines(lines_of([(400, 0), (600, 0)], [(700, 0), (800, 0)]), ground, piece_m=10)
    pieces = piece_table(samples, ground, width_m=np.array([4.0, 4.0]))

    assert pieces.loc[pieces["line"] == 0, "grade"].notna().sum() == 9  # middles end at x = 495
    assert pieces.loc[pieces["line"] == 1, "grade"].isna().all()
    assert steepest(samples, over_m=10)[0] == pytest.approx(0.1)
    assert np.isnan(steepest(samples, over_m=10)[1])


def test_classes_hold_their_upper_end() -> None:
    """10 % is in the class that ends there, whichever way it leads."""
    found = grade_classes([0, 0.1, -0.1, 0.11, -0.31, np.nan], edges=(0.1, 0.2, 0.3))

    assert found.tolist() == ["0-10 %", "0-10 %", "0-10 %", "10-20 %", "over 30 %", "no height"]
    assert class_labels((0.125,)) == ("0-12.5 %", "over 12.5 %")


def test_heights_between_cells_are_bilinear(ground_of: Callable[..., Elevation]) -> None:
    """On x y, bilinear between four middles is exact: 12 x 17 = 204."""
    ground = ground_of(lambda x, y: x * y, west=-5.0, south=-5.0)
    x, y = np.array([12.0, 10.0, -4.0]), np.array([17.0, 20.0, 0.0])
    found = heights_at(ground, x, y)

    assert found[:2] == pytest.approx([204, 200])
    assert np.isnan(found[2])


def test_no_lines_no_samples(plane: Callable[..., Elevation]) -> None:
    """Nothing to sample gives empty tables."""
    samples = sample_lines(np.array([], dtype=object), plane(0, 0), piece_m=10)

    assert len(piece_table(samples, plane(0, 0), width_m=np.array([]))) == 0
    assert len(steepest(samples, over_m=10)) == 0
