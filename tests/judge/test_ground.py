"""Exclusions and setbacks: always checked when they are given."""

from collections.abc import Callable

import pandas as pd
import pytest
import shapely

ChecksOf = Callable[..., pd.DataFrame]
MarksAt = Callable[..., list[dict[str, object]]]
STAND = shapely.box(0, 0, 200, 200)
ACROSS = shapely.LineString([(0, 100), (200, 100)])


def test_nothing_in_an_exclusion_is_met(checks_of: ChecksOf, marks_at: MarksAt) -> None:
    """An exclusion that all stay clear of has three rows, all met."""
    checks = checks_of(
        STAND, {}, exclusions=[shapely.box(0, 0, 40, 40)], marks=marks_at((100, 150))
    )

    assert checks["limit"].tolist() == ["exclusion"] * 3
    assert checks["verdict"].tolist() == ["met"] * 3
    assert checks["feature"].tolist() == ["area 1"] * 3


def test_what_lies_in_an_exclusion_is_a_broken_limit(
    checks_of: ChecksOf, marks_at: MarksAt
) -> None:
    """
    A corridor, an opening and cut trees in an exclusion are named, not clipped away.

    Strip 4 m x 40 m; 20 m x 30 m of a walked opening; a clump of three cut trees, a leave tree.
    """
    checks = checks_of(
        STAND,
        {},
        exclusions=[shapely.box(80, 80, 120, 120)],
        corridors=[ACROSS],
        walked=[shapely.box(100, 90, 150, 120)],
        marks=[
            *marks_at((90, 90), count=3, paint_meaning="cut"),
            *marks_at((95, 95), kind="leave"),
        ],
    )

    assert checks["subject"].tolist() == [
        "corridor area in exclusion area 1",
        "opening area in exclusion area 1",
        "cut trees in exclusion area 1",
    ]
    assert checks["measured"].tolist() == pytest.approx([160, 600, 3])
    assert checks["margin"].tolist() == pytest.approx([-160, -600, -3])
    assert checks["verdict"].tolist() == ["exceeded"] * 3


def test_edges_that_were_drawn_alike_break_nothing(checks_of: ChecksOf) -> None:
    """A corridor whose edge runs along an exclusion takes none of it."""
    checks = checks_of(STAND, {}, exclusions=[shapely.box(0, 102, 200, 200)], corridors=[ACROSS])

    assert checks["measured"].tolist() == [0, 0, 0]
    assert checks["verdict"].tolist() == ["met"] * 3


def test_a_cut_tree_just_outside_a_no_cut_setback_is_near_it(
    checks_of: ChecksOf, marks_at: MarksAt
) -> None:
    """A tree within its 4 m position error of the strip may stand in it."""
    away = [-0.1, 0.0, 3.9, 4.1]
    strips = [shapely.box(0, 0, 200, 20 - distance) for distance in away]
    checks = checks_of(
        STAND,
        {},
        setbacks=[
            {"geometry": strip, "rule": "no_cut", "name": f"brook, {distance:g} m"}
            for strip, distance in zip(strips, away, strict=True)
        ],
        marks=marks_at((100, 20)),
    )

    assert checks["subject"].iloc[0] == "cut trees in no-cut setback brook, -0.1 m"
    assert checks["limit"].tolist() == ["setback"] * 4
    assert checks["verdict"].tolist() == ["exceeded", "exceeded", "near", "met"]
    assert checks["reason"].iloc[2] == "1 cut trees within the position error"


def test_the_position_error_is_that_of_the_mark(checks_of: ChecksOf, marks_at: MarksAt) -> None:
    """A tree 3 m away is near with a poor fix, and clear with a good one."""
    setback = {"geometry": shapely.box(0, 0, 200, 15), "rule": "no_cut", "name": "brook"}
    verdicts = [
        checks_of(STAND, {}, setbacks=[setback], marks=marks_at((100, 18), position_error_m=error))
        for error in (5.0, 1.0)
    ]

    assert [checks["verdict"].iloc[0] for checks in verdicts] == ["near", "met"]


