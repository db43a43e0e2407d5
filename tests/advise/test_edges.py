"""Advice on openings that end at the standing crowns or the boles, against a trial of all sets."""

from collections.abc import Callable, Iterable, Sequence
from itertools import combinations
from typing import Any

import numpy as np
import pytest
import shapely

from glademark.advice.outcome import NO_CUT, WHOLE

Build = Callable[..., Any]
Trees = Any  # the conftest's
Sets = Sequence[tuple[int, ...]]
R_M = 3.0
DEFAULT = {"edge": "standing_crowns", "leave_tree_crowns": "counted"}
STATED = {**DEFAULT, "standing_crown_radius": f"{R_M} m"}
SEGMENTS = 64
CRUMB_M2 = 1.0


def closed(shape: Any) -> Any:  # noqa: ANN401 - geometries
    """A shape with what no disc of the standing crown's radius fits into."""
    wide = shapely.buffer(shape, R_M, quad_segs=SEGMENTS)
    return shapely.union(shape, shapely.buffer(wide, -R_M, quad_segs=SEGMENTS))


def left_of(trees: Trees, spared: Iterable[int], group: str) -> Any:  # noqa: ANN401
    """What is left of a group at the standing crowns: rings round trees that stay are filled."""
    stands = sorted(set(spared))
    goes = [tree for tree in trees.of(group) if tree not in stands]
    hole = closed(shapely.union_all(trees.discs[goes]))
    crowns = shapely.buffer(shapely.union_all(trees.discs[stands]), R_M, quad_segs=SEGMENTS)
    stems = shapely.multipoints(trees.spot[stands])
    for part in shapely.get_parts(hole):
        for ring in map(shapely.polygons, getattr(part, "interiors", ())):
            middle = shapely.buffer(ring, -R_M, quad_segs=SEGMENTS).difference(crowns)
            if ring.intersects(stems) and middle.area < 1e-3:
                hole = hole.union(ring)
    return hole


def on_edge(trees: Trees, group: str) -> list[int]:
    """Trees whose crown reaches the outline of their group, closed by its middle crown."""
    mine = trees.of(group)
    middle = float(np.median(trees.radius[mine]))
    union = shapely.union_all(trees.discs[mine])
    outline = union.union(union.buffer(middle, quad_segs=16).buffer(-middle, quad_segs=16))
    rim = shapely.get_exterior_ring(shapely.get_parts(outline))
    return [t for t in mine if shapely.union_all(rim).distance(trees.discs[t].boundary) <= 0.01]


def choices(trees: Trees, group: str, rule: str) -> Sets:
    """Every set of trees of a group that a rule allows."""
    mine = trees.of(group)
    units = {"free": mine, "edge_trees": on_edge(trees, group), "whole": []}[rule]
    some = [one for size in range(len(units) + 1) for one in combinations(units, size)]
    return list(dict.fromkeys([*some, tuple(mine)]))


def pieces(left: Any) -> int:  # noqa: ANN401
    """Pieces of an opening larger than a crumb."""
    return int((shapely.area(shapely.get_parts(left)) > CRUMB_M2).sum())


def between(areas: Iterable[float], about: float) -> float:
    """A limit near a size that no set of trees comes close to."""
    sizes = np.sort(np.array([*areas]))
    gaps = np.diff(sizes)
    wide = np.flatnonzero(gaps > 0.2)
    best = wide[np.abs(sizes[wide] + gaps[wide] / 2 - about).argmin()]
    return float(sizes[best] + gaps[best] / 2)


def cheapest(trees: Trees, sets: Iterable[tuple[int, ...]]) -> set[int]:
    """The set with the fewest trees, then the least wood, then the first trees."""
    return set(
        min(sets, key=lambda one: (len(one), round(float(trees.volume[list(one)].sum()), 9), one))
    )


@pytest.mark.parametrize("rule", ["whole", "edge_trees", "free"])
def test_advice_at_the_standing_crowns_equals_a_trial_of_all(
    rule: str, groves: Build, advice_of: Build
) -> None:
    """Openings over their limit at the standing crowns: no allowed set of trees is smaller."""
    sizes = (6, 7, 5)
    places = [(300.0 * i, 300.0) for i in range(1, len(sizes) + 1)]
    trees = groves(5, sizes, places, wide=3.5)
    names = list(dict.fromkeys(trees.group.tolist()))
    sets = {name: choices(trees, name, rule) for name in names}
    left = {name: [left_of(trees, one, name) for one in sets[name]] for name in names}
    largest = max(hole.area for holes in left.values() for hole in holes)
    limit = between([hole.area for holes in left.values() for hole in holes], 0.75 * largest)
    expected: set[int] = set()
    for name in names:
        tried = zip(sets[name], left[name], strict=True)
        fits = [
            one
            for one, hole in tried
            if hole.area <= limit and (rule == "free" or pieces(hole) <= 1)
        ]
        expected |= cheapest(trees, fits)

    advice = advice_of(
        trees,
        {"opening_area_max": f"{limit!r} m2"},
        groups=rule,
        project={"openings": STATED},
    )

    assert expected
    assert advice.spared == expected
    assert advice.passes
    assert {proof.words for proof in advice.proofs} == {"proved smallest"}


