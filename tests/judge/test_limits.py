"""Limits held against layouts: what is measured, the margin, the verdict, by hand."""

import math
from collections.abc import Callable, Mapping

import numpy as np
import pandas as pd
import pytest
import shapely

from glademark.contracts.result_tables import CHECKS
from glademark.errors import InputError
from glademark.jobs.layout import installed_limits
from glademark.judge.limits import Case, limits_asked, number, rows_of, verdicts
from glademark.project.model import LimitSetting

ChecksOf = Callable[..., pd.DataFrame]
CaseOf = Callable[..., Case]
Rows = list[dict[str, object]]
MarksAt = Callable[..., Rows]
STAND = shapely.box(0, 0, 400, 250)  # 10 ha
ACRE_M2 = 43_560 * 0.3048**2
FOOT_M = 0.3048


def verdict_of(checks: pd.DataFrame) -> list[str]:
    """Verdicts in order."""
    return [str(verdict) for verdict in checks["verdict"]]


def square(side: float, west: float = 100.0, south: float = 100.0) -> shapely.Polygon:
    """Walked square."""
    return shapely.box(west, south, west + side, south + side)


def test_largest_opening(checks_of: ChecksOf) -> None:
    """
    Against 0.5 acre (2,023.43 m2) one can be met, near within 5 % of it, and beyond.

    Squares of 40 m, 44 m, 44.98 m and 45 m: 1,600, 1,936, 2,023.2 and 2,025 m2.
    """
    sides = [40.0, 44.0, 44.98, 45.0]
    squares = [square(side, 60.0 * i) for i, side in enumerate(sides)]
    checks = checks_of(STAND, {"opening_area_max": "0.5 acre"}, walked=squares)

    assert verdict_of(checks) == ["met", "near", "near", "exceeded"]
    assert checks["measured"].tolist() == pytest.approx([side**2 for side in sides])
    assert checks["limit_value"].tolist() == pytest.approx([0.5 * ACRE_M2] * 4)
    assert checks["margin"].tolist() == pytest.approx([0.5 * ACRE_M2 - s**2 for s in sides])
    assert checks["feature"].tolist() == ["1", "2", "3", "4"]
    assert set(checks["layer"] + checks["unit"]) == {"openingsm2"}


def test_least_opening(checks_of: ChecksOf) -> None:
    """Against 0.1 acre (404.69 m2): 361 m2 is too small, 416 m2 near it, 900 m2 large enough."""
    sides = [19.0, 20.4, 30.0]
    squares = [square(side, 60.0 * i) for i, side in enumerate(sides)]
    checks = checks_of(STAND, {"opening_area_min": "0.1 acre"}, walked=squares)

    assert verdict_of(checks) == ["exceeded", "near", "met"]
    assert checks["margin"].tolist() == pytest.approx([s**2 - 0.1 * ACRE_M2 for s in sides])


def two_on_a_corridor(gap: float) -> dict[str, object]:
    """Two walked squares of 40 m side on a 4 m corridor, a gap apart."""
    return {
        "walked": [square(40, 100, 80), square(40, 140 + gap, 80)],
        "corridors": [shapely.LineString([(0, 100), (400, 100)])],
    }


def test_combined_area(case_of: CaseOf, held_against: ChecksOf) -> None:
    """Half an acre combined: 3,256 m2 is over it, 1,632 m2 twice is not."""
    limits = {"combined_area_max": "0.5 acre"}
    near = held_against(case_of(STAND, **two_on_a_corridor(6)), limits)
    apart = held_against(case_of(STAND, **two_on_a_corridor(30)), limits)

    assert verdict_of(near) == ["exceeded"]
    assert near["measured"].tolist() == pytest.approx([3256])
    assert near["feature"].tolist() == ["1, 2"]
    assert verdict_of(apart) == ["met", "met"]
    assert apart["measured"].tolist() == pytest.approx([1632, 1632])


def test_the_size_limit_looks_at_combined_openings_where_asked(checks_of: ChecksOf) -> None:
    """With measure = combined the size limit is held against the combined area."""
    given = two_on_a_corridor(6)
    limits = {"opening_area_max": "0.5 acre"}
    single = checks_of(STAND, limits, **given)
    combined = checks_of(STAND, limits, project={"openings": {"measure": "combined"}}, **given)

    assert single["measured"].tolist() == pytest.approx([1600, 1600])
    assert combined["measured"].tolist() == pytest.approx([3256])
    assert combined["limit"].tolist() == ["opening_area_max"]


