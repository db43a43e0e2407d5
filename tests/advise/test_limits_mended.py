"""Each kind of limit that sparing can mend, and what it must leave alone."""

from collections.abc import Callable
from dataclasses import replace
from itertools import combinations
from typing import Any

import numpy as np
import pytest
import shapely

Build = Callable[..., Any]
SOLD = {"volume": {"products": {"sawlog": {"unit": "m3"}}}}
STOCK = {**SOLD, "allowance": {"standing": {"sawlog": "20 m3", "basal_area": "0.01 m2/ha"}}}


def test_an_exceeded_allowance_is_mended_by_the_fewest_trees(
    groves: Build, advice_of: Build, least_by_trying: Build
) -> None:
    """Of 20 m3 standing 30 % are allowable: the fewest trees that hold the rest, least wood."""
    trees = groves(3, [12], [(300, 300)])
    drawn = trees.volume.sum()
    expected = least_by_trying(
        trees, range(12), lambda one: drawn - trees.volume[list(one)].sum() <= 0.3 * 20 + 1e-9
    )

    advice = advice_of(trees, {"removal_share_max": "30 %"}, project=STOCK)

    assert drawn > 0.3 * 20
    assert tuple(sorted(advice.spared)) == expected
    assert advice.passes


@pytest.mark.parametrize(
    ("limit", "value"),
    [("removal_basal_area_share_max", "15 %"), ("residual_basal_area_min", "0.0086 m2/ha")],
)
def test_basal_area_is_left_standing_by_the_fewest_trees(
    limit: str, value: str, groves: Build, advice_of: Build
) -> None:
    """Trees of 30 cm are 0.0707 m2 each: 12 of them draw 0.848 m2; 4 m2 stand on 400 ha."""
    trees = groves(3, [12], [(300, 300)])
    each = np.pi * 0.3**2 / 4
    room = 0.15 * 4 if limit.startswith("removal") else 4 - 0.0086 * 400
    expected = 12 - int(room / each)

    advice = advice_of(trees, {limit: value}, project=STOCK)

    assert len(advice.spared) == expected
    assert advice.passes


def test_trees_too_thick_are_the_ones_spared(groves: Build, advice_of: Build) -> None:
    """No tree above the largest diameter is cut: with 30 cm everywhere and 25 allowed, all stay."""
    trees = groves(3, [5], [(300, 300)])

    advice = advice_of(trees, {"dbh_max": "25 cm"})

    assert advice.spared == frozenset(range(5))


def test_trees_in_an_exclusion_are_spared(groves: Build, advice_of: Build) -> None:
    """What stands in an exclusion stays: the marks in it, and no other."""
    trees = groves(8, [8], [(300, 300)])
    trees = replace(trees, group=np.repeat([""], 8))
    inside = {i for i, (x, _) in enumerate(trees.spot) if x <= 300}

    advice = advice_of(trees, {}, exclusions=[shapely.box(250, 250, 300, 350)])

    assert inside
    assert advice.spared == inside


def test_a_setback_keeps_its_basal_area_by_the_fewest_trees(
    groves: Build, advice_of: Build
) -> None:
    """10 m2 stand on a strip of 1 ha, 9.5 must: of 12 trees of 0.0707 m2 cut there 7 may go."""
    strip = {"geometry": shapely.box(250, 250, 350, 350), "name": "brook"}
    rule = {"rule": "residual_basal_area", "minimum_m2_ha": 9.5}
    stock = {**SOLD, "allowance": {"standing": {"basal_area": "10 m2/ha"}}}

    advice = advice_of(
        groves(3, [12], [(300, 300)]), {}, project=stock, setbacks=[{**strip, **rule}]
    )

    assert len(advice.spared) == 12 - int(0.5 / (np.pi * 0.3**2 / 4))
    assert advice.passes


def test_trees_that_must_go_and_corridor_trees_are_never_spared(
    groves: Build, advice_of: Build, hole_left: Build, least_by_trying: Build
) -> None:
    """An opening is mended around the trees that must go, and a corridor's trees are let be."""
    trees = groves(4, [10], [(300, 300)])
    limit = hole_left(trees, (), "1", 0.0).area * 0.75
    free = advice_of(trees, {"opening_area_max": f"{limit!r} m2"})
    held = replace(trees, held=frozenset(sorted(free.spared)[:1]) | {0})
    expected = least_by_trying(
        held, range(10), lambda one: hole_left(trees, one, "1", 0.0).area <= limit + 1e-6
    )

    advice = advice_of(held, {"opening_area_max": f"{limit!r} m2"})

    assert not advice.spared & held.held
    assert tuple(sorted(advice.spared)) == expected


