"""All inputs of a project as one Survey."""

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TypeVar

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
from pyproj import CRS

from glademark.contracts.elevation import Elevation
from glademark.contracts.survey import Survey
from glademark.errors import InputError
from glademark.intake.areas import (
    AREA_COLUMNS,
    SETBACK_COLUMNS,
    WALKED_COLUMNS,
    cut_at_stand,
    no_areas,
    read_areas,
    read_landings,
    read_setbacks,
    read_walked,
    read_water,
    water_setbacks,
)
from glademark.intake.corridors import no_corridors, read_corridors
from glademark.intake.cruise import no_cruise, read_cruise
from glademark.intake.elevation import read_elevation, refuse_little_cover
from glademark.intake.leave_trees import no_leave_trees, read_leave_trees
from glademark.intake.marks import read_marks
from glademark.intake.opened import Shelf, open_inputs
from glademark.intake.record_log import Ledger
from glademark.intake.records import Reading
from glademark.intake.site import NOWHERE, Ground
from glademark.intake.stand import read_stand
from glademark.intake.tally import no_tally, read_tally, read_text_rows
from glademark.intake.terrain import describe_terrain
from glademark.project.model import Project, Source

log = logging.getLogger(__name__)

_T = TypeVar("_T")
_OfStands = tuple[gpd.GeoDataFrame, npt.NDArray[np.intp]]


def read_survey(project: Project, *, folder: Path) -> Survey:
    """
    Everything that was brought home, in one working CRS and SI units.

    Parameters
    ----------
    project
        What was asked.
    folder
        Where the project file stands: relative paths start there.

    Returns
    -------
    survey
        Every record that was read is in it, used or rejected with the reason.

    Raises
    ------
    InputError
        If any input is refused; all faults of all inputs are in it.
    """
    with TemporaryDirectory(prefix="glademark-", ignore_cleanup_errors=True) as temporary:
        survey = survey_of(open_inputs(project, folder=folder, temporary=Path(temporary)), project)
    for count in survey.counts:
        log.info(
            "%s: %d read, %d used, %d rejected",
            count.file,
            count.read,
            count.used,
            count.rejected,
        )
    return survey


def survey_of(shelf: Shelf, project: Project) -> Survey:
    """
    Survey of inputs that were opened before.

    Parameters
    ----------
    shelf
        Inputs of one stand.
    project
        What was asked.

    Returns
    -------
    survey
        Every record that was read is in it, used or rejected with the reason.

    Raises
    ------
    InputError
        If any input is refused; all faults of all inputs are in it.
    """
    ledger = Ledger(faults=list(shelf.faults))
    for reading in shelf.readings():
        ledger.open(reading)
    desk = Desk(project=project, shelf=shelf, ledger=ledger)
    ground = desk.using(
        shelf.layers["stand"],
        project.inputs.stand,
        lambda reading, source: read_stand(
            reading, source, ledger, stated=project.heading.working_crs
        ),
        NOWHERE,
    )
    marks, corridors = marks_and_corridors(desk, ground)
    return survey_on(desk, ground, None if marks is None else marks[0], corridors[0])


@dataclass(frozen=True, kw_only=True, slots=True)
class Desk:
    """
    Where opened inputs are used and their faults are gathered.

    Attributes
    ----------
    project
        What was asked.
    shelf
        The inputs.
    ledger
        What becomes of their records.
    """

    project: Project
    shelf: Shelf
    ledger: Ledger

    def attempt(self, step: Callable[[], _T], instead: _T) -> _T:
        """
        Result of a step; its faults are noted, and the other inputs are still looked at.

        Parameters
        ----------
        step
            What to do.
        instead
            What is handed on where the step fails.

        Returns
        -------
        result
            Of the step, or `instead`.
        """
        try:
            return step()
        except InputError as error:
            self.ledger.alone |= error.stands
            self.ledger.faults += [
                fault for fault in error.faults if fault not in self.ledger.faults
            ]
            return instead

    def using(
        self,
        reading: Reading | None,
        source: Source | None,
        use: Callable[[Reading, Source], _T],
        instead: _T,
    ) -> _T:
        """
        What a reading is used for, or what stands for an input that is not given.

        Parameters
        ----------
        reading, source
            Of one input; None where it is not given or refused.
        use
            What to do with them.
        instead
            What is handed on where there is nothing, or where it fails.

        Returns
        -------
        result
            Of the use, or `instead`.
        """
        if reading is None or source is None:
            return instead
        return self.attempt(partial(use, reading, source), instead)


