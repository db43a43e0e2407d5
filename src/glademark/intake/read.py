"""All inputs of a project as one Survey of one stand or many."""

import logging
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import geopandas as gpd
import numpy as np
import pandas as pd
from pyproj import CRS

from glademark.contracts.frames import STAND, features
from glademark.contracts.survey import Survey
from glademark.contracts.terrain import Elevation
from glademark.errors import InputError, counted, listed
from glademark.intake.areas import (
    AREA_COLUMNS,
    HAZARD_COLUMNS,
    PATCH_COLUMNS,
    SETBACK_COLUMNS,
    WALKED_COLUMNS,
    WATER_COLUMNS,
    named_outlines,
    no_areas,
    note_uphill,
    read_areas,
    read_failing_patches,
    read_hazards,
    read_landings,
    read_setbacks,
    read_walked,
    read_water,
    water_setbacks,
)
from glademark.intake.columns.mark_fields import leave_labels
from glademark.intake.cruise import no_cruise, read_cruise
from glademark.intake.lines_and_outlines import no_corridors, read_corridors
from glademark.intake.marks import no_marks, read_marks
from glademark.intake.opened import OpenInputs, files_of, open_inputs
from glademark.intake.record_log import NEEDED, Reading, RecordLog
from glademark.intake.site import Stands, no_boundaries
from glademark.intake.stand import open_stands, read_stands, together, zone_groups
from glademark.intake.terrain import (
    describe_terrain,
    for_canopy,
    read_elevation,
    refuse_little_cover,
)
from glademark.intake.trees import (
    CROP_COLUMNS,
    LEAVE_COLUMNS,
    STANDING_COLUMNS,
    no_tally,
    no_trees,
    read_crop_trees,
    read_leave_trees,
    read_standing,
    read_tally,
    read_target,
    read_text_rows,
    with_centre_counts,
)
from glademark.process import temporary_folder
from glademark.project.job_settings import TerrainSettings
from glademark.project.model import Project, Source

log = logging.getLogger(__name__)

_T = TypeVar("_T")
_F = TypeVar("_F", bound=pd.DataFrame)
_Terrain = tuple[dict[int, dict[str, float | str]] | None, dict[int, Elevation] | None]


@dataclass(frozen=True, kw_only=True, slots=True)
class SurveysByStand:
    """Surveys of one stand each, by its name: "" where records do not say their stand."""

    surveys: Mapping[str, Survey]  # of the stands that could be read
    refused: Mapping[str, tuple[str, ...]]  # why a stand could not be read, by its name


def read_survey(project: Project, *, folder: Path) -> Survey:
    """All inputs of a project of one stand, in one working CRS and SI units."""
    if project.heading.stand_id:
        msg = (
            "[project] stand_id is given, so that the files hold many stands; expected those of "
            "one. Leave it out, or use what goes by stand."
        )
        raise InputError(msg)
    with temporary_folder() as temporary:
        survey = survey_of(open_inputs(project, folder=folder, temporary=temporary), project)
    for count in survey.counts:
        log.info(
            "%s: %d read, %d used, %d rejected",
            count.file,
            count.read,
            count.used,
            count.rejected,
        )
    return survey


def read_by_stand(project: Project, *, folder: Path) -> SurveysByStand:
    """Surveys of all stands of a project, or of its one; records of no stand are told of."""
    if not project.heading.stand_id:
        return SurveysByStand(surveys={"": read_survey(project, folder=folder)}, refused={})
    surveys: dict[str, Survey] = {}
    refused: dict[str, tuple[str, ...]] = {}
    with open_stands(project, folder=folder) as many:
        for count in many.counts:
            if count.rejected:
                log.warning("%s: %d records belong to no stand", count.file, count.rejected)
        name_of = {title_of(project, name): name for name in many.inputs.names}
        for survey in surveys_of(many.inputs, project):
            for stand, title in enumerate(survey.stand["name"]):
                surveys[name_of[str(title)]] = survey.of(stand)
            for title, rows in survey.refused.groupby("name"):
                refused[name_of[str(title)]] = tuple(rows["reason"])
    in_order = [name for name in name_of.values() if name in surveys]
    return SurveysByStand(surveys={name: surveys[name] for name in in_order}, refused=refused)


