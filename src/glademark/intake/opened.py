"""
The inputs of a project, opened once, before anything is known of what is in them.

Tiles of one grid are read as one raster.
"""

from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypeAlias, TypeVar

import numpy as np
import numpy.typing as npt
from pyproj import CRS

from glademark.errors import FileError, InputError, counted
from glademark.intake.columns import meanings
from glademark.intake.columns.meanings import Meaning
from glademark.intake.crs import parse_crs, same_crs
from glademark.intake.formats.delimited import read_delimited, read_spreadsheet
from glademark.intake.formats.files import FieldFile, Snapshots, sha256_of
from glademark.intake.formats.gpx_kml import Want, read_gpx, read_kml
from glademark.intake.formats.vector import read_geoparquet, read_vector
from glademark.intake.record_log import Reading
from glademark.project.model import Project, Source

Raster: TypeAlias = "Any"  # an open data set; rasterio ships no types

SAME_CELL = 0.01
"""Cells of tiles may be apart by so much of a cell, from first to last, and be on one grid."""

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
class Tile:
    """One of several rasters: `left`, `top` and the sides of a cell in its coordinate system."""

    file: FieldFile
    crs: CRS | None
    width: int
    height: int
    left: float
    top: float
    cell: tuple[float, float]
    scaled: tuple[float, float, str]


@dataclass(frozen=True, kw_only=True, slots=True)
class TiledFile(FieldFile):
    """Tiles of one grid under one name; `path` and `copy` are those of the first."""

    tiles: tuple[Tile, ...]


def open_raster(file: FieldFile) -> AbstractContextManager[Raster]:
    """The raster of a file, or of tiles as one, open for reading."""
    import rasterio  # noqa: PLC0415 - only where there is a raster

    if isinstance(file, TiledFile):
        return nullcontext(_Mosaic(file.tiles))
    return rasterio.open(file.copy, driver="GTiff")  # type: ignore[no-any-return] # ships no types


def files_of(file: FieldFile) -> tuple[FieldFile, ...]:
    """The file itself, or those of its tiles."""
    return tuple(tile.file for tile in file.tiles) if isinstance(file, TiledFile) else (file,)


def as_one(files: Sequence[FieldFile], sources: Sequence[Source]) -> FieldFile:
    """
    Tiles as one raster; one file as it is.

    A tile that is no raster of one band, or that differs from the first in coordinate system, cell
    size, grid, scale or unit, is refused. Where tiles overlap, the later one counts; what no tile
    covers is missing.
    """
    if len(files) == 1:
        return files[0]
    from rasterio.errors import RasterioError  # noqa: PLC0415 - only where there are tiles

    tiles: list[Tile] = []
    for file, source in zip(files, sources, strict=True):
        try:
            tiles.append(_tile(file, source))
        except InputError:
            raise
        except (RasterioError, ValueError, OSError) as error:
            msg = f"{file.name}: the raster is damaged or cut off. Export it again."
            raise FileError(msg) from error
        _refuse_other_grid(tiles[0], tiles[-1])
    return TiledFile(
        input=files[0].input,
        name=f"{files[0].name} and {counted(len(files) - 1, 'more tile')}",
        path=files[0].path,
        copy=files[0].copy,
        format="GeoTIFF",
        sha256=sha256_of([file.copy for file in files]),
        tiles=tuple(tiles),
    )


def _tile(file: FieldFile, source: Source) -> Tile:
    """What a file says of itself."""
    if file.format != "GeoTIFF":
        msg = f"{file.name}: a tile of the terrain must be a GeoTIFF, and this is {file.format}."
        raise FileError(msg)
    with open_raster(file) as raster:
        place = raster.transform
        upright = place.b == 0 == place.d and place.a > 0 > place.e
        if not upright or raster.count != 1 or np.dtype(raster.dtypes[0]).kind not in "iuf":
            msg = (
                f"{file.name}: a tile of the terrain must have one band of heights, north up. "
                "Export it again."
            )
            raise FileError(msg)
        crs: CRS | None = None
        if raster.crs is not None:
            crs = CRS.from_wkt(raster.crs.to_wkt())
        elif source.crs is not None:
            crs = parse_crs(source.crs, where=f"[inputs], crs of {file.name}")
        return Tile(
            file=file,
            crs=crs,
            width=raster.width,
            height=raster.height,
            left=place.c,
            top=place.f,
            cell=(place.a, -place.e),
            scaled=(raster.scales[0], raster.offsets[0], raster.units[0] or ""),
        )


