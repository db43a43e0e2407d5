"""
Advice and proposals, in the order in which they are worked out, for each stand of a project.

    project file -> asked -> Survey -> Layout -> checks -> advice -> files, marks file
    project file -> asked -> Survey with standing trees -> task -> proposal -> files, marks file
"""

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import geopandas as gpd
import pandas as pd

from glademark.advice.advise import By, advise, leave_standing
from glademark.advice.outcome import Advice
from glademark.contracts.survey import Survey
from glademark.errors import InputError, OutputError, counted
from glademark.export.job_files import (
    advice_deliverables,
    advice_figures_deliverable,
    refuse_marks_file,
    write_marks_file,
)
from glademark.export.manifest import Missing, Replacing, earlier_numbers
from glademark.export.output import Part, deliver_parts, input_files
from glademark.export.proposal_files import (
    figures_deliverable,
    marks_deliverables,
    proposal_deliverables,
)
from glademark.intake.read import SurveysByStand, called, read_by_stand, title_of
from glademark.intake.repeats import marks_again
from glademark.jobs.layout import folder_of, installed_deliverables, installed_limits, on_each_stand
from glademark.judge.checks import judge
from glademark.judge.limits import Case, LimitAsked, limits_asked
from glademark.measure.layout import measure_layout, with_crown_radius
from glademark.project import read_project
from glademark.project.model import Project, Source
from glademark.proposal.outcome import Proposal, propose_groups
from glademark.proposal.prepare import prepare, with_marks
from glademark.report.delivery import Delivery
from glademark.report.summary import build_summary

log = logging.getLogger(__name__)

PAPERS = ("map", "review")
"""Papers of the best alternative."""


@dataclass(frozen=True, kw_only=True, slots=True)
class StandAdvice:
    """Advice on one stand, and the delivery that its files are written from."""

    advice: Advice
    survey: Survey
    delivery: Delivery


@dataclass(frozen=True, kw_only=True, slots=True)
class Advised:
    """
    What a run of advice gave.

    Attributes
    ----------
    project
        What was asked.
    stands
        Advice by the name of the stand: "" where the project has one.
    refused
        Why a stand has no advice, by its name.
    files
        Files written.
    missing
        Deliverables that could not be made, each with the reason.
    """

    project: Project
    stands: Mapping[str, StandAdvice]
    refused: Mapping[str, str]
    files: tuple[Path, ...]
    missing: tuple[Missing, ...] = ()


