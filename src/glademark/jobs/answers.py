"""
Advice, proposals and the comparison after the cut, each for every stand of a project.

    project file -> asked -> Survey -> Layout -> checks -> advice -> files, marks file
    project file -> asked -> Survey with standing trees -> task -> proposal -> files, marks file
    project file -> asked -> Layout, seen after the cut -> comparison -> files
"""

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from glademark.advice.advise import By, advise, leave_standing
from glademark.advice.outcome import Advice
from glademark.comparison.comparison import Comparison, compare
from glademark.contracts.frames import features
from glademark.contracts.layout import Layout
from glademark.contracts.survey import AfterCutSurvey, Survey
from glademark.errors import InputError, OutputError, counted
from glademark.export.job_files import (
    ADVICE_FIGURES_FILE,
    COMPARISON_FIGURES_FILE,
    advice_content,
    advice_deliverables,
    after_cut_deliverables,
    comparison_summary,
    figures_deliverable,
    of_stands,
    refuse_marks_file,
    write_marks_file,
)
from glademark.export.manifest import Missing, Replacing, earlier_numbers
from glademark.export.output import Part, deliver_parts, input_files
from glademark.export.proposal_files import (
    PROPOSAL_FIGURES_FILE,
    marks_deliverables,
    proposal_content,
    proposal_deliverables,
)
from glademark.intake.comparison import AfterCutInputs, read_after_cut
from glademark.intake.read import SurveysByStand, called, read_by_stand, title_of
from glademark.intake.repeats import marks_again
from glademark.jobs.layout import folder_of, installed_deliverables, installed_limits, on_each_stand
from glademark.judge.checks import judge, judge_asked
from glademark.judge.limits import Case, LimitAsked, limits_asked
from glademark.measure.corridors import measure_corridors
from glademark.measure.edges import walked_outlines
from glademark.measure.holes import NO_MEMBERS, TOO_NARROW
from glademark.measure.layout import measure_layout, with_crown_radius
from glademark.measure.openings import measured_openings
from glademark.measure.zones import covers_of
from glademark.project import read_project
from glademark.project.model import Project, Source
from glademark.proposal.outcome import Proposal, propose_groups
from glademark.proposal.prepare import prepare, with_marks
from glademark.report.delivery import Delivery
from glademark.report.summary import build_summary

log = logging.getLogger(__name__)

PAPERS = ("map", "review")
"""Papers of the best alternative."""

OPENING_LIMITS = (
    "opening_area_max",
    "opening_area_min",
    "combined_area_max",
    "opening_spacing_min",
    "boundary_distance_min",
    "water_distance_min",
)
"""Limits that openings walked after the cut are held against."""

_UNSEEN = "nothing that was seen after the cut belongs to it"


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


@dataclass(frozen=True, kw_only=True, slots=True)
class Proposed:
    """What a run of proposals gave."""

    project: Project  # what was asked
    stands: Mapping[str, Proposal]
    """Proposals by the name of the stand: "" where the project has one."""
    refused: Mapping[str, str]  # why a stand has no proposal, by its name
    files: tuple[Path, ...] = ()  # files written; none without a folder
    missing: tuple[Missing, ...] = ()  # deliverables that could not be made, each with the reason


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


@dataclass(frozen=True, kw_only=True, slots=True)
class StandCompared:
    """The comparison of one stand."""

    comparison: Comparison  # what was seen, held against the layout
    delivery: Delivery  # project, survey, layout and summary before the cut
    seen: AfterCutSurvey  # what was seen


@dataclass(frozen=True, kw_only=True, slots=True)
class Compared:
    """What a comparison gave."""

    stands: Mapping[str, StandCompared]
    """Comparisons by the name of the stand: "" where the project has one."""
    refused: Mapping[str, str]  # why a stand is not compared, by its name
    rejected: pd.DataFrame
    """Records that belong to no stand: columns `contracts.survey.REJECTED_COLUMNS`."""
    files: tuple[Path, ...]  # files written
    missing: tuple[Missing, ...] = ()  # deliverables that could not be made, each with the reason


def inputs_of(*, stumps: Sequence[Path], **others: Path | None) -> AfterCutInputs:
    """Files named one by one, as the inputs of a comparison."""
    rest = {name: Source(file=path) for name, path in others.items() if path is not None}
    return AfterCutInputs(stumps=tuple(Source(file=path) for path in stumps), **rest)


