"""A look at field files before there is a project: what is in them and how they would be read."""

import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import shapely
from pyproj import CRS

from glademark.contracts.survey import ColumnSeen, FileSeen, LayerSeen
from glademark.errors import TEXT_MAX, InputError, shown
from glademark.forestry import PACKAGED_SPECIES, OwnSpecies, SpeciesNames
from glademark.forestry.volume_table import species_in
from glademark.intake.columns import meanings
from glademark.intake.columns.fields import Fields, Found, recognise
from glademark.intake.columns.kinds import MEANINGS, likely_input, likely_inputs
from glademark.intake.columns.mark_fields import likely_pattern, with_names_read
from glademark.intake.columns.positions import with_points
from glademark.intake.columns.tree_sizes import (
    diameters,
    note_flagged,
    refuse_implausible,
    unknown_species,
)
from glademark.intake.crs import WGS84, crs_name, transformed
from glademark.intake.formats.delimited import sheets_of
from glademark.intake.formats.files import FieldFile, Snapshots
from glademark.intake.formats.gpx_kml import Want
from glademark.intake.formats.vector import layers_with_geometry
from glademark.intake.formats.vector_faults import check_geopackage
from glademark.intake.opened import read_source
from glademark.intake.record_log import Reading, RecordLog, text_of
from glademark.intake.site import placed
from glademark.process import temporary_folder
from glademark.project.model import Project, Source
from glademark.project.read import project_species

PROBLEMS_MAX = 10
"""Sentences told of one layer."""

_SHAPES = {0: "points", 1: "lines", 2: "areas"}
_WITH_TREES = frozenset({"marks", "leave_trees", "cruise", "tally", "standing", "crop_trees"})
_DEGREE_M = 111_320.0
_NOT_STATED = "it does not say its coordinate system; state it in [inputs] with crs."


def inspect_files(paths: Sequence[Path], *, project: Project | None = None) -> tuple[FileSeen, ...]:
    """What is in field files, and how they would be read."""
    with temporary_folder() as temporary:
        snapshots = Snapshots(temporary)
        files = tuple(_inspected(path, snapshots) for path in paths)
    known = PACKAGED_SPECIES if project is None else _species_of(project)
    return tuple(_with_unknown_species(files, known))


def _species_of(project: Project) -> SpeciesNames:
    """Names of species that a project knows: its own, and those of its volume table."""
    if project.volume.table is None:
        return project_species(project, None)
    with temporary_folder() as temporary:
        source = project.volume.table
        file = Snapshots(temporary).take("volume_table", source.file, folder=Path.cwd())
        reading = read_source(file, source, meanings.VOLUME_TABLE, want="points")
        return project_species(project, reading.rows)


def _with_unknown_species(files: Sequence[FileSeen], known: SpeciesNames) -> Iterator[FileSeen]:
    """Files with the species that no volume table among them knows."""
    local = {
        name
        for file in files
        for layer in file.layers
        for name, _ in layer.species
        if layer.input == "volume_table"
    }
    tables = SpeciesNames.of((name, OwnSpecies(name=name)) for name in sorted(local))
    names = SpeciesNames(own={**tables.own, **known.own})
    for file in files:
        yield replace(file, layers=tuple(_asked(file.file, layer, names) for layer in file.layers))


def _asked(file: str, layer: LayerSeen, names: SpeciesNames) -> LayerSeen:
    """A layer of trees with what is said of species that are not known."""
    if layer.input not in _WITH_TREES:
        return layer
    known = names.known([name for name, _ in layer.species])
    lost = tuple(one for one, is_known in zip(layer.species, known, strict=True) if not is_known)
    problems = (*layer.problems, unknown_species(file, lost)) if lost else layer.problems
    return replace(layer, unknown_species=lost, problems=problems[:PROBLEMS_MAX])


def _inspected(path: Path, snapshots: Snapshots) -> FileSeen:
    """One file."""
    typed = path if len(str(path)) <= TEXT_MAX else Path(path.name)
    seen = FileSeen(file=shown(typed), path=os.path.abspath(path))  # noqa: PTH100 - resolve() would follow links
    try:
        file = replace(snapshots.take("marks", path, folder=Path.cwd()), name=seen.file)
        layers = tuple(_layers(file))
    except InputError as error:
        return replace(seen, problems=error.faults)
    return replace(seen, format=file.format, layers=layers)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Ask:
    """One layer of a file that can be read by itself."""

    name: str
    want: Want
    read: Callable[[], Reading]


