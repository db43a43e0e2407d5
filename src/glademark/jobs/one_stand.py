"""The middle of the job, from surveys to what is handed over: one stand, or many side by side."""

import logging
from collections.abc import Mapping, Sequence

from glademark.contracts.layout import Layout
from glademark.contracts.survey import Survey
from glademark.errors import InputError
from glademark.judge.chance_rows import uncertainty_figures, with_uncertainty
from glademark.judge.checks import judge
from glademark.judge.limits import Case, LimitAsked
from glademark.measure.layout import measure_layout, measure_layouts
from glademark.project.model import Project
from glademark.report.delivery import Delivery
from glademark.report.summary import build_summary

log = logging.getLogger(__name__)

MARKS_AT_ONCE = 20_000
"""Marks measured at once: more would take memory and save no time."""


def lay_out_survey(
    survey: Survey,
    project: Project,
    asked: tuple[LimitAsked, ...],
    *,
    earlier: Mapping[int, int],
) -> Delivery:
    """
    Layout, checks and summary of a survey.

    Parameters
    ----------
    survey
        What was brought home.
    project
        What was asked.
    asked
        Limits, every value understood.
    earlier
        Opening number that an earlier output gave a mark, by the mark's index; may be empty.

    Returns
    -------
    delivery
        All that a writer may draw on.

    Raises
    ------
    InputError
        If the volume table or a product cannot be used.
    """
    layout = measure_layout(survey, project, earlier=earlier)
    log.info("measured %d openings", layout.figures.openings.count)
    return _judged(layout, survey, project, asked)


def lay_out_surveys(
    surveys: Sequence[Survey], projects: Sequence[Project], asked: tuple[LimitAsked, ...]
) -> list[Delivery | InputError]:
    """
    Layout, checks and summary of many surveys, measured together.

    Parameters
    ----------
    surveys
        What was brought home, a stand each.
    projects
        What was asked; alike but for the heading.
    asked
        Limits, every value understood.

    Returns
    -------
    deliveries
        As from `lay_out_survey`, or why a stand could not be laid out.
    """
    found: list[Delivery | InputError] = []
    for start, end in _shares(surveys):
        found += _laid_out(surveys[start:end], projects[start:end], asked)
    return found


def _shares(surveys: Sequence[Survey]) -> list[tuple[int, int]]:
    """Surveys measured together: neighbours of equal columns, and not too many marks."""
    shares, start, marks = [], 0, 0
    for place, survey in enumerate(surveys):
        marks += len(survey.marks)
        if place > start and (marks > MARKS_AT_ONCE or not _alike(surveys[start], survey)):
            shares.append((start, place))
            start, marks = place, len(survey.marks)
    return [*shares, (start, len(surveys))] if surveys else []


def _alike(one: Survey, other: Survey) -> bool:
    """Whether two surveys have one CRS, one volume table and equal columns."""
    tables = one.volume_table, other.volume_table
    same_table = tables[0] is tables[1] or (
        tables[0] is not None and tables[1] is not None and tables[0].equals(tables[1])
    )
    return (
        same_table
        and (one.crs is other.crs or one.crs == other.crs)
        and one.marks.columns.equals(other.marks.columns)
        and one.tally.columns.equals(other.tally.columns)
    )


def _laid_out(
    surveys: Sequence[Survey], projects: Sequence[Project], asked: tuple[LimitAsked, ...]
) -> list[Delivery | InputError]:
    """Surveys measured together; one by one where a fault of one would stop the others."""
    names = [project.heading.name for project in projects]
    try:
        layouts = measure_layouts(surveys, projects[0], names=names)
    except InputError as error:
        if len(surveys) == 1:
            return [error]
        alone = zip(surveys, projects, strict=True)
        return [one for survey, project in alone for one in _laid_out([survey], [project], asked)]
    log.info("measured %d stands", len(layouts))
    found: list[Delivery | InputError] = []
    for layout, survey, project in zip(layouts, surveys, projects, strict=True):
        try:
            found.append(_judged(layout, survey, project, asked))
        except InputError as error:
            found.append(error)
    return found


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
