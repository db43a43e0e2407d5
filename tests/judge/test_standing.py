"""Limits on the standing stock: by hand, and with the interval of the cruise."""

import math
from collections.abc import Callable, Mapping

import pandas as pd
import pytest
import shapely

from glademark.judge.limits import Case

HECTARE = shapely.box(0, 0, 100, 100)
CaseOf = Callable[..., Case]
HeldAgainst = Callable[[Case, Mapping[str, object]], pd.DataFrame]
ChecksOf = Callable[..., pd.DataFrame]


def cruise(*counts: int) -> dict[str, list[dict[str, object]]]:
    """Points of factor 2 m2/ha with so many trees each."""
    plots = [
        {"plot": str(i), "baf_m2_ha": 2.0, "geometry": shapely.Point()} for i in range(len(counts))
    ]
    trees = [
        {"plot": str(i), "dbh": 30.0, "dbh_cm": 30.0, "count": count, "geometry": None}
        for i, count in enumerate(counts)
        if count
    ]
    return {"plots": plots, "plot_trees": trees}


FOUR = cruise(9, 10, 10, 11)
"""18, 20, 20, 22 m2/ha: mean 20, standard error sqrt(8/3)/2, t(3, 0.975) = 3.18245: ± 2.5985."""


def cut(basal_area_m2: float, *, y: float = 50.0, **columns: object) -> dict[str, object]:
    """A record of a hundred cut trees with a basal area in all."""
    dbh_cm = math.sqrt(basal_area_m2 / 100 * 40_000 / math.pi)
    tree = {"geometry": shapely.Point(50, y), "dbh": dbh_cm, "dbh_cm": dbh_cm, "count": 100}
    return {**tree, **columns}


def strip(minimum_m2_ha: float, name: str = "brook") -> dict[str, object]:
    """A setback of a fifth of a hectare in which basal area has to stay."""
    return {
        "geometry": shapely.box(0, 0, 100, 20),
        "rule": "residual_basal_area",
        "name": name,
        "minimum_m2_ha": minimum_m2_ha,
    }


@pytest.mark.parametrize(
    ("most", "verdict"),
    [("30 %", "met"), ("28 %", "near"), ("25.1 %", "near"), ("24.9 %", "exceeded")],
)
def test_share_of_basal_area_with_its_interval(
    checks_of: ChecksOf, most: str, verdict: str
) -> None:
    """5 of 20 m2 are 25 %, between 5/22.60 = 22.1 % and 5/17.40 = 28.7 %."""
    checks = checks_of(HECTARE, {"removal_basal_area_share_max": most}, marks=[cut(5.0)], **FOUR)

    assert checks["measured"].tolist() == pytest.approx([0.25])
    assert checks["verdict"].tolist() == [verdict]
    said = checks["reason"].tolist() == ["the confidence interval spans the limit: 22.1 to 28.7 %"]
    assert said is (verdict == "near")


@pytest.mark.parametrize(
    ("least", "verdict"), [("12 m2/ha", "met"), ("13 m2/ha", "near"), ("15.1 m2/ha", "exceeded")]
)
def test_residual_basal_area_with_its_interval(
    checks_of: ChecksOf, least: str, verdict: str
) -> None:
    """Of 20 m2 a hectare 15 stay, between 12.40 and 17.60."""
    checks = checks_of(HECTARE, {"residual_basal_area_min": least}, marks=[cut(5.0)], **FOUR)

    assert checks["measured"].tolist() == pytest.approx([15.0])
    assert checks["verdict"].tolist() == [verdict]


def test_why_a_residual_is_near(checks_of: ChecksOf) -> None:
    """12.40 to 17.60 m2/ha are 95.4 to 135.4 % of a least of 13 m2/ha."""
    checks = checks_of(HECTARE, {"residual_basal_area_min": "13 m2/ha"}, marks=[cut(5.0)], **FOUR)

    assert checks["reason"].tolist() == [
        "the confidence interval spans the limit: 95.4 to 135.4 % of it"
    ]


def test_a_stock_that_may_be_nothing(checks_of: ChecksOf) -> None:
    """Two points of 10 and 30 m2/ha, ± 127: any share may be taken, and no limit is surely met."""
    checks = checks_of(
        HECTARE, {"removal_basal_area_share_max": "90 %"}, marks=[cut(5.0)], **cruise(5, 15)
    )

    assert checks["verdict"].tolist() == ["near"]
    # standard error 10, t(1, 0.975) = 12.7062: 5/(20 + 127.062) = 3.4 %
    assert checks["reason"].tolist() == ["the confidence interval spans the limit: from 3.4 % up"]


def test_nothing_taken_is_surely_within_the_limit(checks_of: ChecksOf) -> None:
    """Whatever stands, none of it is taken."""
    leave = cut(5.0, kind="leave")
    checks = checks_of(
        HECTARE, {"removal_basal_area_share_max": "90 %"}, marks=[leave], **cruise(5, 15)
    )

    assert checks["verdict"].tolist() == ["met"]


@pytest.mark.parametrize(
    "limits", [{"removal_basal_area_share_max": "90 %"}, {"residual_basal_area_min": "1 m2/ha"}]
)
def test_one_plot_meets_no_limit(checks_of: ChecksOf, limits: Mapping[str, str]) -> None:
    """With a single plot the error is not known, and the limit is near at best."""
    checks = checks_of(HECTARE, limits, marks=[cut(5.0)], **cruise(10))

    assert checks["verdict"].tolist() == ["near"]
    assert checks["reason"].tolist() == ["a single plot gives no confidence interval"]


