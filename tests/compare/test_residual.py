"""Basal area left by plots after the cut, against standing less marked; figures by hand."""

import math
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest
import shapely
from scipy import stats

from glademark.comparison.sample_check import Residual, residual_of, with_residual
from glademark.contracts.survey import Survey
from glademark.intake.comparison import AfterCutInputs, read_after_cut
from glademark.measure.layout import measure_layout
from glademark.project.model import Project, Source
from glademark.report.comparison.wording import _residual

STAND = shapely.box(400_000, 5_000_000, 400_200, 5_000_200)  # 4 ha
DBH_CM = 200 / math.sqrt(math.pi)  # 1 m2 of basal area

Left = Callable[..., Residual]


@pytest.fixture
def left(
    tmp_path: Path, survey_of: Callable[..., Survey], project_of: Callable[..., Project]
) -> Left:
    """30 m2/ha given as standing; marked trees of 1 m2, the last few without a diameter."""

    def step(*counts: int, marked: int, without: int = 0) -> Residual:
        sizes = [DBH_CM] * (marked - without) + [math.nan] * without
        marks = [
            {"geometry": shapely.Point(400_010 + 5 * n, 5_000_100), "dbh_cm": dbh, "dbh": dbh,
             "dbh_unit": "cm", "species": "beech"}
            for n, dbh in enumerate(sizes)
        ]  # fmt: skip
        survey = survey_of(STAND, marks=marks)
        project = project_of(allowance={"standing": {"basal_area": "30 m2/ha"}})
        rows = [f"{plot},1,{count}" for plot, count in enumerate(counts, 1)]
        text = "\n".join(["plot,baf_m2_ha,count", *rows]) + "\n"
        (tmp_path / "after.csv").write_text(text, encoding="utf-8")
        inputs = AfterCutInputs(post_cut_plots=Source(file=Path("after.csv")))
        seen = read_after_cut(inputs, {"": survey}, project, folder=tmp_path).seen[""]
        found = residual_of(survey, measure_layout(survey, project, earlier={}), project, seen)
        assert found is not None
        return found

    return step


def test_plots_that_count_less_than_was_left_contradict_the_layout(left: Left) -> None:
    """30 less 20/4 m2/ha were to stand; plots of 20, 21 and 22 say 21, within t / sqrt(3)."""
    found = left(20, 21, 22, marked=20)
    reach = stats.t.ppf(0.975, 2) / math.sqrt(3)

    assert found.planned == pytest.approx(25)
    assert found.difference == pytest.approx(-4)
    assert (found.low, found.high) == pytest.approx((-4 - reach, -4 + reach))
    assert found.disagrees
    (row,) = with_residual(pd.DataFrame(), found).to_dict("records")
    assert (row["finding"], row["amount"]) == ("residual", pytest.approx(-4))


def test_plots_that_agree_are_no_finding(left: Left) -> None:
    """Plots of 24, 25 and 26 where 25 should stand."""
    found = left(24, 25, 26, marked=20)

    assert found.difference == pytest.approx(0)
    assert not found.disagrees


def test_marked_trees_without_a_diameter_may_explain_it(left: Left) -> None:
    """Of 20 marked trees 16 have no diameter: 30 less 4/4 is a most, 4 m2/ha less may be meant."""
    found = left(24, 25, 26, marked=20, without=16)

    assert found.planned == pytest.approx(29)
    assert found.trees_without == 16
    assert found.high == pytest.approx(-4 + math.hypot(stats.t.ppf(0.975, 2) / math.sqrt(3), 4))
    assert not found.disagrees
    assert "meant to leave at most 29" in _residual(found, "metric")[0]
    assert "(16 marked trees without a diameter)" in _residual(found, "metric")[0]
