"""Zones: the partition of the stand, and where the tally counts each mark."""

import itertools
import math
from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
import shapely
from scipy.integrate import quad
from scipy.stats import norm
from shapely.geometry.base import BaseGeometry

from glademark.contracts.layout import ZONE_NAMES, Layout
from glademark.measure.zones import (
    Ground,
    edge_distance,
    paint_disagreement,
    partition,
    stray_share,
)

Rows = list[dict[str, object]]
LayoutOf = Callable[..., Layout]
MarksAt = Callable[..., Rows]
ANY_SIZE = {"openings": {"min_trees": 1, "min_area": "1 m2"}}


def test_zones_take_ground_in_their_order() -> None:
    """Where areas lie over each other the first of exclusion, landing, corridor, opening has it."""
    ground = Ground(
        stand=shapely.box([0], 0, 100, 100),
        exclusion=shapely.box([0], 0, 100, 10),
        landing=shapely.box([0], 0, 30, 30),
        corridor=shapely.box([20], 0, 40, 200),
        opening=shapely.box([10], 0, 60, 50),
    )
    found = {name: zones[0].area for name, zones in partition(ground).items()}

    assert found == pytest.approx(
        {
            "exclusion": 1000,
            "landing": 30 * 20,
            "corridor": 20 * 90 - 10 * 20,
            "opening": 50 * 40 - 20 * 20 - (20 * 40 - 10 * 20),
            "matrix": 10_000 - 1000 - 600 - 1600 - 1000,
        }
    )
    assert tuple(found) == ZONE_NAMES


def test_zones_add_up_to_the_stand_and_never_overlap() -> None:
    """However the areas lie, zones cover the stand once: their areas add up to it within 1e-9."""
    rng = np.random.default_rng(5)

    def discs(count: int, radius: float) -> BaseGeometry:
        spots = shapely.points(rng.uniform(0, 300, (count, 2)))
        return shapely.union_all(shapely.buffer(spots, radius))

    hole = shapely.Point(150, 150).buffer(40)
    lines = shapely.linestrings(rng.uniform(-20, 320, (12, 2, 2)))
    stand = shapely.difference(shapely.box(0, 0, 300, 300), hole)
    ground = Ground(
        stand=np.array([stand]),
        exclusion=np.array([discs(4, 25)]),
        landing=np.array([discs(2, 30)]),
        corridor=np.array([shapely.union_all(shapely.buffer(lines, 2.1336, cap_style="flat"))]),
        opening=np.array([discs(80, 6)]),
    )
    zones = [each[0] for each in partition(ground).values()]

    assert sum(zone.area for zone in zones) == pytest.approx(stand.area, rel=1e-9)
    for one, other in itertools.combinations(zones, 2):
        assert shapely.intersection(one, other).area <= 1e-9 * stand.area
    assert shapely.difference(stand, shapely.union_all(zones)).area <= 1e-9


ZONES_OF_A_MARK = [
    # where it falls, what its paint means, its group -> located, painted, final, in an opening
    ((50, 50), "", "", ("matrix", "", "matrix", False)),
    ((50, 50), "cut", "", ("matrix", "not_corridor", "matrix", False)),
    ((50, 50), "corridor", "", ("matrix", "corridor", "corridor", False)),
    ((100, 50), "", "", ("corridor", "", "corridor", False)),
    ((100, 50), "cut", "", ("corridor", "not_corridor", "matrix", False)),
    ((100, 50), "corridor", "", ("corridor", "corridor", "corridor", False)),
    ((150, 50), "", "", ("opening", "", "opening", True)),
    ((150, 50), "cut", "", ("opening", "not_corridor", "opening", True)),
    ((150, 50), "corridor", "", ("opening", "corridor", "corridor", False)),
    ((50, 50), "", "W1", ("opening", "", "opening", True)),
    ((50, 50), "corridor", "W1", ("matrix", "corridor", "corridor", False)),
    ((100, 50), "cut", "W1", ("corridor", "not_corridor", "opening", True)),
    ((100, 50), "", "W1", ("corridor", "", "corridor", False)),
    ((20, 180), "", "", ("exclusion", "", "exclusion", False)),
    ((20, 180), "", "W1", ("exclusion", "", "exclusion", False)),
    ((180, 180), "", "", ("landing", "", "landing", False)),
    ((180, 180), "corridor", "", ("landing", "corridor", "corridor", False)),
    ((100, 180), "", "", ("landing", "", "landing", False)),
]


