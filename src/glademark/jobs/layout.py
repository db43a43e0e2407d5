"""
The main job, in the order in which it is done.

    project file -> asked -> Survey -> Layout -> checks -> deliverables
"""

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from glademark.export.manifest import Replacing
from glademark.export.output import Delivered, deliver
from glademark.export.reopen import reopen
from glademark.export.writers import Missing
from glademark.intake.earlier import changed_inputs, earlier_numbers, replaced_edition
from glademark.intake.read import read_survey
from glademark.jobs.one_stand import lay_out_survey
from glademark.jobs.plugins import (
    asked_for,
    chosen,
    installed_for,
    installed_limits,
)
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
    missing
        Deliverables that could not be made, each with the reason.
    """

    delivery: Delivery
    files: tuple[Path, ...]
    missing: tuple[Missing, ...] = ()

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
        Folder for the results. Files of an earlier output in it are replaced, and removed where
        they are no longer made, or all of them stay as they were; others are left alone.
    only
        Ids of the deliverables to make; those of the project file where empty.
    also
        Ids of deliverables to make besides, such as the pack for the contractor.
    on_each
        Called with the title of each deliverable before it is made.

    Returns
    -------
    outcome
        The layout, its checks, the files written, and those that are missing because their writer
        failed: it takes no other file with it, but field papers come together or not at all.

    Raises
    ------
    InputError
        If the project file or an input is refused.
    OutputError
        If the results could not be written.
    """
    project = read_project(project_file)
    asked = limits_asked(project.limits, known=installed_limits())
    writers = asked_for(only or project.deliver.only, also)
    survey = read_survey(project, folder=project_file.parent)
    log.info("read %d marks, %d rejected", len(survey.marks), len(survey.rejected))
    for change in changed_inputs(out, survey.counts):
        log.warning("%s", change)
    earlier = earlier_numbers(out, marks=survey.marks)
    delivery = _replacing(lay_out_survey(survey, project, asked, earlier=earlier), out)
    delivered = deliver(delivery, out, writers, on_each=on_each)
    return _handed_over(delivery, delivered, out)


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
        Folder for the results. Where its files were made with or from this very GeoPackage, those
        not made again stay; else they are replaced as by `lay_out`.
    only
        Ids of the deliverables to make; all but the GeoPackage where empty.
    also
        Ids of deliverables to make besides.
    on_each
        Called with the title of each deliverable before it is made.

    Returns
    -------
    outcome
        The layout as it was, and the files written and missing.

    Raises
    ------
    InputError
        If the GeoPackage is refused, or an id is not known.
    OutputError
        If the results could not be written.
    """
    delivery = reopen(layout_gpkg)
    every = installed_for(only, also)
    papers = {name: one for name, one in every.items() if name != GEOPACKAGE}
    writers = chosen(papers, only, also=also)
    replacing = Replacing(made_from=layout_gpkg, inputs=(layout_gpkg,))
    delivered = deliver(delivery, out, writers, replacing=replacing, on_each=on_each)
    return _handed_over(delivery, delivered, out)


def _replacing(delivery: Delivery, out: Path) -> Delivery:
    """A delivery that names the edition which it replaces in a folder, where there is another."""
    provenance = delivery.summary["provenance"]
    replaced = replaced_edition(out, provenance["edition"])
    if not replaced:
        return delivery
    named = {**provenance, "replaces": replaced}
    return replace(delivery, summary={**delivery.summary, "provenance": named})


def _handed_over(delivery: Delivery, delivered: Delivered, out: Path) -> Outcome:
    """What a run gave, logged."""
    log.info("wrote %d files to %s", len(delivered.files), out)
    return Outcome(delivery=delivery, files=delivered.files, missing=delivered.missing)