def test_spacing_lists_pairs_too_close_or_near_and_the_nearest(checks_of: ChecksOf) -> None:
    """
    Against 100 ft (30.48 m) with 4 m position error: 20 m is too close, 33 m near, 80 m met.

    Four squares in a row, 20 m, 33 m and 80 m apart: three pairs, each named once.
    """
    west = np.cumsum([10, 20 + 20, 20 + 33, 20 + 80])
    checks = checks_of(
        STAND,
        {"opening_spacing_min": "100 ft"},
        walked=[square(20, float(x)) for x in west],
    )

    assert checks["feature"].tolist() == ["1, 2", "2, 3", "3, 4"]
    assert checks["measured"].tolist() == pytest.approx([20, 33, 80])
    assert verdict_of(checks) == ["exceeded", "near", "met"]
    assert checks["margin"].tolist() == pytest.approx([d - 100 * FOOT_M for d in (20, 33, 80)])
    assert "position error of 4 m" in checks["reason"].iloc[1]


def test_spacing_names_every_pair_that_is_too_close(checks_of: ChecksOf) -> None:
    """Three squares close to each other are three pairs, not only each one's nearest."""
    checks = checks_of(
        STAND,
        {"opening_spacing_min": "50 m"},
        walked=[square(10, 100), square(10, 120), square(10, 145)],
    )

    assert checks["feature"].tolist() == ["1, 2", "1, 3", "2, 3"]
    assert verdict_of(checks) == ["exceeded"] * 3


def crowns(marks_at: MarksAt, x: float, group: str, *errors: float) -> Rows:
    """Marks of one group on one spot, crowns of 3 m, each with a position error of its own."""
    return [
        row for error in errors for row in marks_at((x, 100), group=group, position_error_m=error)
    ]


def test_spacing_is_near_by_the_error_of_the_trees_themselves(
    checks_of: ChecksOf, marks_at: MarksAt
) -> None:
    """33 m against 30: near where a tree errs by 5 m, met where all err by 2, whatever is usual."""
    marks = [
        *crowns(marks_at, 50, "1", 2.0, 5.0),
        *crowns(marks_at, 50 + 39, "2", 2.0),
        *crowns(marks_at, 50 + 2 * 39, "3", 2.0),
    ]
    checks = checks_of(STAND, {"opening_spacing_min": "30 m"}, marks=marks)

    assert checks["feature"].tolist() == ["1, 2", "2, 3"]
    assert verdict_of(checks) == ["near", "met"]
    assert "position error of 5 m" in checks["reason"].iloc[0]


def test_a_boundary_is_near_by_the_error_of_the_trees_themselves(
    checks_of: ChecksOf, marks_at: MarksAt
) -> None:
    """Two openings 20 m from the line, against 17 m: near with 5 m of error, met with 1 m."""
    marks = [
        row
        for x, error in ((100, 5.0), (300, 1.0))
        for row in marks_at((x, 23), group=str(x), position_error_m=error)
    ]
    checks = checks_of(STAND, {"boundary_distance_min": "17 m"}, marks=marks)

    assert verdict_of(checks) == ["near", "met"]


def bow_tie(marks_at: MarksAt) -> Rows:
    """Corners of a square of 20 m out of order: the outline crosses itself in its middle."""
    corners = [(100, 100), (120, 120), (120, 100), (100, 120)]
    return [
        row
        for order, corner in enumerate(corners)
        for row in marks_at(corner, kind="group_boundary", group="5", order=float(order))
    ]