def _layers(file: FieldFile) -> Iterator[LayerSeen]:
    """Every layer of a file; one that is refused is told with the reason."""
    if file.format == "GeoTIFF":
        yield _raster(file)
        return
    refused: list[LayerSeen] = []
    some = False
    for ask in _asks(file):
        try:
            reading = ask.read()
        except InputError as error:
            refused.append(LayerSeen(name=ask.name, shape="", records=0, problems=error.faults))
            continue
        some = True
        yield _layer(reading, ask)
    if file.format not in {"GPX", "KML"} or not some:  # these hold points, lines, or both
        yield from refused[: 1 if file.format in {"GPX", "KML"} else None]


def _asks(file: FieldFile) -> Iterator[_Ask]:
    """Layers, sheets, and the kinds of shapes that a document holds side by side."""
    if file.format in {"GPX", "KML"}:
        for want in ("points", "lines"):
            yield _ask(file, "", want)
    elif file.format == "workbook":
        for name, rows in sheets_of(file).items():
            if rows:
                yield _ask(file, name, "points")
    elif file.format == "GeoPackage":
        check_geopackage(file)
        for name in layers_with_geometry(file):
            yield _ask(file, name, "points")
    else:
        yield _ask(file, "", "points")


def _ask(file: FieldFile, name: str, want: Want) -> _Ask:
    """How one layer is read; all meanings are looked for, since it may be any input."""
    source = Source(file=file.path, layer=name or None)
    every = tuple({one.name: one for key in MEANINGS for one in MEANINGS[key]}.values())
    wanted = meanings.MARKS if file.format in {"GPX", "KML"} else every
    return _Ask(name=name, want=want, read=lambda: read_source(file, source, wanted, want=want))


def _layer(reading: Reading, ask: _Ask) -> LayerSeen:
    """One layer that could be read."""
    reading, pattern = _with_names(reading, ask)
    headers = reading.headers
    shape = _shape(reading, ask.want)
    names = [one for one in (ask.name, reading.file.path.stem) if one]
    key, why = likely_input(shape, names, headers, records=len(reading))
    problems = [] if key else [_which(shape, headers)]
    found = Found(header={}, unit={})
    try:
        found = recognise(headers, MEANINGS[key] if key else (), where=reading.file.name)
        problems += found.notices
    except InputError as error:
        problems += error.faults
    seen = LayerSeen(
        name=ask.name,
        shape=shape,
        records=len(reading),
        input=key,
        why=why,
        name_pattern=pattern,
        columns=_columns(reading, found),
    )
    return _looked_at(seen, reading, found, problems)


def _which(shape: str, headers: Sequence[str]) -> str:
    """What is asked about a layer that looks like no input."""
    inputs = ", ".join(likely_inputs(shape, headers))
    return f"which input it is cannot be told ({inputs}); state it under [inputs]."


def _with_names(reading: Reading, ask: _Ask) -> tuple[Reading, str]:
    """Points with what their names seem to say, and the pattern by which they do."""
    if _shape(reading, ask.want) not in {"points", "table"}:
        return reading, ""
    try:
        pattern = likely_pattern(reading)
        return with_names_read(reading, pattern, {}, _log_of(reading)), pattern
    except InputError:  # two columns of one name or meaning are told when columns are recognised
        return reading, ""


def _shape(reading: Reading, want: Want) -> str:
    """What kind of shapes most records have."""
    if reading.geometry is None:
        return "table"
    dimensions = shapely.get_dimensions(reading.shapes.to_numpy())
    known = dimensions[dimensions >= 0]
    return _SHAPES[int(np.bincount(known).argmax())] if known.size else want


def _columns(reading: Reading, found: Found) -> tuple[ColumnSeen, ...]:
    """Every column with what it would be read as."""
    meaning = {header: name for name, header in found.header.items()}
    columns = []
    for place, header in enumerate(reading.rows):  # two of them may have one name
        cells = text_of(reading.rows.iloc[:, place])
        filled = cells[cells != ""]
        name = meaning.get(str(header), "")
        columns.append(
            ColumnSeen(
                header=str(header),
                meaning=name,
                unit=found.unit.get(name, ""),
                filled=len(filled),
                example=str(filled.iloc[0]) if len(filled) else "",
            )
        )
    return tuple(columns)


def _looked_at(seen: LayerSeen, reading: Reading, found: Found, problems: list[str]) -> LayerSeen:
    """The layer with where it lies, what is painted, and the first problems."""
    fields = Fields(reading=reading, found=found, log=_log_of(reading))
    reading = replace(reading, ids=fields.names("id"))
    has_position = reading.geometry is not None or _has_columns(found)
    where: dict[str, str | bool] = {}
    of_place, of_trees = _log_of(reading), _log_of(reading)
    if has_position:
        where = {"crs_needed": True}
        with of_place.gathering():
            where = _where(reading, found, of_place)
    unit_needed = seen.input in _WITH_TREES
    if unit_needed:
        with of_trees.gathering():
            _trees(replace(fields, log=of_trees))
            unit_needed = False
    told = [*of_place.faults_of(0), *of_trees.faults_of(0)]
    told += [notice.text for log in (of_place, of_trees) for notice in log.notices({0: 0})]
    paint = fields.cells("paint")
    counts = paint[paint != ""].str.casefold().value_counts()
    return replace(
        seen,
        crs=str(where.get("crs", "")),
        crs_needed=bool(where.get("crs_needed", False)),
        bounds=str(where.get("bounds", "")),
        paints=tuple((str(name), int(number)) for name, number in counts.items()),
        species=_species(fields, seen.input),
        dbh_unit_needed=unit_needed,
        problems=tuple(dict.fromkeys([*problems, *told]))[:PROBLEMS_MAX],
    )