def test_zone_of_a_mark_by_paint_and_by_place(layout_of: LayoutOf, marks_at: MarksAt) -> None:
    """
    Paint speaks first; a mark of an opening is in it; else the place says.

    Corridor along x = 100, walked opening W1 round (150, 50), exclusion in the north-west, landing
    in the north-east and over the corridor's northern end.
    """
    marks = [
        row
        for place, meaning, group, _ in ZONES_OF_A_MARK
        for row in marks_at(place, paint_meaning=meaning, group=group)
    ]
    layout = layout_of(
        shapely.box(0, 0, 200, 200),
        marks=marks,
        corridors=[shapely.LineString([(100, 0), (100, 200)])],
        walked=[shapely.box(130, 30, 170, 70)],
        exclusions=[shapely.box(0, 160, 40, 200)],
        landings=[shapely.box(90, 160, 200, 200)],
    )
    columns = ["zone_located", "zone_painted", "zone"]
    found = [
        (*row, opening)
        for *row, opening in layout.marks[columns]
        .assign(opening=layout.marks["opening"].notna())
        .itertuples(index=False, name=None)
    ]

    assert found == [expected for *_, expected in ZONES_OF_A_MARK]
    by_zone = pd.Series([zone for *_, (_, _, zone, _) in ZONES_OF_A_MARK]).value_counts()
    trees = {name: zone.marks for name, zone in layout.figures.zones.items()}
    assert trees == {name: int(by_zone.get(name, 0)) for name in ZONE_NAMES}