def test_an_outline_that_crosses_itself_is_held_against_no_limit(
    checks_of: ChecksOf, marks_at: MarksAt
) -> None:
    """Nobody knows what was walked: size and distances are not checked, and the place is said."""
    limits = {
        "opening_area_max": "150 m2",
        "combined_area_max": "150 m2",
        "opening_spacing_min": "200 m",
        "boundary_distance_min": "150 m",
        "openings_share_max": "0.1 %",
    }
    checks = checks_of(STAND, limits, marks=bow_tie(marks_at), walked=[square(5, 300)])
    mine = checks[checks["feature"].isin(["5", "1, 5"])]

    assert mine["limit"].tolist() == [*limits][:4]
    assert set(verdict_of(mine)) == {"not_checked"}
    assert mine["reason"].str.contains("crosses itself at E 110.0, N 110.0").all()
    assert checks["verdict"].iloc[-1] == "not_checked"
    assert "the area of 1 of 2 openings is not known" in checks["reason"].iloc[-1]


def test_a_share_that_the_known_openings_pass_is_exceeded(
    checks_of: ChecksOf, marks_at: MarksAt
) -> None:
    """400 m2 are 0.4 % of 10 ha, beyond 0.3 % whatever the outline that crosses itself takes."""
    limits = {"openings_share_max": "0.3 %"}
    checks = checks_of(STAND, limits, marks=bow_tie(marks_at), walked=[square(20, 300)])

    assert verdict_of(checks) == ["exceeded"]
    assert checks["measured"].tolist() == pytest.approx([0.004])
    assert checks["reason"].iloc[0].startswith("at least: ")


def test_share_in_openings(case_of: CaseOf, held_against: ChecksOf) -> None:
    """1,600 m2 of 10 ha is 1.6 % of the stand."""
    case = case_of(STAND, project={"openings": {"edge": None}}, walked=[square(40)])
    for most, verdict in (("2 %", "met"), ("1.65 %", "near"), ("1.5 %", "exceeded")):
        checks = held_against(case, {"openings_share_max": most})

        assert checks["measured"].tolist() == pytest.approx([0.016])
        assert verdict_of(checks) == [verdict]


def test_share_in_corridors_alone_and_with_landings(checks_of: ChecksOf) -> None:
    """1,600 m2 of corridor is 1.6 %; with a landing of 1,000 m2 clear of it, 2.6 %: two limits."""
    checks = checks_of(
        STAND,
        {"corridor_share_max": "2 %", "corridors_and_landings_share_max": "2 %"},
        corridors=[shapely.LineString([(0, 200), (400, 200)])],
        landings=[shapely.box(0, 0, 50, 20)],
    )

    assert checks["measured"].tolist() == pytest.approx([0.016, 0.026])
    assert verdict_of(checks) == ["met", "exceeded"]


def test_density_of_corridors(case_of: CaseOf, held_against: ChecksOf) -> None:
    """400 m on 10 ha are 40 m/ha, which is 40 / 0.3048 x 0.40468564224 = 53.1 ft/acre."""
    case = case_of(STAND, corridors=[shapely.LineString([(0, 200), (400, 200)])])
    limits = {"50 m/ha": "met", "41 m/ha": "near", "53 ft/acre": "exceeded", "53.2 ft/acre": "near"}
    for most, verdict in limits.items():
        checks = held_against(case, {"corridor_density_max": most})

        assert checks["measured"].tolist() == pytest.approx([40])
        assert verdict_of(checks) == [verdict]


def test_width_of_each_corridor(checks_of: ChecksOf) -> None:
    """Against 14 ft (4.2672 m): 4 m is met, 4.2 m near, 4.2672 m just within, 5 m beyond."""
    widths = [4.0, 4.2, 4.2672, 5.0]
    lines = [
        {"geometry": shapely.LineString([(0, y), (400, y)]), "width_m": width}
        for y, width in zip((40, 80, 120, 160), widths, strict=True)
    ]
    checks = checks_of(STAND, {"corridor_width_max": "14 ft"}, corridors=lines)

    assert checks["measured"].tolist() == pytest.approx(widths)
    assert verdict_of(checks) == ["met", "near", "near", "exceeded"]


def test_spacing_of_neighbouring_corridors(case_of: CaseOf, held_against: ChecksOf) -> None:
    """Five lanes of 400 m, 50 m apart: four pairs of neighbours, each 50 m."""
    lines = [shapely.LineString([(0, y), (400, y)]) for y in (25, 75, 125, 175, 225)]
    case = case_of(STAND, corridors=lines)
    for least, verdict in (("40 m", "met"), ("49 m", "near"), ("51 m", "exceeded")):
        checks = held_against(case, {"corridor_spacing_min": least})

        assert checks["feature"].tolist() == ["1, 2", "2, 3", "3, 4", "4, 5"]
        assert checks["measured"].tolist() == pytest.approx([50] * 4)
        assert verdict_of(checks) == [verdict] * 4


