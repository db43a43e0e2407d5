"""
Proposals, in the order in which they are worked out, for each stand of a project.

    project file -> asked -> Survey with standing trees -> task -> proposal -> files, marks file
"""

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from glademark.contracts.survey import Survey
from glademark.errors import InputError, counted
from glademark.export.manifest import Missing, Replacing
from glademark.export.output import Part, deliver_parts
from glademark.export.proposal_files import (
    figures_deliverable,
    marks_deliverables,
    proposal_deliverables,
)
from glademark.intake.read import called, read_by_stand, title_of
from glademark.jobs.layout import folder_of, on_each_stand
from glademark.jobs.plugins import installed_deliverables, installed_limits
from glademark.judge.limits import limits_asked
from glademark.project import read_project
from glademark.project.model import Project
from glademark.proposal.outcome import Proposal, propose_groups
from glademark.proposal.prepare import prepare, with_marks
from glademark.report.delivery import Delivery
from glademark.report.summary import build_summary

PAPERS = ("map", "review")
"""Papers of the best alternative."""

log = logging.getLogger(__name__)


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
