"""The three edges of an opening, from discs and from walks."""

import math

import numpy as np
import numpy.typing as npt
import pyclipper
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from glademark.measure.crowns import crown_discs
from glademark.measure.edges import (
    EDGES,
    Outlines,
    crown_outlines,
    leave_trees_within,
    outer_rings,
    walked_outlines,
)

FloatArray = npt.NDArray[np.float64]
seeds = st.integers(0, 2**32 - 1)


def outlines_of(
    spots: npt.ArrayLike, radius: npt.ArrayLike, r: float, *, link: float = 0.0
) -> Outlines:
    """Outlines of one group of crowns."""
    at = np.asarray(spots, dtype=float)
    radii = np.broadcast_to(np.asarray(radius, dtype=float), len(at)).copy()
    discs = crown_discs(np.asarray(shapely.points(at), object), radius_m=radii, bearing=0.3)
    owner = np.zeros(len(at), dtype=int)
    return crown_outlines(discs, owner, radius_m=np.full(len(at), r), link_distance_m=link)[1]


def areas_of(outlines: Outlines) -> list[float]:
    """Area by each edge, from the least."""
    return [float(outlines.by(edge)[0].area) for edge in EDGES]


def test_one_crown_ends_at_itself_or_at_the_boles_around_it() -> None:
    """Beside one crown of radius R a standing crown changes nothing; its bole is R + r away."""
    crowns, standing, boles = areas_of(outlines_of([(5, 5)], 3.0, 2.0))

    assert crowns == pytest.approx(9 * math.pi, rel=1e-12)
    assert standing == crowns
    assert boles == pytest.approx(25 * math.pi, rel=1e-12)


def between_two(radius: float, r: float, apart: float) -> float:
    """
    Area of two crowns and the neck between them into which no crown of radius r fits.

    The crown that touches both has its middle t at height h over the line of the two; of each crown
    the sector towards t and its mirror image is in the quadrangle of the four middles, that less
    the sectors at t.
    """
    h = math.sqrt((radius + r) ** 2 - (apart / 2) ** 2)
    if h < r:
        return 2 * math.pi * radius**2
    turn = math.atan2(h, apart / 2)
    return 2 * (math.pi - turn) * radius**2 + apart * h - (math.pi - 2 * turn) * r**2


@pytest.mark.parametrize("apart", [2.0, 4.0, 6.0, 7.0, 8.0, 10.3])
def test_the_neck_between_two_crowns_is_filled_as_far_as_no_crown_fits(apart: float) -> None:
    """Two crowns of 3 m and a standing one of 3 m: the neck by the sectors of three circles."""
    standing = areas_of(outlines_of([(0, 0), (apart, 0)], 3.0, 3.0))[1]

    assert standing == pytest.approx(between_two(3, 3, apart), rel=1e-5)


@pytest.mark.parametrize(("apart", "parts"), [(10.39, 1), (10.40, 2), (11.9, 2)])
def test_two_crowns_are_parted_where_a_standing_one_fits_between(apart: float, parts: int) -> None:
    """Crowns of radius R, R sqrt(12) apart: a third may stand in the middle and touch both."""
    found = outlines_of([(0, 0), (apart, 0)], 3.0, 3.0).standing_crowns[0]

    assert shapely.get_num_geometries(found) == parts
    assert (apart < 3 * math.sqrt(12)) == (parts == 1)


@pytest.mark.parametrize(("r", "rings"), [(4.9, [1, 1, 1]), (5.1, [1, 0, 0])])
def test_the_middle_of_a_ring_is_open_where_a_standing_crown_fits(
    r: float, rings: list[int]
) -> None:
    """Twelve crowns of 3 m on a circle of 8 m leave a middle of 5 m radius."""
    turn = np.arange(12) * math.pi / 6
    ring = 8 * np.column_stack([np.cos(turn), np.sin(turn)])
    outlines = outlines_of(ring, 3.0, r)

    holes = [shapely.get_num_interior_rings(outlines.by(edge)[0]) for edge in EDGES]
    assert holes == rings


def thrown(seed: int, count: int = 14) -> tuple[FloatArray, FloatArray]:
    """Crowns thrown on a square with 30 m2 a tree."""
    rng = np.random.default_rng(seed)
    return rng.uniform(0, math.sqrt(30 * count), (count, 2)), rng.uniform(1.5, 4.5, count)


@settings(max_examples=25)
@given(seeds, st.floats(0.2, 6), st.floats(0, 4))
def test_each_edge_holds_the_one_before(seed: int, r: float, link: float) -> None:
    """Marked crowns lie inside standing crowns, and these inside the boles."""
    found = outlines_of(*thrown(seed), r, link=link)
    crowns, standing, boles = (found.by(edge)[0] for edge in EDGES)

    assert all(shapely.is_valid(one) for one in (crowns, standing, boles))
    assert shapely.difference(crowns, standing).area < 1e-6
    assert shapely.difference(standing, boles).area < 1e-6


@pytest.mark.parametrize("seed", [3, 13, 16, 29, 33, 52, 62, 86])
def test_each_part_of_an_opening_holds_a_whole_crown(seed: int) -> None:
    """Rounding where arcs meet makes no part of an opening, and takes no ground from it."""
    spots, radii = thrown(seed, 10)
    r = float(np.random.default_rng(seed).uniform(0.5, 4))
    found = outlines_of(spots, radii, r)

    parts = shapely.get_parts(found.standing_crowns[0])
    assert shapely.area(parts).min() > 0.999 * math.pi * radii.min() ** 2
    crowns = found.marked_crowns[0]
    assert shapely.difference(crowns, found.standing_crowns[0]).area < 1e-6