def test_two_lanes_too_close_are_not_lost_among_the_others(checks_of: ChecksOf) -> None:
    """Lanes 8 m apart break a limit of 20 m, though stand area over length is 83 m."""
    lines = [shapely.LineString([(0, y), (400, y)]) for y in (100, 108, 200)]
    checks = checks_of(STAND, {"corridor_spacing_min": "20 m"}, corridors=lines)

    assert checks["measured"].tolist() == pytest.approx([8, 92])
    assert verdict_of(checks) == ["exceeded", "met"]
    assert checks["reason"].iloc[0] == "median; the least single distance is 8.0 m"


def test_a_single_lane_has_no_spacing(checks_of: ChecksOf) -> None:
    """One lane, or two that cross at right angles, lie beside no other."""
    lines = [shapely.LineString([(0, 100), (400, 100)]), shapely.LineString([(200, 0), (200, 250)])]
    checks = checks_of(STAND, {"corridor_spacing_min": "20 m"}, corridors=lines)

    assert verdict_of(checks) == ["not_checked"]
    assert "no two corridors run side by side" in checks["reason"].iloc[0]


def test_distance_to_the_boundary(case_of: CaseOf, held_against: ChecksOf) -> None:
    """An opening 20 m from the line is near 17 m, within its 4 m position error."""
    case = case_of(STAND, walked=[square(20, 20, 100)])
    for least, verdict in (("10 m", "met"), ("17 m", "near"), ("21 m", "exceeded")):
        checks = held_against(case, {"boundary_distance_min": least})

        assert checks["measured"].tolist() == pytest.approx([20])
        assert verdict_of(checks) == [verdict]


def test_distance_to_water(case_of: CaseOf, held_against: ChecksOf) -> None:
    """An opening 25 m from the bank: 75 ft are 22.86 m, within 4 m of it."""
    bank = shapely.box(0, 0, 400, 30)
    case = case_of(STAND, walked=[square(20, 100, 55)], water=[bank])
    for least, verdict in (("50 ft", "met"), ("75 ft", "near"), ("100 ft", "exceeded")):
        checks = held_against(case, {"water_distance_min": least})

        assert checks["measured"].tolist() == pytest.approx([25])
        assert verdict_of(checks) == [verdict]


def test_distance_to_water_without_water_is_not_checked(checks_of: ChecksOf) -> None:
    """Without water nothing can be said of the distance to it: not met, not checked."""
    checks = checks_of(STAND, {"water_distance_min": "75 ft"}, walked=[square(20)])

    assert verdict_of(checks) == ["not_checked"]
    assert checks["reason"].tolist() == ["no water is given; add it under [inputs] water"]


def test_largest_diameter(case_of: CaseOf, held_against: ChecksOf, marks_at: MarksAt) -> None:
    """A tree of 31.0 in is allowed by 31 in, near 32 in, and named where 30.9 in is the limit."""
    marks = [
        *marks_at((50, 50), tree_id="A7", dbh=31.0, dbh_unit="in", dbh_cm=31.0 * 2.54),
        *marks_at((60, 50), tree_id="A8", dbh=10.0, dbh_unit="in", dbh_cm=25.4),
    ]
    case = case_of(STAND, marks=marks)
    verdicts = {"40 in": "met", "32 in": "near", "31 in": "near", "30.9 in": "exceeded"}
    for most, verdict in verdicts.items():
        checks = held_against(case, {"dbh_max": most})

        assert verdict_of(checks) == [verdict]
        assert checks["measured"].tolist() == pytest.approx([31 * 2.54])
        assert checks["feature"].tolist() == ["A7" if verdict == "exceeded" else ""]


