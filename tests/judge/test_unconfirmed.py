"""Limits that only the unconfirmed trees would break, and those that they would keep."""

from collections.abc import Callable
from math import pi

import pytest
import shapely

from glademark.contracts.survey import Survey
from glademark.jobs.layout import installed_limits, lay_out_survey
from glademark.judge.limits import limits_asked
from glademark.project.model import Project

STAND = shapely.box(0, 0, 400, 400)
CROWN_M2 = 25 * pi


def group(name: str, y: float, kinds: list[str]) -> list[dict[str, object]]:
    """Trees in a line, 12 m apart, so that crowns of 5 m do not meet."""
    return [
        {
            "geometry": shapely.Point(50 + 12 * place, y),
            "kind": kind,
            "group": name,
            "crown_radius_m": 5.0,
            "volume": 1.0,
            "volume_unit": "m3",
            "product": "sawlog",
        }
        for place, kind in enumerate(kinds)
    ]


def test_each_limit_says_what_the_unconfirmed_trees_do_to_it(
    survey_of: Callable[..., Survey], project_of: Callable[..., Project]
) -> None:
    """
    A group of four crowns grows by an unconfirmed fifth; another has only unconfirmed trees.

    The latter lies farthest north, where its opening would be number 1: those of the layout keep
    their numbers. The walked one is too large, whatever becomes of the trees.
    """
    marks = [
        *group("B", 200, ["cut", "cut", "cut", "cut", "unconfirmed"]),
        *group("C", 300, ["unconfirmed"] * 5),
    ]
    walked = [{"geometry": shapely.box(50, 50, 70, 70), "group": "edge"}]  # 400 m2
    project = project_of(
        openings={"standing_crown_radius": "0 m"},
        limits={"opening_area_max": "380 m2", "target": {"sawlog": "9 m3"}},
        volume={"products": {"sawlog": {"unit": "m3"}}},
    )
    asked = limits_asked(project.limits, known=installed_limits())
    delivery = lay_out_survey(
        survey_of(STAND, marks=marks, walked=walked), project, asked, earlier={}
    )
    checks, openings = delivery.checks.fillna({"reason": ""}), delivery.layout.openings
    found = checks.set_index(["limit", "feature"])[["verdict", "reason", "measured"]]
    areas = openings.set_index("group")["area_with_unconfirmed_m2"]

    assert openings["group"].tolist() == ["B", "edge"]
    assert areas["B"] == pytest.approx(5 * CROWN_M2)
    assert areas["edge"] == pytest.approx(400)
    near = "exceeded if the 6 unconfirmed trees are cut: 103.3 % of the limit"  # 125 pi / 380
    assert found.loc["opening_area_max", "1"].tolist() == [
        "near",
        near,
        pytest.approx(4 * CROWN_M2),
    ]
    assert found.loc["opening_area_max", "2"].tolist() == ["exceeded", "", pytest.approx(400)]
    assert found.loc["opening_area_max", "of unconfirmed trees"].tolist()[:2] == ["near", near]
    assert found.loc["target", "sawlog"].tolist()[:2] == [
        "exceeded",
        "met if the 6 unconfirmed trees are cut: 111.1 % of the limit",
    ]
    beside = delivery.summary["with_unconfirmed"]
    assert (delivery.summary["marks"]["trees"], beside["trees"]) == (4, 10)
    assert beside["by_product"]["sawlog"]["net"] == pytest.approx(10)
    assert beside["opening_area_m2"] == pytest.approx(400 + 10 * CROWN_M2)
