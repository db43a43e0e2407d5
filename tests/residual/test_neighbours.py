"""Sides of crowns around crop trees, by hand and by brute force."""

import math
from collections.abc import Callable

import numpy as np
import pytest
import shapely

from glademark.contracts.layout import Layout
from glademark.measure.residual.around import (
    Trees,
    crowded_sides,
    felled_within,
    neighbour_pairs,
    side_of,
)

STAND = shapely.box(0, 0, 100, 100)


def _tree(x: float, y: float, radius: float, name: str, **more: object) -> dict[str, object]:
    """A tree of one species."""
    point = shapely.Point(50 + x, 50 + y)
    return {
        "geometry": point, "tree_id": name, "label": name, "species": "red oak",
        "crown_radius_m": radius, **more,
    }  # fmt: skip


RING = (
    _tree(5, 1, 2.5, "A"),
    _tree(1, 5.4, 2.0, "B"),
    _tree(-6, 0.5, 2.5, "C"),
    _tree(0.5, -4.5, 2.2, "D"),
    _tree(3.2, 3.4, 1.5, "E"),
)
"""Neighbours of a crop crown of 3 m; gaps -0.401, 0.492, 0.521, -0.672 and 0.169 m."""


def _layout(layout_of: Callable[..., Layout], touch: str, cut: str = "", **more: object) -> Layout:
    """Crop tree in the ring, some of whose trees are marked."""
    own = _tree(0, 0, 3.0, "X")
    marks = [{**tree, "position_error_m": 0.1} for tree in RING if tree["tree_id"] in cut]
    marks.append({**_tree(40, 40, 1.0, "far"), "position_error_m": 0.1})
    settings = {"touch_distance": touch, **more}
    return layout_of(
        STAND,
        standing=[own, *RING],
        crop_trees=[{**own, "tree_id": "C1"}],
        marks=marks,
        project={"crop_trees": settings},
    )


def test_crowns_that_touch_crowd_the_sides_of_their_boles(
    layout_of: Callable[..., Layout],
) -> None:
    """Where only touching crowns count, A and D close east and south, and two sides are open."""
    (tree,) = _layout(layout_of, "0 m").crop_trees.to_dict("records")

    assert (tree["open_before"], tree["open_after"], tree["freed"]) == (2, 2, 0)
    assert tree["crowded"] == "E, S"
    assert not tree["released"]


def test_marks_free_the_sides_that_they_alone_close(layout_of: Callable[..., Layout]) -> None:
    """With both cut all four sides are open, and the tree is released."""
    (tree,) = _layout(layout_of, "0 m", "AD").crop_trees.to_dict("records")

    assert (tree["open_before"], tree["freed"], tree["open_after"]) == (2, 2, 4)
    assert tree["released"]
    assert tree["crowded"] == ""


def test_a_wider_gap_takes_in_every_neighbour(layout_of: Callable[..., Layout]) -> None:
    """Within 1 m all four sides are crowded; A alone frees nothing on its side if E stands there.

    E stands at 43 degrees, which is north.
    """
    (tree,) = _layout(layout_of, "1 m", "A").crop_trees.to_dict("records")

    assert (tree["open_before"], tree["freed"], tree["open_after"]) == (0, 1, 1)
    assert tree["crowded"] == "N, S, W"


def test_a_neighbour_below_the_crown_crowds_nothing(layout_of: Callable[..., Layout]) -> None:
    """The crown begins at 12 m where 40 % of 20 m is live; a tree of 11 m stands under it."""
    own = _tree(0, 0, 3.0, "X", height_m=20.0, live_crown_ratio=0.4)
    below = _tree(3, 0, 3.0, "A", height_m=11.0)
    beside = _tree(0, 3, 3.0, "B", height_m=13.0)
    layout = layout_of(
        STAND,
        standing=[own, below, beside],
        crop_trees=[{**_tree(0, 0, 3.0, "C1"), "height_m": 20.0}],
        marks=[_tree(40, 40, 1.0, "far")],
    )

    assert layout.crop_trees["crowded"].tolist() == ["N"]