def test_largest_diameter_looks_at_what_is_cut(checks_of: ChecksOf, marks_at: MarksAt) -> None:
    """A large leave tree breaks no limit; a large line tree does once it is confirmed to be cut."""
    marks = [
        *marks_at((50, 50), dbh_cm=90.0, kind="leave"),
        *marks_at((60, 50), dbh_cm=85.0, kind="line_tree", tree_id="L1"),
        *marks_at((70, 50), dbh_cm=40.0),
    ]
    limits = {"dbh_max": "80 cm"}
    before = checks_of(STAND, limits, marks=marks)
    after = checks_of(STAND, limits, project={"marks": {"line_trees_confirmed": True}}, marks=marks)

    assert before["measured"].tolist() == pytest.approx([40])
    assert after["measured"].tolist() == pytest.approx([85])
    assert after["feature"].tolist() == ["L1"]


def test_many_large_trees_are_counted_beyond_the_first_twenty(
    checks_of: ChecksOf, marks_at: MarksAt
) -> None:
    """Twenty trees are named and the rest are counted."""
    marks = [row for i in range(23) for row in marks_at((50, 50), tree_id=f"T{i}", dbh_cm=90.0)]
    feature = checks_of(STAND, {"dbh_max": "80 cm"}, marks=marks)["feature"].iloc[0]

    assert feature.endswith("T19 and 3 more")


SOLD = {
    "volume": {
        "products": {
            "sawlog": {"unit": "board foot", "rule": "international-1/4"},
            "pulpwood": {"unit": "cord"},
        }
    }
}


def sold(marks_at: MarksAt) -> Rows:
    """Marks with 40,000 board feet and 60 cords recorded."""
    return [
        *marks_at((50, 50), product="sawlog", volume=40.0, volume_unit="MBF", count=99),
        *marks_at((60, 50), product="pulpwood", volume=60.0, volume_unit="cord", count=300),
    ]


def test_target_volumes(checks_of: ChecksOf, marks_at: MarksAt) -> None:
    """40,000 board feet miss a target of 45 MBF by 5; 60 cords just reach 60."""
    checks = checks_of(
        STAND,
        {"target": {"Sawlog": "45 MBF", "pulpwood": "60 cord"}},
        project=SOLD,
        marks=sold(marks_at),
    )

    assert checks["measured"].tolist() == pytest.approx([40, 60])
    assert checks["margin"].tolist() == pytest.approx([-5, 0])
    assert checks["unit"].tolist() == ["MBF", "cord"]
    assert verdict_of(checks) == ["exceeded", "near"]


def test_a_target_that_cannot_be_compared_is_not_checked(
    case_of: CaseOf, held_against: ChecksOf, marks_at: MarksAt
) -> None:
    """A target for a product that is not there, or in another kind of unit, says so."""
    case = case_of(STAND, project=SOLD, marks=sold(marks_at))
    checks = held_against(case, {"target": {"veneer": "1 MBF", "sawlog": "10 m3"}})

    assert verdict_of(checks) == ["not_checked"] * 2
    assert checks["reason"].tolist() == [
        "no tree of that product is marked",
        "the product is sold by the board foot, the target is in m3",
    ]


def test_limits_on_the_standing_stock_wait_for_a_cruise(
    checks_of: ChecksOf, marks_at: MarksAt
) -> None:
    """Without a cruise or a given stock, what share is taken is not known."""
    limits = {
        "removal_share_max": "35 %",
        "removal_basal_area_share_max": "35 %",
        "residual_basal_area_min": "60 ft2/acre",
    }
    checks = checks_of(STAND, limits, marks=marks_at((50, 50)))

    assert verdict_of(checks) == ["not_checked"] * 3
    assert checks["reason"].str.contains("the standing stock is not known").all()


GIVEN_STOCK = {
    "volume": {"products": {"sawlog": {"unit": "m3"}}},
    "allowance": {"standing": {"solid_volume": "100 m3"}},
}


def test_share_of_a_given_standing_volume(
    case_of: CaseOf, held_against: ChecksOf, marks_at: MarksAt
) -> None:
    """25 m3 marked of 100 m3 standing is a quarter."""
    marks = marks_at((50, 50), product="sawlog", volume=25.0, volume_unit="m3", count=20)
    case = case_of(STAND, project=GIVEN_STOCK, marks=marks)
    for most, verdict in (("30 %", "met"), ("26 %", "near"), ("24 %", "exceeded")):
        checks = held_against(case, {"removal_share_max": most})

        assert checks["measured"].tolist() == pytest.approx([math.nan, 0.25], nan_ok=True)
        assert verdict_of(checks) == ["not_checked", verdict]
        assert "the standing basal area is not known" in checks["reason"].iloc[0]