def survey_of(inputs: OpenInputs, project: Project) -> Survey:
    """Survey of one stand, whose faults are an `InputError`."""
    (survey,) = surveys_of(inputs, project)
    if len(survey.refused):
        raise InputError(*survey.refused["reason"])
    return survey


def title_of(project: Project, stand: str) -> str:
    """What a stand is called on layers and papers, after the project and its own name."""
    return f"{project.heading.name}, stand {stand}" if stand else project.heading.name


def called(project: Project, title: str) -> Project:
    """A project under the title of one of its stands."""
    return project.model_copy(
        update={"heading": project.heading.model_copy(update={"name": title})}
    )


def surveys_of(inputs: OpenInputs, project: Project) -> Iterator[Survey]:
    """
    Surveys of all stands, one for each working CRS: nearly always one of all of them.

    A stand any of whose inputs is refused is in `Survey.refused` with the reasons.
    """
    for numbers in _groups(inputs, project):
        part = inputs if len(numbers) == len(inputs.names) else inputs.of(numbers)
        yield _Reader.of(part, project).survey()


def _groups(inputs: OpenInputs, project: Project) -> list[list[int]]:
    """Stands that can be in one survey: of one working CRS and one volume table."""
    stands = len(inputs.names)
    boundaries, stated = inputs.layers["stand"], project.heading.working_crs
    boundary, source = boundaries[0], project.inputs.stand[0]
    if None in boundaries or stands == 1 or (stated is not None and len(boundaries) > 1):
        return [list(range(stands))]
    if boundary is None or len(boundaries) > 1:
        return [[stand] for stand in range(stands)]
    trial = RecordLog(stands=stands)
    trial.open(boundary)
    return zone_groups(boundary, source, trial, stated=stated)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Reader:
    """Reads one input after the other, and goes on after one that is refused."""

    inputs: OpenInputs
    project: Project
    log: RecordLog

    @classmethod
    def of(cls, inputs: OpenInputs, project: Project) -> "_Reader":
        """A reader of inputs, of whose records nothing has become yet."""
        stands = len(inputs.names)
        tables = (inputs.volume_table, inputs.target_table)
        whole = inputs.changed(
            lambda reading: (
                reading if any(reading is table for table in tables) else reading.for_stands(stands)
            )
        )
        records = RecordLog(stands=stands)
        for fault in inputs.faults:
            records.fault(fault)
        boundaries = len(whole.layers["stand"])
        needed = NEEDED if boundaries == 1 else tuple(key for key in NEEDED if key != "stand")
        for reading in whole.readings():
            records.open(reading, needed=needed)
        return cls(inputs=whole, project=project, log=records)

    def survey(self) -> Survey:
        """Survey of all inputs; refused stands are numbered after the others."""
        stands = self._stands()
        frames: dict[str, Any] = {
            "marks": self._marks(stands),
            "corridors": self._corridors(stands),
        }
        frames |= self._areas(stands)
        frames |= self._trees(stands)
        leave = frames["leave_trees"]
        frames["leave_trees"] = leave.assign(label=leave_labels(leave, frames["marks"]))
        tally, volume_table = self._tables()
        frames["tally"] = with_centre_counts(tally, frames["marks"], self.log)
        frames["plots"], frames["plot_trees"] = self._cruise(stands)
        terrain, elevation = self._heights(stands, "terrain", self.project.terrain)
        canopy = self._heights(stands, "canopy_height", for_canopy(self.project.canopy))[1]
        if self.project.water.setback_m is not None:
            note_uphill(frames["water"], elevation or {}, self.log)
        frames["water"] = frames["water"][[*AREA_COLUMNS, STAND, "geometry"]]
        self._blame_boundary(stands)
        rasters = {"terrain": terrain, "elevation": elevation, "canopy": canopy}
        return self._of_used(stands, frames, volume_table, rasters)

    def _blame_boundary(self, stands: Stands) -> None:
        """Name the boundary where most of the other files lie outside of it."""
        boundaries, sources = self.inputs.layers["stand"], self.project.inputs.stand or ()
        layers = [one for key, one in self.inputs.layers.items() if key != "stand"]
        others = (*(one for files in layers for one in files), *self.inputs.marks)
        given = {one.file.name for one in others if one is not None}
        if len(boundaries) == 1 and boundaries[0] is not None and self.log.outside:
            stands.blame_boundary(boundaries[0], sources[0], len(given), self.log)

    def _each(self, key: str, use: Callable[[Reading, Source], _T]) -> list[_T]:
        """What the files of a layer are used for, without those that are refused."""
        sources = getattr(self.project.inputs, key) or ()
        readings = self.inputs.tally if key == "tally" else self.inputs.layers[key]
        twice = _given_twice([one for one in readings if one is not None], sources, key)
        if twice:
            self.log.fault(twice)
            return []
        used: list[_T] = []
        for reading, source in zip(readings, sources, strict=True):
            if reading is not None and self.log.still_to_read(reading):
                with self.log.gathering(reading):
                    used.append(use(reading, source))
        return used

    def _used(self, key: str, use: Callable[[Reading, Source], _F], instead: _F) -> _F:
        """What a layer is used for, or what stands for one that is not given or refused."""
        found = self._each(key, use)
        return joined(found) if found else instead

    def _marks(self, stands: Stands) -> gpd.GeoDataFrame | None:
        """Marks of all files, if all of them can be read."""
        sources = self.project.inputs.marks
        if not sources:
            return no_marks(stands.crs)
        opened = [reading for reading in self.inputs.marks if reading is not None]
        twice = _given_twice(opened, sources, "marks")
        if twice:
            self.log.fault(twice)
        if twice or len(opened) < len(sources):
            return None
        with self.log.gathering():
            return read_marks(opened, self.project, stands, self.log)
        return None

    def _stands(self) -> Stands:
        """Boundaries of all files, those of one stand put together, in the CRS of the first."""
        systems = [self.project.heading.working_crs]

        def _read(reading: Reading, source: Source) -> Stands:
            found = read_stands(reading, source, self.log, stated=systems[-1])
            systems.append(found.crs.to_wkt())
            return found

        return together(self._each("stand", _read)) or no_boundaries(self.log.stands)

    def _corridors(self, stands: Stands) -> gpd.GeoDataFrame:
        """Corridors; a notice where there are none."""
        settings, taken = self.project.corridors, defaultdict[int, list[str]](list)
        given = [reading for reading in self.inputs.layers["corridors"] if reading is not None]
        text = "No corridors are given: their share is 0 %."
        with_some = {stand for reading in given for stand in self.log.still_to_read(reading)}
        if not given:
            self.log.notice(text)
        else:
            for stand in set(range(self.log.stands)) - with_some:
                self.log.notice(text, stand=stand)

        def _read(reading: Reading, source: Source) -> gpd.GeoDataFrame:
            lines = read_corridors(reading, source, stands, settings, self.log, taken=taken)
            for stand, name in zip(lines[STAND], lines["corridor"], strict=True):
                taken[stand].append(name)
            return lines

        return self._used("corridors", _read, no_corridors(stands.crs))

    def _trees(self, stands: Stands) -> dict[str, gpd.GeoDataFrame]:
        """Leave trees, crop trees and all standing trees."""

        def _read(
            key: str, use: Callable[..., gpd.GeoDataFrame], names: tuple[str, ...]
        ) -> gpd.GeoDataFrame:
            return self._used(
                key,
                lambda reading, source: use(reading, source, stands, self.project, self.log),
                no_trees(names, stands.crs),
            )

        standing = _read("standing", read_standing, STANDING_COLUMNS)
        texts = standing.select_dtypes(include=["str", "object"]).columns
        return {
            "leave_trees": _read("leave_trees", read_leave_trees, LEAVE_COLUMNS),
            "crop_trees": _read("crop_trees", read_crop_trees, CROP_COLUMNS),
            "standing": standing.fillna(dict.fromkeys(texts, "")),
        }

    def _cruise(self, stands: Stands) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
        """Plots and trees of all files; a plot that stands in two of them is a fault."""
        found = self._each(
            "cruise",
            lambda reading, source: read_cruise(reading, source, stands, self.project, self.log),
        )
        if not found:
            return no_cruise(stands.crs)
        plots, trees = (joined(list(frames)) for frames in zip(*found, strict=True))
        twice = plots[plots.duplicated([STAND, "plot"])]
        for stand, names in twice.groupby(STAND)["plot"]:
            text = (
                f"[inputs] cruise: {counted(len(names), 'plot')} in two files ({listed(names)}). "
                "Give each plot a name of its own, or leave one file out."
            )
            self.log.fault(text, stand=int(stand))
        return plots, trees

    def _areas(self, stands: Stands) -> dict[str, gpd.GeoDataFrame]:
        """Walked openings, exclusions, landings, hazards, marked ground, water and setbacks."""
        records, gap = self.log, self.project.marks.position_error_m

        def _read(
            key: str, use: Callable[..., gpd.GeoDataFrame], names: tuple[str, ...]
        ) -> gpd.GeoDataFrame:
            return self._used(
                key,
                lambda reading, source: use(reading, source, stands, records, gap_max_m=gap),
                no_areas(stands.crs, names),
            )

        plain = {
            key: _read(key, read_areas, AREA_COLUMNS)
            for key in ("exclusions", "marked_ground", "regeneration")
        }
        sites = _read("landings", read_landings, AREA_COLUMNS)
        plain["failing_patches"] = _read("failing_patches", read_failing_patches, PATCH_COLUMNS)
        walked = named_outlines(_read("openings", read_walked, WALKED_COLUMNS), records)
        settings = self.project.water
        water = self._used(
            "water",
            lambda reading, source: read_water(reading, source, stands, settings, records),
            no_areas(stands.crs, WATER_COLUMNS),
        )
        given = self._used(
            "setbacks",
            lambda reading, source: read_setbacks(reading, source, stands, records),
            no_areas(stands.crs, SETBACK_COLUMNS),
        )
        strips = water_setbacks(water, stands, settings)
        every = [frame for frame in (given, strips) if len(frame)]
        setbacks = pd.concat(every, ignore_index=True) if every else given
        setbacks = setbacks.sort_values(STAND, kind="stable", ignore_index=True)
        hazards = self._used(
            "hazards",
            lambda reading, source: read_hazards(reading, source, stands, records),
            no_areas(stands.crs, HAZARD_COLUMNS),
        )
        found = {"landings": sites, "hazards": hazards, "walked": walked, "water": water}
        return {**plain, **found, "setbacks": setbacks}

    def _tables(self) -> tuple[pd.DataFrame, pd.DataFrame | None]:
        """Paper tally and volume table; None where the latter is not given."""
        volume_table = None
        tally = self._used(
            "tally", lambda reading, _: read_tally(reading, self.project, self.log), no_tally()
        )
        if self.inputs.volume_table is not None:
            with self.log.gathering(self.inputs.volume_table):
                volume_table = read_text_rows(self.inputs.volume_table, self.log)
        return tally, volume_table

    def _target(self) -> pd.DataFrame | None:
        """Target structure from a file; None where it is not given."""
        reading = self.inputs.target_table
        if reading is not None:
            with self.log.gathering(reading):
                return read_target(reading, self.log)
        return None

    def _heights(self, stands: Stands, key: str, settings: TerrainSettings) -> _Terrain:
        """What a raster is and the heights in it, stand by stand, or None."""
        sources, file = getattr(self.project.inputs, key), getattr(self.inputs, key)
        if sources is None or file is None:
            return None, None
        for one in files_of(file):
            self.log.use_whole(one)
        terrain, elevation = {}, {}
        for number in range(self.log.stands):
            stand = stands.one(number)
            try:
                facts = dict(describe_terrain(file, sources[0], stand, self.log))
                refuse_little_cover(file, float(facts["covered_share"]), settings)
                crs = CRS.from_wkt(str(facts["crs"]))
                heights = read_elevation(file, crs, stand, settings, self.log)
            except InputError as error:
                for text in error.faults:
                    self.log.fault(text, stand=number)
                continue
            terrain[number] = facts
            if heights is not None:
                elevation[number] = heights
        return terrain or None, elevation or None

    def _of_used(
        self,
        stands: Stands,
        frames: dict[str, Any],
        volume_table: pd.DataFrame | None,
        rasters: Mapping[str, Mapping[int, Any] | None],
    ) -> Survey:
        """Survey of the stands that are not refused, numbered from 0."""
        records = self.log
        names = tuple(title_of(self.project, name) for name in self.inputs.names)
        refused = records.refused
        used = [stand for stand in range(records.stands) if stand not in set(refused)]
        number = {stand: new for new, stand in enumerate([*used, *refused])}
        new = {stand: number[stand] for stand in used}
        if refused:
            frames = {name: _rows_of_stands(frame, new) for name, frame in frames.items()}
        under_new: dict[str, Any] = {name: _under_new(one, new) for name, one in rasters.items()}
        boundaries = {
            STAND: np.arange(len(used), dtype=np.int64),
            "name": np.array([names[stand] for stand in used], dtype=object),
        }
        return Survey(
            crs=stands.crs,
            stand=features(boundaries, stands.areas[used], crs=stands.crs),
            **frames,
            volume_table=volume_table,
            target_table=self._target(),
            **under_new,
            rejected=records.rejected_records(new),
            counts=records.counts(new),
            stand_notices=records.notices(new),
            refused=records.refused_stands(number, names),
        )


