"""The middle of the job, from surveys to what is handed over: one stand, or many side by side."""

import logging
from collections.abc import Mapping
from types import MappingProxyType

from glademark.contracts.layout import Layout
from glademark.contracts.survey import Survey
from glademark.errors import InputError
from glademark.intake.read import called
from glademark.judge.chance_rows import uncertainty_figures, with_uncertainty
from glademark.judge.checks import judge
from glademark.judge.limits import Case, LimitAsked
from glademark.measure.layout import measure_layout
from glademark.project.model import Project
from glademark.report.delivery import Delivery
from glademark.report.summary import build_summary

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
    layout = measure_layout(survey, project, earlier=earlier).of(0)
    log.info("measured %d openings", layout.figures.openings.count)
    return _judged(layout, survey, project, asked)


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
        layout = measure_layout(survey, project, earlier=MappingProxyType({}))
    except InputError as error:
        return {**deliveries, **dict.fromkeys(names, error)}
    log.info("measured %d stands", len(layout.by_stand))
    for stand, name in enumerate(names):
        try:
            of_stand = called(project, name)
            deliveries[name] = _judged(layout.of(stand), survey.of(stand), of_stand, asked)
        except InputError as error:
            deliveries[name] = error
    return deliveries


def _judged(
    layout: Layout, survey: Survey, project: Project, asked: tuple[LimitAsked, ...]
) -> Delivery:
    """Checks and summary of a layout."""
    uncertainty = None
    if project.uncertainty is not None:
        from glademark.uncertainty.measure import measure_uncertainty  # noqa: PLC0415 - only where asked

        uncertainty = measure_uncertainty(layout, survey, project)
    checks = judge(
        Case(layout=layout, survey=survey, project=project, uncertainty=uncertainty), asked
    )
    layout = with_uncertainty(layout, uncertainty, checks)
    summary = build_summary(
        project,
        survey,
        layout,
        checks,
        uncertainty=uncertainty_figures(layout, uncertainty, checks),
    )
    return Delivery(project=project, survey=survey, layout=layout, checks=checks, summary=summary)
