"""Advice on which marks to leave standing, stand by stand."""

import logging
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import pandas as pd

from glademark.advice.advise import By, advise, leave_standing
from glademark.advice.outcome import Advice
from glademark.contracts.survey import Survey
from glademark.errors import InputError, OutputError, counted
from glademark.export.job_files import (
    ADVICE_FIGURES_FILE,
    advice_content,
    advice_deliverables,
    figures_deliverable,
    of_stands,
    refuse_marks_file,
    write_marks_file,
)
from glademark.export.manifest import Missing, Replacing, earlier_numbers
from glademark.export.output import Part, deliver_parts, input_files
from glademark.intake.read import SurveysByStand, called, read_by_stand, title_of
from glademark.intake.repeats import marks_again
from glademark.jobs.layout import folder_of, in_a_line, installed_limits, on_each_stand
from glademark.judge.checks import judge
from glademark.judge.limits import Case, LimitAsked, limits_asked
from glademark.measure.layout import measure_layout, with_crown_radius
from glademark.project import read_project
from glademark.project.model import Project, Source
from glademark.report.delivery import Delivery

log = logging.getLogger(__name__)


@dataclass(frozen=True, kw_only=True, slots=True)
class StandAdvice:
    """Advice on one stand, and the delivery that its files are written from."""

    advice: Advice
    survey: Survey
    delivery: Delivery


@dataclass(frozen=True, kw_only=True, slots=True)
class Advised:
    """What a run of advice gave."""

    project: Project  # what was asked
    stands: Mapping[str, StandAdvice]
    """Advice by the name of the stand: "" where the project has one."""
    refused: Mapping[str, str]  # why a stand has no advice, by its name
    files: tuple[Path, ...]  # files written
    missing: tuple[Missing, ...] = ()  # deliverables that could not be made, each with the reason

    def __repr__(self) -> str:
        """How many marks each stand is to leave standing."""
        sizes = {name: len(one.advice.leave_standing) for name, one in self.stands.items()}
        told = {name: f"{counted(size, 'mark')} to leave standing" for name, size in sizes.items()}
        return in_a_line(self, told, self.refused)


def give_advice(
    project_file: Path,
    *,
    by: By,
    out: Path | None = None,
    apply: Path | None = None,
    written: bool = True,
) -> Advised:
    """The smallest set of marks to leave standing, as files."""
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
    content = of_stands({name: advice_content(one.advice) for name, one in stands.items()}, refused)
    figures = figures_deliverable(
        ADVICE_FIGURES_FILE, {"project": project.heading.name, **content}, title="Advice"
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
