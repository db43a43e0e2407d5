"""Openings: the holes that groups of trees leave, at the crown edge."""

import math
from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
import shapely

from glademark.contracts.layout import Layout
from glademark.measure.crowns import crown_discs, crown_radii
from glademark.measure.edges import closed, united_by
from glademark.measure.groups import crown_components, opening_numbers

Rows = list[dict[str, object]]
LayoutOf = Callable[..., Layout]
MarksAt = Callable[..., Rows]
STAND = shapely.box(0, 0, 400, 400)
ANY_SIZE = {"openings": {"min_trees": 1, "min_area": "1 m2", "edge": "marked_crowns"}}
CROWNS: dict[str, object] = {"openings": {"edge": "marked_crowns"}}


def lens(r: float, big: float, d: float) -> float:
    """Area that two circles share, their centres d apart: the closed form of two segments."""
    first = r**2 * math.acos((d**2 + r**2 - big**2) / (2 * d * r))
    second = big**2 * math.acos((d**2 + big**2 - r**2) / (2 * d * big))
    root = (-d + r + big) * (d + r - big) * (d - r + big) * (d + r + big)
    return first + second - math.sqrt(root) / 2


def linked(distance: str, **more: object) -> dict[str, object]:
    """Project tables with a link distance, any size of opening allowed."""
    return {"openings": {**ANY_SIZE["openings"], "link_distance": distance, **more}}


def ring_of(centre: tuple[float, float], radius: float, count: int) -> list[tuple[float, float]]:
    """Positions evenly round a centre, the first one east of it."""
    turn = 2 * math.pi * np.arange(count) / count
    return [(centre[0] + radius * math.cos(a), centre[1] + radius * math.sin(a)) for a in turn]


def test_the_lens_formula_gives_a_published_overlap() -> None:
    """Circles of radius 15 and 24, 17 apart, share 513.20: a worked example found in print."""
    assert lens(15, 24, 17) == pytest.approx(513.20, abs=0.005)


@pytest.mark.parametrize(("r", "big", "d"), [(15, 24, 17), (3, 3, 4), (2.5, 4, 5)])
def test_two_crowns_that_overlap_count_their_lens_once(r: float, big: float, d: float) -> None:
    """Two crowns take the areas of their circles less the lens that they share, within 1e-5."""
    centres = np.array([shapely.Point(0, 0), shapely.Point(d, 0)])
    discs = crown_discs(centres, radius_m=np.array([r, big], dtype=float), bearing=0.3)
    hole = united_by(discs, np.zeros(2, dtype=np.intp))[1][0]

    expected = math.pi * (r**2 + big**2) - lens(r, big, d)
    assert hole.area == pytest.approx(expected, rel=1e-5)
    assert discs[0].area == pytest.approx(math.pi * r**2, rel=1e-12)


