"""All that was brought home after the cut as one AfterCutSurvey, in the layout's working CRS."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
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
from glademark.intake.record_log import Ledger
from glademark.intake.records import Reading
from glademark.intake.site import Ground, polygonal
from glademark.intake.stumps import no_stumps, read_stumps
from glademark.project.model import Project, Source
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
class _Desk:
    """Where the inputs are opened and their faults are gathered."""

    folder: Path
    snapshots: Snapshots
    ledger: Ledger = field(default_factory=Ledger)

    def attempt(self, step: Callable[[], _T], instead: _T) -> _T:
        """Result of a step; its faults are noted, and the other inputs are still looked at."""
        try:
            return step()
        except InputError as error:
            self.ledger.faults += [
                fault for fault in error.faults if fault not in self.ledger.faults
            ]
            return instead

    def opened(self, key: str, source: Source, wanted: Sequence[Meaning], want: Want) -> Reading:
        """Records of one file."""
        file = self.snapshots.take(key, source.file, folder=self.folder)
        reading = read_source(file, source, wanted, want=want)
        self.ledger.open(reading)
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
    with TemporaryDirectory(prefix="glademark-", ignore_cleanup_errors=True) as temporary:
        desk = _Desk(folder=folder.absolute(), snapshots=Snapshots(Path(temporary)))
        return _seen(desk, inputs, _ground(survey), project)


def _ground(survey: Survey) -> Ground:
    """The stand as the ground that all of it belongs to."""
    stand = survey.stand.geometry.iloc[0]
    to_degrees = Transformer.from_crs(survey.crs, "EPSG:4326", always_xy=True)
    lon, lat = to_degrees.transform(stand.centroid.x, stand.centroid.y)
    if not isinstance(stand, shapely.Polygon | shapely.MultiPolygon):
        msg = "the stand is no polygon"
        raise TypeError(msg)
    return Ground(crs=survey.crs, stand=stand, lon=lon, lat=lat)


def _seen(desk: _Desk, inputs: AfterCutInputs, ground: Ground, project: Project) -> AfterCutSurvey:
    """Use every input."""
    ledger, gap = desk.ledger, project.marks.position_error_m

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
        return desk.attempt(lambda: use(desk.opened(key, source, wanted, want), source), instead)

    stumps = desk.attempt(partial(_stumps, desk, inputs, ground, project), no_stumps(ground))
    driven = one(
        "driven",
        meanings.DRIVEN,
        "lines",
        lambda reading, source: read_driven(reading, source, ground, ledger),
        no_areas(ground, AREA_COLUMNS),
    )
    openings = one(
        "openings",
        meanings.WALKED,
        "lines",
        lambda reading, source: read_walked(reading, source, ground, ledger, gap_max_m=gap),
        no_areas(ground, WALKED_COLUMNS),
    )
    sampled = one(
        "sampled",
        meanings.SAMPLED,
        "lines",
        lambda reading, source: read_sampled(reading, source, ground, ledger, gap_max_m=gap),
        no_areas(ground, AREA_COLUMNS),
    )
    plots, trees = one(
        "post_cut_plots",
        meanings.CRUISE,
        "points",
        lambda reading, source: read_cruise(reading, source, ground, project, ledger),
        no_cruise(ground),
    )
    if ledger.faults:
        raise InputError(*ledger.faults)
    return AfterCutSurvey(
        stumps=stumps,
        driven=driven,
        openings=openings,
        sampled=sampled,
        plots=plots,
        plot_trees=trees,
        rejected=ledger.rejected_records,
        counts=ledger.counts,
        notices=ledger.notices,
    )


def _stumps(
    desk: _Desk, inputs: AfterCutInputs, ground: Ground, project: Project
) -> gpd.GeoDataFrame:
    """Stumps of all files."""
    readings = [
        (desk.opened("stumps", source, meanings.STUMPS, "points"), source)
        for source in inputs.stumps
    ]
    if len({(one.file.sha256, source.layer) for one, source in readings}) < len(readings):
        msg = "stumps: the same stumps are given twice. Leave one of the files out."
        raise FileError(msg)
    return read_stumps(readings, project, ground, desk.ledger)


def read_driven(
    reading: Reading, source: Source, ground: Ground, ledger: Ledger
) -> gpd.GeoDataFrame:
    """
    Lines that a machine drove, those that have a part in the stand.

    Parameters
    ----------
    reading
        Lines, such as the tracks of a receiver.
    source
        As stated.
    ground
        The stand.
    ledger
        Takes lines without length and lines outside the stand.

    Returns
    -------
    driven
        `name`, and LineString or MultiLineString in the working CRS.

    Raises
    ------
    FileError
        If there are points or areas, or all lines are outside.
    """
    reading = ground.bring(reading, source, ledger)
    name = reading.file.name
    found = recognise(list(reading.rows.columns), meanings.DRIVEN, where=name)
    names = Fields(reading=reading, found=found).cells("name")
    dimensions = shapely.get_dimensions(reading.shapes.to_numpy())
    if (dimensions != 1).any():
        msg = f"{name}: driven lines are lines, and some records are points or areas. Correct it."
        raise FileError(msg)
    reading = ledger.reject(
        replace(reading, ids=names),
        reading.shapes.length < LENGTH_MIN_M,
        reason="the line has no length; leave it out",
        what="without length",
    )
    outside = ~ground.touches(reading.shapes)
    if outside.all():
        ground.refuse_if_most_outside(reading, outside)
    reading = ledger.reject(
        reading,
        outside,
        reason="the line lies wholly outside the stand; leave it out",
        what="outside the stand",
    )
    ledger.use(reading)
    frame = {"name": _numbered(names[reading.rows.index])}
    return features(frame, reading.shapes, crs=ground.crs).reset_index(drop=True)


def read_sampled(
    reading: Reading, source: Source, ground: Ground, ledger: Ledger, *, gap_max_m: float
) -> gpd.GeoDataFrame:
    """
    Places where stumps were looked for, cut at the stand.

    Parameters
    ----------
    reading
        Polygons; lines with a width (strips); or points with a plot radius or plot area.
    source
        As stated.
    ground
        The stand.
    ledger
        Takes places outside the stand.
    gap_max_m
        Gap between the ends of a walked line that is still closed [m].

    Returns
    -------
    sampled
        `name`, and Polygon or MultiPolygon in the working CRS.

    Raises
    ------
    FileError
        If the size of a plot or strip is not said, places overlap, or all are outside.
    """
    name = reading.file.name
    found = recognise(list(map(str, reading.rows.columns)), meanings.SAMPLED, where=name)
    if reading.geometry is None:
        reading = with_points(reading, found, source, ledger)
    reading = ground.bring(reading, source, ledger)
    fields = Fields(reading=reading, found=found)
    reading = with_areas(_widened(reading, fields), ledger, gap_max_m=gap_max_m)
    inside = ground.clipped(reading.shapes)
    reading = ledger.reject(
        reading,
        ~(inside.area > 0),
        reason="it lies outside the stand; leave it out",
        what="outside the stand",
    )
    ledger.use(reading)
    areas = polygonal(gpd.GeoSeries(inside[reading.rows.index]).to_numpy())
    if len(areas) and shapely.area(areas).sum() > shapely.union_all(areas).area + _SHARED_M2:
        msg = f"{name}: sampled places overlap. Cut them so that each piece of ground is in one."
        raise FileError(msg)
    frame = {"name": _numbered(fields.names("name")[reading.rows.index])}
    return features(frame, areas, crs=ground.crs).reset_index(drop=True)


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
        where = reading.place(pd.Series(lacking, index=reading.rows.index))
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
    geometry = gpd.GeoSeries(shapes, index=reading.rows.index, crs=reading.shapes.crs)
    return replace(reading, geometry=geometry)


def _numbered(names: pd.Series) -> pd.Series:
    """Names, and numbers where there are none."""
    numbers = pd.Series(np.arange(1, len(names) + 1).astype(str), index=names.index)
    return names.where(names != "", numbers)