def give_advice(
    project_file: Path,
    *,
    by: By,
    out: Path | None = None,
    apply: Path | None = None,
    written: bool = True,
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
        Folder for the results: ``advice`` beside the project file where not given. With many
        stands, each has a folder in it.
    apply
        File for the marks that result, of all stands; not written where nothing is spared.
    written
        Whether the results are written into `out`.

    Returns
    -------
    advised
        The advice and the files written.

    Raises
    ------
    InputError
        If the project file or an input is refused, every stand is, or any stand is and marks are
        to be applied.
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
    many = read_by_stand(project, folder=folder)

    def _of(stand: str, survey: Survey) -> StandAdvice:
        of_stand = called(project, title_of(project, stand))
        return _advice(survey, of_stand, asked, by=by, out=out / folder_of(stand))

    stands, refused = on_each_stand(many, _of)
    if apply is not None and refused:
        msg = f"stand {next(iter(refused))} is refused, so {apply} would lack its marks. Mend it"
        raise InputError(msg, *refused.values())
    if not written:
        return Advised(project=project, stands=stands, refused=refused, files=())
    figures = advice_figures_deliverable(
        {name: one.advice for name, one in stands.items()}, refused
    )
    parts = [
        Part(
            deliverables=advice_deliverables(one.advice),
            given=one.delivery,
            folder=folder_of(name),
        )
        for name, one in stands.items()
    ]
    delivered = deliver_parts(
        project, out, [*parts, Part(deliverables=figures)], replacing=Replacing(job="advise")
    )
    files = delivered.files
    if apply is not None and any(one.advice.spared for one in stands.values()):
        write_marks_file(_marks_that_result(stands, project, apply), apply, out=out)
        _check_applied(project, apply, folder, (asked, stands))
        files = (*files, apply)
    return Advised(
        project=project, stands=stands, refused=refused, files=files, missing=delivered.missing
    )


def _advice(
    survey: Survey, project: Project, asked: tuple[LimitAsked, ...], *, by: By, out: Path
) -> StandAdvice:
    """Advice on one stand."""
    earlier = earlier_numbers(out, marks=survey.marks)
    layout = measure_layout(survey, project, earlier=earlier)
    advice = advise(
        Case(layout=layout, survey=survey, project=project), asked, by=by, earlier=earlier
    )
    log.info("%d marks to leave standing", len(advice.leave_standing))
    delivery = Delivery(
        project=project, survey=survey, layout=layout, checks=advice.before, summary={}
    )
    return StandAdvice(advice=advice, survey=survey, delivery=delivery)


def _marks_that_result(
    stands: Mapping[str, StandAdvice], project: Project, path: Path
) -> gpd.GeoDataFrame:
    """Marks of all stands with those spared as leave trees, fit to be read by the project again."""
    with_degrees = path.suffix.casefold() == ".csv"
    frames: list[gpd.GeoDataFrame] = []
    crs = next(iter(stands.values())).survey.crs
    for name, one in stands.items():
        mended = leave_standing(one.survey, one.advice.spared)
        rows = marks_again(mended.marks, project, with_degrees=with_degrees)
        if project.heading.stand_id:
            rows = rows.assign(**{project.heading.stand_id: name})
        frames.append(rows.to_crs(crs))
    return gpd.GeoDataFrame(pd.concat(frames, ignore_index=True))


def _check_applied(
    project: Project,
    marks: Path,
    folder: Path,
    said: tuple[tuple[LimitAsked, ...], Mapping[str, StandAdvice]],
) -> None:
    """Read the marks file that was written, lay it out, and hold it against what was advised."""
    asked, stands = said
    inputs = project.inputs.model_copy(update={"marks": (Source(file=marks.absolute()),)})
    again = project.model_copy(update={"inputs": inputs})
    for name, survey in _all_read(read_by_stand(again, folder=folder)).items():
        fixed = with_crown_radius(again, stands[name].delivery.layout)
        layout = measure_layout(survey, fixed, earlier={})
        checks = judge(Case(layout=layout, survey=survey, project=again), asked)
        if _exceeded(checks) != _exceeded(stands[name].advice.after):
            msg = (
                f"{marks} was written, but does not give the limits that were advised when it is "
                "read again; expected the same. Compare it with the marks of the project before "
                "you use it"
            )
            raise OutputError(msg)


def _all_read(many: SurveysByStand) -> Mapping[str, Survey]:
    """Surveys of stands none of which is refused."""
    if many.refused:
        raise InputError(*(fault for faults in many.refused.values() for fault in faults))
    return many.surveys


def _exceeded(checks: pd.DataFrame) -> dict[str, int]:
    """How often each limit is exceeded."""
    counts = checks.loc[checks["verdict"] == "exceeded", "limit"].value_counts()
    return {str(name): int(number) for name, number in counts.items()}


@dataclass(frozen=True, kw_only=True, slots=True)
class Proposed:
    """
    What a run of proposals gave.

    Attributes
    ----------
    project
        What was asked.
    stands
        Proposals by the name of the stand: "" where the project has one.
    refused
        Why a stand has no proposal, by its name.
    files
        Files written; none without a folder.
    missing
        Deliverables that could not be made, each with the reason.
    """

    project: Project
    stands: Mapping[str, Proposal]
    refused: Mapping[str, str]
    files: tuple[Path, ...] = ()
    missing: tuple[Missing, ...] = ()


def propose(
    project_file: Path | str,
    *,
    out: Path | None = None,
    as_marks: int | None = None,
    tell: Callable[[str], None] = log.info,
) -> Proposed:
    """
    Group openings proposed from the standing trees: flags to walk to, no marks.

    Parameters
    ----------
    project_file
        The project file, which need not name marks.
    out
        Folder for the results; nothing is written where not given.
    as_marks
        Number of the alternative to write as marks and a project file that `layout` reads.
    tell
        Called with a sentence on each step of the search.

    Returns
    -------
    proposed
        The proposals and the files written.

    Raises
    ------
    InputError
        If the project file or an input is refused, every stand is, or there is no alternative of
        that number.
    OutputError
        If a file could not be written.
    """
    project_file = Path(project_file)
    project = read_project(project_file, marked=False)
    asked = limits_asked(project.limits, known=installed_limits())
    many = read_by_stand(project, folder=project_file.parent)

    def _of(stand: str, survey: Survey) -> Proposal:
        of_stand = called(project, title_of(project, stand))
        return propose_groups(prepare(survey, of_stand, asked, tell=tell), asked)

    stands, refused = on_each_stand(many, _of)
    if as_marks is not None:
        _refuse_number(stands, as_marks)
    proposed = Proposed(project=project, stands=stands, refused=refused)
    if out is None:
        return proposed
    papers = installed_deliverables(PAPERS)
    parts = []
    for name, one in stands.items():
        deliverables = dict(proposal_deliverables(one))
        if as_marks is not None:
            folder = out / folder_of(name)
            deliverables |= marks_deliverables(one, as_marks, project_file, folder=folder)
        given = _best_laid_out(one)
        if given is not None:
            deliverables |= papers
        parts.append(Part(deliverables=deliverables, given=given, folder=folder_of(name)))
    figures = Part(deliverables=figures_deliverable(stands, refused))
    delivered = deliver_parts(project, out, [*parts, figures], replacing=Replacing(job="propose"))
    return Proposed(
        project=project,
        stands=stands,
        refused=refused,
        files=delivered.files,
        missing=delivered.missing,
    )


def _best_laid_out(proposal: Proposal) -> Delivery | None:
    """The best alternative as the map sheets and the page show it; None without one."""
    if not proposal.alternatives:
        return None
    best, prepared = proposal.alternatives[0], proposal.prepared
    why = best.layout.openings["opening"].map(best.groups.set_index("group")["why"])
    layout = replace(
        best.layout,
        openings=best.layout.openings.assign(why=why),
        marks=best.layout.marks.assign(proposed="yes"),
    )
    survey, project = with_marks(prepared.survey, best.marks), prepared.project
    return Delivery(
        project=project,
        survey=survey,
        layout=layout,
        checks=best.checks,
        summary=build_summary(project, survey, layout, best.checks),
    )


def _refuse_number(stands: Mapping[str, Proposal], number: int) -> None:
    """Refuse an alternative that a stand does not have."""
    for name, one in stands.items():
        count = len(one.alternatives)
        if not 1 <= number <= count:
            where = f" of stand {name}" if name else ""
            why = f": {one.infeasible.rstrip('.')}" if one.infeasible else ""
            msg = (
                f"--as-marks {number}: the proposal{where} has {counted(count, 'alternative')}"
                f"{why}. Choose one of them"
            )
            raise InputError(msg)
