"""
Advice, in the order in which it is worked out.

    project file -> asked -> Survey -> Layout -> checks -> advice -> files, marks file
"""

import logging
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from glademark.advise.advise import By, advise, leave_standing
from glademark.advise.outcome import Advice
from glademark.errors import OutputError
from glademark.export.advice_files import advice_deliverables
from glademark.export.manifest import Replacing
from glademark.export.marks_file import refuse_marks_file, write_marks_file
from glademark.export.output import deliver, input_files
from glademark.export.writers import Missing
from glademark.intake.earlier import earlier_numbers
from glademark.intake.marks_again import marks_again
from glademark.intake.read import read_survey
from glademark.jobs.plugins import installed_limits
from glademark.judge.checks import judge
from glademark.judge.limits import Case, LimitAsked, limits_asked
from glademark.measure.layout import measure_layout
from glademark.project import read_project
from glademark.project.model import Project, Source
from glademark.report.delivery import Delivery

log = logging.getLogger(__name__)


@dataclass(frozen=True, kw_only=True, slots=True)
class Advised:
    """
    What an advice gave.

    Attributes
    ----------
    project
        What was asked.
    advice
        Marks to leave standing.
    files
        Files written.
    missing
        Deliverables that could not be made, each with the reason.
    """

    project: Project
    advice: Advice
    files: tuple[Path, ...]
    missing: tuple[Missing, ...] = ()


def give_advice(
    project_file: Path, *, by: By, out: Path | None = None, apply: Path | None = None
) -> Advised:
    """
    The smallest set of marks to leave standing, as files.

    Parameters
    ----------
    project_file
        The project file.
    by
        What is to be least: trees, or volume.
    out
        Folder for the results: ``advice`` beside the project file where not given.
    apply
        File for the marks that result; not written where nothing is spared.

    Returns
    -------
    advised
        The advice and the files written.

    Raises
    ------
    InputError
        If the project file or an input is refused.
    OutputError
        If a file could not be written, or the marks file would take the place of an input or of
        another file that is not ours.
    """
    folder = project_file.parent
    out = folder / "advice" if out is None else out
    project = read_project(project_file)
    if apply is not None:
        refuse_marks_file(apply, inputs=[project_file, *input_files(project)], out=out)
    asked = limits_asked(project.limits, known=installed_limits())
    survey = read_survey(project, folder=folder)
    earlier = earlier_numbers(out, marks=survey.marks)
    case = Case(
        layout=measure_layout(survey, project, earlier=earlier), survey=survey, project=project
    )
    advice = advise(case, asked, by=by, earlier=earlier)
    log.info("%d marks to leave standing", len(advice.leave_standing))
    delivery = Delivery(
        project=project, survey=survey, layout=case.layout, checks=advice.before, summary={}
    )
    writers = advice_deliverables(advice)
    delivered = deliver(delivery, out, writers, replacing=Replacing(job="advise"))
    files = delivered.files
    if apply is not None and advice.spared:
        mended = leave_standing(survey, advice.spared)
        degrees = apply.suffix.casefold() == ".csv"
        rows = marks_again(mended.marks, project, with_degrees=degrees)
        write_marks_file(rows, apply, out=out)
        _check_applied(project, apply, folder, (asked, advice))
        files = (*files, apply)
    return Advised(project=project, advice=advice, files=files, missing=delivered.missing)


def _check_applied(
    project: Project, marks: Path, folder: Path, said: tuple[tuple[LimitAsked, ...], Advice]
) -> None:
    """Read the marks file that was written, lay it out, and hold it against what was advised."""
    asked, advice = said
    inputs = project.inputs.model_copy(update={"marks": (Source(file=marks.absolute()),)})
    again = project.model_copy(update={"inputs": inputs})
    survey = read_survey(again, folder=folder)
    layout = measure_layout(survey, again, earlier={})
    checks = judge(Case(layout=layout, survey=survey, project=again), asked)
    if _exceeded(checks) != _exceeded(advice.after):
        msg = (
            f"{marks} was written, but does not give the limits that were advised when it is read "
            "again; expected the same. Compare it with the marks of the project before you use it"
        )
        raise OutputError(msg)


def _exceeded(checks: pd.DataFrame) -> dict[str, int]:
    """How often each limit is exceeded."""
    counts = checks.loc[checks["verdict"] == "exceeded", "limit"].value_counts()
    return {str(name): int(number) for name, number in counts.items()}