def test_trees_that_hold_a_limit_beyond_are_named(groves: Build, advice_of: Build) -> None:
    """Where trees that must go hold an opening beyond its limit, the advice names them."""
    trees = groves(4, [6], [(300, 300)])
    held = replace(trees, held=frozenset(range(6)))

    advice = advice_of(held, {"opening_area_max": "60 m2"})

    assert not advice.spared
    assert not advice.passes
    (left,) = advice.unmended
    assert left.trees == ("0", "1", "2", "3", "4", "5")
    assert "have to go" in left.reason


def test_wood_painted_for_a_corridor_stays_cut(survey_of: Build, project_of: Build) -> None:
    """A tree whose paint says corridor is never spared, wherever it plots."""
    from glademark.advice.advise import advise  # noqa: PLC0415 - one test only
    from glademark.jobs.layout import installed_limits  # noqa: PLC0415 - the same
    from glademark.judge.limits import Case, limits_asked  # noqa: PLC0415 - the same
    from glademark.measure.layout import measure_layout  # noqa: PLC0415 - the same
    from glademark.project.model import LimitSetting  # noqa: PLC0415 - the same

    marks = [
        {"geometry": shapely.Point(100 + 3 * i, 100), "paint_meaning": paint, "dbh_cm": 40.0}
        for i, paint in enumerate(["corridor", "cut", "corridor", "cut"])
    ]
    survey, project = survey_of(shapely.box(0, 0, 300, 300), marks=marks), project_of()
    case = Case(layout=measure_layout(survey, project, earlier={}), survey=survey, project=project)
    setting = {"dbh_max": LimitSetting.model_validate("30 cm")}

    advice = advise(case, limits_asked(setting, known=installed_limits()), by="trees", earlier={})

    assert not advice.spared
    (left,) = advice.unmended
    assert left.trees == ("0", "2")


def test_distance_to_the_boundary_and_to_water(
    groves: Build, advice_of: Build, hole_left: Build, least_by_trying: Build
) -> None:
    """Crowns that reach too near to a line or to water are those that stay."""
    trees = groves(6, [7, 7], [(14, 300), (300, 300)])
    water = shapely.box(285, 200, 290, 400)
    stand = shapely.box(0, 0, 2000, 2000).exterior

    def away(one: tuple[int, ...], name: str, other: Any) -> bool:  # noqa: ANN401 - a geometry
        hole = hole_left(trees, one, name, 0.0)
        return bool(shapely.is_empty(hole) or shapely.distance(hole, other) >= 8 - 1e-8)

    expected = {
        *least_by_trying(trees, trees.of("1"), lambda one: away(one, "1", stand)),
        *least_by_trying(trees, trees.of("2"), lambda one: away(one, "2", water)),
    }

    advice = advice_of(
        trees, {"boundary_distance_min": "8 m", "water_distance_min": "8 m"}, water=[water]
    )

    assert advice.spared == expected
    assert len(advice.spared) > 1
    assert advice.passes


def test_openings_left_apart_by_the_limit_itself_are_far_enough(
    groves: Build, advice_of: Build, hole_left: Build
) -> None:
    """Of a row of three crowns the middle one, spared, leaves just the limit: no more are."""
    spot = np.column_stack([[300.0, 310.0, 330.0], np.full(3, 300.0)])
    row = replace(groves(1, [3], [(300, 300)]), spot=spot, group=np.array(["1", "1", "2"]))
    row = replace(row, volume=np.array([1.0, 1.0, 5.0]))
    limit = shapely.distance(hole_left(row, [1], "1", 0.0), hole_left(row, (), "2", 0.0))

    advice = advice_of(row, {"opening_spacing_min": f"{limit} m"}, by="volume", project=SOLD)

    assert advice.spared == {1}
    assert advice.passes


