"""Rasters of the field: one file, or tiles of one grid that are read as one raster."""

from collections.abc import Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt
from pyproj import CRS

from glademark.errors import FileError, InputError, counted
from glademark.intake.crs import parse_crs, same_crs
from glademark.intake.formats.files import FieldFile, sha256_of
from glademark.project.model import Source

Raster: TypeAlias = "Any"  # an open data set; rasterio ships no types

SAME_CELL = 0.01
"""Cells of tiles may be apart by so much of a cell, from first to last, and be on one grid."""


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