NOTHING = {
    "opening_area_max": "1 acre",
    "opening_area_min": "0.1 acre",
    "combined_area_max": "1 acre",
    "opening_spacing_min": "100 ft",
    "boundary_distance_min": "50 ft",
    "corridor_width_max": "14 ft",
    "corridor_spacing_min": "60 ft",
    "dbh_max": "30 in",
}


def test_with_nothing_laid_out_nothing_is_met(checks_of: ChecksOf) -> None:
    """A limit that has nothing to look at is not checked, with one row that says so."""
    checks = checks_of(STAND, NOTHING)

    assert checks["limit"].tolist() == list(NOTHING)
    assert set(verdict_of(checks)) == {"not_checked"}
    assert (checks["reason"] != "").all()
    assert checks["limit_value"].notna().all()


def test_rows_carry_authority_and_source(checks_of: ChecksOf) -> None:
    """Where a limit stands written, and by whose authority, is on each of its rows."""
    setting = {"value": "0.5 acre", "authority": "law", "source": "invented act, section 4"}
    checks = checks_of(STAND, {"opening_area_max": setting}, walked=[square(20), square(20, 200)])

    assert tuple(checks.columns) == CHECKS.names
    assert checks["authority"].tolist() == ["law", "law"]
    assert checks["source"].tolist() == ["invented act, section 4"] * 2


def test_limits_come_in_the_order_of_the_project_file(checks_of: ChecksOf) -> None:
    """The reader finds the limits as they were written."""
    limits = {"openings_share_max": "5 %", "corridor_share_max": "12 %", "dbh_max": "30 in"}
    checks = checks_of(STAND, limits)

    assert checks["limit"].tolist() == list(limits)


def test_every_limit_that_is_installed_can_be_asked(checks_of: ChecksOf, marks_at: MarksAt) -> None:
    """Each installed limit takes a value of its kind and gives the columns of a check."""
    values: Mapping[str, object] = {
        "area": "1 acre",
        "length": "50 ft",
        "share": "10 %",
        "diameter": "30 in",
        "basal_area": "60 ft2/acre",
        "density": "100 m/ha",
        "amounts": {"sawlog": "1 MBF"},
        "grade": "20 %",
        "count": "2",
        "heights": "2 tree heights",
        "trees": "5 per acre",
        "species": {"value": "10 %", "species": "red oak"},
    }
    known = installed_limits()
    limits = {name: values[limit.kind] for name, limit in known.items()}
    checks = checks_of(STAND, limits, project=SOLD, marks=sold(marks_at), **two_on_a_corridor(30))

    assert set(limits) <= set(checks["limit"])
    assert set(verdict_of(checks)) <= {"met", "near", "exceeded", "not_checked"}
    assert checks.loc[checks["verdict"] == "not_checked", "reason"].ne("").all()


def test_the_limits_of_the_trade_are_installed() -> None:
    """Every limit that the project file documents is there, under its own id."""
    ids = {
        "opening_area_max", "opening_area_min", "opening_width_heights_max",
        "opening_width_heights_min", "combined_area_max", "opening_spacing_min",
        "openings_share_max", "corridor_share_max", "corridor_width_max", "corridor_spacing_min",
        "corridors_and_landings_share_max", "corridor_density_max",
        "boundary_distance_min", "water_distance_min", "removal_share_max",
        "removal_basal_area_share_max", "residual_basal_area_min", "dbh_max", "target",
    }  # fmt: skip
    known = installed_limits()

    assert ids <= set(known)
    assert all(name == limit.id and limit.title for name, limit in known.items())


