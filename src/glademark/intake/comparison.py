"""All that was brought home after the cut as one AfterCutSurvey, in the layout's working CRS."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal, TypeVar

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import Transformer

from glademark.contracts.comparison_survey import AfterCutSurvey
from glademark.contracts.frames import features
from glademark.contracts.survey import Survey
from glademark.errors import FileError, InputError
from glademark.forestry import SpeciesNames
from glademark.intake.areas import AREA_COLUMNS, WALKED_COLUMNS, no_areas, read_walked
from glademark.intake.columns import meanings
from glademark.intake.columns.fields import Fields
from glademark.intake.columns.match import recognise
from glademark.intake.columns.meanings import Meaning
from glademark.intake.columns.positions import with_points
from glademark.intake.corridors import LENGTH_MIN_M
from glademark.intake.cruise import no_cruise, read_cruise
from glademark.intake.formats.files import Snapshots
from glademark.intake.formats.gpx import Want
from glademark.intake.formats.sources import read_source
from glademark.intake.outlines import with_areas
from glademark.intake.record_log import RecordLog
from glademark.intake.records import Reading
from glademark.intake.site import Stands, polygonal
from glademark.intake.stumps import no_stumps, read_stumps
from glademark.project.model import Project, Source
from glademark.project.species import project_species
from glademark.temporary import temporary_folder
from glademark.units import AREA_M2

_T = TypeVar("_T")
_QUARTER_SEGMENTS = 16
_SHARED_M2 = 1.0  # ground that two sampled places may share by rounding [m2]


@dataclass(frozen=True, kw_only=True, slots=True)
class AfterCutInputs:
    """
    Files brought home after the cut; each but one may be left out.

    Attributes
    ----------
    stumps
        Points or tables of stumps.
    driven
        Lines that a machine drove.
    openings
        Edges of openings, walked after the cut.
    sampled
        Places where stumps were looked for, where that was not everywhere.
    post_cut_plots
        Plots of the trees left standing.
    """

    stumps: tuple[Source, ...] = ()
    driven: Source | None = None
    openings: Source | None = None
    sampled: Source | None = None
    post_cut_plots: Source | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class _Opener:
    """Opens files, whose records are logged."""

    folder: Path
    snapshots: Snapshots
    log: RecordLog = field(default_factory=RecordLog)

    def opened(self, key: str, source: Source, wanted: Sequence[Meaning], want: Want) -> Reading:
        """Records of one file."""
        file = self.snapshots.take(key, source.file, folder=self.folder)
        reading = read_source(file, source, wanted, want=want)
        self.log.open(reading)
        return reading


def read_after_cut(
    inputs: AfterCutInputs, survey: Survey, project: Project, *, folder: Path
) -> AfterCutSurvey:
    """
    Everything that was brought home after the cut.

    Parameters
    ----------
    inputs
        Which files.
    survey
        What was brought home before the cut: the stand and the working CRS.
    project
        Units, and how stumps were measured.
    folder
        Where relative paths start.

    Returns
    -------
    seen
        Every record that was read is in it, used or rejected with the reason.

    Raises
    ------
    InputError
        If nothing is given, or any input is refused; all faults of all inputs are in it.
    """
    given = (inputs.stumps, inputs.driven, inputs.openings, inputs.post_cut_plots)
    if not any(given):
        msg = (
            "nothing to compare: give what was seen after the cut: stumps, driven lines, walked "
            "openings or plots."
        )
        raise InputError(msg)
    with temporary_folder() as temporary:
        opener = _Opener(folder=folder.absolute(), snapshots=Snapshots(temporary))
        species = project_species(project, survey.volume_table)
        return _seen(opener, inputs, _stands(survey), project, species)


def _stands(survey: Survey) -> Stands:
    """The stand that all of it belongs to."""
    stand = survey.stand.geometry.iloc[0]
    to_degrees = Transformer.from_crs(survey.crs, "EPSG:4326", always_xy=True)
    middle = to_degrees.transform(stand.centroid.x, stand.centroid.y)
    areas = survey.stand.geometry.to_numpy(dtype=object)
    return Stands(crs=survey.crs, areas=areas, middles=[middle])


def _seen(
    opener: _Opener,
    inputs: AfterCutInputs,
    stands: Stands,
    project: Project,
    species: SpeciesNames,
) -> AfterCutSurvey:
    """Use every input."""
    log, gap = opener.log, project.marks.position_error_m

    def one(
        key: str,
        wanted: Sequence[Meaning],
        want: Want,
        use: Callable[[Reading, Source], _T],
        instead: _T,
    ) -> _T:
        source: Source | None = getattr(inputs, key)
        if source is None:
            return instead
        with log.gathering():
            return use(opener.opened(key, source, wanted, want), source)
        return instead

    stumps = no_stumps(stands.crs)
    with log.gathering():
        readings = _stumps(opener, inputs)
        stumps = read_stumps(readings, project, stands, log, species=species)
    driven = one(
        "driven",
        meanings.DRIVEN,
        "lines",
        lambda reading, source: read_driven(reading, source, stands, log),
        no_areas(stands.crs, AREA_COLUMNS),
    )
    openings = one(
        "openings",
        meanings.WALKED,
        "lines",
        lambda reading, source: read_walked(reading, source, stands, log, gap_max_m=gap),
        no_areas(stands.crs, WALKED_COLUMNS),
    )
    sampled = one(
        "sampled",
        meanings.SAMPLED,
        "lines",
        lambda reading, source: read_sampled(reading, source, stands, log, gap_max_m=gap),
        no_areas(stands.crs, AREA_COLUMNS),
    )
    plots, trees = one(
        "post_cut_plots",
        meanings.CRUISE,
        "points",
        lambda reading, source: read_cruise(reading, source, stands, project, log),
        no_cruise(stands.crs),
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
        rejected=log.rejected_records(number),
        counts=log.counts(number),
        notices=tuple(notice.text for notice in log.notices(number)),
    )


def _stumps(opener: _Opener, inputs: AfterCutInputs) -> list[tuple[Reading, Source]]:
    """Files of stumps, each opened once."""
    readings = [
        (opener.opened("stumps", source, meanings.STUMPS, "points"), source)
        for source in inputs.stumps
    ]
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