def test_an_exclusion_is_near_by_the_error_of_the_tree_beside_it(
    checks_of: ChecksOf, marks_at: MarksAt
) -> None:
    """3 m away with an error of 1 m is clear; 5 m away with one of 6 m is near."""
    areas = [shapely.box(0, 0, 200, 15), shapely.box(0, 80, 200, 100)]
    marks = [
        *marks_at((100, 18), position_error_m=1.0),
        *marks_at((100, 75), position_error_m=6.0),
    ]
    checks = checks_of(STAND, {}, exclusions=areas, marks=marks)
    trees = checks[checks["unit"] == "trees"]

    assert trees["verdict"].tolist() == ["met", "near"]
    assert trees["reason"].iloc[1] == "1 cut trees within the position error"


def test_line_trees_count_against_a_setback_once_confirmed(
    checks_of: ChecksOf, marks_at: MarksAt
) -> None:
    """A line tree is not cut, and so breaks no rule, until the project confirms it."""
    setback = {"geometry": shapely.box(0, 0, 200, 15), "rule": "no_cut", "name": "brook"}
    marks = marks_at((100, 5), kind="line_tree")
    before = checks_of(STAND, {}, setbacks=[setback], marks=marks)
    after = checks_of(
        STAND,
        {},
        project={"marks": {"line_trees_confirmed": True}},
        setbacks=[setback],
        marks=marks,
    )

    assert before["verdict"].tolist() == ["met"]
    assert after["verdict"].tolist() == ["exceeded"]


def test_machines_stay_out_of_a_no_machine_setback(checks_of: ChecksOf) -> None:
    """Corridor and landing ground in such a strip is too much: 4 m x 15 m, and 50 m x 15 m."""
    checks = checks_of(
        STAND,
        {},
        setbacks=[{"geometry": shapely.box(0, 0, 200, 15), "rule": "no_machine", "name": "brook"}],
        corridors=[shapely.LineString([(100, 0), (100, 200)])],
        landings=[shapely.box(0, 0, 50, 30)],
    )
    checks = checks[checks["limit"] == "setback"]  # the crossing itself has a row of its own

    assert checks["subject"].tolist() == [
        "corridor area in no-machine setback brook",
        "landing area in no-machine setback brook",
    ]
    assert checks["measured"].tolist() == pytest.approx([60, 750])
    assert checks["verdict"].tolist() == ["exceeded"] * 2


def test_a_residual_basal_area_takes_a_cruise(checks_of: ChecksOf) -> None:
    """What is left standing in a setback is not known without a stock."""
    checks = checks_of(
        STAND,
        {},
        setbacks=[
            {
                "geometry": shapely.box(0, 0, 200, 15),
                "rule": "residual_basal_area",
                "minimum_m2_ha": 14.0,
                "name": "brook",
            }
        ],
    )

    assert checks["verdict"].tolist() == ["not_checked"]
    assert checks["limit_value"].tolist() == [14.0]
    assert "standing stock is not known" in checks["reason"].iloc[0]


def test_areas_without_a_name_go_by_their_number(checks_of: ChecksOf, marks_at: MarksAt) -> None:
    """Two nameless setbacks are told apart by number."""
    strips = [shapely.box(0, 0, 200, 15), shapely.box(0, 185, 200, 200)]
    checks = checks_of(
        STAND,
        {},
        setbacks=[{"geometry": strip, "rule": "no_cut"} for strip in strips],
        marks=marks_at((100, 190)),
    )

    assert checks["feature"].tolist() == ["1", "2"]
    assert checks["verdict"].tolist() == ["met", "exceeded"]


def test_without_rules_there_is_nothing_to_check(checks_of: ChecksOf) -> None:
    """No limits, no exclusions and no setbacks give an empty table with its columns."""
    checks = checks_of(STAND, {})

    assert checks.empty
    assert "verdict" in checks.columns
