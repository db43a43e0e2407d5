"""The area that circles cover together, against closed forms and another way of counting."""

import math

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from glademark.measure.crowns import closed_cover, crown_cover, crown_discs
from glademark.measure.edges import crown_outlines, united_circles

position = st.tuples(st.floats(-9, 9), st.floats(-9, 9), st.floats(0.5, 5))
FAR = np.array([412_500.0, 5_138_400.0])


def cover(*circles: tuple[float, float, float]) -> float:
    """Area of some circles of one stand, far from the origin as stands are."""
    return closed(0.0, *circles)


def closed(r: float, *circles: tuple[float, float, float]) -> float:
    """The same, closed by r."""
    table = np.array(circles, dtype=float)
    stand = np.zeros(len(table), dtype=np.intp)
    return float(closed_cover(FAR + table[:, :2], table[:, 2], r=r, stand=stand, stands=1)[0])


@pytest.mark.parametrize("apart", [0.1, 1.0, 2.9, 5.9])
def test_two_crowns_cover_both_circles_less_their_lens(apart: float) -> None:
    """Two circles of radius r at distance d share 2 r2 acos(d/2r) - d/2 sqrt(4 r2 - d2)."""
    lens = 2 * 9 * math.acos(apart / 6) - apart / 2 * math.sqrt(4 * 9 - apart**2)

    assert cover((0, 0, 3), (apart, 0, 3)) == pytest.approx(2 * math.pi * 9 - lens, rel=1e-9)


def test_crowns_apart_touching_equal_or_within_each_other() -> None:
    """Circles that do not overlap add up; one within another, or equal to it, adds nothing."""
    assert cover((0, 0, 3), (6, 0, 3)) == pytest.approx(18 * math.pi, rel=1e-9)
    assert cover((0, 0, 3), (60, 0, 2)) == pytest.approx(13 * math.pi, rel=1e-9)
    assert cover((0, 0, 3), (1, 0, 2)) == pytest.approx(9 * math.pi, rel=1e-9)
    assert cover((0, 0, 3), (0, 0, 3), (0, 0, 3)) == pytest.approx(9 * math.pi, rel=1e-9)


def test_a_ring_of_crowns_leaves_its_middle_open() -> None:
    """
    Four circles of radius 3 round a square of side 5 leave a hole that no circle covers.

    The square less four quarter circles is 25 - 9 pi; neighbours overlap by four lenses, of which
    half of each lies in the square and is taken twice.
    """
    lens = 2 * 9 * math.acos(5 / 6) - 2.5 * math.sqrt(36 - 25)
    hole = 25 - 9 * math.pi + 2 * lens
    ring = cover((0, 0, 3), (5, 0, 3), (5, 5, 3), (0, 5, 3))

    assert hole > 0
    assert ring == pytest.approx(4 * 9 * math.pi - 4 * lens, rel=1e-9)


@given(st.lists(position, min_size=1, max_size=12))
def test_any_crowns_cover_what_fine_polygons_cover(
    circles: list[tuple[float, float, float]],
) -> None:
    """However circles lie, their area is that of a union of polygons of 4,096 sides.

    The quick outline, with chords for arcs, has it within two per mille.
    """
    table = np.array(circles)
    fine = shapely.buffer(shapely.points(FAR + table[:, :2]), table[:, 2], quad_segs=1024)

    quick = united_circles(FAR + table[:, :2], table[:, 2], np.zeros(len(table), dtype=np.intp))

    assert cover(*circles) == pytest.approx(shapely.union_all(fine).area, rel=1e-6)
    assert shapely.area(quick)[0] == pytest.approx(cover(*circles), rel=2e-3)


def test_crowns_of_different_stands_do_not_cover_each_other() -> None:
    """Two equal circles in two stands count in both."""
    found = crown_cover(np.zeros((2, 2)), np.full(2, 3.0), stand=np.array([0, 2]), stands=3)

    assert found == pytest.approx([9 * math.pi, 0, 9 * math.pi])


@pytest.mark.parametrize("apart", [1.0, 5.0, 9.0, 10.2, 11.5, 12.5])
def test_a_standing_crown_closes_the_neck_of_two_crowns(apart: float) -> None:
    """
    Two circles of radius 4 at distance d, closed by r = 2: a rhombus of sides 6 between them.

    Its sectors are those of the two circles, and two of the standing crowns that touch both; where
    these overlap (half its height h below r), their lens is taken twice. From d = 12 on none fits.
    """
    alpha = math.acos(min(apart / 12, 1.0))
    h = 6 * math.sin(alpha)
    lens = 8 * math.acos(h / 2) - 2 * h * math.sqrt(4 - h * h) if h < 2 else 0.0
    neck = apart * h - 2 * (math.pi / 2 - alpha) * 4 + lens
    expected = 2 * (math.pi - alpha) * 16 + neck if apart < 12 else 32 * math.pi

    assert closed(2.0, (0, 0, 4), (apart, 0, 4)) == pytest.approx(expected, rel=2e-6)


@given(st.integers(0, 10_000), st.integers(1, 12), st.floats(0.5, 5))
def test_any_closed_crowns_cover_what_their_outline_covers(seed: int, trees: int, r: float) -> None:
    """However circles lie, exact arcs and the outline of polygons are within 1e-4 of each other."""
    table = np.random.default_rng(seed).uniform((-9, -9, 0.5), (9, 9, 5), (trees, 3))
    middles = np.asarray(shapely.points(FAR + table[:, :2]), dtype=object)
    discs = crown_discs(middles, radius_m=table[:, 2], bearing=0.0)
    owner, radius = np.zeros(trees, dtype=int), np.full(trees, r)
    outlines = crown_outlines(discs, owner, radius_m=radius, link_distance_m=0.0)[1]

    area = shapely.area(outlines.standing_crowns)[0]
    assert closed(r, *map(tuple, table)) == pytest.approx(area, rel=1e-4, abs=0.02)


def test_a_square_of_crowns_leaves_room_for_a_standing_crown_or_none() -> None:
    """Four circles of radius 3 around a square: a hole that a crown of 1.3 fits into, not 1.4."""
    side = (3 + 1.35) * 2**0.5
    square = [(0, 0, 3), (side, 0, 3), (side, side, 3), (0, side, 3)]
    filled, open_ = closed(1.4, *square), closed(1.3, *square)

    assert filled - open_ > math.pi * 1.3**2
