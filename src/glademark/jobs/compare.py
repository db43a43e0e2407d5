"""
The comparison after the cut, in the order in which it is done.

    project file -> Survey -> Layout -> AfterCutSurvey -> Comparison -> deliverables
"""

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import geopandas as gpd
import pandas as pd
import shapely

from glademark.compare.comparison import Comparison, compare
from glademark.contracts.layout import Layout
from glademark.contracts.survey import Survey
from glademark.export.comparison_files import after_cut_deliverables
from glademark.export.output import deliver
from glademark.intake.comparison import AfterCutInputs, read_after_cut
from glademark.intake.read import read_survey
from glademark.jobs.plugins import installed_limits
from glademark.judge.checks import judge_asked
from glademark.judge.limits import Case, limits_asked
from glademark.measure.combined_openings import join_openings
from glademark.measure.corridors import measure_corridors
from glademark.measure.cover import cover_of
from glademark.measure.layout import measure_layout
from glademark.measure.opening_layer import measured_openings
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


@dataclass(frozen=True, kw_only=True, slots=True)
class Compared:
    """
    What a comparison gave.

    Attributes
    ----------
    comparison
        What was seen, held against the layout.
    delivery
        Project, survey, layout and summary before the cut.
    files
        Files written.
    """

    comparison: Comparison
    delivery: Delivery
    files: tuple[Path, ...]


def inputs_of(*, stumps: Sequence[Path], **others: Path | None) -> AfterCutInputs:
    """
    Files named one by one, as the inputs of a comparison.

    Parameters
    ----------
    stumps
        Files of stumps.
    **others
        ``driven``, ``openings``, ``sampled`` and ``post_cut_plots``.

    Returns
    -------
    inputs
        What is None is left out.
    """
    rest = {name: Source(file=path) for name, path in others.items() if path is not None}
    return AfterCutInputs(stumps=tuple(Source(file=path) for path in stumps), **rest)


def compare_after_cut(
    project_file: Path,
    inputs: AfterCutInputs,
    *,
    out: Path,
    folder: Path | None = None,
    on_each: Callable[[str], None] | None = None,
) -> Compared:
    """
    Stumps, tracks and openings after the cut, held against the layout of a project.

    Parameters
    ----------
    project_file
        The project file of the layout.
    inputs
        What was brought home after the cut.
    out
        Folder for the results; what it held before is replaced as a whole, or stays as it was.
    folder
        Where relative paths of `inputs` start; the current folder where None.
    on_each
        Called with the title of each deliverable before it is made.

    Returns
    -------
    compared
        The comparison and the files written.

    Raises
    ------
    InputError
        If the project file or an input is refused.
    OutputError
        If the results could not be written.
    """
    project = read_project(project_file)
    survey = read_survey(project, folder=project_file.parent)
    layout = measure_layout(survey, project, earlier={})
    seen = read_after_cut(inputs, survey, project, folder=folder or Path.cwd())
    log.info("read %d records of stumps, %d rejected", len(seen.stumps), len(seen.rejected))
    comparison = compare(survey, layout, project, seen)
    checks = _opening_checks(survey, layout, project, comparison.openings_after)
    comparison = replace(comparison, checks=checks)
    delivery = Delivery(
        project=project,
        survey=survey,
        layout=layout,
        checks=checks,
        summary=build_summary(project, survey, layout, checks),
    )
    files = deliver(delivery, out, after_cut_deliverables(comparison, seen), on_each=on_each)
    log.info("wrote %d files to %s", len(files), out)
    return Compared(comparison=comparison, delivery=delivery, files=files)


def _opening_checks(
    survey: Survey, layout: Layout, project: Project, walked: gpd.GeoDataFrame
) -> pd.DataFrame:
    """Limits of openings held against those walked after the cut."""
    limits = {key: one for key, one in project.limits.items() if key in OPENING_LIMITS}
    asked = limits_asked(limits if len(walked) else {}, known=installed_limits())
    cover = cover_of(survey)
    corridors = measure_corridors(
        survey.corridors, stand=cover.stand, operable=cover.operable, landings=cover.landing
    )
    numbered = walked.assign(
        opening=_numbers(walked["opening"]), net_of_leave_m2=walked["area_m2"], basis="walked"
    )
    combined = join_openings(numbered, strips=corridors.strips, corridor_area=corridors.area)
    openings = measured_openings(
        numbered.drop(columns="area_m2"),
        combined=combined,
        corridor=corridors.area,
        stand=cover.stand,
        water=shapely.union_all(layout.water.geometry.to_numpy()),
    )
    after = replace(layout, openings=openings, combined_openings=combined)
    return judge_asked(Case(layout=after, survey=survey, project=project), asked)


def _numbers(opening: pd.Series) -> pd.Series:
    """Numbers of the laid openings, and new ones where there is none or it is taken."""
    fresh = opening.isna() | opening.duplicated()
    first = int(opening.max()) + 1 if opening.notna().any() else 1
    numbers = opening.copy()
    numbers[fresh] = range(first, first + int(fresh.sum()))
    return numbers.astype(int)