def _species(fields: Fields, key: str) -> tuple[tuple[str, int], ...]:
    """Species names and their records; of a volume table also those that are headings."""
    if key == "volume_table":
        records = fields.reading.rows.to_dict("records")
        rows = [{str(name): cell for name, cell in row.items()} for row in records]
        return tuple((name, 1) for name in species_in(rows, species=PACKAGED_SPECIES))
    cells = fields.cells("species")
    counts = cells[cells != ""].value_counts()
    return tuple((str(name), int(number)) for name, number in counts.items())


def _log_of(reading: Reading) -> RecordLog:
    """A log of one file."""
    log = RecordLog()
    log.open(reading)
    return log


def _has_columns(found: Found) -> bool:
    """Whether a table has a pair of coordinates."""
    return any(set(pair) <= set(found.header) for pair in (("lon", "lat"), ("x", "y")))


def _where(reading: Reading, found: Found, log: RecordLog) -> dict[str, str | bool]:
    """Coordinate system and bounds."""
    if reading.geometry is None:
        reading = with_points(reading, found, Source(file=reading.file.path), log)
    if reading.crs is None:
        log.notice(f"{reading.file.name}: {_NOT_STATED}")
        return {"crs_needed": True, "bounds": _box(reading, None)}
    crs = reading.crs
    reading = placed(reading, crs, log)
    return {"crs": crs_name(crs), "bounds": _box(reading, crs)}


def _box(reading: Reading, crs: CRS | None) -> str:
    """Where records lie, in words."""
    if not len(reading) or reading.shapes.is_empty.all():
        return ""
    if crs is None:
        west, south, east, north = reading.shapes.total_bounds
        return f"x {west:,.1f} to {east:,.1f}, y {south:,.1f} to {north:,.1f}"
    west, south, east, north = transformed(reading.shapes, crs, WGS84).total_bounds
    lon, lat = (west + east) / 2, (south + north) / 2
    if not np.isfinite([west, south, east, north]).all():
        return "outside the reach of its coordinate system"
    wide, high = (east - west) * np.cos(np.radians(lat)) * _DEGREE_M, (north - south) * _DEGREE_M
    place = f"{abs(lat):.5f} {'N' if lat >= 0 else 'S'}, {abs(lon):.5f} {'E' if lon >= 0 else 'W'}"
    return (
        f"about {wide:,.0f} m from west to east and {high:,.0f} m from south to north, at {place}"
    )


def _trees(fields: Fields) -> None:
    """Look at diameters; those without a unit are refused."""
    stem = diameters(fields, unit=None)
    note_flagged(fields, stem["dbh_flag"], noun="record")
    refuse_implausible(stem["dbh_cm"], fields.reading, fields.log)


def _raster(file: FieldFile) -> LayerSeen:
    """A raster is the terrain, or canopy heights where its name says so."""
    import rasterio  # noqa: PLC0415 - only for rasters
    from rasterio.errors import RasterioError  # noqa: PLC0415 - the same

    try:
        with rasterio.open(file.copy, driver="GTiff") as raster:
            crs = "" if raster.crs is None else crs_name(CRS.from_wkt(raster.crs.to_wkt()))
            bounds = (
                f"{raster.width:,} by {raster.height:,} cells of {raster.res[0]:g} by "
                f"{raster.res[1]:g}"
            )
            bands = int(raster.count)
    except (RasterioError, ValueError, OSError):
        problem = f"{file.name}: the raster is damaged or cut off. Export it again."
        return LayerSeen(name="", shape="raster", records=0, problems=(problem,))
    problems = [] if crs else [f"{file.name}: {_NOT_STATED}"]
    if bands != 1:
        problems.append(f"{file.name}: heights must be in one band, and this has {bands}.")
    likely, why = likely_input("raster", [file.path.stem], [], records=1)
    return LayerSeen(
        name="",
        shape="raster",
        records=1,
        crs=crs,
        crs_needed=not crs,
        bounds=bounds,
        input=likely,
        why=why,
        problems=tuple(problems),
    )
