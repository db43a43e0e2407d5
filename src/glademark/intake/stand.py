"""The stands: polygons of a boundary file as one valid area each."""

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import CRS

from glademark.contracts.survey import REJECTED_COLUMNS, InputCount
from glademark.errors import CrsError, InputError, counted, listed
from glademark.intake.crs import (
    crs_name,
    fits,
    middles,
    note_missing_grids,
    stated_crs,
    transformed,
    working_crs,
)
from glademark.intake.lines_and_outlines import with_areas
from glademark.intake.opened import OpenInputs, open_inputs
from glademark.intake.record_log import Reading, RecordLog, refuse_if_none_left, text_of
from glademark.intake.site import Stands, no_boundaries, placed, polygonal
from glademark.process import temporary_folder
from glademark.project.model import Project, Source

PART_MIN_M2 = 1.0
"""Parts smaller than this are left-overs of digitising [m2]."""

CLOSED_M = 0.01
"""Gap between the ends of a line that counts as closed [m]: surveys keep centimetres."""

_Middles = Mapping[int, tuple[float, float]]


def read_stands(reading: Reading, source: Source, log: RecordLog, *, stated: str | None) -> Stands:
    """
    Stands in their working CRS, each one valid Polygon or MultiPolygon, holes kept.

    `stated` is ``[project] working_crs``. A stand without an area, with an open line or a crossing
    too large to be mended is refused.
    """
    name = reading.file.name
    own = stated_crs(reading, source.crs, log)
    reading = placed(reading, own, log)
    text = f"{name}: no feature in it has a position. Expected the polygon of the stand."
    reading = refuse_if_none_left(reading, log, text)
    reading, found = _on_earth(reading, own, log)
    reading, crs = _common_crs(reading, found, own, stated, log)
    reading = replace(reading, geometry=transformed(reading.shapes, own, crs))
    reading = with_areas(reading, log, gap_max_m=CLOSED_M)
    stands = no_boundaries(log.stands)
    shapes = reading.shapes.to_numpy()
    faults = []
    for stand, places in reading.split(np.ones(len(reading), dtype=bool)):
        stands.areas[stand], fault = _united(shapes[places], name, log, stand)
        faults += [(stand, fault)] if fault else []
    log.use(log.refuse(reading, faults))
    places_on_earth = [found.get(stand, middle) for stand, middle in enumerate(stands.middles)]
    return replace(stands, crs=crs, middles=places_on_earth)


def together(every: Sequence[Stands]) -> Stands | None:
    """Stands whose boundaries were given in several files, in one CRS; None without any."""
    if len(every) < 2:  # noqa: PLR2004 - nothing to put together
        return every[0] if every else None
    areas, middles = every[0].areas.copy(), [*every[0].middles]
    for more in every[1:]:
        for stand, area in enumerate(more.areas):
            if area is not None:
                middles[stand] = more.middles[stand] if areas[stand] is None else middles[stand]
                areas[stand] = area if areas[stand] is None else shapely.union(areas[stand], area)
    return replace(every[0], areas=polygonal_or_none(areas), middles=middles)