@pytest.mark.parametrize(
    ("limits", "message"),
    [
        ({"opening_size": "1 acre"}, r"\[limits\] opening_size: no such limit; expected one of"),
        ({"opening_area_max": "1 ft"}, r"opening_area_max: '1 ft' has the unit 'ft'; expected"),
        ({"opening_area_max": "1"}, r"opening_area_max: '1' has no unit; expected one of m2"),
        ({"opening_spacing_min": "1 acre"}, r"'1 acre' has the unit 'acre'; expected one of m,"),
        ({"corridor_share_max": "12"}, r"corridor_share_max: '12' has no per cent sign"),
        ({"corridor_share_max": "120 %"}, r"'120 %' is outside 0 to 100 %"),
        ({"residual_basal_area_min": "60 ft2"}, r"'60 ft2' has the unit 'ft2'; expected one of"),
        ({"target": "45 MBF"}, r"target: '45 MBF' names no product; expected one amount per"),
        ({"dbh_max": {"sawlog": "30 in"}}, r"dbh_max: .* is a table; expected one quantity"),
        ({"dbh_max": "large"}, r"dbh_max: 'large' is no quantity; expected a number"),
    ],
)
def test_a_limit_that_makes_no_sense_is_refused(limits: Mapping[str, object], message: str) -> None:
    """A limit that is unknown, or whose value is of another kind, stops the work before it."""
    settings = {name: LimitSetting.model_validate(value) for name, value in limits.items()}

    with pytest.raises(InputError, match=message):
        limits_asked(settings, known=installed_limits())


def test_all_faults_of_the_limits_are_told_at_once() -> None:
    """Who mends a project file wants to hear of every fault."""
    settings = {
        name: LimitSetting.model_validate("1 acre")
        for name in ("opening_size", "dbh_max", "opening_area_max")
    }

    with pytest.raises(InputError, match="no such limit") as refused:
        limits_asked(settings, known=installed_limits())
    assert len(refused.value.faults) == 2


def test_a_limit_of_one_number_takes_no_amounts() -> None:
    """Amounts per product are no single number."""
    with pytest.raises(TypeError, match="expected one number, got amounts for sawlog"):
        number({"sawlog": (1.0, "MBF")})


@pytest.mark.parametrize(
    ("measured", "sense", "margin", "verdict"),
    [
        (100.0 + 1e-8, "max", 0.0, "near"),
        (100.001, "max", -0.001, "exceeded"),
        (95.0, "max", 5.0, "near"),
        (94.999, "max", 5.001, "met"),
        (100.0, "min", 0.0, "near"),
        (99.999, "min", -0.001, "exceeded"),
        (105.001, "min", 5.001, "met"),
        (math.nan, "max", math.nan, "not_checked"),
    ],
)
def test_verdicts_about_a_limit_of_a_hundred(
    measured: float, sense: str, margin: float, verdict: str
) -> None:
    """Beyond a limit is exceeded, within 5 % inside it near, else met; rounding is no breach."""
    rows = rows_of("stand", ["all"], [measured], subject="something")
    found = verdicts(rows, limit=100.0, sense="max" if sense == "max" else "min", unit="m")

    assert found["verdict"].tolist() == [verdict]
    assert found["margin"].tolist() == pytest.approx([margin], abs=1e-6, nan_ok=True)


@pytest.mark.parametrize(
    ("edge", "verdict"), [(None, "near"), ("standing_crowns", "met"), ("boles", "exceeded")]
)
def test_an_area_that_another_edge_would_exceed_is_near(
    checks_of: ChecksOf, edge: str | None, verdict: str
) -> None:
    """A square of 40 m along crowns of 3 m is one of 46 m along boles: 0.40 and 0.52 acre."""
    checks = checks_of(
        STAND,
        {"opening_area_max": "0.5 acre"},
        project={"openings": {"edge": edge}},
        walked=[square(40)],
    )

    assert verdict_of(checks) == [verdict]
    assert ("boles" in checks["reason"].iloc[0]) == (verdict == "near")


def test_an_area_that_is_the_limit_at_another_edge_is_met(
    case_of: CaseOf, held_against: ChecksOf
) -> None:
    """What is just the limit along boles exceeds it at no edge."""
    case = case_of(STAND, project={"openings": {"edge": None}}, walked=[square(40)])
    limit = case.layout.openings["area_boles_m2"].iloc[0]

    assert verdict_of(held_against(case, {"opening_area_max": f"{limit} m2"})) == ["met"]
