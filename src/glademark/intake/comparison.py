"""All that was seen after the cut, stand by stand, in the layout's working CRS."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType
from typing import Literal, TypeVar

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import CRS, Transformer

from glademark.contracts.frames import features, no_rows
from glademark.contracts.survey import REJECTED_COLUMNS, AfterCutSurvey, Survey
from glademark.errors import FileError, InputError
from glademark.forestry import SpeciesNames
from glademark.intake.after_cut import no_damage, no_stumps, read_damage, read_stumps
from glademark.intake.areas import (
    AREA_COLUMNS,
    WALKED_COLUMNS,
    named_outlines,
    no_areas,
    read_walked,
)
from glademark.intake.columns import meanings
from glademark.intake.columns.fields import Fields, recognise
from glademark.intake.columns.meanings import Meaning
from glademark.intake.columns.positions import with_points
from glademark.intake.crs import stated_crs, transformed
from glademark.intake.cruise import no_cruise, read_cruise
from glademark.intake.formats.files import Snapshots
from glademark.intake.formats.gpx_kml import Want
from glademark.intake.lines_and_outlines import LENGTH_MIN_M, with_areas
from glademark.intake.opened import part_of, read_source
from glademark.intake.record_log import Reading, RecordLog
from glademark.intake.site import Stands, placed, polygonal
from glademark.intake.stand import header_of, records_of_no_stand, with_stand_number
from glademark.process import temporary_folder
from glademark.project.model import Project, Source
from glademark.project.read import project_species
from glademark.units import AREA_M2

_T = TypeVar("_T")
_QUARTER_SEGMENTS = 16
_SHARED_M2 = 1.0  # ground that two sampled places may share by rounding [m2]


@dataclass(frozen=True, kw_only=True, slots=True)
class AfterCutInputs:
    """Files of what was seen after the cut; each but one may be left out."""

    stumps: tuple[Source, ...] = ()  # points or tables of stumps
    driven: Source | None = None  # lines that a machine drove
    openings: Source | None = None  # edges of openings, walked after the cut
    sampled: Source | None = None
    """Places where stumps were looked for, where that was not everywhere."""
    post_cut_plots: Source | None = None  # plots of the trees left standing
    damage: Source | None = None  # damage to what is left


@dataclass(frozen=True, kw_only=True, slots=True)
class AfterCutSurveys:
    """What was seen after the cut, by the name of the stand."""

    seen: Mapping[str, AfterCutSurvey]  # of the stands in which anything was seen
    refused: Mapping[str, tuple[str, ...]]  # why what was seen in a stand cannot be used
    unseen: tuple[str, ...]  # names of the stands in which nothing was seen
    rejected: pd.DataFrame
    """Records that belong to no stand: columns `contracts.survey.REJECTED_COLUMNS`."""


_INPUTS: Mapping[str, tuple[tuple[Meaning, ...], Want]] = MappingProxyType(
    {
        "stumps": (meanings.STUMPS, "points"),
        "driven": (meanings.DRIVEN, "lines"),
        "openings": (meanings.WALKED, "lines"),
        "sampled": (meanings.SAMPLED, "lines"),
        "post_cut_plots": (meanings.CRUISE, "points"),
        "damage": (meanings.DAMAGE, "points"),
    }
)
"""Inputs of a comparison, in the order in which they are opened."""

_Opened = Mapping[str, Sequence[tuple[Reading, Source]]]


def read_after_cut(
    inputs: AfterCutInputs, surveys: Mapping[str, Survey], project: Project, *, folder: Path
) -> AfterCutSurveys:
    """
    All that was seen after the cut, each record with the stand that it names or lies in.

    Every record that was read is used or rejected with the reason. `surveys` are those of before
    the cut, by stand; relative paths start in `folder`. Nothing given is an `InputError`.
    """
    given = (
        inputs.stumps, inputs.driven, inputs.openings, inputs.post_cut_plots, inputs.damage,
    )  # fmt: skip
    if not any(given):
        msg = (
            "nothing to compare: give what was seen after the cut: stumps, driven lines, walked "
            "openings, plots or damage."
        )
        raise InputError(msg)
    with temporary_folder() as temporary:
        opened, faults = _opened(inputs, Snapshots(temporary), folder.absolute())
        if len(surveys) == 1:
            of_stands, rejected = [opened], no_rows(REJECTED_COLUMNS, {"record": "int64"})
        else:
            of_stands, rejected = _by_stand(opened, surveys, project.heading.stand_id or "", faults)
        seen, refused, unseen = {}, {}, []
        for (name, survey), files in zip(surveys.items(), of_stands, strict=True):
            if not faults and not any(files.values()):
                unseen.append(name)
                continue
            try:
                species = project_species(project, survey.volume_table)
                seen[name] = _seen(files, survey, project, faults, species=species)
            except InputError as error:
                if len(surveys) == 1:
                    raise
                refused[name] = error.faults
    return AfterCutSurveys(seen=seen, refused=refused, unseen=tuple(unseen), rejected=rejected)


def _opened(
    inputs: AfterCutInputs, snapshots: Snapshots, folder: Path
) -> tuple[_Opened, tuple[str, ...]]:
    """Records of every file, by input, and why files cannot be opened."""
    opened: dict[str, list[tuple[Reading, Source]]] = {}
    faults: list[str] = []
    for key, (wanted, want) in _INPUTS.items():
        given: tuple[Source, ...] | Source | None = getattr(inputs, key)
        for source in given if isinstance(given, tuple) else (given,):
            if source is None:
                continue
            try:
                file = snapshots.take(key, source.file, folder=folder)
                reading = read_source(file, source, wanted, want=want)
            except InputError as error:
                faults.extend(error.faults)
            else:
                opened.setdefault(key, []).append((reading, source))
    return opened, tuple(faults)


def _by_stand(
    opened: _Opened, surveys: Mapping[str, Survey], column: str, faults: Sequence[str]
) -> tuple[list[_Opened], pd.DataFrame]:
    """Files of each stand, those without a record of it left out; and records of no stand."""
    names = pd.Index(list(surveys))
    crs = next(iter(surveys.values())).crs
    areas = np.array(
        [survey.stand.geometry.to_crs(crs).iloc[0] for survey in surveys.values()], dtype=object
    )
    of_stands: list[dict[str, list[tuple[Reading, Source]]]] = [{} for _ in surveys]
    lost = [no_rows(REJECTED_COLUMNS, {"record": "int64"})]
    for key, readings in opened.items():
        for reading, source in readings if not faults else ():
            if header_of(reading, column) is not None:
                rejected, _ = records_of_no_stand(reading, column, names)
                keyed = with_stand_number(reading, column, names)
            else:
                keyed, rejected = _located(reading, source, _INPUTS[key][0], areas, crs)
            lost.append(rejected)
            for number, files in enumerate(of_stands):
                part = part_of(keyed, [number])
                if len(part):
                    files.setdefault(key, []).append((part, source))
    return list(of_stands), pd.concat(lost, ignore_index=True)


def _located(
    reading: Reading,
    source: Source,
    wanted: Sequence[Meaning],
    areas: npt.NDArray[np.object_],
    crs: CRS,
) -> tuple[Reading, pd.DataFrame]:
    """Records with the number of the stand that they lie in or nearest to; and those nowhere."""
    trial = RecordLog()
    trial.open(reading)
    located = reading
    if located.geometry is None:
        found = recognise(reading.headers, wanted, where=reading.file.name)
        located = with_points(reading, found, source, trial)
    own_crs = stated_crs(located, source.crs, trial)
    located = placed(located, own_crs, trial)
    if trial.refused:
        raise InputError(*trial.faults_of(0))
    shapes = transformed(located.shapes, own_crs, crs).to_numpy()
    finite = np.flatnonzero(np.isfinite(shapely.bounds(shapes)).all(axis=1))
    tree = shapely.STRtree(areas)
    row, number = tree.query_nearest(shapes[finite], all_matches=False)
    across = np.flatnonzero(shapely.get_dimensions(shapes[finite]) > 0)
    crossing, crossed = tree.query(shapes[finite][across], predicate="intersects")
    pairs = np.unique(
        np.concatenate([np.stack([row, number]), np.stack([across[crossing], crossed])], axis=1),
        axis=1,
    )
    pairs = pairs[:, np.argsort(pairs[1], kind="stable")]
    places = reading.index.get_indexer(located.index)[finite]
    keyed = replace(reading.repeated(places[pairs[0]]), key=pairs[1], spoiled=(), notices=())
    reason = "its position, by which its stand would be found, cannot be used"
    lost = [(record, reason) for record in np.delete(reading.record.to_numpy(), places)]
    rows = pd.DataFrame([*lost, *reading.spoiled], columns=["record", "reason"])
    rows = rows.assign(input=reading.file.input, file=reading.file.name, tree_id="")
    return keyed, rows[list(REJECTED_COLUMNS)].astype({"record": "int64"})


def _stands(survey: Survey) -> Stands:
    """The stand that all of it belongs to."""
    stand = survey.stand.geometry.iloc[0]
    to_degrees = Transformer.from_crs(survey.crs, "EPSG:4326", always_xy=True)
    middle = to_degrees.transform(stand.centroid.x, stand.centroid.y)
    areas = survey.stand.geometry.to_numpy(dtype=object)
    return Stands(crs=survey.crs, areas=areas, middles=[middle])


def _seen(
    opened: _Opened,
    survey: Survey,
    project: Project,
    faults: Sequence[str],
    *,
    species: SpeciesNames,
) -> AfterCutSurvey:
    """What was seen in one stand."""
    stands, log, gap = _stands(survey), RecordLog(), project.marks.position_error_m
    for fault in faults:
        log.fault(fault)
    for readings in opened.values():
        for reading, _ in readings:
            log.open(reading)

    def one(key: str, use: Callable[[Reading, Source], _T], instead: _T) -> _T:
        for reading, source in opened.get(key, ()):
            with log.gathering():
                return use(reading, source)
        return instead

    stumps = no_stumps(stands.crs)
    with log.gathering():
        readings = _stumps(opened.get("stumps", ()))
        stumps = read_stumps(readings, project, stands, log, species=species)
    driven = one(
        "driven",
        lambda reading, source: read_driven(reading, source, stands, log),
        no_areas(stands.crs, AREA_COLUMNS),
    )
    openings = one(
        "openings",
        lambda reading, source: named_outlines(
            read_walked(reading, source, stands, log, gap_max_m=gap, keep_crossing=False), log
        ),
        no_areas(stands.crs, WALKED_COLUMNS),
    )
    sampled = one(
        "sampled",
        lambda reading, source: read_sampled(reading, source, stands, log, gap_max_m=gap),
        no_areas(stands.crs, AREA_COLUMNS),
    )
    plots, trees = one(
        "post_cut_plots",
        lambda reading, source: read_cruise(reading, source, stands, project, log),
        no_cruise(stands.crs),
    )
    damage = one(
        "damage",
        lambda reading, source: read_damage(reading, source, stands, project, log),
        no_damage(stands.crs),
    )
    if log.refused:
        raise InputError(*log.faults_of(0))
    number = {0: 0}
    return AfterCutSurvey(
        stumps=stumps,
        driven=driven,
        openings=openings,
        sampled=sampled,
        plots=plots,
        plot_trees=trees,
        damage=damage,
        rejected=log.rejected_records(number),
        counts=log.counts(number),
        notices=tuple(notice.text for notice in log.notices(number)),
    )


def _stumps(readings: Sequence[tuple[Reading, Source]]) -> Sequence[tuple[Reading, Source]]:
    """Files of stumps, each given once."""
    if len({(one.file.sha256, source.layer) for one, source in readings}) < len(readings):
        msg = "stumps: the same stumps are given twice. Leave one of the files out."
        raise FileError(msg)
    return readings


def read_driven(
    reading: Reading, source: Source, stands: Stands, log: RecordLog
) -> gpd.GeoDataFrame:
    """Lines that a machine drove, such as tracks, by `name`: those with a part in the stand."""
    reading = stands.bring(reading, source, log)
    name = reading.file.name
    found = recognise(reading.headers, meanings.DRIVEN, where=name)
    names = Fields(reading=reading, found=found, log=log).cells("name")
    if (shapely.get_dimensions(reading.shapes.to_numpy()) != 1).any():
        msg = f"{name}: driven lines are lines, and some records are points or areas. Correct it."
        raise FileError(msg)
    reading = log.reject(
        replace(reading, ids=names),
        reading.shapes.length < LENGTH_MIN_M,
        reason="the line has no length; leave it out",
        what="without length",
    )
    outside = ~stands.touches(reading)
    reading = stands.refuse_if_all_outside(reading, outside, log)
    reading = log.reject(
        reading,
        outside,
        reason="the line lies wholly outside the stand; leave it out",
        what="outside the stand",
    )
    log.use(reading)
    frame = {"name": _numbered(names[reading.index])}
    return features(frame, reading.shapes, crs=stands.crs).reset_index(drop=True)


def read_sampled(
    reading: Reading, source: Source, stands: Stands, log: RecordLog, *, gap_max_m: float
) -> gpd.GeoDataFrame:
    """
    Places where stumps were looked for, by `name`, cut at the stand.

    They are polygons; lines with a width (strips); or points with a plot radius or plot area. Lines
    with a gap of up to `gap_max_m` between their ends are closed. The file is refused where the
    size of a plot or strip is not said, or places overlap.
    """
    name = reading.file.name
    found = recognise(reading.headers, meanings.SAMPLED, where=name)
    if reading.geometry is None:
        reading = with_points(reading, found, source, log)
    reading = stands.bring(reading, source, log)
    fields = Fields(reading=reading, found=found, log=log)
    reading = with_areas(_widened(reading, fields), log, gap_max_m=gap_max_m)
    inside = stands.clipped(reading.shapes, reading.stand)
    reading = log.reject(
        reading,
        ~(inside.area > 0),
        reason="it lies outside the stand; leave it out",
        what="outside the stand",
    )
    log.use(reading)
    areas = polygonal(gpd.GeoSeries(inside[reading.index]).to_numpy())
    if len(areas) and shapely.area(areas).sum() > shapely.union_all(areas).area + _SHARED_M2:
        msg = f"{name}: sampled places overlap. Cut them so that each piece of ground is in one."
        raise FileError(msg)
    frame = {"name": _numbered(fields.names("name")[reading.index])}
    return features(frame, areas, crs=stands.crs).reset_index(drop=True)


def _widened(reading: Reading, fields: Fields) -> Reading:
    """Strips and plots as the ground that they cover; areas as they are."""
    shapes = reading.shapes.to_numpy().copy()
    dimension = shapely.get_dimensions(shapes)
    width, _ = fields.lengths("width", unit=None, key="")
    radius, _ = fields.lengths("plot_radius", unit=None, key="")
    area, unit, _ = fields.quantities("plot_area")
    metres = area * unit.map(AREA_M2).astype(float)
    half = np.where(dimension == 1, width / 2, radius.fillna(np.sqrt(metres / np.pi)))
    closed = (dimension == 1) & shapely.is_closed(shapes) & np.isnan(half)
    lacking = (dimension < 2) & ~closed & ~(half > 0)  # noqa: PLR2004 - areas need no size
    if lacking.any():
        where = reading.at(int(np.argmax(lacking)))
        msg = (
            f"{reading.file.name}, {where}: the size of the place is not said. Give strips a width "
            "(width_m, width_ft) and plots a radius or area (plot_radius_m, plot_area_ac)."
        )
        raise FileError(msg)
    styles: tuple[tuple[int, Literal["round", "flat"]], ...] = ((0, "round"), (1, "flat"))
    for kind, style in styles:
        wanted = (dimension == kind) & ~closed
        shapes[wanted] = shapely.buffer(
            shapes[wanted], half[wanted], quad_segs=_QUARTER_SEGMENTS, cap_style=style
        )
    geometry = gpd.GeoSeries(shapes, index=reading.index, crs=reading.shapes.crs)
    return replace(reading, geometry=geometry)


def _numbered(names: pd.Series) -> pd.Series:
    """Names, and numbers where there are none."""
    numbers = pd.Series(np.arange(1, len(names) + 1).astype(str), index=names.index)
    return names.where(names != "", numbers)