def test_no_hair_stands_off_an_opening() -> None:
    """Every corner lies within a centimetre of ground that is 2 mm wide.

    A strip without area would bring an opening nearer to its neighbours and to the boundary.
    """
    spots, radii = [(2.4, 2.2), (5.9, 7.7), (2.6, 0.8), (0.9, 1.3)], [4.3, 3.13, 3.28, 3.1]
    outline = outlines_of(spots, radii, 3.5).standing_crowns[0]
    corners = shapely.points(shapely.get_coordinates(outline))

    assert shapely.distance(corners, outline.buffer(-1e-3)).max() < 0.01


@settings(max_examples=25)
@given(seeds, st.floats(0.2, 4), st.floats(0.1, 3))
def test_a_larger_standing_crown_makes_no_opening_smaller(seed: int, r: float, more: float) -> None:
    """Where a crown fits, each smaller one fits."""
    less = areas_of(outlines_of(*thrown(seed), r))
    larger = areas_of(outlines_of(*thrown(seed), r + more))

    assert all(one <= two * (1 + 1e-5) for one, two in zip(less, larger, strict=True))


@settings(max_examples=10)
@given(seeds)
def test_without_a_standing_crown_all_edges_are_the_marked_crowns(seed: int) -> None:
    """A crown of radius 0 fits anywhere, and its bole stands at its edge."""
    crowns, standing, boles = areas_of(outlines_of(*thrown(seed), 0.0))

    assert standing == crowns
    assert boles == pytest.approx(crowns, rel=1e-9)


def clipped(spots: FloatArray, radii: FloatArray, r: float) -> tuple[float, float]:
    """Areas to the standing crowns and to the boles by another library, on a grid of a micron."""
    scale, turn = 1e6, np.linspace(0, 2 * math.pi, 1024, endpoint=False)
    rim = np.column_stack([np.cos(turn), np.sin(turn)])
    circles = [spot + (radius + r) * rim for spot, radius in zip(spots, radii, strict=True)]
    union = pyclipper.Pyclipper()
    union.AddPaths(
        [np.round(one * scale).astype(np.int64).tolist() for one in circles], pyclipper.PT_SUBJECT
    )
    boles = union.Execute(pyclipper.CT_UNION, pyclipper.PFT_NONZERO, pyclipper.PFT_NONZERO)
    offset = pyclipper.PyclipperOffset(2.0, 20.0)
    offset.AddPaths(boles, pyclipper.JT_ROUND, pyclipper.ET_CLOSEDPOLYGON)
    narrowed = offset.Execute(-r * scale)
    areas = [sum(pyclipper.Area(path) for path in paths) / scale**2 for paths in (narrowed, boles)]
    return areas[0], areas[1]


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_areas_agree_with_another_engine(seed: int) -> None:
    """Circles of 1,024 corners widened and narrowed by another library give the area, to 1e-4."""
    spots, radii = thrown(seed, 25)
    _, standing, boles = areas_of(outlines_of(spots, radii, 3.0))

    assert (standing, boles) == pytest.approx(clipped(spots, radii, 3.0), rel=1e-4)


def test_a_square_walked_along_the_boles_is_brought_to_the_crowns() -> None:
    """Boles with crowns of 3 m round a square of 40 m leave one of 34 m, and back."""
    square = np.array([shapely.box(0, 0, 40, 40)] * 2)
    along = np.array(["boles", "standing_crowns"], dtype=object)
    standing, boles = walked_outlines(square, along, radius_m=np.full(2, 3.0))

    assert shapely.area(standing).tolist() == pytest.approx([34**2, 1600])
    assert shapely.area(boles).tolist() == pytest.approx(
        [1600, 1600 + 4 * 40 * 3 + math.pi * 9], rel=1e-4
    )


def test_a_walk_narrower_than_two_crowns_leaves_nothing() -> None:
    """A strip of 5 m between boles with crowns of 3 m is closed by these."""
    strip = np.array([shapely.box(0, 0, 40, 5)])
    standing, _ = walked_outlines(
        strip, np.array(["boles"], dtype=object), radius_m=np.array([3.0])
    )

    assert standing[0].is_empty


@pytest.mark.parametrize(
    ("leave_radius", "at", "rings"), [(4.0, (0.0, 0.0), 0), (0.5, (3.0, 0.0), 1)]
)
def test_a_ring_with_nothing_but_a_leave_tree_is_filled(
    leave_radius: float, at: tuple[float, float], rings: int
) -> None:
    """A leave tree that fills the middle is in the opening; beside a small one others can stand."""
    turn = np.arange(12) * math.pi / 6
    ring = 8 * np.column_stack([np.cos(turn), np.sin(turn)])
    outlines = outlines_of(ring, 3.0, 3.0)
    stem = shapely.Point(at)
    for edge in EDGES:
        filled = leave_trees_within(
            outlines.by(edge),
            edge,
            radius_m=np.array([3.0]),
            stems=np.array([shapely.MultiPoint([stem])]),
            crowns=np.array([stem.buffer(leave_radius)]),
        )

        assert shapely.get_num_interior_rings(filled[0]) == rings


def test_the_outer_ring_leaves_out_what_is_inside() -> None:
    """A square of 10 m with a square of 2 m in it has an outer ring of 40 m."""
    square = shapely.difference(shapely.box(0, 0, 10, 10), shapely.box(4, 4, 6, 6))
    two = shapely.union(square, shapely.box(20, 0, 21, 1))
    found = outer_rings(np.array([square, two, shapely.Polygon()], dtype=object))

    assert shapely.length(found).tolist() == [40.0, 44.0, 0.0]
