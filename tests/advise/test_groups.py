"""Groups stay whole, or give trees of their edge, as the project file says."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from itertools import combinations
from typing import Any

import numpy as np
import pytest
import shapely

from glademark.advice.outcome import EDGE, NO_CUT, SINGLE, WHOLE

Build = Callable[..., Any]
Trees = Any  # the conftest's
CRUMB_M2 = 1.0
SMALL = {"openings": {"min_trees": 3, "min_area": "20 m2"}}


def edge_of(trees: Trees, hole_left: Build, group: str) -> list[int]:
    """Trees of a group whose crown reaches its outline, closed by its middle crown."""
    middle = float(np.median(trees.radius[trees.of(group)]))
    closed = hole_left(trees, (), group, 2 * middle)
    outline = shapely.boundary(shapely.union_all(shapely.polygons(exteriors(closed))))
    return [
        i for i in trees.of(group) if outline.distance(shapely.boundary(trees.discs[i])) <= 0.01
    ]


def exteriors(area: Any) -> Iterable[Any]:  # noqa: ANN401 - a geometry
    """Outer rings of an area."""
    return shapely.get_exterior_ring(shapely.get_parts(area))


def pieces_in(left: Any, whole: Any) -> int:  # noqa: ANN401 - geometries
    """Most pieces, crumbs apart, that a part of an opening has come to be."""
    return max(
        int((shapely.area(shapely.get_parts(shapely.intersection(left, part))) > CRUMB_M2).sum())
        for part in shapely.get_parts(whole)
    )


def whole_or_not(
    trees: Trees, names: Sequence[str], alone: Sequence[int] = ()
) -> list[tuple[int, ...]]:
    """Every choice of whole groups, with every choice of trees of no group."""
    units = [*(trees.of(name) for name in names), *([tree] for tree in alone)]
    return [
        tuple(sorted(tree for unit in some for tree in unit))
        for size in range(len(units) + 1)
        for some in combinations(units, size)
    ]


def cheapest(trees: Trees, sets: Iterable[tuple[int, ...]]) -> tuple[int, ...] | None:
    """The set with the fewest trees, then the least wood, then the first trees."""
    return min(
        sets,
        key=lambda one: (len(one), round(float(trees.volume[list(one)].sum()), 9), one),
        default=None,
    )


def test_a_whole_group_stays_where_one_is_too_large(
    groves: Build, advice_of: Build, hole_left: Build
) -> None:
    """Of three groups two are over the limit: each of the two stays with all its trees."""
    trees = groves(7, [5, 9, 10], [(300, 300), (450, 300), (600, 300)])
    areas = {name: hole_left(trees, (), name, 0.0).area for name in ("1", "2", "3")}
    limit = sum(sorted(areas.values())[:2]) / 2
    expected = {tree for name, area in areas.items() if area > limit for tree in trees.of(name)}

    advice = advice_of(trees, {"opening_area_max": f"{limit!r} m2"}, groups="whole")

    assert advice.spared == expected
    assert set(advice.leave_standing["left_as"]) == {WHOLE}
    assert advice.passes
    assert {proof.words for proof in advice.proofs} == {"proved smallest"}


def test_whole_groups_equal_a_trial_of_all(
    groves: Build, advice_of: Build, hole_left: Build
) -> None:
    """Rows of groups too close to one another: the cheapest choice of whole groups, all tried."""
    rows = [[4, 6, 3, 5, 4], [3, 3, 6, 4], [5, 3, 4, 6], [4, 4, 4]]
    centres = [
        (300 + 22.0 * i, 300.0 * row)
        for row, sizes in enumerate(rows, 1)
        for i in range(len(sizes))
    ]
    trees = groves(3, [size for sizes in rows for size in sizes], centres)
    expected: set[int] = set()
    for row in range(1, len(rows) + 1):
        names = [name for name, (_, y) in enumerate(centres, 1) if y == 300 * row]

        def apart(one: tuple[int, ...], names: list[int] = names) -> bool:
            holes = [hole_left(trees, one, str(name), 0.0) for name in names]
            holes = [hole for hole in holes if not shapely.is_empty(hole)]
            return all(a.distance(b) >= 12 - 1e-8 for a, b in combinations(holes, 2))

        choices = whole_or_not(trees, [str(name) for name in names])
        expected |= set(cheapest(trees, filter(apart, choices)) or ())

    advice = advice_of(trees, {"opening_spacing_min": "12 m"}, groups="whole")

    assert advice.spared == expected
    assert advice.passes


def test_an_allowance_is_met_by_single_trees_and_whole_groups(
    groves: Build, advice_of: Build
) -> None:
    """Single trees of the matrix and whole groups make up for what is taken too much."""
    trees = groves(3, [4, 5, 4], [(300, 300), (450, 300), (600, 300)])
    trees = replace(trees, group=np.array([*"1111", *"22222", "", "", "", ""]))
    spot = trees.spot.copy()
    spot[9:] = [(800, 300), (850, 300), (900, 300), (950, 300)]
    trees = replace(trees, spot=spot)
    stock = {**SMALL, "allowance": {"standing": {"sawlog": "20 m3", "basal_area": "1 m2/ha"}}}
    room = float(trees.volume.sum() - trees.volume[9:].sum() - 0.5)

    def fits(one: tuple[int, ...]) -> bool:
        return bool(trees.volume.sum() - trees.volume[list(one)].sum() <= room + 1e-9)

    expected = cheapest(trees, filter(fits, whole_or_not(trees, ["1", "2"], trees.of(""))))

    limits = {"removal_share_max": f"{room / 20 * 100!r} %"}
    advice = advice_of(trees, limits, groups="whole", project=stock)

    assert tuple(sorted(advice.spared)) == expected
    assert {WHOLE, SINGLE} >= set(advice.leave_standing["left_as"])


def test_edge_trees_equal_a_trial_of_all(groves: Build, advice_of: Build, hole_left: Build) -> None:
    """Trees on the edge that leave the group in one piece, or the whole group: all were tried."""
    places = [(300.0 * i, 300.0) for i in range(1, 6)]
    trees = groves(7, [11, 10, 9, 8, 12], places, wide=3.5)
    wholes = {name: hole_left(trees, (), name, 0.0) for name in "12345"}
    limit = max(whole.area for whole in wholes.values()) * 0.75
    expected: set[int] = set()
    for name, whole in wholes.items():
        edge = edge_of(trees, hole_left, name)

        def fits(one: tuple[int, ...], name: str = name, whole: Any = whole) -> bool:  # noqa: ANN401
            left = hole_left(trees, one, name, 0.0)
            return bool(left.area <= limit + 1e-6 and pieces_in(left, whole) <= 1)

        some = [one for size in range(len(edge) + 1) for one in combinations(edge, size)]
        expected |= set(cheapest(trees, filter(fits, [*some, tuple(trees.of(name))])) or ())

    advice = advice_of(trees, {"opening_area_max": f"{limit!r} m2"}, groups="edge_trees")

    assert advice.spared == expected
    assert advice.passes
    assert {proof.words for proof in advice.proofs} == {"proved smallest"}


def test_the_tree_that_holds_a_group_together_is_cut(
    groves: Build, advice_of: Build, hole_left: Build
) -> None:
    """The largest crown of a row mends it alone but cuts it in two: trees at the ends do."""
    trees = groves(1, [7], [(300, 300)])
    spot = np.column_stack([300 + 5.0 * np.arange(7), np.full(7, 300.0)])
    trees = replace(trees, spot=spot, radius=np.array([3, 3, 3, 4, 3, 3, 3.0]))
    whole = hole_left(trees, (), "1", 0.0).area
    limit = hole_left(trees, (3,), "1", 0.0).area + 1

    def fits(one: tuple[int, ...]) -> bool:
        left = hole_left(trees, one, "1", 0.0)
        return bool(left.area <= limit + 1e-6 and len(shapely.get_parts(left)) <= 1)

    some = [one for size in range(8) for one in combinations(range(7), size)]
    expected = cheapest(trees, filter(fits, some))

    advice = advice_of(trees, {"opening_area_max": f"{limit!r} m2"}, groups="edge_trees")

    assert limit < whole
    assert 3 not in advice.spared
    assert tuple(sorted(advice.spared)) == expected
    assert {proof.words for proof in advice.proofs} == {"proved smallest"}


@pytest.mark.parametrize(
    ("seed", "share", "rule"), [(4, 0.7, "edge_trees"), (9, 0.9, "edge_trees"), (2, 0.8, "whole")]
)
def test_no_group_falls_in_two(
    seed: int, share: float, rule: str, groves: Build, advice_of: Build, hole_left: Build
) -> None:
    """Whatever is spared for size and spacing, no part of a group is left in two pieces."""
    places = [(300.0 * (i + 1) + 24 * side, 300.0) for i in range(4) for side in (0, 1)]
    trees = groves(seed, [7, 8, 6, 7, 9, 5, 8, 8], places, wide=3.5)
    wholes = {name: hole_left(trees, (), name, 0.0) for name in "12345678"}
    limit = max(whole.area for whole in wholes.values()) * share

    advice = advice_of(
        trees,
        {"opening_area_max": f"{limit!r} m2", "opening_spacing_min": "5 m"},
        groups=rule,
    )

    assert advice.passes
    for name, whole in wholes.items():
        members = set(trees.of(name))
        assert pieces_in(hole_left(trees, advice.spared, name, 0.0), whole) <= 1
        if not members <= advice.spared:
            free = edge_of(trees, hole_left, name) if rule == "edge_trees" else ()
            assert advice.spared & members <= set(free)


def test_edge_trees_are_told_beside_whole_groups(
    groves: Build, advice_of: Build, hole_left: Build
) -> None:
    """Where a group stays whole, the answer says what trees on its edge would need instead."""
    trees = groves(7, [11], [(300, 300)], wide=3.5)
    limits = {"opening_area_max": f"{hole_left(trees, (), '1', 0.0).area * 0.8!r} m2"}

    advice = advice_of(trees, limits, groups="whole")
    alone = advice_of(trees, limits, groups="edge_trees")

    assert len(advice.spared) == 11
    assert advice.edge_trees is not None
    assert advice.edge_trees.spared == alone.spared
    assert set(alone.leave_standing["left_as"]) == {EDGE}
    assert alone.edge_trees is None
    assert advice.touches_edges
    assert alone.touches_edges


def test_trees_in_a_setback_stand_first_and_the_rest_is_said(
    groves: Build, advice_of: Build
) -> None:
    """Of four marks in a no-cut strip three are spared, group or not; one that must go is named."""
    trees = groves(1, [6], [(300, 300)])
    spot = np.array([[300, 300], [300, 306], [300, 312], [300, 318], [300, 324], [300, 330.0]])
    trees = replace(trees, spot=spot, radius=np.full(6, 3.5), held=frozenset({3}))
    strip = {"geometry": shapely.box(280, 290, 320, 320), "name": "Creek", "rule": "no_cut"}

    advice = advice_of(trees, {}, groups="whole", setbacks=[strip])

    assert advice.spared == {0, 1, 2}
    assert set(advice.leave_standing["left_as"]) == {NO_CUT}
    assert set(advice.leave_standing["mends"]) == {"setback Creek"}
    (left,) = advice.unmended
    assert left.trees == ("3",)
    assert advice.still_exceeded["subject"].tolist() == ["cut trees in no-cut setback Creek"]
    assert advice.mended
    assert not advice.passes


def test_other_limits_are_mended_on_what_the_setback_leaves(
    groves: Build, advice_of: Build, hole_left: Build
) -> None:
    """A group is judged as it is once the trees in no-cut ground stand: it is not given up, too."""
    trees = groves(7, [9], [(300, 300)])
    inside = {i for i in trees.of("1") if trees.spot[i][0] <= 300}
    left = hole_left(trees, inside, "1", 0.0).area
    limit = (left + hole_left(trees, (), "1", 0.0).area) / 2

    advice = advice_of(
        trees,
        {"opening_area_max": f"{limit!r} m2"},
        groups="whole",
        exclusions=[shapely.box(250, 250, 300, 350)],
    )

    assert advice.spared == inside
    assert not advice.has_groups


def test_a_group_with_a_tree_that_must_go_is_not_given_up(groves: Build, advice_of: Build) -> None:
    """A group with a tree that has to go is cut as a whole, and that tree is told."""
    trees = groves(4, [6], [(300, 300)])
    held = replace(trees, held=frozenset({2}))

    advice = advice_of(held, {"opening_area_max": "60 m2"}, groups="whole")

    assert not advice.spared
    (left,) = advice.unmended
    assert left.trees == ("2",)
    assert "not spared as a whole" in left.reason


def test_a_group_given_up_is_no_opening_that_is_too_small(groves: Build, advice_of: Build) -> None:
    """With a least area as well, of two groups too close one goes: it is no opening any more."""
    trees = groves(9, [6, 7], [(300, 300), (322, 300)])
    limits = {"opening_spacing_min": "12 m", "opening_area_min": "60 m2"}

    advice = advice_of(trees, limits, groups="whole")

    assert advice.spared == set(trees.of("1"))
    assert advice.broken == ()
    assert advice.passes


def test_a_mark_inside_an_opening_goes_only_with_the_opening(
    groves: Build, advice_of: Build
) -> None:
    """A mark of no group that stands in a group's opening is not left standing alone in it."""
    trees = groves(9, [8], [(300, 300)], wide=2)
    group = np.array(["1"] * 7 + [""])
    spot = trees.spot.copy()
    spot[7] = spot[:7].mean(axis=0)
    volume = np.array([1.0] * 7 + [9.0])
    trees = replace(trees, group=group, spot=spot, volume=volume)
    stock = {**SMALL, "allowance": {"standing": {"sawlog": "20 m3", "basal_area": "1 m2/ha"}}}

    advice = advice_of(trees, {"removal_share_max": "70 %"}, groups="whole", project=stock)

    assert advice.spared == set(range(7))


def test_what_else_undoes_a_group_is_said(groves: Build, advice_of: Build) -> None:
    """A walked group with trees on paper that stays as a whole: outline and tally are named."""
    trees = groves(1, [5], [(300, 300)])
    stock = {**SMALL, "allowance": {"standing": {"sawlog": "4 m3", "basal_area": "1 m2/ha"}}}
    paper = {"zone": "opening", "group": "1", "product": "sawlog", "dbh": 30.0, "count": 1}

    advice = advice_of(
        trees,
        {"removal_share_max": "10 %"},
        groups="whole",
        project=stock,
        walked=[{"geometry": shapely.box(280, 280, 320, 320), "group": "1"}],
        tally=[{**paper, "dbh_unit": "cm"}],
    )

    assert advice.spared == set(range(5))
    assert advice.notes == (
        "Take the outline of opening 1 out of the project as well.",
        "Opening 1 has 1 tree counted on paper as well, to be struck out of the tally.",
    )