def test_the_share_of_all_openings_is_mended_over_all_of_them(
    groves: Build, advice_of: Build, hole_left: Build, least_by_trying: Build
) -> None:
    """The trees that give back most, in whichever opening, bring the share inside its limit."""
    trees = groves(2, [6, 5], [(300, 300), (450, 300)])
    whole = sum(hole_left(trees, (), name, 0.0).area for name in ("1", "2"))
    share = whole * 0.7 / 4e6

    def fits(one: tuple[int, ...]) -> bool:
        left = sum(hole_left(trees, one, name, 0.0).area for name in ("1", "2"))
        return left <= share * 4e6 + 1e-9 * 4e6

    expected = least_by_trying(trees, range(11), fits)

    advice = advice_of(trees, {"openings_share_max": f"{share * 100:.15f} %"})

    assert tuple(sorted(advice.spared)) == expected
    assert advice.passes


def test_limits_that_hang_together_are_mended_at_once(
    groves: Build, advice_of: Build, hole_left: Build, least_by_trying: Build
) -> None:
    """A tree that mends two limits counts once: size and spacing are searched for together."""
    trees = groves(9, [6, 6], [(300, 300), (322, 300)])
    limit = max(hole_left(trees, (), name, 0.0).area for name in ("1", "2")) * 0.8

    def fits(one: tuple[int, ...]) -> bool:
        holes = [hole_left(trees, one, name, 0.0) for name in ("1", "2")]
        apart = any(map(shapely.is_empty, holes)) or shapely.distance(*holes) >= 12 - 1e-8
        return bool(apart and max(hole.area for hole in holes) <= limit + 1e-6)

    expected = least_by_trying(trees, range(12), fits)

    advice = advice_of(trees, {"opening_spacing_min": "12 m", "opening_area_max": f"{limit!r} m2"})

    assert tuple(sorted(advice.spared)) == expected
    assert advice.passes


def test_an_opening_is_not_mended_by_making_it_too_small(
    groves: Build, advice_of: Build, hole_left: Build, least_by_trying: Build
) -> None:
    """Where openings have a least area, sparing for the spacing keeps to it."""
    trees = groves(9, [6, 6], [(300, 300), (322, 300)])
    least = 110.0

    def fits(one: tuple[int, ...]) -> bool:
        holes = [hole_left(trees, one, name, 0.0) for name in ("1", "2")]
        apart = any(map(shapely.is_empty, holes)) or shapely.distance(*holes) >= 10 - 1e-8
        return bool(apart and min(hole.area for hole in holes) >= least - 1e-6)

    expected = least_by_trying(trees, range(12), fits)
    limits = {"opening_spacing_min": "10 m", "opening_area_min": f"{least} m2"}

    advice = advice_of(trees, limits)

    assert expected is not None
    assert tuple(sorted(advice.spared)) == expected
    assert advice.passes


def test_a_target_is_kept_where_another_choice_keeps_it(
    groves: Build, advice_of: Build, hole_left: Build, least_by_trying: Build
) -> None:
    """Of the sets that mend an opening, only those count that leave enough wood for the target."""
    trees = groves(12, [9], [(300, 300)])
    limit = hole_left(trees, (), "1", 0.0).area * 0.7
    free = advice_of(trees, {"opening_area_max": f"{limit!r} m2"})
    given = trees.volume[sorted(free.spared)].sum()
    target = trees.volume.sum() - given + 0.25

    def fits(one: tuple[int, ...]) -> bool:
        left = trees.volume.sum() - trees.volume[list(one)].sum()
        small = hole_left(trees, one, "1", 0.0).area <= limit + 1e-6
        return bool(small and left >= target - 1e-9)

    expected = least_by_trying(trees, range(9), fits)
    limits = {"opening_area_max": f"{limit!r} m2", "target": {"value": {"sawlog": f"{target} m3"}}}

    advice = advice_of(trees, limits)

    assert (expected is None) == (advice.broken == ("target",))
    assert tuple(sorted(advice.spared)) == (expected or tuple(sorted(free.spared)))


def test_openings_of_crowns_stay_openings(
    groves: Build, advice_of: Build, hole_left: Build, least_by_trying: Build
) -> None:
    """Falling apart or below the least number of trees is no way out: the area counts as before."""
    trees = groves(15, [9], [(300, 300)], wide=3)
    limit = hole_left(trees, (), "1", 0.0).area * 0.6
    expected = least_by_trying(
        trees, range(9), lambda one: hole_left(trees, one, "1", 0.0).area <= limit + 1e-6
    )
    loose = replace(trees, group=np.repeat([""], 9))
    project = {**SOLD, "openings": {"min_trees": 6, "min_area": "20 m2"}}

    advice = advice_of(loose, {"opening_area_max": f"{limit!r} m2"}, project=project)

    assert tuple(sorted(advice.spared)) == expected
    assert advice.passes