def test_a_mark_outside_the_stand_belongs_to_the_nearest_zone(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """A receiver may put a tree over the line: it is tallied in the zone beside it."""
    layout = layout_of(
        shapely.box(0, 0, 200, 200),
        marks=marks_at((50, -2), (101, -2), (210, 50)),
        corridors=[shapely.LineString([(100, 0), (100, 200)])],
        exclusions=[shapely.box(180, 0, 200, 200)],
    )

    assert layout.marks["zone"].tolist() == ["matrix", "corridor", "exclusion"]


def test_a_stand_in_two_parts_is_one_stand(layout_of: LayoutOf, marks_at: MarksAt) -> None:
    """A stand on both sides of a road is laid out as one: areas and trees of both add up."""
    parts = shapely.MultiPolygon([shapely.box(0, 0, 100, 100), shapely.box(120, 0, 200, 100)])
    layout = layout_of(
        parts,
        project=ANY_SIZE,
        marks=marks_at((50, 30), (160, 30)),
        corridors=[shapely.LineString([(0, 50), (200, 50)])],
    )

    assert layout.figures.stand.area_m2 == pytest.approx(18_000)
    assert layout.figures.corridors.area_m2 == pytest.approx(4 * 180)
    assert layout.openings["area_m2"].tolist() == pytest.approx([9 * math.pi] * 2)
    assert layout.figures.zones["opening"].marks == 2
    assert layout.of(0) is layout


def test_only_cut_trees_are_counted_in_zones(layout_of: LayoutOf, marks_at: MarksAt) -> None:
    """Leave, danger and line trees are on the map, and in no zone's count."""
    kinds = ["cut", "leave", "line_tree", "danger"]
    marks = [row for i, kind in enumerate(kinds) for row in marks_at((50, 40 * i + 20), kind=kind)]
    layout = layout_of(shapely.box(0, 0, 200, 200), marks=marks)

    assert sum(zone.marks for zone in layout.figures.zones.values()) == 1
    assert layout.marks["kind"].tolist() == kinds
    assert layout.figures.marks.danger_trees == 1


def test_distance_to_the_nearest_line_by_going_through_all_of_them(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """Each mark has its distance to the nearest edge that no mark made, tried edge by edge."""
    rng = np.random.default_rng(11)
    spots = rng.uniform(0, 200, (60, 2))
    stand = shapely.box(0, 0, 200, 200)
    exclusion, setback = shapely.box(120, 120, 160, 150), shapely.box(0, 0, 200, 25)
    layout = layout_of(
        stand,
        marks=marks_at(*map(tuple, spots)),
        corridors=[shapely.LineString([(70, 0), (70, 200)])],
        exclusions=[exclusion],
        setbacks=[{"geometry": setback, "rule": "no_cut"}],
    )
    corners = [
        [(0, 0), (200, 0), (200, 200), (0, 200), (0, 0)],
        [(120, 120), (160, 120), (160, 150), (120, 150), (120, 120)],
        [(0, 25), (200, 25)],
        [(68, 0), (68, 200)],
        [(72, 0), (72, 200)],
    ]
    edges = [pair for ring in corners for pair in itertools.pairwise(ring)]
    expected = [min(to_segment(spot, *edge) for edge in edges) for spot in spots]
    inside = np.abs(spots[:, 0] - 70) < 2
    across = np.abs(np.abs(spots[:, 0] - 70) - 2)

    assert layout.marks["line_distance_m"].tolist() == pytest.approx(expected)
    assert layout.marks["corridor_distance_m"].tolist() == pytest.approx(
        np.where(inside, -np.minimum(across, spots[:, 1]), across).tolist(), abs=1e-9
    )


def to_segment(spot: np.ndarray, start: tuple[float, float], end: tuple[float, float]) -> float:
    """Distance from a position to a segment, by the foot of the perpendicular."""
    a, b = np.array(start, dtype=float), np.array(end, dtype=float)
    share = np.clip((spot - a) @ (b - a) / ((b - a) @ (b - a)), 0, 1)
    return float(np.hypot(*(spot - a - share * (b - a))))


def test_without_edges_there_is_no_distance() -> None:
    """Distance to nothing is not a number, and no points have no distances."""
    one = np.array([shapely.Point(0, 0)])

    assert math.isnan(edge_distance(one, edges=shapely.MultiPolygon())[0])
    assert len(edge_distance(one[:0], edges=shapely.box(0, 0, 1, 1))) == 0


def test_about_half_of_the_corridor_trees_plot_outside_a_narrow_strip() -> None:
    """At 4 m position error about half of the true trees of a 4 m strip plot outside it."""
    assert float(stray_share(4.0, sigma_m=4 / math.sqrt(2))) == pytest.approx(0.5, abs=0.02)


@pytest.mark.parametrize("width", [3.0, 4.2672, 12.0])
@pytest.mark.parametrize("sigma", [0.2, 1.0, 4.0, 20.0])
def test_share_that_strays_by_integration(width: float, sigma: float) -> None:
    """The share that plots outside is the mean chance over the strip, integrated numerically."""

    def outside(x: float) -> float:
        return float(norm.sf((width - x) / sigma) + norm.cdf(-x / sigma))

    expected = quad(outside, 0, width, epsabs=1e-12)[0] / width
    assert float(stray_share(width, sigma_m=sigma)) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(("distance", "sigma", "chance"), [(3, 3, 0.158655), (1, 4, 0.401294)])
def test_share_that_strays_is_made_of_single_chances(
    distance: float, sigma: float, chance: float
) -> None:
    """
    A tree d from a line is read on its wrong side with the chance Phi(-d / sigma).

    The share of a very wide strip changes with its width as that chance says: the rim adds trees
    that stray over one edge only.
    """
    wide, step = 1000.0, 1e-4
    rim = [wide * float(stray_share(wide, sigma_m=sigma))]
    assert norm.cdf(-distance / sigma) == pytest.approx(chance, abs=1e-6)

    both_edges = 2 * quad(lambda x: norm.cdf(-x / sigma), 0, wide / 2)[0]
    assert rim[0] == pytest.approx(both_edges, abs=step)


def test_an_exact_position_never_strays() -> None:
    """Without a position error every corridor tree plots inside."""
    assert stray_share([4.0, 8.0], sigma_m=0.0).tolist() == [0.0, 0.0]


@pytest.mark.parametrize("spacing", [100.0, 20.0])
def test_expected_disagreements_against_a_simulation(spacing: float) -> None:
    """
    The number of disagreements to expect is that of trees thrown at random with normal errors.

    True corridor trees stand in the strips, others outside; all get an error of 4 m, and the
    number that then disagrees is counted. Spacing 20 m puts every tree near two corridors.
    """
    rng = np.random.default_rng(3)
    side, width, error = 400.0, 4.0, 4.0
    stand = shapely.box(0, 0, side, side)
    centres = np.arange(spacing / 2, side, spacing)
    corridor = shapely.union_all([shapely.box(x - 2, 0, x + 2, side) for x in centres])
    counted, expected = [], []
    for _ in range(12):
        true = rng.uniform(0, side, (1200, 2))
        is_corridor = distance_inside(true[:, 0], centres) < 0
        seen = true + rng.normal(0, error / math.sqrt(2), true.shape)
        away = distance_inside(seen[:, 0], centres)
        marks = pd.DataFrame(
            {
                "stand": 0,
                "count": 1,
                "is_cut": True,
                "zone_painted": np.where(is_corridor, "corridor", "not_corridor"),
                "corridor_distance_m": away,
                "position_error_m": error,
                "corridor_width_m": width,
            }
        )
        [found] = paint_disagreement(
            marks,
            corridor=np.array([corridor]),
            stand=np.array([stand]),
        )
        counted.append(int((is_corridor != (away < 0)).sum()))
        expected.append(found.expected)

        assert found.trees == counted[-1]

    spread = float(np.std(counted, ddof=1)) / math.sqrt(len(counted))
    assert np.mean(expected) == pytest.approx(np.mean(counted), abs=3 * spread)
    assert 3 * spread < 0.1 * np.mean(counted)


def distance_inside(x: np.ndarray, centres: np.ndarray) -> np.ndarray:
    """Distance to the edge of the nearest upright strip 4 m wide, negative inside."""
    nearest: np.ndarray = np.abs(x[:, None] - centres[None, :]).min(axis=1) - 2
    return nearest


def test_only_disagreements_beyond_two_standard_errors_are_listed(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """
    At 4 m error the standard error across a line is 4 / sqrt(2) = 2.83 m: two are 5.66 m.

    Corridor trees at 5.6 m and 5.7 m from the edge, and a clump of two other trees inside.
    """
    layout = layout_of(
        shapely.box(0, 0, 200, 200),
        corridors=[shapely.LineString([(100, 0), (100, 200)])],
        marks=[
            *marks_at((107.6, 50), paint_meaning="corridor"),
            *marks_at((107.7, 60), paint_meaning="corridor", tree_id="far"),
            *marks_at((100.5, 70), paint_meaning="cut", count=2),
            *marks_at((101.0, 80), paint_meaning="corridor"),
            *marks_at((101.0, 90)),
        ],
    )
    found = layout.figures.marks

    assert found.paint_disagrees == 4
    assert found.paint_disagrees_listed == 1
    assert any("far (5.7 m)" in notice for notice in layout.notices)


def test_without_paint_nothing_disagrees(layout_of: LayoutOf, marks_at: MarksAt) -> None:
    """Marks without a meaning of their paint go by place, and so never disagree with it."""
    layout = layout_of(
        shapely.box(0, 0, 200, 200),
        corridors=[shapely.LineString([(100, 0), (100, 200)])],
        marks=marks_at((100, 50), (50, 50)),
    )

    assert layout.figures.marks.paint_disagrees == 0
    assert layout.figures.marks.paint_disagrees_expected == 0
