"""What a proposal is held to: limits and ground of the project as the search has them."""

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
import shapely

from glademark.contracts.terrain import Elevation
from glademark.jobs.layout import installed_limits
from glademark.judge.limits import limits_asked
from glademark.measure.standing import BASAL
from glademark.project.model import LimitSetting
from glademark.proposal.prepare import Prepared, prepare

SQUARE = shapely.box(0, 0, 100, 100)
LIMITS = {"opening_area_max": "500 m2", "removal_share_max": "30 %", "opening_slope_max": "35 %"}


@pytest.fixture(scope="module")
def prepared(
    survey_of: Callable[..., Any], project_of: Callable[..., Any]
) -> Callable[[str], Prepared]:
    """Builder of a task: 16 trees of 30 cm on a slope of 20 %, largest openings as measured."""
    spots = [shapely.Point(20 * x + 20, 20 * y + 20) for x in range(4) for y in range(4)]
    survey = survey_of(SQUARE, standing=[{"geometry": spot, "dbh_cm": 30.0} for spot in spots])
    east = np.broadcast_to(0.2 * 10 * np.arange(30.0), (30, 30))
    plane = Elevation(
        heights_m=east.copy(), west_m=-100, north_m=200, cell_x_m=10, cell_y_m=10, file="made.tif"
    )
    survey = replace(survey, elevation={0: plane})
    limits = {name: LimitSetting.model_validate(value) for name, value in LIMITS.items()}
    asked = limits_asked(limits, known=installed_limits())

    @cache
    def build(measured: str) -> Prepared:
        project = project_of(openings={"measure": measured})
        return prepare(survey, project, asked, tell=lambda _: None)

    return build


@pytest.mark.parametrize(("measured", "combined"), [("combined", 500.0), ("opening", np.inf)])
def test_the_largest_area_is_of_what_the_project_measures(
    prepared: Callable[[str], Prepared], measured: str, combined: float
) -> None:
    """A limit on the area is one on combined openings only where the project measures those."""
    demands = prepared(measured).task.demands

    assert (demands.area_max_m2, demands.combined_max_m2) == (500.0, combined)


def test_the_share_removed_is_one_of_basal_area_too(prepared: Callable[[str], Prepared]) -> None:
    """Of 16 trees of 0.0707 m2 each, 30 % of the basal area may go."""
    found = prepared("opening")
    (row,) = [one for one in found.limits if one.quantity == BASAL]

    assert row.limit == "removal_share_max"
    assert found.task.demands.amounts_max[row.allowance] == pytest.approx(
        0.3 * 16 * np.pi / 4 * 0.3**2
    )


def test_the_slope_of_an_opening_is_a_share(prepared: Callable[[str], Prepared]) -> None:
    """An opening on a plane that rises 2 m in 10 m has a slope of 0.2, as its limit is held."""
    task = prepared("opening").task

    assert task.ground.slope is not None
    assert task.ground.slope(np.array([shapely.box(30, 30, 60, 60)])) == pytest.approx([0.2])
    assert task.demands.slope_max == pytest.approx(0.35)