def test_pieces_of_an_opening_are_not_left_too_close_to_each_other(
    advice_of: Build, groves: Build
) -> None:
    """Sparing the middle of a row of crowns would make two openings too close: another set is."""
    trees = groves(1, [7], [(300, 300)])
    spot = np.column_stack([300 + 5.0 * np.arange(7), np.full(7, 300.0)])
    row = replace(trees, spot=spot, radius=np.full(7, 3.0), group=np.repeat([""], 7))
    row = replace(row, volume=np.array([2, 2, 2, 1, 2, 2, 2.0]))
    project = {**SOLD, "openings": {"min_trees": 3, "min_area": "20 m2"}}
    whole = shapely.union_all(row.discs).area
    limit = f"{whole * 0.87!r} m2"

    alone = advice_of(row, {"opening_area_max": limit}, project=project)
    advice = advice_of(
        row, {"opening_area_max": limit, "opening_spacing_min": "15 m"}, project=project
    )

    assert alone.spared == {3}
    assert advice.spared != alone.spared
    assert len(advice.spared) == 1
    assert advice.passes


def test_a_walked_outline_is_said_not_to_hang_on_trees(groves: Build, advice_of: Build) -> None:
    """The area of a walked opening is its outline: sparing trees in it changes nothing."""
    trees = groves(1, [5], [(300, 300)])
    walked = [{"geometry": shapely.box(280, 280, 320, 320), "group": "1"}]

    project = {"openings": {"edge": "standing_crowns"}}
    advice = advice_of(trees, {"opening_area_max": "1000 m2"}, walked=walked, project=project)

    assert not advice.spared
    (left,) = advice.unmended
    assert "outline" in left.reason


def test_nothing_exceeded_is_nothing_to_mend(groves: Build, advice_of: Build) -> None:
    """A layout inside its limits gets no advice."""
    advice = advice_of(groves(1, [5], [(300, 300)]), {"opening_area_max": "1 ha"})

    assert advice.exceeded.empty
    assert advice.leave_standing.empty
    assert advice.passes


def test_a_record_of_several_trees_counts_as_all_of_them(groves: Build, case_with: Build) -> None:
    """Fewest trees, not records: a clump of three is dearer than two single trees."""
    from glademark.advice.advise import advise  # noqa: PLC0415 - one test only
    from glademark.jobs.layout import installed_limits  # noqa: PLC0415 - the same
    from glademark.judge.limits import limits_asked  # noqa: PLC0415 - the same
    from glademark.measure.layout import measure_layout  # noqa: PLC0415 - the same
    from glademark.project.model import LimitSetting  # noqa: PLC0415 - the same

    spot = np.column_stack([300 + 8.0 * np.arange(5), np.full(5, 300.0)])
    trees = replace(
        groves(1, [5], [(300, 300)]), spot=spot, radius=np.array([3.0, 3.0, 4.0, 3.0, 3.0])
    )
    case = case_with(trees, project={"advise": {"groups": "free"}})
    marks = case.survey.marks.assign(count=[1, 1, 3, 1, 1])
    survey = replace(case.survey, marks=marks)
    layout = measure_layout(survey, case.project, earlier={})
    case = replace(case, survey=survey, layout=layout)
    limit = shapely.union_all(trees.discs).area - 40  # one large crown, or two small ones
    setting = {"opening_area_max": LimitSetting.model_validate(f"{limit!r} m2")}
    asked = limits_asked(setting, known=installed_limits())

    advice = advise(case, asked, by="trees", earlier={})

    smallest = min(
        sum(marks["count"].iloc[list(one)])
        for size in range(1, 6)
        for one in combinations(range(5), size)
        if shapely.difference(
            shapely.union_all(trees.discs), shapely.union_all(trees.discs[list(one)])
        ).area
        <= limit
    )
    assert int(marks["count"].iloc[sorted(advice.spared)].sum()) == smallest == 2
