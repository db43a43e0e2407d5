"""Corridors: the ground that strips take, in closed form."""

import math
from collections.abc import Callable

import numpy as np
import pytest
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.contracts.layout import Layout
from glademark.contracts.survey import Survey
from glademark.measure.corridors import (
    REACH_M,
    Corridors,
    carry_ends_on,
    measure_corridors,
    strips_of,
)
from glademark.measure.zones import covers_of

CorridorsOf = Callable[..., Corridors]
ANGLES = (90, 60, 30)
WIDE_STAND = shapely.box(-1000, -1000, 1000, 1000)


@pytest.fixture
def corridors_of(survey_of: Callable[..., Survey]) -> CorridorsOf:
    """Corridors of centre lines in a stand far larger than they are, unless one is given."""

    def build(*lines: object, stand: BaseGeometry = WIDE_STAND) -> Corridors:
        survey = survey_of(stand, corridors=lines)
        return measure_corridors(survey.corridors, covers_of(survey))

    return build


def line(*positions: tuple[float, float]) -> shapely.LineString:
    """Centre line through positions."""
    return shapely.LineString(positions)


def strip(width: float, *positions: tuple[float, float], **more: object) -> dict[str, object]:
    """Corridor row of its own width."""
    return {"geometry": line(*positions), "width_m": width, **more}


def towards(
    angle: float, length: float, start: tuple[float, float] = (0, 0)
) -> tuple[float, float]:
    """Position at a distance from another, at an angle from east [degrees]."""
    a = math.radians(angle)
    return start[0] + length * math.cos(a), start[1] + length * math.sin(a)


def quarter_disc(radius: float) -> float:
    """Quarter of a regular polygon of 64 corners on a circle."""
    return 16 * math.sin(math.pi / 32) * radius**2 / 2


def test_one_straight_corridor(corridors_of: CorridorsOf) -> None:
    """A straight corridor takes its length times its width."""
    found = corridors_of(strip(4.2672, (0, 0), (300, 400)))

    assert found.figures[0].area_m2 == pytest.approx(500 * 4.2672, rel=1e-12)
    assert found.figures[0].length_m == pytest.approx(500, rel=1e-12)


@pytest.mark.parametrize(("angle", "area"), [(90, 2752.0), (60, 2744.5744), (30, 2704.0)])
def test_two_corridors_that_cross_share_their_crossing(
    corridors_of: CorridorsOf, angle: float, area: float
) -> None:
    """
    A cross takes w1 L1 + w2 L2 - w1 w2 / sin(angle): the crossing counts once.

    The figures are the formula's for 6 m and 8 m strips, 200 m each.
    """
    found = corridors_of(
        strip(6, (-100, 0), (100, 0)), strip(8, towards(angle, -100), towards(angle, 100))
    )

    assert found.figures[0].area_m2 == pytest.approx(area, abs=1e-4)
    assert found.figures[0].overlap_m2 == pytest.approx(
        48 / math.sin(math.radians(angle)), rel=1e-9
    )
    assert found.figures[0].length_m == pytest.approx(400, rel=1e-8)


def test_a_bend_is_round_outside(corridors_of: CorridorsOf) -> None:
    """A right-angle bend shares a square of the half-width inside and is round outside."""
    width, half = 5.0, 2.5
    found = corridors_of(strip(width, (0, 0), (60, 0), (60, 80)))

    expected = width * (60 + 80) - half**2 + quarter_disc(half)
    assert found.figures[0].area_m2 == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("angle", ANGLES)
@pytest.mark.parametrize("past", [0.0, 0.3, -0.4], ids=["on", "past", "short"])
@pytest.mark.parametrize("branch", [3.0, 4.0, 8.0])
def test_a_branch_meets_its_main_corridor(
    corridors_of: CorridorsOf, angle: float, past: float, branch: float
) -> None:
    """
    A branch takes its width times its length up to the main strip: no notch, nothing beyond.

    Its mean length outside the main strip is that of its own centre line outside, which ends
    (w1 / 2) / sin(angle) before the main centre line.
    """
    main, length = 4.0, 70.0
    end = towards(angle, -past)
    found = corridors_of(
        strip(main, (-100, 0), (100, 0)), strip(branch, towards(angle, length), end)
    )

    outside = length - main / 2 / math.sin(math.radians(angle))
    assert found.figures[0].area_m2 == pytest.approx(main * 200 + branch * outside, rel=1e-9)
    assert found.area[0].bounds[1] == pytest.approx(-main / 2, abs=1e-9)
    assert len(shapely.get_rings(shapely.get_parts(found.area))) == 1


