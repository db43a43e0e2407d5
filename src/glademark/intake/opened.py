"""The inputs of a project, opened once, before anything is known of what is in them."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path
from types import MappingProxyType
from typing import TypeVar

import numpy as np

from glademark.errors import FileError, InputError
from glademark.intake.columns import meanings
from glademark.intake.columns.meanings import Meaning
from glademark.intake.formats.delimited import read_delimited
from glademark.intake.formats.files import FieldFile, Snapshots
from glademark.intake.formats.gpx_kml import Want, read_gpx, read_kml
from glademark.intake.formats.raster_tiles import as_one
from glademark.intake.formats.spreadsheet import read_spreadsheet
from glademark.intake.formats.vector import read_geoparquet, read_vector
from glademark.intake.records import Reading
from glademark.project.model import Project, Source


def read_source(
    file: FieldFile, source: Source, meanings: Sequence[Meaning], *, want: Want = "points"
) -> Reading:
    """
    Records of one input, as they stand in the file.

    Where a format holds points and lines side by side, those that are wanted are taken. A file that
    is damaged, or of a format without records, is a `FileError`.
    """
    return replace(_records(file, source, meanings, want=want), layer=source.layer or "")


def _records(
    file: FieldFile, source: Source, meanings: Sequence[Meaning], *, want: Want
) -> Reading:
    """Records of a file of any format."""
    if file.format == "text":
        return read_delimited(file, meanings)
    if file.format == "GPX":
        return read_gpx(file, meanings, want=want)
    if file.format == "KML":
        return read_kml(file, meanings, want=want, layer=source.layer)
    if file.format == "workbook":
        return read_spreadsheet(file, meanings, sheet=source.layer)
    if file.format == "GeoParquet":
        return read_geoparquet(file)
    if file.format == "GeoTIFF":
        msg = (
            f"{file.name}: this is a raster, which can only be terrain or canopy_height. Name a "
            "layer with features."
        )
        raise FileError(msg)
    return read_vector(file, layer=source.layer)


def read_table(file: FieldFile, source: Source, meanings: Sequence[Meaning]) -> Reading:
    """Records of a CSV, TSV, workbook (its layer is a sheet) or Parquet file without positions."""
    if file.format == "workbook":
        return read_spreadsheet(file, meanings, sheet=source.layer)
    if file.format == "GeoParquet":
        return read_geoparquet(file)
    if file.format != "text":
        msg = (
            f"{file.name}: a table is expected here, and this is {file.format}. "
            "Save the table as CSV or as a workbook."
        )
        raise FileError(msg)
    return read_delimited(file, meanings)


_T = TypeVar("_T")

LAYERS: Mapping[str, tuple[tuple[Meaning, ...], Want]] = MappingProxyType(
    {
        "stand": (meanings.AREAS, "lines"),
        "corridors": (meanings.CORRIDORS, "lines"),
        "openings": (meanings.WALKED, "lines"),
        "exclusions": (meanings.AREAS, "lines"),
        "setbacks": (meanings.SETBACKS, "lines"),
        "water": (meanings.WATER, "lines"),
        "landings": (meanings.AREAS, "lines"),
        "hazards": (meanings.HAZARDS, "lines"),
        "leave_trees": (meanings.LEAVE_TREES, "points"),
        "standing": (meanings.STANDING, "points"),
        "crop_trees": (meanings.CROP_TREES, "points"),
        "regeneration": (meanings.AREAS, "lines"),
        "failing_patches": (meanings.FAILING_PATCHES, "lines"),
        "marked_ground": (meanings.AREAS, "lines"),
        "cruise": (meanings.CRUISE, "points"),
    }
)
"""Inputs with positions other than marks, in the order in which they are opened."""


@dataclass(frozen=True, kw_only=True, slots=True)
class OpenInputs:
    """
    Opened inputs of one stand or many.

    Attributes
    ----------
    layers
        Readings by key in ``[inputs]``, one a file, None where refused.
    marks, tally
        One reading a file, None where refused.
    volume_table, target_table
        None where not given or refused.
    terrain, canopy_height
        The raster's file, or that of a mosaic of tiles; None where not given or refused.
    faults
        Why inputs are refused.
    names
        Of the stands, by number; one without a name where records do not say their stand.
    """

    layers: Mapping[str, tuple[Reading | None, ...]]
    marks: tuple[Reading | None, ...]
    tally: tuple[Reading | None, ...]
    volume_table: Reading | None
    target_table: Reading | None
    terrain: FieldFile | None
    canopy_height: FieldFile | None
    faults: tuple[str, ...] = ()
    names: tuple[str, ...] = ("",)

    def readings(self) -> tuple[Reading, ...]:
        """All readings that there are, in the order in which they were opened."""
        layers = chain.from_iterable(self.layers.values())
        every = (*layers, *self.marks, *self.tally, self.volume_table, self.target_table)
        return tuple(reading for reading in every if reading is not None)

    def changed(self, change: Callable[[Reading], Reading]) -> "OpenInputs":
        """Other readings of the same files."""

        def _of(reading: Reading | None) -> Reading | None:
            return None if reading is None else change(reading)

        return replace(
            self,
            layers={key: tuple(map(_of, readings)) for key, readings in self.layers.items()},
            marks=tuple(map(_of, self.marks)),
            tally=tuple(map(_of, self.tally)),
            volume_table=_of(self.volume_table),
            target_table=_of(self.target_table),
        )

    def of(self, numbers: Sequence[int]) -> "OpenInputs":
        """Records of some stands, by rising number, renumbered from 0."""
        inputs = self.changed(lambda reading: part_of(reading, numbers))
        return replace(inputs, names=tuple(self.names[number] for number in numbers))


def part_of(reading: Reading, numbers: Sequence[int]) -> Reading:
    """Records of some stands under new numbers; those that hold for every stand are all kept."""
    if reading.key is None:
        return reading
    stands = np.asarray(numbers, dtype=np.intp)
    starts, ends = np.searchsorted(reading.key, [stands, stands + 1])
    places = [np.arange(start, end) for start, end in zip(starts, ends, strict=True)]
    part = reading.repeated(np.concatenate([np.empty(0, dtype=np.intp), *places]))
    return replace(part, key=np.repeat(np.arange(len(stands)), ends - starts))


def open_inputs(project: Project, *, folder: Path, temporary: Path) -> OpenInputs:
    """
    All inputs of a project, with the faults of those that are refused.

    Relative paths start in `folder`; the private copies in `temporary` must stay while the inputs
    are used.
    """
    opener = _Opener(
        snapshots=Snapshots(temporary),
        folder=folder.absolute(),
        faults=[],
    )
    inputs = project.inputs
    layers = {
        key: tuple(opener.layer(key, source) for source in getattr(inputs, key) or ())
        for key in LAYERS
    }
    marks = tuple(opener.layer("marks", source) for source in inputs.marks)
    tally = tuple(opener.table("tally", source) for source in inputs.tally or ())
    volume_table = opener.table("volume_table", project.volume.table)
    target = project.target_structure
    return OpenInputs(
        layers=layers,
        marks=marks,
        tally=tally,
        volume_table=volume_table,
        target_table=opener.table("target_structure", None if target is None else target.table),
        terrain=opener.raster("terrain", inputs.terrain or ()),
        canopy_height=opener.raster("canopy_height", inputs.canopy_height or ()),
        faults=tuple(opener.faults),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class _Opener:
    """Opens files, and goes on after one that is refused."""

    snapshots: Snapshots
    folder: Path
    faults: list[str]

    def layer(self, key: str, source: Source | None) -> Reading | None:
        """Records with positions."""
        wanted, want = LAYERS.get(key, (meanings.MARKS, "points"))
        return self._attempt(
            key, source, lambda file, stated: read_source(file, stated, wanted, want=want)
        )

    def table(self, key: str, source: Source | None) -> Reading | None:
        """Records of a table."""
        wanted = meanings.TARGET if key == "target_structure" else meanings.TALLY
        return self._attempt(key, source, lambda file, stated: read_table(file, stated, wanted))

    def raster(self, key: str, sources: Sequence[Source]) -> FieldFile | None:
        """One file, or tiles as one, that is read later, and only in part."""
        files = [self._attempt(key, source, lambda file, _: file) for source in sources]
        there = [file for file in files if file is not None]
        if not there or len(there) < len(files):
            return None
        try:
            return as_one(there, sources)
        except InputError as error:
            self.faults.extend(error.faults)
            return None

    def _attempt(
        self, key: str, source: Source | None, read: Callable[[FieldFile, Source], _T]
    ) -> _T | None:
        """What is read, or None where nothing is given or the file is refused."""
        if source is None:
            return None
        try:
            return read(self.snapshots.take(key, source.file, folder=self.folder), source)
        except InputError as error:
            self.faults.extend(fault for fault in error.faults if fault not in self.faults)
            return None