def test_a_ring_of_crowns_keeps_the_hole_in_its_middle(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """Twelve crowns in a ring leave a ring: the standing trees in the middle are no opening."""
    trees = marks_at(*ring_of((200, 200), 20, 12), crown_radius_m=6.0)
    opening = layout_of(STAND, project=CROWNS, marks=trees).openings.iloc[0]

    neighbours = 2 * 20 * math.sin(math.pi / 12)
    expected = 12 * (math.pi * 6**2 - lens(6, 6, neighbours))
    assert opening["area_m2"] == pytest.approx(expected, rel=1e-5)
    assert len(opening.geometry.geoms[0].interiors) == 1


@pytest.mark.parametrize(("gap", "components"), [(1.999, 1), (2.0, 1), (2.001, 2)])
def test_crowns_are_linked_up_to_the_link_distance(gap: float, components: int) -> None:
    """Two crowns belong together where the gap between them is no wider than the link distance."""
    trees = np.array([shapely.Point(0, 0), shapely.Point(3 + gap + 4, 0)])
    found = crown_components(
        trees, radius_m=np.array([3.0, 4.0]), link_distance_m=2.0, stand=np.zeros(2)
    )

    assert len(set(found)) == components


def test_crowns_that_touch_are_linked_at_distance_zero() -> None:
    """At a link distance of 0 crowns that touch belong together, and those 1 mm apart do not."""
    for apart, count in ((6.0, 1), (6.001, 2)):
        trees = np.array([shapely.Point(500_000, 5e6), shapely.Point(500_000 + apart, 5e6)])
        found = crown_components(
            trees, radius_m=np.full(2, 3.0), link_distance_m=0.0, stand=np.zeros(2)
        )

        assert len(set(found)) == count


def test_no_trees_have_no_components() -> None:
    """Without trees there is nothing to link."""
    none = crown_components(
        np.array([], object), radius_m=np.array([]), link_distance_m=0.0, stand=np.array([], int)
    )

    assert len(none) == 0


@pytest.mark.parametrize(("gap", "parts"), [(1.0, 1), (1.9, 2), (2.1, 2)])
def test_closing_bridges_a_gap_where_there_is_room(gap: float, parts: int) -> None:
    """
    Closing by half of d bridges a gap g between crowns of radius r where r (d - g) >= g^2 / 4.

    The point midway stays if the notches of the widened outline, sqrt((r + d/2)^2 - (r + g/2)^2)
    away, are no nearer than d/2. With r = 3 and d = 2 that is so for g = 1, not for g = 1.9.
    """
    centres = np.array([shapely.Point(0, 0), shapely.Point(6 + gap, 0)])
    discs = crown_discs(centres, radius_m=np.full(2, 3.0), bearing=0.0)
    owners, union = united_by(discs, np.array([7, 7]))
    hole = closed(union, 2.0)

    assert owners.tolist() == [7]
    assert shapely.get_num_geometries(hole).tolist() == [parts]
    assert (3 * (2 - gap) >= gap**2 / 4) == (parts == 1)


def test_an_opening_is_defined_by_its_marks_even_in_pieces(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """Crowns linked over a gap that closing does not bridge are one opening of two parts."""
    opening = layout_of(
        STAND, project=linked("2 m"), marks=marks_at((100, 100), (107.9, 100))
    ).openings

    assert opening[["trees", "parts"]].to_numpy().tolist() == [[2, 2]]
    assert 1 < opening["area_m2"].iloc[0] / (2 * 9 * math.pi) < 1.005


def test_closing_never_takes_less_than_the_crowns() -> None:
    """Out and back in gives at least the union of the crowns, and stays inside its hull."""
    rng = np.random.default_rng(20)
    centres = np.asarray(shapely.points(rng.uniform(0, 40, (60, 2))), dtype=object)
    discs = crown_discs(centres, radius_m=rng.uniform(1, 4, 60), bearing=0.0)
    plain = shapely.union_all(discs)
    hole = closed(united_by(discs, np.zeros(60, dtype=np.intp))[1], 1.0)[0]

    assert hole.area > plain.area
    assert shapely.difference(plain, hole).area < 1e-3 * plain.area
    assert shapely.difference(hole, plain.convex_hull).area < 1e-9


def test_the_crown_of_a_leave_tree_counts_as_the_project_says(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """The crown of a leave tree is deducted or counted, with the net area beside it."""
    cut = marks_at((100, 100), crown_radius_m=10.0)
    leave = marks_at((100, 100), kind="leave", crown_radius_m=4.0)
    net = math.pi * (10**2 - 4**2)
    for crowns, area in (("deducted", net), ("counted", math.pi * 10**2)):
        tables = {"openings": {**ANY_SIZE["openings"], "leave_tree_crowns": crowns}}
        layout = layout_of(STAND, project=tables, marks=[*cut, *leave])
        opening = layout.openings.iloc[0]

        assert opening["area_m2"] == pytest.approx(area, rel=1e-9)
        assert opening["net_of_leave_m2"] == pytest.approx(net, rel=1e-9)
    assert layout.figures.marks.leave_trees == 1
    assert layout.figures.marks.trees == 1


def test_a_leave_tree_that_splits_an_opening_leaves_one_of_two_parts(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """Two crowns that touch behind a leave tree's crown stay one opening in two parts."""
    opening = layout_of(
        STAND,
        project={"openings": {**ANY_SIZE["openings"], "leave_tree_crowns": "deducted"}},
        marks=marks_at((100, 100), (105, 100)),
        leave_trees=[{"geometry": shapely.Point(102.5, 100), "crown_radius_m": 2.5}],
    ).openings

    assert opening[["trees", "parts"]].to_numpy().tolist() == [[2, 2]]


def test_an_opening_is_not_cut_at_the_boundary(layout_of: LayoutOf, marks_at: MarksAt) -> None:
    """The hole does not end at the property line; the zone does."""
    layout = layout_of(STAND, project=ANY_SIZE, marks=marks_at((400, 200), crown_radius_m=5.0))

    assert layout.openings["area_m2"].iloc[0] == pytest.approx(25 * math.pi, rel=1e-9)
    assert layout.openings["boundary_m"].iloc[0] == 0
    assert layout.figures.zones["opening"].area_m2 == pytest.approx(12.5 * math.pi, rel=1e-3)


def test_tagged_trees_are_one_opening_however_far_apart(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """A group is an intention: trees of one tag are one opening, whatever their crowns do."""
    opening = layout_of(STAND, marks=marks_at((100, 100), (150, 100), group="G 7")).openings

    assert opening[["opening", "basis", "group", "trees", "parts"]].to_numpy().tolist() == [
        [7, "tagged", "G 7", 2, 2]
    ]
    assert opening["area_m2"].iloc[0] == pytest.approx(18 * math.pi, rel=1e-9)


def test_a_group_name_is_compared_without_case_and_blanks(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """Names such as 'Ridge' and ' ridge' are the same group, written as first met."""
    marks = [*marks_at((100, 100), group="Ridge"), *marks_at((101, 100), group=" ridge ")]
    opening = layout_of(STAND, marks=marks).openings

    assert opening[["group", "trees"]].to_numpy().tolist() == [["Ridge", 2]]


def test_a_walked_opening_is_its_outline(layout_of: LayoutOf, marks_at: MarksAt) -> None:
    """A walked perimeter is taken as walked, with the area net of leave crowns beside it."""
    opening = layout_of(
        STAND,
        walked=[shapely.box(100, 100, 140, 130)],
        marks=[*marks_at((110, 110), (139, 129)), *marks_at((300, 300))],
        leave_trees=[{"geometry": shapely.Point(120, 115), "crown_radius_m": 4.0}],
    ).openings.iloc[0]

    assert opening["basis"] == "walked"
    assert opening["trees"] == 2
    assert opening["area_m2"] == pytest.approx(40 * 30)
    assert opening["net_of_leave_m2"] == pytest.approx(40 * 30 - 16 * math.pi, rel=1e-9)
    assert opening["perimeter_m"] == pytest.approx(140)


def test_boundary_points_are_walked_in_their_order(layout_of: LayoutOf, marks_at: MarksAt) -> None:
    """Points of a perimeter make it in their order, not in that of the file."""
    corners = [((0.0, 0.0), 1), ((30.0, 20.0), 3), ((30.0, 0.0), 2), ((0.0, 20.0), 4)]
    marks = [
        row
        for (x, y), order in corners
        for row in marks_at((100 + x, 100 + y), kind="group_boundary", group="5", order=order)
    ]
    layout = layout_of(STAND, marks=marks)

    assert layout.openings[["opening", "basis", "trees"]].to_numpy().tolist() == [[5, "walked", 0]]
    assert layout.openings["area_m2"].iloc[0] == pytest.approx((30 - 6) * (20 - 6))
    assert layout.openings["area_boles_m2"].iloc[0] == pytest.approx(600)
    assert layout.figures.marks.trees == 0


def test_the_area_of_a_perimeter_that_crosses_itself_is_not_known(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """Corners out of order make a bow tie: it is drawn and zoned, and has no area."""
    corners = [(100, 100), (120, 120), (120, 100), (100, 120)]
    marks = [
        row
        for order, corner in enumerate(corners)
        for row in marks_at(corner, kind="group_boundary", group="5", order=float(order))
    ]
    layout = layout_of(STAND, marks=marks)
    opening = layout.openings.iloc[0]

    assert opening.geometry.area == pytest.approx(200)
    assert math.isnan(opening["area_m2"])
    assert math.isnan(opening["combined_area_m2"])
    assert opening["crosses_at"] == "E 110.0, N 110.0"
    assert layout.figures.zones["opening"].area_m2 == pytest.approx(200)
    assert math.isnan(layout.figures.openings.share)
    assert any("group 5: its walked outline crosses itself at E 110" in n for n in layout.notices)


def test_a_perimeter_that_mending_hardly_moves_keeps_its_area(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """A loop of 0.04 m2 in 400 m2 is what a receiver draws standing still: 0.1 % is 0.4 m2."""
    corners = [(100, 100), (120, 100), (120, 120), (110, 120), (109.8, 120.2), (110.2, 120.2)]
    marks = [
        row
        for order, corner in enumerate([*corners, (100, 120)])
        for row in marks_at(corner, kind="group_boundary", group="5", order=float(order))
    ]
    layout = layout_of(STAND, project={"openings": {"edge": "boles"}}, marks=marks)

    walked = shapely.Polygon([*corners, (100, 120)])
    assert not walked.is_valid
    assert layout.openings["area_m2"].iloc[0] == pytest.approx(walked.area, rel=1e-3)
    assert "crosses_at" not in layout.openings


def test_two_boundary_points_are_no_perimeter(layout_of: LayoutOf, marks_at: MarksAt) -> None:
    """A perimeter takes three points; with fewer the group falls back on its tags."""
    points = marks_at((100, 100), (120, 100), kind="group_boundary", group="5")
    tagged = marks_at((110, 105), group="5")
    layout = layout_of(STAND, marks=[*points, *tagged])

    assert layout.openings["basis"].tolist() == ["tagged"]
    assert any("group 5: fewer than 3 boundary points" in n for n in layout.notices)


def test_a_centre_with_a_radius_is_a_round_opening(layout_of: LayoutOf, marks_at: MarksAt) -> None:
    """A centre with a radius is a circle, with the trees that stand in it."""
    centre = marks_at((200, 200), kind="group_centre", group="9", radius_m=15.0)
    trees = marks_at((210, 200), (190, 195), (216, 200))
    opening = layout_of(STAND, marks=[*centre, *trees]).openings.iloc[0]

    assert opening[["opening", "basis", "trees"]].tolist() == [9, "centre", 2]
    assert opening["area_m2"] == pytest.approx(15**2 * math.pi, rel=1e-12)


def test_a_group_stated_in_several_ways_is_taken_as_walked_first(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """Walked polygon, then boundary points, then tags, then a centre: the first that there is."""
    outline = {"group": "1", "geometry": shapely.box(100, 100, 120, 120)}
    points = [
        row
        for i, p in enumerate([(100, 100), (130, 100), (130, 110), (100, 110)])
        for row in marks_at(p, kind="group_boundary", group="1", order=float(i))
    ]
    tagged = marks_at((110, 105), group="1")
    centre = marks_at((110, 105), kind="group_centre", group="1", radius_m=9.0)
    in_order = [
        ({"walked": [outline], "marks": [*points, *tagged, *centre]}, "walked", 400.0),
        ({"marks": [*points, *tagged, *centre]}, "walked", (30.0 - 6) * (10 - 6)),
        ({"marks": [*tagged, *centre]}, "tagged", 9 * math.pi),
        ({"marks": centre}, "centre", 81 * math.pi),
    ]
    for given, basis, area in in_order:
        opening = layout_of(STAND, **given).openings

        assert opening["basis"].tolist() == [basis]
        assert opening["area_m2"].tolist() == pytest.approx([area])


def test_corridor_wood_leaves_no_opening(layout_of: LayoutOf, marks_at: MarksAt) -> None:
    """Trees painted as corridor wood, or unpainted ones in a corridor, leave no hole of a group."""
    layout = layout_of(
        STAND,
        project=ANY_SIZE,
        corridors=[shapely.LineString([(100, 0), (100, 400)])],
        marks=[
            *marks_at((100, 50), group="1"),
            *marks_at((130, 50), group="1", paint_meaning="corridor"),
            *marks_at((200, 50), group="2"),
            *marks_at((100, 90), group="2", paint_meaning="cut"),
        ],
    )

    assert layout.openings["group"].tolist() == ["2"]
    assert layout.openings["trees"].tolist() == [2]
    assert layout.figures.openings.components == 2


def test_a_record_of_several_trees_counts_them_all(layout_of: LayoutOf, marks_at: MarksAt) -> None:
    """A clump of four recorded at once makes an opening of four trees with one crown disc."""
    enough = {"openings": {"min_trees": 4, "min_area": "1 m2"}}
    opening = layout_of(STAND, project=enough, marks=marks_at((100, 100), count=4)).openings

    assert opening["trees"].tolist() == [4]
    assert opening["area_m2"].tolist() == pytest.approx([9 * math.pi])
    assert opening["basal_area_m2"].tolist() == pytest.approx([4 * math.pi * 0.15**2])


def test_a_cull_tree_leaves_a_hole_all_the_same(layout_of: LayoutOf, marks_at: MarksAt) -> None:
    """A tree without sound wood has no volume, but a crown and a basal area."""
    tree = marks_at((100, 100), cull=True, volume=2.0, volume_unit="m3", product="sawlog")
    opening = layout_of(STAND, project=ANY_SIZE, marks=tree).openings.iloc[0]

    assert opening["area_m2"] == pytest.approx(9 * math.pi)
    assert opening["basal_area_m2"] == pytest.approx(math.pi * 0.15**2)
    assert opening["volume_m3"] == 0


def test_crowns_make_an_opening_with_enough_trees_and_area(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """
    Crowns that touch are an opening with enough trees and enough area, and nothing with less.

    Three crowns of 3 m that just touch are 27 pi = 84.82 m2.
    """
    trees = marks_at((100, 100), (106, 100), (112, 100))
    for trees_min, area_min, count in (
        (3, "84.8 m2", 1),
        (3, "84.9 m2", 0),
        (4, "1 m2", 0),
    ):
        tables = {"min_trees": trees_min, "min_area": area_min, "edge": "marked_crowns"}
        layout = layout_of(STAND, project={"openings": tables}, marks=trees)

        assert layout.openings["basis"].tolist() == ["crowns"] * count
        assert layout.figures.openings.components == 1
        assert layout.figures.openings.components_area_m2 == pytest.approx(27 * math.pi, rel=1e-5)


def test_where_groups_are_stated_other_crowns_that_touch_are_incidental_openings(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """Once a marker states groups, crowns that happen to touch are listed apart."""
    row = [(100.0, 100.0), (104.0, 100.0), (108.0, 100.0), (112.0, 100.0)]
    layout = layout_of(
        STAND,
        project={"openings": {"min_trees": 4, "min_area": "50 m2", "edge": "marked_crowns"}},
        marks=[*marks_at(*row), *marks_at((300, 300), (303, 300), group="A")],
    )

    assert layout.openings["group"].tolist() == ["A"]
    assert layout.incidental_openings["trees"].tolist() == [4]
    assert layout.figures.openings.incidental_count == 1
    expected = 4 * 9 * math.pi - 3 * lens(3, 3, 4)
    assert layout.figures.openings.incidental_area_m2 == pytest.approx(expected, rel=1e-5)


def test_not_every_touch_is_a_group(layout_of: LayoutOf, marks_at: MarksAt) -> None:
    """
    At 140 single marks a hectare many crowns touch; only the tagged groups are openings.

    Components are counted a second time by comparing every pair of trees. Single trees that stand
    under the crowns of a group are none of its trees, and counted beside them.
    """
    rng = np.random.default_rng(7)
    spots = rng.uniform(0, 200, (560, 2))
    singles = marks_at(*map(tuple, spots))
    corners = [(0.0, 0.0), (4.0, 0.0), (0.0, 4.0), (4.0, 4.0)]
    groups = [np.add(corners, corner) for corner in (50, 150)]
    tagged = [
        row
        for name, group in enumerate(groups, 1)
        for row in marks_at(*map(tuple, group), group=str(name))
    ]
    project = {"openings": {"min_trees": 4, "min_area": "100 m2", "edge": "marked_crowns"}}
    layout = layout_of(shapely.box(0, 0, 200, 200), project=project, marks=[*singles, *tagged])
    found = layout.figures.openings
    everyone = np.concatenate([spots, *groups])
    standing = [sum(any(np.hypot(*(t - group).T) < 3) for t in spots) for group in groups]
    sets = components_by_pairs(everyone, 3.0)
    large = components_by_pairs(spots, 3.0)
    touching = [members for members in large if len(members) >= 4]

    assert layout.openings["group"].tolist() == ["1", "2"]
    assert layout.openings["trees"].tolist() == [4, 4]
    assert layout.openings["other_marks_inside"].tolist() == standing
    assert found.share == pytest.approx(layout.openings["area_m2"].sum() / 40_000)
    assert found.components == len(sets)
    assert found.incidental_count == len(
        [m for m in touching if union_by_cells(spots[m], 3.0, 0.1) >= 100]
    )
    assert found.incidental_count > 5
    assert found.components_area_m2 == pytest.approx(union_by_cells(everyone, 3.0, 0.1), rel=1e-3)


def components_by_pairs(spots: np.ndarray, radius: float) -> list[list[int]]:
    """Sets of trees whose crowns touch, by a search from tree to tree over all distances."""
    apart = np.hypot(*(spots[:, None, :] - spots[None, :, :]).transpose(2, 0, 1))
    open_still, sets = set(range(len(spots))), []
    while open_still:
        front, members = [open_still.pop()], []
        while front:
            tree = front.pop()
            members.append(tree)
            near = open_still & set(np.flatnonzero(apart[tree] <= 2 * radius).tolist())
            open_still -= near
            front.extend(near)
        sets.append(members)
    return sets


def union_by_cells(spots: np.ndarray, radius: float, cell: float) -> float:
    """Area within a radius of any of the trees, by counting cells."""
    low, high = spots.min(axis=0) - radius - cell, spots.max(axis=0) + radius + cell
    x, y = (np.arange(a + cell / 2, b, cell) for a, b in zip(low, high, strict=True))
    hit = np.zeros((len(x), len(y)), dtype=bool)
    for east, north in spots:
        i = slice(*np.searchsorted(x, [east - radius, east + radius]))
        j = slice(*np.searchsorted(y, [north - radius, north + radius]))
        hit[i, j] |= (x[i, None] - east) ** 2 + (y[None, j] - north) ** 2 <= radius**2
    return float(hit.sum()) * cell**2


def test_openings_are_numbered_north_to_south_and_west_to_east(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """Openings without a number of their own are numbered as one reads a map."""
    spots = [(300.0, 100.0), (100.0, 100.0), (200.0, 300.0)]
    layout = layout_of(STAND, project=ANY_SIZE, marks=marks_at(*spots))
    centre = layout.openings.centroid

    assert layout.openings["opening"].tolist() == [1, 2, 3]
    assert centre.x.round(6).tolist() == [200, 100, 300]


def test_the_marker_s_own_number_stands(layout_of: LayoutOf, marks_at: MarksAt) -> None:
    """A group named 'G 12' or '3' keeps that number; others take the free ones in map order."""
    names = ["G 12", "3", "ridge", "brook"]
    marks = [
        row for i, name in enumerate(names) for row in marks_at((100, 350 - 100 * i), group=name)
    ]
    found = layout_of(STAND, marks=marks).openings.set_index("group")["opening"]

    assert found.to_dict() == {"G 12": 12, "3": 3, "ridge": 1, "brook": 2}


def test_two_groups_that_claim_one_number_get_others(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """Where 'A 1' and 'B 1' both say 1, neither name is a number."""
    marks = [*marks_at((100, 100), group="A 1"), *marks_at((100, 300), group="B 1")]
    found = layout_of(STAND, marks=marks).openings.set_index("group")["opening"]

    assert found.to_dict() == {"B 1": 1, "A 1": 2}


def test_numbers_of_an_earlier_output_are_kept(layout_of: LayoutOf, marks_at: MarksAt) -> None:
    """An opening keeps the number that most of its marks had; new ones come after all of those."""
    marks = marks_at((100, 300), (102, 300), (104, 300), (300, 300), (100, 100))
    earlier = {0: 4, 1: 9, 2: 9, 3: 4}
    layout = layout_of(STAND, project=ANY_SIZE, marks=marks, earlier=earlier)

    assert layout.marks["opening"].tolist() == [9, 9, 9, 4, 10]


def test_numbers_are_unique_whatever_was_earlier() -> None:
    """Where an opening has split, one half keeps the number and the other gets a new one."""
    import geopandas as gpd  # noqa: PLC0415 - only this test builds a frame of its own

    holes = gpd.GeoDataFrame(
        {"stand": 0, "group": ["", ""]},
        geometry=[shapely.box(0, 0, 1, 1), shapely.box(9, 0, 10, 1)],
    )
    members, stand = pd.Series([0, 0, 1], dtype="Int64"), pd.Series([0, 0, 0])
    earlier = {0: 5, 1: 5, 2: 5}
    found = opening_numbers(holes, opening_of=members, stand_of=stand, earlier=earlier)

    assert found.tolist() == [5, 6]


def test_length_and_width_are_taped_across_each_other(
    layout_of: LayoutOf,
) -> None:
    """
    A 24 m x 7 m rectangle is 25 m along its diagonal and 2 (24 x 7) / 25 = 13.44 m across it.

    The ellipse of a field note is pi/4 L W; the equivalent diameter is 2 sqrt(A / pi).
    """
    opening = layout_of(STAND, walked=[shapely.box(100, 100, 124, 107)]).openings.iloc[0]

    assert opening["length_m"] == pytest.approx(25)
    assert opening["width_m"] == pytest.approx(13.44)
    assert opening["ellipse_m2"] == pytest.approx(math.pi / 4 * 25 * 13.44)
    assert opening["equivalent_diameter_m"] == pytest.approx(2 * math.sqrt(168 / math.pi))


def test_the_ellipse_of_a_field_note(layout_of: LayoutOf) -> None:
    """
    An opening 30 m by 20 m has an ellipse of 471.2389 m2, one 40 m by 10 m of 314.1593 m2.

    pi/4 L W as in the two-axis gap protocol (Runkle 1982, 1992; from memory).
    """
    kites = [
        shapely.Polygon([(x - a, 200), (x, 200 + b), (x + a, 200), (x, 200 - b)])
        for x, a, b in ((100, 15, 10), (200, 20, 5))
    ]
    found = layout_of(STAND, walked=kites).openings

    assert found["ellipse_m2"].tolist() == pytest.approx([471.2389, 314.1593], abs=1e-4)
    assert found["area_m2"].tolist() == pytest.approx([300, 200])


def test_the_diameter_of_a_round_opening(layout_of: LayoutOf, marks_at: MarksAt) -> None:
    """Round openings of 0.1, 0.5 and 1 acre are 74.473, 166.527 and 235.504 ft across."""
    acres = [0.1, 0.5, 1.0]
    centres = [
        row
        for name, size in enumerate(acres, 1)
        for row in marks_at(
            (100.0 * name, 200),
            kind="group_centre",
            group=str(name),
            radius_m=math.sqrt(size * 4046.8564224 / math.pi),
        )
    ]
    found = layout_of(STAND, marks=centres).openings
    feet = (found["equivalent_diameter_m"] / 0.3048).tolist()

    assert feet == pytest.approx([74.473, 166.527, 235.504], abs=0.001)
    assert (found["area_m2"] / 4046.8564224).tolist() == pytest.approx(acres)


def test_width_is_held_against_the_height_of_the_trees(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """An opening of equivalent diameter 6 m between trees of 10 m and 20 m is 0.4 heights wide."""
    marks = [
        *marks_at((100, 100), group="1", height_m=10.0),
        *marks_at((100, 100), group="1", height_m=20.0),
        *marks_at((300, 300), group="2"),
    ]
    opening = layout_of(STAND, marks=marks).openings

    assert opening["diameter_to_height"].iloc[0] == pytest.approx(6 / 15)
    assert math.isnan(opening["diameter_to_height"].iloc[1])


def test_distances_of_an_opening(layout_of: LayoutOf) -> None:
    """Each opening has its distance to the nearest other, the boundary, water and a corridor."""
    layout = layout_of(
        STAND,
        walked=[
            {"group": "1", "geometry": shapely.box(100, 100, 120, 120)},
            {"group": "2", "geometry": shapely.box(123, 124, 140, 140)},
            {"group": "3", "geometry": shapely.box(300, 350, 320, 390)},
        ],
        water=[shapely.box(0, 0, 400, 30)],
        corridors=[shapely.LineString([(200, 0), (200, 400)])],
    )
    found = layout.openings.set_index("opening")

    assert found["nearest"].tolist() == [2, 1, 2]
    assert found["spacing_m"].tolist() == pytest.approx([5, 5, math.hypot(160, 210)])
    assert found["boundary_m"].tolist() == pytest.approx([100, 123, 10])
    assert found["water_m"].tolist() == pytest.approx([70, 94, 320])
    assert found["corridor_m"].tolist() == pytest.approx([78, 58, 98])
    assert layout.figures.openings.nearest_spacing_m == pytest.approx(5)


def test_openings_that_touch_or_lie_alike_are_no_distance_apart(layout_of: LayoutOf) -> None:
    """Two openings that touch, or were walked twice, are 0 m apart and not each other's absence."""
    for second in (shapely.box(120, 100, 140, 120), shapely.box(100, 100, 120, 120)):
        found = layout_of(STAND, walked=[shapely.box(100, 100, 120, 120), second]).openings

        assert found["nearest"].tolist() == [2, 1]
        assert found["spacing_m"].tolist() == [0, 0]


def test_a_single_opening_has_no_neighbour(layout_of: LayoutOf) -> None:
    """With one opening there is no spacing, and without water no distance to it."""
    layout = layout_of(STAND, walked=[shapely.box(100, 100, 120, 120)])
    opening = layout.openings.iloc[0]

    assert opening["nearest"] is pd.NA
    assert math.isnan(opening["spacing_m"])
    assert math.isnan(opening["water_m"])
    assert math.isnan(opening["corridor_m"])
    assert layout.figures.openings.nearest_spacing_m is None


def test_part_of_an_opening_in_a_corridor_stays_in_its_area(layout_of: LayoutOf) -> None:
    """Overlap with a corridor stays in the opening's area and goes to the corridor in the zones."""
    layout = layout_of(
        STAND,
        walked=[shapely.box(100, 100, 140, 140)],
        corridors=[shapely.LineString([(0, 120), (400, 120)])],
    )

    assert layout.openings["area_m2"].iloc[0] == pytest.approx(1600)
    assert layout.openings["in_corridor_m2"].iloc[0] == pytest.approx(160)
    assert layout.figures.zones["opening"].area_m2 == pytest.approx(1440)


def test_a_measured_crown_stands_before_an_equation_and_a_default() -> None:
    """
    The radius is the measured one, else that of the published equation, else the default.

    Sugar maple of 10 in: (9.96 + 1.05 x 10) ft / 2 = 3.118 m (Bechtold 2003).
    """
    trees = pd.DataFrame(
        {
            "species": ["sugar maple", "sugar maple", "no such tree"],
            "dbh_cm": [25.4, 25.4, 25.4],
            "crown_radius_m": [2.25, np.nan, np.nan],
        }
    )
    found = crown_radii(trees, default_m=4.0)

    expected = [2.25, (9.96 + 1.05 * 10) * 0.3048 / 2, 4.0]
    assert found["crown_radius_m"].tolist() == pytest.approx(expected, rel=1e-9)
    assert found["crown_source"].tolist() == ["measured", "bechtold_2003", "default"]


PAIR = ((100.0, 100.0), (107.0, 100.0))


def test_three_figures_stand_beside_each_other_and_the_plan_chooses(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """Two crowns of 3 m, 7 m apart: by themselves, with the neck, and to the boles."""
    turn = math.atan2(math.sqrt(36 - 3.5**2), 3.5)
    neck = 2 * (math.pi - turn) * 9 + 7 * math.sqrt(36 - 3.5**2) - (math.pi - 2 * turn) * 9
    areas = {
        "marked_crowns": 18 * math.pi,
        "standing_crowns": neck,
        "boles": 2 * math.pi * 36 - lens(6, 6, 7),
    }
    for edge, area in areas.items():
        opening = layout_of(
            STAND, project={"openings": {"edge": edge}}, marks=marks_at(*PAIR, group="1")
        ).openings.iloc[0]

        assert opening["area_m2"] == pytest.approx(area, rel=1e-5)
        assert opening["geometry"].area == pytest.approx(area, rel=1e-5)
        assert opening["area_marked_crowns_m2"] == pytest.approx(18 * math.pi, rel=1e-9)
        assert opening["area_boles_m2"] == pytest.approx(areas["boles"], rel=1e-5)


def test_the_standing_crown_is_the_median_of_the_cut_trees_or_as_stated(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """Crowns of 2, 3 and 7 m have a median of 3 m; leave trees have no part in it."""
    radii = {"cut": (2.0, 3.0, 7.0), "leave": (1.0, 1.0)}
    marks = [
        row
        for kind, several in radii.items()
        for i, radius in enumerate(several)
        for row in marks_at((100 + 40 * i, 100), kind=kind, crown_radius_m=radius, group="1")
    ]
    for stated, expected in (({}, 3.0), ({"standing_crown_radius": "2.5 m"}, 2.5)):
        figures = layout_of(STAND, project={"openings": stated}, marks=marks).figures.openings

        assert figures.standing_crown_radius_m == pytest.approx(expected)
        assert figures.edge == "standing_crowns"


@pytest.mark.parametrize(
    ("along", "edge", "area"),
    [
        ("boles", "boles", 40.0 * 30),
        ("boles", "standing_crowns", 34.0 * 24),
        ("standing_crowns", "standing_crowns", 40.0 * 30),
        ("standing_crowns", "boles", 40.0 * 30 + 2 * 70 * 3 + 9 * math.pi),
    ],
)
def test_a_walk_is_brought_to_the_edge_of_the_plan(
    layout_of: LayoutOf, marks_at: MarksAt, along: str, edge: str, area: float
) -> None:
    """A box of 40 by 30 m among crowns of 3 m gains or loses 3 m on each side."""
    tables = {"edge": edge, "walked_along": along, "standing_crown_radius": "3 m"}
    layout = layout_of(
        STAND,
        project={"openings": tables},
        walked=[shapely.box(100, 100, 140, 130)],
        marks=marks_at((110, 110)),
    )

    assert layout.openings["area_m2"].iloc[0] == pytest.approx(area, rel=2e-4)


def test_a_walk_without_trees_of_its_own_has_no_area_by_marked_crowns(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """By marked crowns a walked group is that of the trees that name it; without any, nothing."""
    outline = {"group": "1", "geometry": shapely.box(100, 100, 140, 130)}
    for group, area in (("1", 9 * math.pi), ("", math.nan)):
        layout = layout_of(
            STAND, project=CROWNS, walked=[outline], marks=marks_at((110, 110), group=group)
        )

        assert layout.openings["area_m2"].tolist() == pytest.approx([area], nan_ok=True)
        assert any("group 1: its area is not known" in n for n in layout.notices) == (group == "")


def test_overlapping_openings_count_once_in_the_share(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """Two groups of one tree each on the same spot open the ground of one."""
    marks = [*marks_at((100, 100), group="1"), *marks_at((100, 100), group="2")]
    layout = layout_of(STAND, marks=marks)

    assert layout.openings["spacing_m"].tolist() == [0, 0]
    assert layout.figures.openings.area_m2 == pytest.approx(9 * math.pi)
    assert layout.figures.openings.share == pytest.approx(9 * math.pi / 160_000)


def test_an_opening_in_parts_says_how_far_these_are_apart(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """Three crowns of 3 m with gaps of 20 and 30 m: the widest to be crossed is 30 m."""
    trees = marks_at((100, 100), (126, 100), (162, 100), group="1")
    layout = layout_of(STAND, marks=trees)

    assert layout.openings["parts"].tolist() == [3]
    assert layout.openings["widest_gap_m"].tolist() == pytest.approx([30], abs=0.01)
    assert any("opening 1 lies in 3 parts" in notice for notice in layout.notices)


def test_a_perimeter_leaves_out_what_stands_inside(layout_of: LayoutOf, marks_at: MarksAt) -> None:
    """A ring of trees round standing ones has an outer edge, no inner one."""
    trees = marks_at(*ring_of((200, 200), 20, 12), crown_radius_m=6.0)
    opening = layout_of(STAND, project=CROWNS, marks=trees).openings.iloc[0]

    shell = shapely.Polygon(opening["geometry"].geoms[0].exterior)
    assert opening["perimeter_m"] == pytest.approx(shell.length, rel=1e-9)
    assert opening["perimeter_m"] < 0.7 * opening["geometry"].length