def test_a_branch_snapped_to_a_slanting_main_corridor(corridors_of: CorridorsOf) -> None:
    """An end that lies on the main centre line but for rounding is not turned aside by it."""
    west, south = 412_345.678, 5_123_456.789
    start, middle = (west, south), towards(28, 73.1, (west, south))
    main = line(start, towards(28, 190, start))
    found = corridors_of(
        strip(4, *main.coords),
        strip(3, towards(28 + 60, 90, middle), middle),
        stand=shapely.box(west - 500, south - 500, west + 500, south + 500),
    )

    outside = 90 - 2 / math.sin(math.radians(60))
    assert found.figures[0].area_m2 == pytest.approx(4 * 190 + 3 * outside, rel=1e-9)


@pytest.mark.parametrize("angle", ANGLES)
def test_a_branch_that_stops_short_of_the_strip_is_carried_on(
    corridors_of: CorridorsOf, angle: float
) -> None:
    """
    An end 0.4 m outside another strip belongs to it; one 1.4 m outside stays where it is.

    At 1.4 m the corner of a 3 m strip at 30 degrees (1.5 cos 30 = 1.3 m ahead) is still clear.
    """
    main, length = 4.0, 70.0
    centre = main / 2 / math.sin(math.radians(angle))
    for outside, joins in ((0.4, True), (1.4, False)):
        gap = outside / math.sin(math.radians(angle))
        end = towards(angle, centre + gap)
        found = corridors_of(
            strip(main, (-100, 0), (100, 0)), strip(3, towards(angle, length), end)
        )
        taken = length - centre - (0 if joins else gap)

        assert found.figures[0].area_m2 == pytest.approx(main * 200 + 3 * taken, rel=1e-9)


def test_a_strip_that_stops_straight_before_another_is_carried_on_within_reach(
    corridors_of: CorridorsOf,
) -> None:
    """Two strips in one line are joined over a gap of 0.4 m, and left apart over one of 1.5 m."""
    near = corridors_of(line((0, 0), (50, 0)), line((50.4, 0), (100, 0)))
    far = corridors_of(line((0, 0), (50, 0)), line((51.5, 0), (100, 0)))

    assert near.figures[0].area_m2 == pytest.approx(4 * 100, rel=1e-9)
    assert far.figures[0].area_m2 == pytest.approx(4 * 98.5, rel=1e-9)
    assert REACH_M == 0.5


def test_a_crossing_that_runs_on_is_not_cut(corridors_of: CorridorsOf) -> None:
    """A line that crosses another and goes on keeps the ground on both sides."""
    found = corridors_of(strip(4, (-100, 0), (100, 0)), strip(4, (0, 50), (0, -10)))

    assert found.figures[0].area_m2 == pytest.approx(4 * 200 + 4 * 60 - 16, rel=1e-12)


def test_where_lines_meet_at_a_right_angle_the_wedge_is_filled(corridors_of: CorridorsOf) -> None:
    """Two lines that meet in a corner take the same ground as one line with that bend."""
    found = corridors_of(line((0, 0), (60, 0)), line((60, 0), (60, 80)))

    expected = 4 * (60 + 80) - 2**2 + quarter_disc(2)
    assert found.figures[0].area_m2 == pytest.approx(expected, rel=1e-12)


def test_the_disc_in_a_node_has_the_least_half_width(corridors_of: CorridorsOf) -> None:
    """Where a 4 m and an 8 m strip meet in a corner, the wedge is filled to 2 m."""
    found = corridors_of(strip(4, (0, 0), (60, 0)), strip(8, (60, 0), (60, 80)))

    expected = 4 * 60 + 8 * 80 - 2 * 4 + quarter_disc(2)
    assert found.figures[0].area_m2 == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("at", [0, -1], ids=["start", "end"])
