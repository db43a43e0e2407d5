"""All inputs of a project as one Survey."""

import logging
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TypeVar

import geopandas as gpd
import pandas as pd
from pyproj import CRS

from glademark.elevation import Elevation
from glademark.errors import InputError
from glademark.intake import meanings
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
from glademark.intake.files import Snapshots
from glademark.intake.gpx import Want
from glademark.intake.ground import NOWHERE, Ground
from glademark.intake.leave_trees import no_leave_trees, read_leave_trees
from glademark.intake.marks import read_marks
from glademark.intake.meanings import Meaning
from glademark.intake.records import Ledger, Reading
from glademark.intake.sources import read_source, read_table
from glademark.intake.stand import read_stand
from glademark.intake.tables import no_tally, read_tally, read_text_rows
from glademark.intake.terrain import describe_terrain
from glademark.project.model import Project, Source
from glademark.survey import Survey

log = logging.getLogger(__name__)

_T = TypeVar("_T")
_LAYERS: dict[str, tuple[tuple[Meaning, ...], Want]] = {
    "stand": (meanings.AREAS, "lines"),
    "corridors": (meanings.CORRIDORS, "lines"),
    "openings": (meanings.WALKED, "lines"),
    "keep_out": (meanings.AREAS, "lines"),
    "setbacks": (meanings.SETBACKS, "lines"),
    "water": (meanings.WATER, "lines"),
    "landings": (meanings.AREAS, "lines"),
    "leave_trees": (meanings.LEAVE_TREES, "points"),
    "covered": (meanings.AREAS, "lines"),
    "cruise": (meanings.CRUISE, "points"),
}


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
        Every record that was read is in it, used or set aside with the reason.

    Raises
    ------
    InputError
        If any input is refused; all faults of all inputs are in it.
    """
    with TemporaryDirectory(prefix="glademark-", ignore_cleanup_errors=True) as temporary:
        desk = _Desk(
            project=project,
            folder=folder.absolute(),
            snapshots=Snapshots(Path(temporary)),
            ledger=Ledger(),
        )
        survey = _survey(desk)
    for count in survey.counts:
        log.info(
            "%s: %d read, %d used, %d set aside",
            count.file,
            count.read,
            count.used,
            count.set_aside,
        )
    return survey


@dataclass(frozen=True, kw_only=True, slots=True)
class _Desk:
    """Where the inputs are opened and their faults are gathered."""

    project: Project
    folder: Path
    snapshots: Snapshots
    ledger: Ledger

    def attempt(self, step: Callable[[], _T], instead: _T) -> _T:
        """Result of a step; its faults are noted, and the other inputs are still looked at."""
        try:
            return step()
        except InputError as error:
            self.ledger.faults += [
                fault for fault in error.faults if fault not in self.ledger.faults
            ]
            return instead

    def layer(self, key: str, source: Source | None) -> Reading | None:
        """Records of an input with positions, or None."""
        if source is None:
            return None
        wanted, want = _LAYERS.get(key, (meanings.MARKS, "points"))

        def step() -> Reading:
            file = self.snapshots.take(key, source.file, folder=self.folder)
            reading = read_source(file, source, wanted, want=want)
            self.ledger.open(reading)
            return reading

        return self.attempt(step, None)

    def table(self, key: str, source: Source | None, wanted: tuple[Meaning, ...]) -> Reading | None:
        """Records of a table, or None."""
        if source is None:
            return None

        def step() -> Reading:
            file = self.snapshots.take(key, source.file, folder=self.folder)
            reading = read_table(file, source, wanted)
            self.ledger.open(reading)
            return reading

        return self.attempt(step, None)

    def using(
        self,
        reading: Reading | None,
        source: Source | None,
        use: Callable[[Reading, Source], _T],
        instead: _T,
    ) -> _T:
        """What a reading is used for, or what stands for an input that is not given."""
        if reading is None or source is None:
            return instead
        return self.attempt(partial(use, reading, source), instead)


def _survey(desk: _Desk) -> Survey:
    """Open every input, then use them: the stand first, since all others must belong to it."""
    project, ledger, inputs = desk.project, desk.ledger, desk.project.inputs
    layers = {key: desk.layer(key, getattr(inputs, key)) for key in _LAYERS}
    marks_files = [desk.layer("marks", source) for source in inputs.marks]
    tally = desk.table("tally", inputs.tally, meanings.TALLY)
    volume_table = desk.table("volume_table", project.volume.table, meanings.TALLY)
    ground = desk.using(
        layers["stand"],
        inputs.stand,
        lambda reading, source: read_stand(
            reading, source, ledger, stated=project.heading.working_crs
        ),
        NOWHERE,
    )
    marks = _marks(desk, marks_files, ground)
    corridors = _corridors(desk, layers["corridors"], ground)
    areas = _areas(desk, layers, ground)
    leave_trees = desk.using(
        layers["leave_trees"],
        inputs.leave_trees,
        lambda reading, source: read_leave_trees(reading, source, ground, project.marks, ledger),
        no_leave_trees(ground),
    )
    tables = _tables(desk, tally, volume_table)
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
        set_aside=ledger.set_aside_records,
        counts=ledger.counts,
        notices=ledger.notices,
    )


def _marks(desk: _Desk, readings: list[Reading | None], ground: Ground) -> gpd.GeoDataFrame | None:
    """Marks of all files, if all of them can be read."""
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


def _corridors(desk: _Desk, reading: Reading | None, ground: Ground) -> gpd.GeoDataFrame:
    """Corridors, or none, which is worth a word."""
    source, settings = desk.project.inputs.corridors, desk.project.corridors
    if source is None:
        desk.ledger.notice("No corridors are given: their share is 0 %.")
    return desk.using(
        reading,
        source,
        lambda one, stated: read_corridors(one, stated, ground, settings, desk.ledger),
        no_corridors(ground),
    )


def _areas(
    desk: _Desk, layers: dict[str, Reading | None], ground: Ground
) -> dict[str, gpd.GeoDataFrame]:
    """Walked openings, keep-outs, landings, covered ground, water and setbacks."""
    inputs, ledger = desk.project.inputs, desk.ledger
    gap = desk.project.marks.position_error_m
    plain = {
        key: desk.using(
            layers[key],
            getattr(inputs, key),
            lambda one, stated: read_areas(one, stated, ground, ledger, gap_max_m=gap),
            no_areas(ground, AREA_COLUMNS),
        )
        for key in ("keep_out", "covered")
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


def _tables(
    desk: _Desk, tally: Reading | None, volume_table: Reading | None
) -> dict[str, pd.DataFrame | None]:
    """Tables without positions, None where not given."""
    ledger = desk.ledger
    steps: dict[str, tuple[Reading | None, Callable[[Reading], pd.DataFrame]]] = {
        "tally": (tally, lambda one: read_tally(one, desk.project, ledger)),
        "volume_table": (volume_table, lambda one: read_text_rows(one, ledger)),
    }
    return {
        key: None if reading is None else desk.attempt(partial(use, reading), None)
        for key, (reading, use) in steps.items()
    }


def _terrain(desk: _Desk, ground: Ground) -> tuple[dict[str, float | str] | None, Elevation | None]:
    """What the raster is and the heights in it, or None."""
    source = desk.project.inputs.terrain
    if source is None:
        return None, None
    settings = desk.project.terrain
    file = desk.snapshots.take("terrain", source.file, folder=desk.folder)
    terrain = dict(describe_terrain(file, source, ground, desk.ledger))
    refuse_little_cover(file, float(terrain["covered_share"]), settings)
    elevation = read_elevation(
        file, CRS.from_wkt(str(terrain["crs"])), ground, settings, desk.ledger
    )
    desk.ledger.use_whole(file)
    return terrain, elevation