def polygonal_or_none(areas: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    """Areas without the points and lines at which they merely touch."""
    known = ~shapely.is_missing(areas)
    areas[known] = polygonal(areas[known])
    return areas


def zone_groups(
    reading: Reading, source: Source, log: RecordLog, *, stated: str | None
) -> list[list[int]]:
    """Stands by the CRS in which they must be measured, where that is not the same for all."""
    if log.stands == 1 or stated is not None:
        return [list(range(log.stands))]
    try:
        own = stated_crs(reading, source.crs, log)
        reading = placed(reading, own, log)
        _, found = _on_earth(reading, own, log)
        places = found.items()
        if fits(own, list(found.values())):
            return [list(range(log.stands))]
        names = {
            stand: crs_name(working_crs(own, lon=lon, lat=lat, stated=None)[0])
            for stand, (lon, lat) in places
        }
    except InputError:
        return [list(range(log.stands))]
    first = next(iter(names.values()))
    groups: dict[str, list[int]] = {}
    for stand in range(log.stands):
        groups.setdefault(names.get(stand, first), []).append(stand)
    return list(groups.values())


def _on_earth(reading: Reading, own: CRS, log: RecordLog) -> tuple[Reading, _Middles]:
    """Longitude and latitude of the middle of each stand; those far from their CRS are refused."""
    shapes = reading.shapes.to_numpy()
    numbers, bounds = [], []
    for stand, places in reading.split(np.ones(len(reading), dtype=bool)):
        numbers.append(stand)
        bounds.append(shapely.total_bounds(shapes[places]))
    found, far = middles(np.array(bounds), own)
    text = (
        f"{reading.file.name}: its coordinates lie outside the area for which {crs_name(own)} is "
        "made. Check the coordinate system, and whether x and y are swapped."
    )
    faults = [(stand, text) for stand, bad in zip(numbers, far, strict=True) if bad]
    reading = log.refuse(reading, faults)
    known = zip(numbers, found, far, strict=True)
    return reading, {stand: middle for stand, middle, bad in known if not bad}


def _common_crs(
    reading: Reading, found: _Middles, own: CRS, stated: str | None, log: RecordLog
) -> tuple[Reading, CRS]:
    """Working CRS of all stands, whose middles are given."""
    if stated is None and fits(own, list(found.values())):
        return reading, own
    systems: list[CRS] = []
    faults = []
    for stand, (lon, lat) in found.items():
        try:
            crs, text = working_crs(own, lon=lon, lat=lat, stated=stated)
        except InputError as error:
            name = "" if stated is not None else f"{reading.file.name}: "
            faults += [(stand, name + fault) for fault in error.faults]
            continue
        if text:
            log.notice(text, stand=stand)
        warning = note_missing_grids(own, crs, lon=lon, lat=lat)
        if warning:
            log.notice(f"{reading.file.name}: {warning}", stand=stand)
        systems.append(crs)
    reading = log.refuse(reading, faults)
    if any(crs != systems[0] for crs in systems):
        msg = f"{reading.file.name}: the stands lie in several coordinate systems."
        raise CrsError(msg)
    return reading, systems[0]


def _united(
    shapes: npt.NDArray[np.object_], name: str, log: RecordLog, stand: int
) -> tuple[shapely.Polygon | shapely.MultiPolygon | None, str]:
    """All polygons of a stand as one area, each spot once; or why there is none."""
    area = shapely.union_all(shapes)
    twice = float(shapely.area(shapes).sum() - area.area)
    if twice > PART_MIN_M2:
        text = f"{name}: polygons overlap by {twice:,.0f} m2, which counts once."
        log.notice(text, stand=stand)
    parts = shapely.get_parts(area)
    large = shapely.area(parts) >= PART_MIN_M2
    if not large.any():
        return None, (
            f"{name}: the stand has an area below 1 m2. Check the file and its coordinate system."
        )
    if not large.all():
        text = f"{name}: {counted(int((~large).sum()), 'part')} below 1 m2 left out."
        log.notice(text, stand=stand)
    return polygonal(np.array([shapely.union_all(parts[large])], dtype=object))[0], ""


MUST_NAME_STAND = (
    "stand", "marks", "tally", "corridors", "cruise", "leave_trees", "standing", "crop_trees",
)  # fmt: skip
"""Inputs in which every record belongs to one stand; others may hold for all stands."""


@dataclass(frozen=True, kw_only=True, slots=True)
class ManyStands:
    """Opened inputs of many stands."""

    inputs: OpenInputs
    """Every record with the number of its stand; the stands in the order of their boundaries."""
    rejected: pd.DataFrame  # records of no stand, could not be read, or both: `REJECTED_COLUMNS`
    counts: tuple[InputCount, ...]
    """Every file, with all its records; those used are the ones handed to a stand."""


@contextmanager
def open_stands(project: Project, *, folder: Path) -> Iterator[ManyStands]:
    """
    Inputs of many stands, opened once, inside a ``with`` statement.

    An input that is refused, or does not say which stand a record belongs to, is an `InputError`.
    """
    with temporary_folder() as temporary:
        inputs = open_inputs(project, folder=folder, temporary=temporary)
        if inputs.faults:
            raise InputError(*inputs.faults)
        yield _numbered(inputs, project.heading.stand_id or "")


def _numbered(inputs: OpenInputs, column: str) -> ManyStands:
    """Inputs whose records have the number of the stand that a column names."""
    missing = [
        f"{reading.file.name}: no column is called {column!r}, and [project] stand_id says that "
        "it names the stand of each record. Add it, or correct the name."
        for reading in inputs.readings()
        if reading.file.input in MUST_NAME_STAND and header_of(reading, column) is None
    ]
    boundaries = [one for one in inputs.layers["stand"] if one is not None]
    if missing or not boundaries:
        raise InputError(*missing)
    named = pd.concat([_stand_names(boundary, column) for boundary in boundaries])
    names = pd.Index([name for name in named.unique() if name])
    if not len(names):
        msg = f"{boundaries[0].file.name}: no record names its stand in {column!r}. Fill it in."
        raise InputError(msg)
    rejected, counts = zip(
        *(records_of_no_stand(reading, column, names) for reading in inputs.readings()), strict=True
    )
    keyed = inputs.changed(lambda reading: with_stand_number(reading, column, names))
    return ManyStands(
        inputs=replace(keyed, names=tuple(names)),
        rejected=pd.concat(rejected, ignore_index=True).astype({"record": "int64"}),
        counts=counts,
    )


def header_of(reading: Reading, column: str) -> str | None:
    """Column of a reading under this name, whatever its letter case."""
    wanted = column.strip().casefold()
    found = [name for name in reading.rows.columns if str(name).strip().casefold() == wanted]
    return found[0] if found else None


def _stand_names(reading: Reading, column: str) -> pd.Series:
    """Name of the stand of every record of a file that says it."""
    return text_of(reading.rows[header_of(reading, column)]).str.strip()


def with_stand_number(reading: Reading, column: str, names: pd.Index) -> Reading:
    """Records with the number of their stand, sorted by it; those of no stand are left out."""
    header = header_of(reading, column)
    if header is None:
        return reading
    number = names.get_indexer(pd.Index(_stand_names(reading, column)))
    order = np.argsort(number, kind="stable")
    places = order[np.searchsorted(number[order], 0) :]
    part = replace(reading, spoiled=(), notices=())
    if len(places) < len(order) or (np.diff(places) < 0).any():
        part = part.repeated(places)
    return replace(part, rows=part.rows.drop(columns=header), key=number[places])


def records_of_no_stand(
    reading: Reading, column: str, names: pd.Index
) -> tuple[pd.DataFrame, InputCount]:
    """Records of a file that go to no stand, and how many of it do."""
    lost: list[tuple[int, str]] = []
    if header_of(reading, column) is not None:
        text, known = _stand_names(reading, column), set(names)
        lost = [
            (record, f"no stand is called {name!r}" if name else "it does not name its stand")
            for record, name in zip(reading.record, text, strict=True)
            if name not in known
        ]
    rows = pd.DataFrame([*lost, *reading.spoiled], columns=["record", "reason"])
    rows = rows.assign(input=reading.file.input, file=reading.file.name, tree_id="")
    read = len(reading) + len(reading.spoiled)
    count = InputCount(
        input=reading.file.input,
        file=reading.file.name,
        sha256=reading.file.sha256,
        read=read,
        used=read - len(rows),
        rejected=len(rows),
        stand=None,
    )
    return rows[list(REJECTED_COLUMNS)], count


def digest_of(inputs: OpenInputs) -> str:
    """SHA-256 of names, records, cells and coordinates of one stand, and of the terrain's file."""
    digest = hashlib.sha256()
    for reading in inputs.readings():
        if reading.key is not None and not len(reading):
            continue
        head = f"{reading.file.input}\n{reading.file.name}\n{listed(reading.headers)}\n"
        digest.update(head.encode())
        digest.update(str(reading.crs).encode())
        rows = reading.rows.astype("str").assign(**{"record number": reading.record.to_numpy()})
        digest.update(_hashed(rows))
        if reading.geometry is not None:
            for shape in shapely.to_wkb(reading.geometry.to_numpy()):
                digest.update(shape or b"none")
    for raster in (inputs.terrain, inputs.canopy_height):
        if raster is not None:
            digest.update(raster.sha256.encode())
    return digest.hexdigest()


def _hashed(rows: pd.DataFrame) -> bytes:
    """A number a row that depends on all its cells."""
    return pd.util.hash_pandas_object(rows, index=False).to_numpy().tobytes()
