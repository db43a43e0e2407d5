"""Limits over sums that leave out trees: what is certain is said, anything else is not checked."""

from collections.abc import Callable, Mapping
from typing import Any

import pandas as pd
import pytest
import shapely

ChecksOf = Callable[..., pd.DataFrame]
HECTARE = shapely.box(0, 0, 100, 100)
HERE = shapely.Point(50, 50)


def bolts(count: int, each_m3: float | None) -> dict[str, object]:
    """A record of bolts with a volume a tree, or with none."""
    known = {} if each_m3 is None else {"volume": count * each_m3, "volume_unit": "m3"}
    return {"geometry": HERE, "product": "bolts", "count": count, **known}


def stems(count: int, dbh_cm: float) -> dict[str, object]:
    """A record of trees with a diameter, NaN for none."""
    return {"geometry": HERE, "count": count, "dbh": dbh_cm, "dbh_cm": dbh_cm}


PRODUCTS: Mapping[str, Any] = {"volume": {"products": {"bolts": {"unit": "m3"}}}}
SIX, FOUR, NONE = bolts(6, 1.0), bolts(4, 0.5), bolts(5, None)


@pytest.mark.parametrize(
    ("marks", "target", "verdict", "reason"),
    [
        ([SIX], "5 m3", "met", ""),
        ([SIX, NONE], "5 m3", "met", "at least: 5 trees without a volume are not in it"),
        ([SIX], "7 m3", "exceeded", ""),
        ([SIX, NONE], "7 m3", "not_checked", "at least: 5 trees without a volume are not in it"),
        ([NONE], "7 m3", "not_checked", "no volume is computed: 5 trees without one"),
    ],
)
def test_a_target_over_an_incomplete_sum(
    checks_of: ChecksOf, marks: list[dict[str, object]], target: str, verdict: str, reason: str
) -> None:
    """6 m3 and 5 trees of unknown volume reach 5 m3, and may or may not reach 7 m3."""
    limits = {"target": {"value": {"bolts": target}}}
    row = checks_of(HECTARE, limits, marks=marks, project=PRODUCTS).iloc[0]

    assert (row["verdict"], row["reason"]) == (verdict, reason)


@pytest.mark.parametrize(
    ("limit", "verdict"), [("7 %", "exceeded"), ("12 %", "not_checked"), ("20 %", "met")]
)
def test_a_share_over_an_incomplete_sum(checks_of: ChecksOf, limit: str, verdict: str) -> None:
    """8 of 100 m3 are known, 13 m3 at most: 5 unknown trees of the largest recorded 1 m3."""
    project = {**PRODUCTS, "allowance": {"standing": {"bolts": "100 m3"}}}
    marks = [SIX, FOUR, NONE]
    checks = checks_of(HECTARE, {"removal_share_max": limit}, marks=marks, project=project)

    assert checks["verdict"].tolist() == ["not_checked", verdict]  # basal area is not known
    assert checks["measured"].iloc[1] == pytest.approx(0.08)
    assert "5 trees without a volume" in checks["reason"].iloc[1]


@pytest.mark.parametrize(
    ("limit", "verdict"),
    [("19.6 m2/ha", "exceeded"), ("19 m2/ha", "not_checked"), ("15 m2/ha", "met")],
)
def test_what_stays_over_marks_without_a_diameter(
    checks_of: ChecksOf, limit: str, verdict: str
) -> None:
    """Of 20 m2/ha, ten stems of 500 cm2 leave 19.5; twenty of unknown size leave 18.5 at least."""
    project = {"allowance": {"standing": {"basal_area": "20 m2/ha"}}}
    marks = [stems(10, 25.231325220201602), stems(20, float("nan"))]  # 10 stems of 500 cm2
    checks = checks_of(HECTARE, {"residual_basal_area_min": limit}, marks=marks, project=project)

    assert checks["measured"].tolist() == pytest.approx([19.5])
    assert checks["verdict"].tolist() == [verdict]


@pytest.mark.parametrize(
    ("minimum", "verdict"),
    [(15.1, "exceeded"), (14.9, "not_checked"), (10.1, "not_checked"), (9.0, "met")],
)
def test_what_stays_in_a_setback_over_marks_without_a_diameter(
    checks_of: ChecksOf, minimum: float, verdict: str
) -> None:
    """
    Of 20 m2/ha on 0.2 ha, ten stems of 0.1 m2 leave 15; ten more of unknown size perhaps 10.

    The thickest tree of the stand is 0.1 m2 too.
    """
    project = {"allowance": {"standing": {"basal_area": "20 m2/ha"}}}
    marks = [stems(10, 35.68248232305542), stems(10, float("nan"))]  # 1000 cm2 each
    setback = {
        "geometry": shapely.box(0, 40, 100, 60), "rule": "residual_basal_area", "name": "brook",
        "minimum_m2_ha": minimum,
    }  # fmt: skip
    row = checks_of(HECTARE, {}, setbacks=[setback], marks=marks, project=project).iloc[0]

    assert (row["measured"], row["verdict"]) == (pytest.approx(15.0), verdict)
    assert row["reason"] == "at most: 10 trees without a diameter are not in it"


@pytest.mark.parametrize(("minimum", "verdict"), [(21.0, "exceeded"), (5.0, "not_checked")])
def test_a_setback_where_no_diameter_is_known(
    checks_of: ChecksOf, minimum: float, verdict: str
) -> None:
    """Where no tree of the stand has a diameter, only a stock below the minimum is certain."""
    project = {"allowance": {"standing": {"basal_area": "20 m2/ha"}}}
    setback = {"geometry": HECTARE, "rule": "residual_basal_area", "minimum_m2_ha": minimum}
    marks = [stems(1, float("nan"))]
    row = checks_of(HECTARE, {}, setbacks=[setback], marks=marks, project=project).iloc[0]

    assert row["verdict"] == verdict
    assert row["reason"] == "at most: 1 tree without a diameter is not in it"
