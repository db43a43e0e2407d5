"""The middle of the job, from a survey to what is handed over: one stand, wherever it came from."""

import logging
from collections.abc import Mapping

from glademark.deliver.delivery import Delivery
from glademark.deliver.summary import build_summary
from glademark.judge.checks import judge
from glademark.judge.limits import Case, LimitAsked
from glademark.judge.shown_doubt import doubt_figures, with_doubt
from glademark.measure.layout import measure_layout
from glademark.project.model import Project
from glademark.survey import Survey

log = logging.getLogger(__name__)


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
    doubt = None
    if project.uncertainty is not None:
        from glademark.uncertainty.doubt import measure_doubt  # noqa: PLC0415 - only where asked

        doubt = measure_doubt(layout, survey, project)
    checks = judge(Case(layout=layout, survey=survey, project=project, doubt=doubt), asked)
    layout = with_doubt(layout, doubt, checks)
    summary = build_summary(
        project, survey, layout, checks, uncertainty=doubt_figures(layout, doubt, checks)
    )
    return Delivery(project=project, survey=survey, layout=layout, checks=checks, summary=summary)