def test_a_vertex_clicked_twice_loses_no_ground(corridors_of: CorridorsOf, at: int) -> None:
    """A corner whose vertex stands twice in one line, or a branch that ends so, keeps its wedge."""
    twice = [(60, 0), (60, 0), (60, 80)][:: 1 if at == 0 else -1]
    found = corridors_of(line((0, 0), (60, 0)), line(*twice))
    branch = [(20, 1.5), (20, 1.5), (60, 80)][:: 1 if at == 0 else -1]
    once = [(20, 1.5), (60, 80)]

    assert found.figures[0].area_m2 == pytest.approx(4 * 140 - 2**2 + quarter_disc(2), rel=1e-12)
    areas = [
        corridors_of(line((-50, 0), (60, 0)), line(*way)).figures[0].area_m2
        for way in (branch, once)
    ]
    assert areas[0] == pytest.approx(areas[1], rel=1e-12)


def test_a_part_without_length_takes_nothing(corridors_of: CorridorsOf) -> None:
    """A point clicked twice beside a line, as a part of it, takes no ground and turns no disc."""
    parts = shapely.MultiLineString([[(0, 0), (50, 0)], [(50, 0), (50, 0)]])

    assert corridors_of(parts).figures[0].area_m2 == pytest.approx(200, rel=1e-12)


@pytest.mark.parametrize("angle", [0.0, 17.0])
def test_a_line_in_two_pieces_is_as_large_as_in_one(
    corridors_of: CorridorsOf, angle: float
) -> None:
    """A straight line that was recorded in two pieces takes what one takes: no more, no less."""
    middle, end = towards(angle, 40), towards(angle, 100)
    found = corridors_of(line((0, 0), middle), line(middle, end))

    assert found.figures[0].area_m2 == pytest.approx(400, rel=1e-9)
    assert found.figures[0].length_m == pytest.approx(100, rel=1e-8)


@pytest.mark.parametrize("change", ["same", "reversed", "more vertices", "part of it"])
def test_a_line_that_stands_twice_counts_once(corridors_of: CorridorsOf, change: str) -> None:
    """A line recorded twice counts once in area and in length."""
    ends = (3.1, 7.7), (81.3, 46.9)
    first = line(*ends)
    second = {
        "same": first,
        "reversed": line(*reversed(ends)),
        "more vertices": shapely.segmentize(first, 7.3),
        "part of it": line(ends[0], (42.2, 27.3)),
    }[change]
    found = corridors_of(first, second)

    assert found.figures[0].area_m2 == pytest.approx(4 * first.length, rel=1e-6)
    assert found.figures[0].length_m == pytest.approx(first.length, rel=1e-6)
    assert found.figures[0].overlap_m2 == pytest.approx(4 * second.length, rel=1e-6)


def test_a_corridor_of_several_lines_is_one_corridor(corridors_of: CorridorsOf) -> None:
    """A multi-part line is one row with the ground and length of all its parts."""
    parts = shapely.MultiLineString([[(0, 0), (50, 0)], [(0, 30), (70, 30)]])
    found = corridors_of({"geometry": parts, "corridor": "A"})

    assert found.strips["corridor"].tolist() == ["A"]
    assert found.strips["area_m2"].tolist() == pytest.approx([480.0])
    assert found.strips["length_m"].tolist() == pytest.approx([120.0])


def test_a_line_past_the_boundary_counts_inside_only(corridors_of: CorridorsOf) -> None:
    """What lies outside the stand is no ground of the stand, nor length in it."""
    found = corridors_of(line((50, 50), (250, 50)), stand=shapely.box(0, 0, 100, 100))

    assert found.figures[0].area_m2 == pytest.approx(200)
    assert found.figures[0].length_m == pytest.approx(50)
    assert found.figures[0].density_m_per_ha == pytest.approx(50)


def test_no_corridors_take_nothing(corridors_of: CorridorsOf) -> None:
    """A stand without corridors has a share of nothing and no spacing."""
    found = corridors_of(stand=shapely.box(0, 0, 100, 100))

    assert found.figures[0].area_m2 == 0
    assert math.isnan(found.figures[0].mean_spacing_m)
    assert list(found.strips.columns) == list(corridors_of(line((0, 0), (1, 0))).strips.columns)


