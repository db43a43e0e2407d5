"""The figures beside the judged area of an opening: never above it below, never below it above."""

from collections.abc import Callable

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from glademark.contracts.layout import Layout

Rows = list[dict[str, object]]
LayoutOf = Callable[..., Layout]
MarksAt = Callable[..., Rows]
STAND = shapely.box(0, 0, 400, 120)

RULES = st.fixed_dictionaries(
    {
        "edge": st.sampled_from(["marked_crowns", "standing_crowns", "boles"]),
        "walked_along": st.sampled_from(["standing_crowns", "boles"]),
        "leave_tree_crowns": st.sampled_from(["counted", "deducted"]),
        "link_distance": st.sampled_from(["0 m", "3 m"]),
    }
)


@settings(max_examples=5)
@given(seed=st.integers(0, 10_000), rules=RULES)
def test_the_lower_figure_is_never_above_the_judged_one_nor_that_above_the_upper(
    layout_of: LayoutOf, marks_at: MarksAt, seed: int, rules: dict[str, str]
) -> None:
    """Walked, tagged, round and crown-linked groups with leave trees, whatever is measured to."""
    rng = np.random.default_rng(seed)

    def thrown(x: float, count: int, **columns: object) -> Rows:
        return [
            row
            for spot in rng.uniform((x, 60), (x + 30, 90), (count, 2))
            for row in marks_at(tuple(spot), crown_radius_m=rng.uniform(1.5, 5), **columns)
        ]

    marks = [
        *thrown(60, 14, group="1"),
        *thrown(160, 14, group="2"),
        *thrown(260, 14),
        *thrown(160, 3, kind="leave"),
        *thrown(60, 3, kind="leave"),
        *marks_at((350, 75), kind="group_centre", group="3", radius_m=12.0),
        *thrown(335, 6, group="3"),
    ]
    layout = layout_of(
        STAND,
        project={"openings": {**rules, "min_trees": 3, "min_area": "1 m2"}},
        walked=[{"group": "1", "geometry": shapely.box(62, 62, 88, 88)}],
        marks=marks,
    )

    for holes in (layout.openings, layout.incidental_openings):
        lower, area, upper = (
            holes[name].to_numpy(dtype=float)
            for name in ("area_marked_crowns_m2", "area_m2", "area_boles_m2")
        )
        assert not (lower > area + 1e-6).any()
        assert not (area > upper + 1e-6).any()
        assert not (lower > upper + 1e-6).any()


@pytest.mark.parametrize("edge", ["marked_crowns", "standing_crowns", "boles"])
def test_the_outline_of_a_group_given_as_walked_agrees_with_the_group(
    layout_of: LayoutOf, marks_at: MarksAt, edge: str
) -> None:
    """Its outer edge at the standing crowns, walked along these: within 2 % on each edge."""
    rng = np.random.default_rng(4)
    marks = [
        row
        for spot in rng.uniform((60, 40), (100, 80), (40, 2))
        for row in marks_at(tuple(spot), crown_radius_m=rng.uniform(2.5, 5), group="1")
    ]
    tables = {"standing_crown_radius": "3.5 m"}
    tagged = layout_of(STAND, project={"openings": tables}, marks=marks).openings
    outline = shapely.Polygon(tagged.geometry.iloc[0].geoms[0].exterior)
    by_crowns, by_walk = (
        layout_of(
            STAND,
            project={"openings": {**tables, "edge": edge, "walked_along": "standing_crowns"}},
            marks=marks,
            walked=walked,
        ).openings["area_m2"]
        for walked in ([], [{"group": "1", "geometry": outline}])
    )

    assert tagged["parts"].tolist() == [1]
    assert by_walk.tolist() == pytest.approx(by_crowns.tolist(), rel=0.02)
