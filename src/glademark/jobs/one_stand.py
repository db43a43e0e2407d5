"""The middle of the job, from surveys to what is handed over: one stand, or many side by side."""

import logging
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import TypeVar
from urllib.parse import quote

import numpy as np
import pandas as pd

from glademark.contracts.frames import STAND
from glademark.contracts.layout import Layout
from glademark.contracts.survey import Survey, with_copies
from glademark.errors import InputError, grouped_faults
from glademark.intake.read import SurveysByStand, called
from glademark.judge.chance_rows import uncertainty_figures, with_uncertainty
from glademark.judge.checks import judge
from glademark.judge.limits import Case, LimitAsked
from glademark.judge.unconfirmed import near_with_unconfirmed
from glademark.measure.figures import all_confirmed, same_openings, with_second_figures
from glademark.measure.layout import measure_layout
from glademark.project.model import Project
from glademark.report.delivery import Delivery
from glademark.report.summary import build_summary
from glademark.wording import listed

log = logging.getLogger(__name__)


def lay_out_survey(
    survey: Survey,
    project: Project,
    asked: tuple[LimitAsked, ...],
    *,
    earlier: Mapping[int, int],
) -> Delivery:
    """
    Layout, checks and summary of a survey of one stand.

    `earlier` is the opening number that an earlier output gave a mark, by the mark's index.
    """
    measured, confirmed = _measured(survey, project, earlier=earlier)
    layout = measured.of(0)
    log.info("measured %d openings", layout.figures.openings.count)
    second = (measured, confirmed[0]) if confirmed else None
    return _judged(layout, survey, project, asked, second=second)


def lay_out_many(
    survey: Survey, project: Project, asked: tuple[LimitAsked, ...]
) -> dict[str, Delivery | InputError]:
    """Layout, checks and summary of every stand by what it is called, or why it is refused."""
    deliveries: dict[str, Delivery | InputError] = {
        str(name): InputError(*rows["reason"]) for name, rows in survey.refused.groupby("name")
    }
    names = [str(name) for name in survey.stand["name"]]
    if not names:
        return deliveries
    try:
        layout, confirmed = _measured(survey, project, earlier=MappingProxyType({}))
    except InputError as error:
        return {**deliveries, **dict.fromkeys(names, error)}
    log.info("measured %d stands", len(names))
    for stand, name in enumerate(names):
        try:
            of_stand = called(project, name)
            deliveries[name] = _judged(
                layout.of(stand),
                survey.of(stand),
                of_stand,
                asked,
                second=(layout, confirmed[stand]) if stand in confirmed else None,
            )
        except InputError as error:
            deliveries[name] = error
    return deliveries


def _measured(
    survey: Survey, project: Project, *, earlier: Mapping[int, int]
) -> tuple[Layout, dict[int, int]]:
    """
    Layout of a survey; each stand with unconfirmed trees is in it twice, then with all cut.

    The second is the number of the copy by the number of the stand.
    """
    unconfirmed = survey.marks["kind"] == "unconfirmed"
    stands = np.unique(survey.marks.loc[unconfirmed, STAND]).tolist()
    if not stands:
        return measure_layout(survey, project, earlier=earlier), {}
    own = len(survey.stand)
    layout = measure_layout(
        all_confirmed(with_copies(survey, stands), first=own),
        project,
        earlier=earlier,
        crowns_of=[*range(own), *stands],
    )
    return layout, dict(zip(stands, range(own, own + len(stands)), strict=True))


def _judged(
    layout: Layout,
    survey: Survey,
    project: Project,
    asked: tuple[LimitAsked, ...],
    *,
    second: tuple[Layout, int] | None,
) -> Delivery:
    """Checks and summary of a layout; `second` is its stand in one where all trees are cut."""
    uncertainty = None
    if project.uncertainty is not None:
        from glademark.uncertainty.measure import measure_uncertainty  # noqa: PLC0415 - only where asked

        uncertainty = measure_uncertainty(layout, survey, project)
    case = Case(layout=layout, survey=survey, project=project, uncertainty=uncertainty)
    layout, checks = _beside_second(case, judge(case, asked), asked, second)
    layout = with_uncertainty(layout, uncertainty, checks)
    summary = build_summary(
        project,
        survey,
        layout,
        checks,
        uncertainty=uncertainty_figures(layout, uncertainty, checks),
    )
    return Delivery(project=project, survey=survey, layout=layout, checks=checks, summary=summary)


def _beside_second(
    case: Case,
    checks: pd.DataFrame,
    asked: tuple[LimitAsked, ...],
    confirmed: tuple[Layout, int] | None,
) -> tuple[Layout, pd.DataFrame]:
    """Layout and checks with what they would be if unconfirmed trees were cut."""
    if confirmed is None:
        return case.layout, checks
    second = confirmed[0].of(confirmed[1])
    survey = all_confirmed(case.survey)
    found = judge(Case(layout=second, survey=survey, project=case.project), asked)
    layout, same = with_second_figures(case.layout, second), same_openings(case.layout, second)
    trees = layout.figures.marks.unconfirmed
    return layout, near_with_unconfirmed(checks, found, same=same, trees=trees)


_T = TypeVar("_T")


def folder_of(stand: str) -> str:
    """Folder of the files of a stand in an output; none where there is one stand."""
    return f"stand {quote(stand, safe=' ')}" if stand else ""


def on_each_stand(
    many: SurveysByStand, work: Callable[[str, Survey], _T]
) -> tuple[dict[str, _T], dict[str, str]]:
    """Results by the name of the stand, and why others have none; `InputError` if all have none."""
    faults: dict[str, tuple[str, ...]] = dict(many.refused)
    results: dict[str, _T] = {}
    for name, survey in many.surveys.items():
        try:
            results[name] = work(name, survey)
        except InputError as error:
            if not name:
                raise
            faults[name] = error.faults
    refused = {name: " ".join(grouped_faults(reasons)) for name, reasons in faults.items()}
    if not results:
        raise all_refused(refused)
    return results, refused


def all_refused(refused: Mapping[str, str]) -> InputError:
    """Each reason once, with the stands that it holds for."""
    by_reason: dict[str, list[str]] = {}
    for name, reason in refused.items():
        by_reason.setdefault(reason, []).append(name)
    return InputError(*(f"stand {listed(names)}: {why}" for why, names in by_reason.items()))