def test_without_a_map_only_what_the_marks_free_is_known(
    layout_of: Callable[..., Layout],
) -> None:
    """Open sides are blank, and nothing is called released."""
    layout = layout_of(
        STAND, crop_trees=[_tree(0, 0, 3.0, "C1")], marks=[RING[0], _tree(0, 0.2, 3.0, "C")]
    )
    (tree,) = layout.crop_trees.to_dict("records")

    assert tree["freed"] == 1
    assert tree["marked"]
    assert layout.crop_trees["open_after"].isna().all()
    assert layout.residual["crop_trees"]["released"] is None


def test_a_tree_in_reach_of_felling_and_of_a_corridor_is_named(
    layout_of: Callable[..., Layout],
) -> None:
    """A cut tree of 25 m reaches 22 m, one of unknown height the stated 20 m, one of 15 m not."""
    layout = layout_of(
        STAND,
        crop_trees=[_tree(0, 0, 3.0, "C1")],
        marks=[
            _tree(22, 0, 2.0, "a", height_m=25.0),
            _tree(0, 19, 2.0, "b"),
            _tree(-22, 0, 2.0, "c", height_m=15.0),
        ],
        corridors=[shapely.LineString([(55, -5), (55, 105)])],
    )
    (tree,) = layout.crop_trees.to_dict("records")

    assert tree["felled_within"] == 2
    assert tree["corridor_m"] == pytest.approx(3.0)
    assert tree["near_corridor"]


def test_bearings_on_a_border_belong_to_the_side_clockwise() -> None:
    """The first side is centred on north, of four and of eight."""
    assert side_of(np.array([0, 44.9, 45, 135, 225, 315, 359.9]), sides=4).tolist() == [
        0, 0, 1, 2, 3, 0, 0,
    ]  # fmt: skip
    assert side_of(np.array([22.4, 22.5, 337.4, 337.5]), sides=8).tolist() == [0, 1, 7, 0]


@pytest.mark.parametrize("sides", [4, 8])
def test_sides_are_those_of_a_slow_plain_search(sides: int) -> None:
    """1,000 neighbourhoods drawn at random in two stands, each pair looked at one by one."""
    rng = np.random.default_rng(17 + sides)
    crop, others = (_random(rng, 500, 120.0), _random(rng, 2000, 120.0))
    marked = rng.random(2000) < 0.4
    touch = 1.0
    reach = touch + float(crop.radius_m.max() + others.radius_m.max())

    pairs = neighbour_pairs(crop, others, reach_m=reach)
    before, after = crowded_sides(crop, others, pairs, marked=marked, touch_m=touch, sides=sides)
    falls = felled_within(
        others,
        neighbour_pairs(crop, others, reach_m=35.0),
        count=marked.astype(int),
        crop_trees=500,
        default_m=20.0,
    )

    for tree in range(0, 500, 5):
        expected = _by_hand(tree, crop, others, marked, touch, sides)
        assert [set(np.flatnonzero(found[tree])) for found in (before, after)] == expected[:2]
        assert falls[tree] == expected[2]


def _random(rng: np.random.Generator, count: int, side_m: float) -> Trees:
    """Trees anywhere in one of two stands, some of them measured."""
    height = np.where(rng.random(count) < 0.5, rng.uniform(5, 35, count), np.nan)
    return Trees(
        xy=rng.uniform(0, side_m, (count, 2)),
        stand=rng.integers(0, 2, count),
        radius_m=rng.uniform(1, 5, count),
        height_m=height,
        crown_base_m=height * rng.uniform(0.3, 0.8, count),
    )


def _by_hand(
    tree: int, crop: Trees, others: Trees, marked: np.ndarray, touch: float, sides: int
) -> list[object]:
    """Crowded sides before and after, and cut trees within reach, of one crop tree."""
    before: set[int] = set()
    after: set[int] = set()
    falls = 0
    for other in range(len(others.xy)):
        if crop.stand[tree] != others.stand[other]:
            continue
        east, north = others.xy[other] - crop.xy[tree]
        away = math.hypot(east, north)
        height = others.height_m[other]
        falls += bool(marked[other] and away <= (20.0 if math.isnan(height) else height))
        if away - crop.radius_m[tree] - others.radius_m[other] > touch:
            continue
        if height < crop.crown_base_m[tree]:
            continue
        side = int(((math.degrees(math.atan2(east, north)) + 180 / sides) % 360) // (360 / sides))
        before.add(side)
        if not marked[other]:
            after.add(side)
    return [before, after, falls]