def test_a_parallel_grid_takes_width_over_spacing(corridors_of: CorridorsOf) -> None:
    """
    Strips 6 m wide every 40 m take w / S = 15 %; measured from edge to edge, w / (w + s).

    Stand 400 m x 200 m, first strip at 20 m: ten of them. S is the mean spacing that is printed.
    """
    lines = [strip(6, (x, 0), (x, 200)) for x in range(20, 400, 40)]
    found = corridors_of(*lines, stand=shapely.box(0, 0, 400, 200)).figures[0]

    assert found.share == pytest.approx(0.15, abs=1e-12)
    assert found.mean_spacing_m == pytest.approx(40)
    assert 6 / found.mean_spacing_m == pytest.approx(found.share)
    clear = found.mean_spacing_m - 6
    assert 6 / (6 + clear) == pytest.approx(found.share)
    assert 6 / (6 + found.mean_spacing_m) != pytest.approx(found.share, rel=0.1)


def test_ground_taken_by_corridors_and_landing(layout_of: Callable[..., Layout]) -> None:
    """
    Corridors of 6,752 m2 on 10 ha are 6.752 % of it and 7.183 % of what is operable.

    Three strips of 500 m and one of 200 m, 4 m wide, less three crossings of 16 m2; the landing of
    2,000 m2 in the corner shares 4 m x 50 m with the first. Exclusion 6,000 m2, clear of all.
    """
    uprights = [
        strip(4, (x, 0), (x, 500), state=state)
        for x, state in ((20, "new"), (100, "new"), (180, "existing"))
    ]
    layout = layout_of(
        shapely.box(0, 0, 200, 500),
        corridors=[*uprights, strip(4, (0, 250), (200, 250))],
        landings=[shapely.box(0, 0, 40, 50)],
        exclusions=[shapely.box(110, 300, 170, 400)],
    )
    found = layout.figures.corridors

    assert found.area_m2 == pytest.approx(6752, rel=1e-12)
    assert found.share == pytest.approx(0.06752, rel=1e-12)
    assert found.share_operable == pytest.approx(6752 / 94_000, rel=1e-12)
    assert round(100 * found.share_operable, 3) == 7.183
    assert found.new_m2 == pytest.approx(4752, rel=1e-12)
    assert found.with_landings_m2 == pytest.approx(8552, rel=1e-12)
    assert round(100 * found.share_with_landings, 3) == 8.552
    assert round(100 * found.share_operable_with_landings, 3) == 9.098
    assert found.overlap_m2 == pytest.approx(48, rel=1e-9)
    assert found.length_m == pytest.approx(1700)
    assert layout.figures.zones["landing"].area_m2 == pytest.approx(2000)
    assert layout.figures.zones["corridor"].area_m2 == pytest.approx(6752 - 200)


def test_wood_goes_to_the_nearest_corridor(
    layout_of: Callable[..., Layout], marks_at: Callable[..., list[dict[str, object]]]
) -> None:
    """Wood painted as corridor wood stands on the corridor whose centre line is nearest."""
    layout = layout_of(
        shapely.box(0, 0, 200, 100),
        corridors=[
            strip(4, (50, 0), (50, 100), corridor="west"),
            strip(4, (150, 0), (150, 100), corridor="east"),
        ],
        marks=[
            *marks_at((49, 50), (60, 50), paint_meaning="corridor", dbh_cm=40.0),
            *marks_at((140, 50), paint_meaning="corridor", dbh_cm=20.0, count=3),
            *marks_at((52, 20), paint_meaning="cut"),
        ],
    )
    found = layout.corridors.set_index("corridor")

    assert found["trees"].to_dict() == {"west": 2, "east": 3}
    assert found["basal_area_m2"].to_dict() == pytest.approx(
        {"west": 2 * math.pi * 0.2**2, "east": 3 * math.pi * 0.1**2}
    )


def test_an_end_is_carried_on_by_one_vertex() -> None:
    """Carrying an end on leaves every vertex that was recorded, and adds one."""
    main, branch = line((-50, 0), (50, 0)), line((0, 40), (5, 20), (10, 1))
    carried = carry_ends_on(
        np.array([main, branch]), width_m=np.array([4.0, 4.0]), stand=np.zeros(2)
    )

    assert carried[0].equals(main)
    recorded, now = (shapely.get_coordinates(shape) for shape in (branch, carried[1]))
    assert np.array_equal(now[: len(recorded)], recorded)
    assert len(now) == len(recorded) + 1
    assert now[-1, 1] == pytest.approx(0, abs=1e-12)


def test_strips_end_square() -> None:
    """A free end is square: nothing is added beyond the last vertex."""
    found = strips_of(np.array([line((0, 0), (10, 0))]), width_m=np.array([4.0]))

    assert found[0].bounds == (0, -2, 10, 2)