@pytest.mark.parametrize("rule", ["edge_trees", "free"])
def test_advice_to_the_boles_equals_a_trial_of_all(
    rule: str, groves: Build, advice_of: Build
) -> None:
    """Two openings too close at the boles: no allowed set of trees is smaller."""
    trees = groves(11, (4, 5), [(300, 300), (330, 300)], wide=3)
    wide = shapely.buffer(trees.discs, R_M, quad_segs=SEGMENTS)

    def holes(spared: Iterable[int]) -> list[Any]:
        stands = set(spared)
        return [
            shapely.union_all(wide[[t for t in trees.of(name) if t not in stands]])
            for name in ("1", "2")
        ]

    def apart(spared: Iterable[int]) -> float:
        one, two = holes(spared)
        return float("inf") if one.is_empty or two.is_empty else float(one.distance(two))

    sets = [(*one, *two) for one in choices(trees, "1", rule) for two in choices(trees, "2", rule)]
    distance = {one: apart(one) for one in sets}
    finite = [d for d in distance.values() if np.isfinite(d)]
    limit = between([*finite], distance[()] + 4)
    whole = ({*trees.of("1")}, {*trees.of("2")})
    fits = [
        one
        for one in sets
        if distance[one] >= limit
        and (rule == "free" or all(pieces(hole) <= 1 for hole in holes(one)))
    ]
    expected = cheapest(trees, fits)

    advice = advice_of(
        trees,
        {"opening_spacing_min": f"{limit!r} m"},
        groups=rule,
        project={"openings": {**STATED, "edge": "boles"}},
    )

    assert not any(expected >= group for group in whole)
    assert advice.spared == expected
    assert advice.passes


@pytest.mark.parametrize(
    ("seed", "share", "rule", "edge"),
    [(4, 0.7, "edge_trees", "standing_crowns"), (9, 0.9, "edge_trees", "boles")],
)
def test_no_group_falls_in_two_at_any_edge(
    seed: int, share: float, rule: str, edge: str, groves: Build, advice_of: Build
) -> None:
    """Whatever is spared for size and spacing, no group is left in more pieces than it was."""
    places = [(300.0 * (i + 1) + 26 * side, 300.0) for i in range(3) for side in (0, 1)]
    trees = groves(seed, [7, 8, 6, 7, 9, 5], places, wide=3.5)
    wide = trees.discs if edge == "standing_crowns" else shapely.buffer(trees.discs, R_M)

    def hole(name: str, spared: Iterable[int]) -> Any:  # noqa: ANN401
        if edge == "standing_crowns":
            return left_of(trees, spared, name)
        stands = set(spared)
        return shapely.union_all(wide[[t for t in trees.of(name) if t not in stands]])

    wholes = {name: hole(name, ()) for name in "123456"}
    limit = max(whole.area for whole in wholes.values()) * share

    advice = advice_of(
        trees,
        {"opening_area_max": f"{limit!r} m2", "opening_spacing_min": "3 m"},
        groups=rule,
        project={"openings": {**STATED, "edge": edge}},
    )

    assert advice.passes
    for name, whole in wholes.items():
        left = hole(name, advice.spared)
        parts = shapely.get_parts(whole)
        assert all(pieces(left.intersection(part)) <= 1 for part in parts)


def test_a_tree_in_a_setback_stands_first_at_the_standing_crowns(
    groves: Build, advice_of: Build
) -> None:
    """Marks in a no-cut strip stand; of what they leave, the group beyond its limit stays whole."""
    trees = groves(7, (9, 8), [(300, 300), (600, 300)], wide=3.5)
    inside = {tree for tree in trees.of("1") if trees.spot[tree][0] <= 300}
    left = left_of(trees, inside, "1").area
    limit = (max(left, left_of(trees, (), "2").area * 0.5) + left_of(trees, (), "1").area) / 2
    strip = {"geometry": shapely.box(250, 250, 300, 350), "name": "Creek", "rule": "no_cut"}
    expected = inside | (set(trees.of("2")) if left_of(trees, (), "2").area > limit else set())

    advice = advice_of(
        trees,
        {"opening_area_max": f"{limit!r} m2"},
        groups="whole",
        project={"openings": STATED},
        setbacks=[strip],
    )

    assert inside
    assert advice.spared == expected
    first = advice.leave_standing.set_index("tree_id")["left_as"]
    assert (first == NO_CUT).sum() == len(inside)
    assert set(first) <= {NO_CUT, WHOLE}


def test_ground_in_two_openings_counts_once_in_the_share(groves: Build, advice_of: Build) -> None:
    """Two groups whose outlines overlap, over the share of the stand: no smaller set of trees."""
    trees = groves(3, (4, 4), [(300, 300), (306, 300)], wide=3)
    both = [*trees.of("1"), *trees.of("2")]
    sets = [one for size in range(len(both) + 1) for one in combinations(both, size)]
    area = {
        one: float(left_of(trees, one, "1").union(left_of(trees, one, "2")).area) for one in sets
    }
    limit = between(area.values(), 0.8 * area[()])
    apart = left_of(trees, (), "1").area + left_of(trees, (), "2").area

    advice = advice_of(
        trees,
        {"openings_share_max": f"{limit / 2000**2 * 100!r} %"},
        groups="free",
        project={"openings": STATED},
    )

    assert apart > area[()] + 10
    assert advice.spared == cheapest(trees, (one for one in sets if area[one] <= limit))
    assert advice.passes


def test_advice_says_the_standing_crown_that_it_rests_on(groves: Build, advice_of: Build) -> None:
    """The median of all marks is held for those that are left; where it is stated, nothing is."""
    trees = groves(7, (8, 8), [(300, 300), (600, 300)], wide=3.5)
    middle = sum(left_of(trees, (), name).area for name in ("1", "2")) / 2
    limits = {"opening_area_max": f"{middle!r} m2"}

    found = advice_of(trees, limits, groups="whole", project={"openings": DEFAULT})
    stated = advice_of(trees, limits, groups="whole", project={"openings": STATED})

    assert f'standing_crown_radius = "{np.median(trees.radius):.6g} m"' in found.notes[0]
    assert stated.notes == ()