def _refuse_other_grid(first: Tile, tile: Tile) -> None:
    """Refuse a tile that is not on the grid of the first one."""
    cells = max(tile.width, tile.height, first.width, first.height)
    away = _cells_away(first, tile)
    one, two = first.crs, tile.crs
    alike = one is two if one is None or two is None else same_crs(one, two)
    faults = (
        (not alike, "its coordinate system"),
        (
            any(
                abs(a - b) * cells > SAME_CELL * a
                for a, b in zip(first.cell, tile.cell, strict=True)
            ),
            (
                f"the size of its cells ({tile.cell[0]:g} by {tile.cell[1]:g}, not "
                f"{first.cell[0]:g} by {first.cell[1]:g})"
            ),
        ),
        (
            any(abs(number - round(number)) > SAME_CELL for number in away),
            "the grid of its cells (shifted by a part of a cell)",
        ),
        (first.scaled != tile.scaled, "the scale, offset or unit of its heights"),
    )
    for applies, what in faults:
        if applies:
            msg = (
                f"{tile.file.name}: the tile differs from {first.file.name} in {what}. Bring all "
                "tiles to one grid, or put them together into one raster."
            )
            raise FileError(msg)


def _cells_away(first: Tile, tile: Tile) -> tuple[float, float]:
    """Columns and rows from the corner of the first tile to that of another."""
    return (tile.left - first.left) / first.cell[0], (first.top - tile.top) / first.cell[1]


class _Mosaic:
    """Tiles with what is asked of an open raster; each is opened where cells of it are read."""

    count = 1
    dtypes = ("float64",)
    nodata = np.nan

    def __init__(self, tiles: Sequence[Tile]) -> None:
        from rasterio.transform import from_origin  # noqa: PLC0415 - only where there are tiles

        first = tiles[0]
        corners = np.rint([_cells_away(first, tile) for tile in tiles]).astype(int)
        left, top = corners.min(axis=0).tolist()
        sizes = [(tile.width, tile.height) for tile in tiles]
        self.width, self.height = ((corners + sizes).max(axis=0) - (left, top)).tolist()
        self.crs, self.res = first.crs, first.cell
        self.scales, self.offsets, self.units = ((one,) for one in first.scaled)
        west, north = first.left + left * first.cell[0], first.top - top * first.cell[1]
        self.transform: Any = from_origin(west, north, *first.cell)
        self._tiles = list(zip(tiles, (corners - (left, top)).tolist(), strict=True))

    def read(
        self,
        _band: int,
        *,
        window: Any,  # noqa: ANN401 - rasterio ships no types
        out_shape: tuple[int, int] | None = None,
        masked: bool,
    ) -> Any:  # noqa: ANN401 - numpy's masked arrays have no type of their own
        """Cells of a window, thinned out to a shape; missing where no tile has a height."""
        from rasterio.windows import Window  # noqa: PLC0415 - only where there are tiles

        shape = out_shape or (int(window.height), int(window.width))
        rows = _thinned(int(window.row_off), int(window.height), shape[0])
        columns = _thinned(int(window.col_off), int(window.width), shape[1])
        cells = np.ma.MaskedArray(np.zeros(shape), mask=True)
        for tile, (left, top) in self._tiles:
            down = np.flatnonzero((rows >= top) & (rows < top + tile.height))
            across = np.flatnonzero((columns >= left) & (columns < left + tile.width))
            if not (len(down) and len(across)):
                continue
            at_row, at_column = rows[down] - top, columns[across] - left
            (first, last), (start, end) = at_row[[0, -1]], at_column[[0, -1]]
            place = Window(start, first, end - start + 1, last - first + 1)
            with open_raster(tile.file) as raster:
                part = raster.read(1, window=place, masked=masked)
            part = part[np.ix_(at_row - first, at_column - start)]
            known = np.ix_(down, across)
            heights = cells[known]
            there = ~(np.ma.getmaskarray(part) | ~np.isfinite(part.data))
            heights[there] = part.data[there]
            cells[known] = heights
        return cells

    def window_transform(self, window: Any) -> Any:  # noqa: ANN401 - rasterio ships no types
        """Transform of a window."""
        from rasterio.windows import transform  # noqa: PLC0415 - only where there are tiles

        return transform(window, self.transform)


def _thinned(start: int, cells: int, kept: int) -> npt.NDArray[np.intp]:
    """So many of a number of cells, evenly spaced."""
    return start + (np.arange(kept) * cells) // max(kept, 1)


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


@dataclass(frozen=True, kw_only=True, slots=True)
class OpenInputs:
    """Opened inputs of one stand or many."""

    layers: Mapping[str, tuple[Reading | None, ...]]
    """Readings by key in ``[inputs]``, one a file, None where refused."""
    marks: tuple[Reading | None, ...]
    tally: tuple[Reading | None, ...]  # marks and tally: one reading a file, None where refused
    volume_table: Reading | None
    target_table: Reading | None  # volume_table and target_table: none where not given or refused
    terrain: FieldFile | None
    canopy_height: FieldFile | None
    """terrain and canopy_height: the raster's file, or that of a mosaic of tiles; None where not
    given or refused."""
    faults: tuple[str, ...] = ()  # why inputs are refused
    names: tuple[str, ...] = ("",)
    """Of the stands, by number; one without a name where records do not say their stand."""

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