def marks_and_corridors(desk: Desk, ground: Ground) -> tuple[_OfStands | None, _OfStands]:
    """
    The inputs of which every stand has many records.

    Parameters
    ----------
    desk
        With the inputs of one stand, or of many.
    ground
        The stand, or the stands.

    Returns
    -------
    marks, corridors
        Each with the number of the stand of every row; None where marks are refused.
    """
    return _marks(desk, ground), _corridors(desk, desk.shelf.layers["corridors"], ground)


def survey_on(
    desk: Desk, ground: Ground, marks: gpd.GeoDataFrame | None, corridors: gpd.GeoDataFrame
) -> Survey:
    """
    Survey of one stand with its marks and corridors: every other input is used.

    Parameters
    ----------
    desk
        With the inputs of the stand.
    ground
        The stand.
    marks
        None where they are refused.
    corridors
        None of them has no row.

    Returns
    -------
    survey
        Of all inputs.

    Raises
    ------
    InputError
        If any input is refused.
    """
    project, ledger, inputs = desk.project, desk.ledger, desk.project.inputs
    layers = desk.shelf.layers
    areas = _areas(desk, layers, ground)
    leave_trees = desk.using(
        layers["leave_trees"],
        inputs.leave_trees,
        lambda reading, source: read_leave_trees(reading, source, ground, project.marks, ledger),
        no_leave_trees(ground),
    )
    tables = _tables(desk)
    plots, plot_trees = desk.using(
        layers["cruise"],
        inputs.cruise,
        lambda reading, source: read_cruise(reading, source, ground, project, ledger),
        no_cruise(ground),
    )
    nothing: tuple[dict[str, float | str] | None, Elevation | None] = (None, None)
    terrain, elevation = desk.attempt(lambda: _terrain(desk, ground), nothing)
    if ledger.faults or ground.stand is None or marks is None:
        raise InputError(*ledger.faults)
    return Survey(
        crs=ground.crs,
        stand=gpd.GeoDataFrame(geometry=[ground.stand], crs=ground.crs),
        corridors=corridors,
        marks=marks,
        **areas,
        leave_trees=leave_trees,
        tally=no_tally() if tables["tally"] is None else tables["tally"],
        volume_table=tables["volume_table"],
        plots=plots,
        plot_trees=plot_trees,
        terrain=terrain,
        elevation=elevation,
        rejected=ledger.rejected_records,
        counts=ledger.counts,
        notices=ledger.notices,
    )


def _marks(desk: Desk, ground: Ground) -> _OfStands | None:
    """Marks of all files, if all of them can be read."""
    readings = desk.shelf.marks
    opened = [reading for reading in readings if reading is not None]
    twice = _given_twice(opened, desk.project.inputs.marks)
    if twice:
        desk.ledger.faults.append(twice)
    if twice or len(opened) < len(readings):
        return None
    return desk.attempt(lambda: read_marks(opened, desk.project, ground, desk.ledger), None)


def _given_twice(readings: list[Reading], sources: tuple[Source, ...]) -> str:
    """Sentence about a file of marks that is given twice, or nothing."""
    seen: dict[tuple[str, str | None], str] = {}
    for reading, source in zip(readings, sources, strict=False):
        key = reading.file.sha256, source.layer
        if key in seen:
            return (
                f"{reading.file.name}: the same marks are given as {seen[key]} already. "
                "Remove one of them from [inputs] marks."
            )
        seen[key] = reading.file.name
    return ""