def _rows_of_stands(frame: gpd.GeoDataFrame | None, new: dict[int, int]) -> gpd.GeoDataFrame | None:
    """Rows of the stands that have a new number, under it."""
    if frame is None:
        return None
    kept = frame[frame[STAND].isin(list(new))].reset_index(drop=True)
    return kept.assign(**{STAND: kept[STAND].map(new).astype("int64")})


def _under_new(by_stand: Mapping[int, _T] | None, new: dict[int, int]) -> dict[int, _T] | None:
    """What is kept by stand, under the new numbers."""
    kept = {new[stand]: one for stand, one in (by_stand or {}).items() if stand in new}
    return kept or None


def _given_twice(readings: Sequence[Reading], sources: tuple[Source, ...], key: str) -> str:
    """Sentence about a file that is given twice for one input, or nothing."""
    seen: dict[tuple[str, str | None], str] = {}
    for reading, source in zip(readings, sources, strict=False):
        same = reading.file.sha256, source.layer
        if same in seen:
            return (
                f"{reading.file.name}: the same {key.replace('_', ' ')} are given as {seen[same]} "
                f"already. Remove one of them from [inputs] {key}."
            )
        seen[same] = reading.file.name
    return ""


def joined(frames: Sequence[_F]) -> _F:
    """Rows of several files under each other, by stand; those of one file as they are."""
    if len(frames) == 1:
        return frames[0]
    some = [frame for frame in frames if len(frame)] or [*frames[:1]]
    return pd.concat(some).sort_values(STAND, kind="stable", ignore_index=True)
