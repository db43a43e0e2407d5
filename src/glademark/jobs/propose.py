"""Group openings proposed from the standing trees, stand by stand."""

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from glademark.contracts.survey import Survey
from glademark.errors import InputError, counted
from glademark.export.job_files import (
    figures_deliverable,
    of_stands,
)
from glademark.export.manifest import Missing, Replacing
from glademark.export.output import Part, deliver_parts
from glademark.export.proposal_files import (
    PROPOSAL_FIGURES_FILE,
    marks_deliverables,
    proposal_content,
    proposal_deliverables,
)
from glademark.intake.read import called, read_by_stand, title_of
from glademark.jobs.layout import (
    folder_of,
    in_a_line,
    installed_deliverables,
    installed_limits,
    on_each_stand,
)
from glademark.judge.limits import limits_asked
from glademark.project import read_project
from glademark.project.model import Project
from glademark.proposal.outcome import Proposal, propose_groups
from glademark.proposal.prepare import prepare, with_marks
from glademark.report.delivery import Delivery
from glademark.report.summary import build_summary

log = logging.getLogger(__name__)

PAPERS = ("map", "review")
"""Papers of the best alternative."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Proposed:
    """What a run of proposals gave."""

    project: Project  # what was asked
    stands: Mapping[str, Proposal]
    """Proposals by the name of the stand: "" where the project has one."""
    refused: Mapping[str, str]  # why a stand has no proposal, by its name
    files: tuple[Path, ...] = ()  # files written; none without a folder
    missing: tuple[Missing, ...] = ()  # deliverables that could not be made, each with the reason

    def __repr__(self) -> str:
        """How many alternatives each stand has."""
        sizes = {name: len(one.alternatives) for name, one in self.stands.items()}
        told = {name: counted(size, "alternative") for name, size in sizes.items()}
        return in_a_line(self, told, self.refused)


def propose(
    project_file: Path | str,
    *,
    out: Path | None = None,
    as_marks: int | None = None,
    tell: Callable[[str], None] = log.info,
) -> Proposed:
    """Group openings proposed from the standing trees: flags to walk to, no marks."""
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
    content = of_stands({name: proposal_content(one) for name, one in stands.items()}, refused)
    figures = figures_deliverable(
        PROPOSAL_FIGURES_FILE, {"project": project.heading.name, **content}, title="Proposal"
    )
    parts.append(Part(deliverables=figures))
    delivered = deliver_parts(project, out, parts, replacing=Replacing(job="propose"))
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
