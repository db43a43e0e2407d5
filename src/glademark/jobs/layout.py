"""
The main job, in the order in which it is done.

    project file -> asked -> Survey -> Layout -> checks -> deliverables
"""

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from glademark.export.output import deliver
from glademark.export.reopen import reopen
from glademark.intake.earlier import changed_inputs, earlier_numbers
from glademark.intake.read import read_survey
from glademark.jobs.one_stand import lay_out_survey
from glademark.jobs.plugins import chosen, installed_deliverables, installed_limits
from glademark.judge.limits import limits_asked
from glademark.project import read_project
from glademark.report.delivery import Delivery

log = logging.getLogger(__name__)

GEOPACKAGE = "gpkg"
"""Id of the deliverable that the papers can be made again from."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Outcome:
    """
    What a run gave.

    Attributes
    ----------
    delivery
        Project, survey, layout, checks and summary.
    files
        Files written.
    """

    delivery: Delivery
    files: tuple[Path, ...]

    @property
    def checks(self) -> pd.DataFrame:
        """
        Limits held against the layout.

        Returns
        -------
        checks
            Columns of `contracts.layers.CHECKS`.
        """
        return self.delivery.checks


def lay_out(
    project_file: Path,
    *,
    out: Path,
    only: Sequence[str] = (),
    also: Sequence[str] = (),
    on_each: Callable[[str], None] | None = None,
) -> Outcome:
    """
    Layout of a marked harvest: field files in, layers, tables and verdicts out.

    Parameters
    ----------
    project_file
        The project file.
    out
        Folder for the results; what it held before is replaced as a whole, or stays as it was.
    only
        Ids of the deliverables to make; those of the project file where empty.
    also
        Ids of deliverables to make besides, such as the pack for the contractor.
    on_each
        Called with the title of each deliverable before it is made.

    Returns
    -------
    outcome
        The layout, its checks, and the files written.

    Raises
    ------
    InputError
        If the project file or an input is refused.
    OutputError
        If the results could not be written.
    """
    project = read_project(project_file)
    asked = limits_asked(project.limits, known=installed_limits())
    writers = chosen(installed_deliverables(), only or project.deliver.only, also=also)
    survey = read_survey(project, folder=project_file.parent)
    log.info("read %d marks, %d rejected", len(survey.marks), len(survey.rejected))
    for change in changed_inputs(out, survey.counts):
        log.warning("%s", change)
    earlier = earlier_numbers(out, marks=survey.marks)
    delivery = lay_out_survey(survey, project, asked, earlier=earlier)
    files = deliver(delivery, out, writers, on_each=on_each)
    log.info("wrote %d files to %s", len(files), out)
    return Outcome(delivery=delivery, files=files)


def make_papers(
    layout_gpkg: Path,
    *,
    out: Path,
    only: Sequence[str] = (),
    also: Sequence[str] = (),
    on_each: Callable[[str], None] | None = None,
) -> Outcome:
    """
    Papers and files of a layout made again from its GeoPackage alone.

    Parameters
    ----------
    layout_gpkg
        ``layout.gpkg`` as `lay_out` wrote it; it is read only.
    out
        Folder for the results, as for `lay_out`.
    only
        Ids of the deliverables to make; all but the GeoPackage where empty.
    also
        Ids of deliverables to make besides.
    on_each
        Called with the title of each deliverable before it is made.

    Returns
    -------
    outcome
        The layout as it was, and the files written.

    Raises
    ------
    InputError
        If the GeoPackage is refused, or an id is not known.
    OutputError
        If the results could not be written.
    """
    delivery = reopen(layout_gpkg)
    papers = {name: one for name, one in installed_deliverables().items() if name != GEOPACKAGE}
    files = deliver(delivery, out, chosen(papers, only, also=also), on_each=on_each)
    log.info("wrote %d files to %s", len(files), out)
    return Outcome(delivery=delivery, files=files)
