"""The smallest set, held against every set there is, and against a greedy choice."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely

from glademark.advice.outcome import Advice

Build = Callable[..., Any]
ROUNDING_M2 = 1e-6
APART = [(150.0 * column, 150.0 * row) for row in range(1, 13) for column in range(1, 13)]
"""Centres too far from each other for their groups to have anything to do with one another."""


def scaled_to(trees: Any, hole_left: Build, area_m2: float, shares: np.ndarray) -> Any:  # noqa: ANN401 - the conftest's Trees
    """Groups stretched about their centres so that each is so many times the area."""
    spot, radius = trees.spot.copy(), trees.radius.copy()
    for name, share in zip(dict.fromkeys(trees.group.tolist()), shares, strict=True):
        mine = trees.of(name)
        factor = np.sqrt(area_m2 * share / hole_left(trees, (), name, 0.0).area)
        centre = spot[mine].mean(axis=0)
        spot[mine] = centre + factor * (spot[mine] - centre)
        radius[mine] *= factor
    return replace(trees, spot=spot, radius=radius)


def chosen(advice: Advice, trees: Any, *groups: str) -> tuple[int, ...]:  # noqa: ANN401 - the same
    """Spared trees of some groups."""
    return tuple(sorted(advice.spared & set(trees.of(*groups))))


@pytest.mark.parametrize("by", ["trees", "volume"])
@pytest.mark.parametrize("link_m", [0.0, 2.0])
def test_an_opening_too_large_is_mended_by_the_smallest_set(
    by: str,
    link_m: float,
    groves: Build,
    advice_of: Build,
    hole_left: Build,
    least_by_trying: Build,
) -> None:
    """No smaller set of crowns brings an opening inside its limit: all of them were tried."""
    sizes = [4, 5, 6, 7, 8, 9] if by == "trees" else [5, 6, 7, 8]
    trees = groves(7, sizes, APART[: len(sizes)])
    trees = scaled_to(trees, hole_left, 250.0, np.linspace(1.05, 1.6, len(sizes))[::-1])
    names = list(dict.fromkeys(trees.group.tolist()))
    expected = {
        name: least_by_trying(
            trees,
            trees.of(name),
            lambda one, name=name: hole_left(trees, one, name, link_m).area <= 250 + ROUNDING_M2,
            by=by,
        )
        for name in names
    }

    advice = advice_of(
        trees,
        {"opening_area_max": "250 m2"},
        by=by,
        project={
            "openings": {"link_distance": f"{link_m} m"},
            "volume": {"products": {"sawlog": {"unit": "m3"}}},
        },
    )

    assert {name: chosen(advice, trees, name) for name in names} == expected
    assert advice.passes
    assert {proof.words for proof in advice.proofs} == {"proved smallest"}


@pytest.mark.parametrize("link_m", [0.0, 1.5])
def test_two_openings_too_close_are_parted_by_the_smallest_set(
    link_m: float, groves: Build, advice_of: Build, hole_left: Build, least_by_trying: Build
) -> None:
    """No smaller set of crowns keeps two openings apart: all of them were tried."""
    pairs = [(3, 4), (4, 4), (5, 4), (5, 6), (6, 6)]
    centres = [
        (x + 22.0 * side, y) for (x, y), _ in zip(APART, pairs, strict=False) for side in (0, 1)
    ]
    trees = groves(11, [size for pair in pairs for size in pair], centres)
    couples = [(str(2 * i + 1), str(2 * i + 2)) for i in range(len(pairs))]

    def apart(one: tuple[int, ...], couple: tuple[str, str]) -> bool:
        first, second = (hole_left(trees, one, name, link_m) for name in couple)
        empty = shapely.is_empty(first) or shapely.is_empty(second)
        return bool(empty or shapely.distance(first, second) >= 12 - 1e-8)

    expected = {
        couple: least_by_trying(trees, trees.of(*couple), lambda one, c=couple: apart(one, c))
        for couple in couples
    }

    advice = advice_of(
        trees,
        {"opening_spacing_min": "12 m"},
        project={
            "openings": {"link_distance": f"{link_m} m"},
            "volume": {"products": {"sawlog": {"unit": "m3"}}},
        },
    )

    assert {couple: chosen(advice, trees, *couple) for couple in couples} == expected
    assert advice.passes


def test_combined_openings_are_mended_by_the_smallest_set(
    groves: Build, advice_of: Build, hole_left: Build, least_by_trying: Build
) -> None:
    """Openings joined by a corridor are parted or made smaller, whichever takes fewer trees."""
    pairs = [(3, 3), (4, 4), (4, 5), (5, 5), (6, 4)]
    places = [(150.0 * (i + 1), 300.0) for i in range(len(pairs))]
    centres = [(x + 17.0 * side, y) for x, y in places for side in (0, 1)]
    trees = groves(5, [size for pair in pairs for size in pair], centres)
    lines = [shapely.LineString([(x - 40, 300), (x + 60, 300)]) for x, _ in places]
    couples = [(str(2 * i + 1), str(2 * i + 2)) for i in range(len(pairs))]
    limit = 230.0

    def combined_m2(one: tuple[int, ...], couple: tuple[str, str], line: Any) -> float:  # noqa: ANN401
        strip = shapely.buffer(line, 2.0, cap_style="flat")
        holes = [hole_left(trees, one, name, 0.0) for name in couple]
        whole = [
            shapely.union(hole, shapely.intersection(strip, shapely.buffer(hole, 4, quad_segs=16)))
            if shapely.intersects(strip, hole)
            else hole
            for hole in holes
        ]
        if shapely.dwithin(*whole, 1e-6):
            return float(shapely.union(*whole).area)
        return float(max(hole.area for hole in whole))

    expected = {
        couple: least_by_trying(
            trees,
            trees.of(*couple),
            lambda one, c=couple, at=line: combined_m2(one, c, at) <= limit + ROUNDING_M2,
        )
        for couple, line in zip(couples, lines, strict=True)
    }

    advice = advice_of(trees, {"combined_area_max": f"{limit} m2"}, corridors=lines)

    assert {couple: chosen(advice, trees, *couple) for couple in couples} == expected
    assert advice.passes
