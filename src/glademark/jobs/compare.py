"""What was seen after the cut held against the layout, stand by stand."""

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from glademark.comparison.comparison import Comparison, compare
from glademark.contracts.frames import features
from glademark.contracts.layout import Layout
from glademark.contracts.survey import AfterCutSurvey, Survey
from glademark.errors import InputError, counted
from glademark.export.job_files import (
    COMPARISON_FIGURES_FILE,
    after_cut_deliverables,
    comparison_summary,
    figures_deliverable,
    of_stands,
)
from glademark.export.manifest import Missing, Replacing
from glademark.export.output import Part, deliver_parts
from glademark.intake.comparison import AfterCutInputs, read_after_cut
from glademark.intake.read import called, read_by_stand, title_of
from glademark.jobs.layout import folder_of, in_a_line, installed_limits, on_each_stand
from glademark.judge.checks import judge_asked
from glademark.judge.limits import Case, limits_asked
from glademark.measure.corridors import measure_corridors
from glademark.measure.edges import walked_outlines
from glademark.measure.holes import NO_MEMBERS, TOO_NARROW
from glademark.measure.layout import measure_layout
from glademark.measure.openings import measured_openings
from glademark.measure.zones import covers_of
from glademark.project import read_project
from glademark.project.model import Project, Source
from glademark.report.delivery import Delivery
from glademark.report.summary import build_summary

log = logging.getLogger(__name__)

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

    def __repr__(self) -> str:
        """How many records of stumps each stand has."""
        sizes = {name: len(one.comparison.stumps) for name, one in self.stands.items()}
        told = {name: counted(size, "record") + " of stumps" for name, size in sizes.items()}
        return in_a_line(self, told, self.refused)


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
