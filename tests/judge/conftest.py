"""Limits asked of layouts built in memory."""

from collections.abc import Callable, Mapping
from typing import Any

import pandas as pd
import pytest
from shapely.geometry.base import BaseGeometry

from glademark.contracts.survey import Survey
from glademark.jobs.layout import installed_limits
from glademark.judge.checks import judge
from glademark.judge.limits import Case, limits_asked
from glademark.project.model import LimitSetting, Project
from tests.conftest import measured


@pytest.fixture
def case_of(
    survey_of: Callable[..., Survey], project_of: Callable[..., Project]
) -> Callable[..., Case]:
    """Builder of cases: a stand, project tables under `project`, and what a survey may hold."""

    def build(
        stand: BaseGeometry, *, project: Mapping[str, object] | None = None, **given: object
    ) -> Case:
        tables: dict[str, Any] = dict(project or {})
        tables["openings"] = {"edge": "standing_crowns", **tables.get("openings", {})}
        survey, asked = survey_of(stand, **given), project_of(**tables)
        return Case(layout=measured(survey, asked), survey=survey, project=asked)

    return build


@pytest.fixture(scope="session")
def held_against() -> Callable[..., pd.DataFrame]:
    """Checks of a case against limits."""

    def hold(case: Case, limits: Mapping[str, object]) -> pd.DataFrame:
        settings = {name: LimitSetting.model_validate(value) for name, value in limits.items()}
        return judge(case, limits_asked(settings, known=installed_limits()))

    return hold


@pytest.fixture
def checks_of(
    case_of: Callable[..., Case], held_against: Callable[..., pd.DataFrame]
) -> Callable[..., pd.DataFrame]:
    """Builder of checks: a stand, the limits, and what `case_of` takes."""

    def build(
        stand: BaseGeometry,
        limits: Mapping[str, object],
        *,
        project: Mapping[str, object] | None = None,
        **given: object,
    ) -> pd.DataFrame:
        return held_against(case_of(stand, project=project, **given), limits)

    return build