def _corridors(desk: Desk, reading: Reading | None, ground: Ground) -> _OfStands:
    """Corridors, or none, which is worth a word."""
    source, settings = desk.project.inputs.corridors, desk.project.corridors
    if reading is None:
        desk.ledger.notice("No corridors are given: their share is 0 %.")
    return desk.using(
        reading,
        source,
        lambda one, stated: read_corridors(one, stated, ground, settings, desk.ledger),
        (no_corridors(ground), np.zeros(0, dtype=np.intp)),
    )


def _areas(
    desk: Desk, layers: Mapping[str, Reading | None], ground: Ground
) -> dict[str, gpd.GeoDataFrame]:
    """Walked openings, exclusions, landings, marked ground, water and setbacks."""
    inputs, ledger = desk.project.inputs, desk.ledger
    gap = desk.project.marks.position_error_m
    plain = {
        key: desk.using(
            layers[key],
            getattr(inputs, key),
            lambda one, stated: read_areas(one, stated, ground, ledger, gap_max_m=gap),
            no_areas(ground, AREA_COLUMNS),
        )
        for key in ("exclusions", "marked_ground")
    }
    sites = desk.using(
        layers["landings"],
        inputs.landings,
        lambda one, stated: read_landings(one, stated, ground, ledger, gap_max_m=gap),
        no_areas(ground, AREA_COLUMNS),
    )
    walked = desk.using(
        layers["openings"],
        inputs.openings,
        lambda one, stated: read_walked(one, stated, ground, ledger, gap_max_m=gap),
        no_areas(ground, WALKED_COLUMNS),
    )
    water = desk.using(
        layers["water"],
        inputs.water,
        lambda one, stated: read_water(one, stated, ground, desk.project.water, ledger),
        no_areas(ground, AREA_COLUMNS),
    )
    given = desk.using(
        layers["setbacks"],
        inputs.setbacks,
        lambda one, stated: read_setbacks(one, stated, ground, ledger),
        no_areas(ground, SETBACK_COLUMNS),
    )
    strips = water_setbacks(water, ground, desk.project.water)
    every = [frame for frame in (given, strips) if len(frame)]
    setbacks = pd.concat(every, ignore_index=True) if every else given
    landings = {"landings": cut_at_stand(sites, ground), "landing_sites": sites}
    return {**plain, **landings, "walked": walked, "water": water, "setbacks": setbacks}


def _tables(desk: Desk) -> dict[str, pd.DataFrame | None]:
    """Tables without positions, None where not given."""
    ledger = desk.ledger
    steps: dict[str, tuple[Reading | None, Callable[[Reading], pd.DataFrame]]] = {
        "tally": (desk.shelf.tally, lambda one: read_tally(one, desk.project, ledger)),
        "volume_table": (desk.shelf.volume_table, lambda one: read_text_rows(one, ledger)),
    }
    return {
        key: None if reading is None else desk.attempt(partial(use, reading), None)
        for key, (reading, use) in steps.items()
    }


def _terrain(desk: Desk, ground: Ground) -> tuple[dict[str, float | str] | None, Elevation | None]:
    """What the raster is and the heights in it, or None."""
    source, file = desk.project.inputs.terrain, desk.shelf.terrain
    if source is None or file is None:
        return None, None
    settings = desk.project.terrain
    terrain = dict(describe_terrain(file, source, ground, desk.ledger))
    refuse_little_cover(file, float(terrain["covered_share"]), settings)
    elevation = read_elevation(
        file, CRS.from_wkt(str(terrain["crs"])), ground, settings, desk.ledger
    )
    desk.ledger.use_whole(file)
    return terrain, elevation