def test_a_share_of_nothing_is_not_checked(checks_of: ChecksOf) -> None:
    """Where the cruise found no trees there is nothing to take a share of."""
    checks = checks_of(
        HECTARE, {"removal_basal_area_share_max": "90 %"}, marks=[cut(5.0)], **cruise(0, 0)
    )

    assert checks["verdict"].tolist() == ["not_checked"]
    assert checks["reason"].tolist() == ["the standing stock is zero"]


SAWLOGS = {"volume": {"products": {"sawlog": {"unit": "board foot", "rule": "doyle"}}}}


STOCK = {
    **SAWLOGS,
    "allowance": {"standing": {"sawlog": "9 MBF", "basal_area": "20 m2/ha"}},
}


def sawlogs(board_feet: float) -> dict[str, object]:
    """Marks of 5 m2 basal area with so many board feet."""
    return cut(5.0, product="sawlog", volume=board_feet, volume_unit="board foot")


def test_each_product_is_held_against_the_share_removed(checks_of: ChecksOf) -> None:
    """Basal area 25 % is met; 3,600 of 9,000 board feet are 40 %, which it does not cover."""
    checks = checks_of(HECTARE, {"removal_share_max": "35 %"}, marks=[sawlogs(3600)], project=STOCK)

    assert checks["subject"].tolist() == [
        "share of the standing basal area removed",
        "share of the standing sawlog removed",
    ]
    assert checks["measured"].tolist() == pytest.approx([0.25, 0.4])
    assert checks["verdict"].tolist() == ["met", "exceeded"]


def test_a_limit_on_basal_area_stands_for_that_row_of_the_share(
    case_of: CaseOf, held_against: HeldAgainst
) -> None:
    """Where basal area has a limit of its own, it is not held against the other one as well."""
    limits = {"removal_share_max": "35 %", "removal_basal_area_share_max": "20 %"}
    case = case_of(HECTARE, marks=[sawlogs(900)], project={**STOCK, "limits": limits})
    checks = held_against(case, limits)

    assert checks["feature"].tolist() == ["sawlog", "basal_area"]
    assert checks["measured"].tolist() == pytest.approx([0.1, 0.25])
    assert checks["verdict"].tolist() == ["met", "exceeded"]


def test_a_product_whose_stock_is_not_known_is_not_checked(checks_of: ChecksOf) -> None:
    """With only basal area standing, what share of the board feet goes is not known, and said."""
    project = {**SAWLOGS, "allowance": {"standing": {"basal_area": "20 m2/ha"}}}
    checks = checks_of(
        HECTARE, {"removal_share_max": "35 %"}, marks=[sawlogs(900)], project=project
    )

    assert checks["verdict"].tolist() == ["met", "not_checked"]
    assert checks["subject"].iloc[1] == "share of the standing sawlog removed"


def test_board_feet_alone_say_nothing_of_basal_area(checks_of: ChecksOf) -> None:
    """A stock of board feet is judged; what basal area stands is asked for."""
    project = {**SAWLOGS, "allowance": {"standing": {"sawlog": "9 MBF"}}}
    checks = checks_of(
        HECTARE, {"removal_share_max": "35 %"}, marks=[sawlogs(900)], project=project
    )

    assert checks["verdict"].tolist() == ["not_checked", "met"]
    assert "basal_area under [allowance] standing" in checks["reason"].iloc[0]


@pytest.mark.parametrize(
    ("minimum", "verdict"), [(12.0, "met"), (14.0, "near"), (15.1, "exceeded")]
)
def test_basal_area_left_in_a_setback(checks_of: ChecksOf, minimum: float, verdict: str) -> None:
    """1 m2 cut on 0.2 ha takes 5 of 20 m2/ha: 15 are left, between 12.40 and 17.60."""
    checks = checks_of(
        HECTARE, {}, setbacks=[strip(minimum)], marks=[cut(1.0, y=10.0), cut(3.0, y=50.0)], **FOUR
    )

    assert checks["limit"].tolist() == ["setback"]
    assert checks["subject"].tolist() == ["residual basal area in setback brook"]
    assert checks["measured"].tolist() == pytest.approx([15.0])
    assert checks["limit_value"].tolist() == [minimum]
    assert checks["verdict"].tolist() == [verdict]


def test_leave_and_line_trees_stay_in_a_setback(checks_of: ChecksOf) -> None:
    """What is not cut is left."""
    marks = [cut(1.0, y=10.0, kind=kind) for kind in ("leave", "line_tree", "danger")]
    checks = checks_of(HECTARE, {}, setbacks=[strip(14.0)], marks=marks, **FOUR)

    assert checks["measured"].tolist() == pytest.approx([20.0])


@pytest.mark.parametrize("stock", [FOUR, {}])
def test_a_name_with_braces_is_only_a_name(
    checks_of: ChecksOf, stock: Mapping[str, object]
) -> None:
    """Whatever a setback is called, with a stock or without."""
    checks = checks_of(HECTARE, {}, setbacks=[strip(14.0, "{brook} {")], marks=[cut(1.0)], **stock)

    assert checks["subject"].tolist() == ["residual basal area in setback {brook} {"]


def test_a_given_stock_has_no_interval(case_of: CaseOf, held_against: HeldAgainst) -> None:
    """With a stock that is given, near means within 5 % of the limit, as everywhere."""
    case = case_of(
        HECTARE,
        project={"allowance": {"standing": {"basal_area": "20 m2/ha"}}},
        marks=[cut(5.0)],
    )
    verdicts = [
        held_against(case, {"removal_basal_area_share_max": most})["verdict"].iloc[0]
        for most in ("27 %", "26 %", "24 %")
    ]

    assert verdicts == ["met", "near", "exceeded"]