def compare_after_cut(
    project_file: Path,
    inputs: AfterCutInputs,
    *,
    out: Path | None,
    folder: Path | None = None,
    on_each: Callable[[str], None] | None = None,
) -> Compared:
    """What was seen after the cut, held against the layout of each stand of a project."""
    project = read_project(project_file)
    many = read_by_stand(project, folder=project_file.parent)
    after = read_after_cut(inputs, many.surveys, project, folder=folder or Path.cwd())

    def _of(stand: str, survey: Survey) -> StandCompared:
        if stand in after.unseen:
            raise InputError(_UNSEEN)
        if stand in after.refused:
            raise InputError(*after.refused[stand])
        return _compared(survey, called(project, title_of(project, stand)), after.seen[stand])

    stands, refused = on_each_stand(many, _of)
    if out is None:
        return Compared(stands=stands, refused=refused, rejected=after.rejected, files=())
    parts = [
        Part(
            deliverables=after_cut_deliverables(one.comparison, one.seen),
            given=one.delivery,
            folder=folder_of(name),
        )
        for name, one in stands.items()
    ]
    content = figures_of(stands, refused, after.rejected)
    figures = figures_deliverable(COMPARISON_FIGURES_FILE, content, title="Figures")
    delivered = deliver_parts(
        project,
        out,
        [*parts, Part(deliverables=figures)],
        replacing=Replacing(job="compare"),
        on_each=on_each,
    )
    log.info("wrote %d files to %s", len(delivered.files), out)
    return Compared(
        stands=stands,
        refused=refused,
        rejected=after.rejected,
        files=delivered.files,
        missing=delivered.missing,
    )


def figures_of(
    stands: Mapping[str, StandCompared], refused: Mapping[str, str], rejected: pd.DataFrame
) -> dict[str, Any]:
    """Content of ``compare.json``: that of one stand as it is, of many by the stand's name."""
    content = {
        name: comparison_summary(one.comparison, one.seen, one.delivery.project)
        for name, one in stands.items()
    }
    more = {} if "" in content else {"rejected": rejected.to_dict("records")}
    return of_stands(content, refused) | more


def _compared(survey: Survey, project: Project, seen: AfterCutSurvey) -> StandCompared:
    """The comparison of one stand."""
    layout = measure_layout(survey, project, earlier={})
    log.info("read %d records of stumps, %d rejected", len(seen.stumps), len(seen.rejected))
    walked = _on_edge(seen.openings, layout, project)
    like = replace(seen, openings=seen.openings.set_geometry(walked.geometry.to_numpy()))
    comparison = compare(survey, layout, project, like)
    numbers = _numbers(comparison.openings_after["opening"]).to_numpy()
    checks = _opening_checks(survey, layout, project, walked.assign(opening=numbers))
    comparison = replace(comparison, checks=checks)
    delivery = Delivery(
        project=project,
        survey=survey,
        layout=layout,
        checks=checks,
        summary=build_summary(project, survey, layout, checks),
    )
    return StandCompared(comparison=comparison, delivery=delivery, seen=seen)


def _opening_checks(
    survey: Survey, layout: Layout, project: Project, walked: gpd.GeoDataFrame
) -> pd.DataFrame:
    """Limits of openings held against those walked after the cut."""
    limits = {key: one for key, one in project.limits.items() if key in OPENING_LIMITS}
    asked = limits_asked(limits if len(walked) else {}, known=installed_limits())
    ground = covers_of(survey)
    openings, combined = measured_openings(
        walked,
        corridors=measure_corridors(survey.corridors, ground),
        ground=ground,
    )
    after = replace(layout, openings=openings, combined_openings=combined)
    return judge_asked(Case(layout=after, survey=survey, project=project), asked)


def _on_edge(walked: gpd.GeoDataFrame, layout: Layout, project: Project) -> gpd.GeoDataFrame:
    """Outlines walked after the cut, brought to the edge of the layout, with the upper figure."""
    along = np.full(len(walked), project.openings.walked_along or "standing_crowns", dtype=object)
    radius = np.full(len(walked), layout.figures.openings.standing_crown_radius_m)
    standing, boles = walked_outlines(walked.geometry.to_numpy(), along, radius_m=radius)
    edge, nowhere = layout.figures.openings.edge, np.full(len(walked), np.nan)
    shapes = {"standing_crowns": standing, "boles": boles}.get(edge, walked.geometry.to_numpy())
    gone = shapely.is_empty(shapes) | (edge == "marked_crowns")
    shapes = np.where(gone, walked.geometry.to_numpy(), shapes)
    why = NO_MEMBERS if edge == "marked_crowns" else TOO_NARROW
    columns = {
        "stand": np.zeros(len(walked), dtype=np.intp),
        "group": np.full(len(walked), "", dtype=object),
        "basis": np.full(len(walked), "walked", dtype=object),
        "net_of_leave_m2": np.where(gone, np.nan, shapely.area(shapes)),
        "area_marked_crowns_m2": nowhere,
        "area_boles_m2": shapely.area(boles),
        "no_area": np.where(gone, why, "").astype(object),
    }
    return features(columns, shapes, crs=walked.crs)


def _numbers(opening: pd.Series) -> pd.Series:
    """Numbers of the laid openings, and new ones where there is none or it is taken."""
    fresh = opening.isna() | opening.duplicated()
    first = int(opening.max()) + 1 if opening.notna().any() else 1
    numbers = opening.copy()
    numbers[fresh] = range(first, first + int(fresh.sum()))
    return numbers.astype(int)
