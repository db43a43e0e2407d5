"""
What was found of the ground: grade, slope, extraction, reach, crossings, light and wind.

Every part is None where what it needs was not given. Grades, slopes and shares are fractions of 1:
a grade of 0.2 rises one metre in five.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt

from glademark.contracts.frames import STAND, FloatArray, features
from glademark.contracts.layers import LAYERS


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Elevation:
    """Heights on a grid of cells in the working CRS, the window of the stand and a margin."""

    heights_m: FloatArray
    """One height a cell [m], NaN where there is none; shape (rows, columns), the first row is the
    northernmost, the first column the westernmost."""
    west_m: float
    north_m: float  # west_m and north_m: outer corner of the first cell, in the working CRS [m]
    cell_x_m: float
    cell_y_m: float  # cell_x_m and cell_y_m: size of a cell, > 0 [m]
    file: str  # name of the raster

    def cell_of(self, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
        """
        Row and column of positions, counted from the middle of the first cell.

        Parameters
        ----------
        x, y
            In the working CRS [m].

        Examples
        --------
        >>> grid = Elevation(
        ...     heights_m=np.zeros((2, 2)),
        ...     west_m=0.0,
        ...     north_m=20.0,
        ...     cell_x_m=10.0,
        ...     cell_y_m=10.0,
        ...     file="",
        ... )
        >>> row, column = grid.cell_of(np.array([15.0]), np.array([15.0]))
        >>> float(row[0]), float(column[0])
        (0.0, 1.0)
        """
        row = (self.north_m - np.asarray(y, dtype=np.float64)) / self.cell_y_m - 0.5
        column = (np.asarray(x, dtype=np.float64) - self.west_m) / self.cell_x_m - 0.5
        return row, column


def bilinear(values: FloatArray, row: FloatArray, column: FloatArray) -> FloatArray:
    """
    Values between the middles of cells, bilinear.

    Parameters
    ----------
    values
        One a cell, NaN where there is none; shape (rows, columns).
    row, column
        As from `Elevation.cell_of`; shape (n,).

    Returns
    -------
    between
        Shape (n,); NaN beyond the outermost middles, and where a cell that has a weight has no
        value.

    Examples
    --------
    >>> bilinear(np.array([[0.0, 10.0]]), np.array([0.0]), np.array([0.25])).tolist()
    [2.5]
    """
    rows, columns = values.shape
    slack = 1e-9 * max(rows, columns)
    known = (row >= -slack) & (row <= rows - 1 + slack)
    known &= (column >= -slack) & (column <= columns - 1 + slack)
    row = np.clip(np.where(known, row, 0.0), 0, rows - 1)
    column = np.clip(np.where(known, column, 0.0), 0, columns - 1)
    top = np.minimum(row.astype(np.intp), max(rows - 2, 0))
    left = np.minimum(column.astype(np.intp), max(columns - 2, 0))
    down, right = row - top, column - left
    total = np.zeros(len(row))
    for i, weight_y in ((0, 1 - down), (1, down)):
        for j, weight_x in ((0, 1 - right), (1, right)):
            weight = weight_y * weight_x
            cell = values[np.minimum(top + i, rows - 1), np.minimum(left + j, columns - 1)]
            total += np.where(weight > 0, weight * cell, 0.0)
    return np.where(known, total, np.nan)


def heights_at(elevation: Elevation, x: FloatArray, y: FloatArray) -> FloatArray:
    """
    Height of the ground at positions, bilinear between the middles of cells.

    Parameters
    ----------
    x, y
        In the working CRS [m]; shape (n,).

    Returns
    -------
    heights
        In metres, shape (n,); NaN outside the grid and beside missing cells.
    """
    return bilinear(elevation.heights_m, *elevation.cell_of(x, y))


PERMIT = (
    "A crossing of water or of a setback may need a permit: ask who is in charge of it, and keep "
    "to local rules."
)
"""What has to be said wherever crossings are shown."""

WINDS = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")
"""Names of the eight sectors of the compass, from north over east."""


@dataclass(frozen=True, kw_only=True, slots=True)
class TerrainFigures:
    """The terrain over the stand."""

    file: str  # name of the raster
    cell_x_m: float
    cell_y_m: float  # cell_x_m and cell_y_m: size of its cells in the working CRS
    lowest_m: float
    highest_m: float  # lowest_m and highest_m: heights of the cells in the stand
    slope_mean: float
    slope_p90: float
    slope_max: float
    """Mean, 90th percentile and largest slope of those cells."""
    aspect: str  # sector that most of the sloping cells face; "flat" without any


@dataclass(frozen=True, kw_only=True, slots=True)
class GradeFigures:
    """Grades of the corridors inside the stand."""

    lengths_m: tuple[float, ...]  # lengths over which grades are taken
    steepest: tuple[float, ...]  # steepest grade over each of them, in the same order
    steep_grade: float  # from where on a stretch counts as steep
    steep_m: float
    longest_steep_m: float
    """steep_m and longest_steep_m: corridor steeper than that; its longest unbroken stretch."""
    longest_steep_corridor: str  # where that is; empty where none is steep
    adverse_m: float
    favourable_m: float
    level_m: float
    """adverse_m, favourable_m and level_m: corridor that is uphill, downhill and neither on the way
    to the landing; 0 without one."""
    by_class: Mapping[str, float]  # corridor length by class of grade [m]
    cross_slope_max: float  # steepest ground across a corridor
    without_height_m: float  # corridor for which the raster has no heights


@dataclass(frozen=True, kw_only=True, slots=True)
class ExtractionFigures:
    """The way of the wood to the landing, along corridors."""

    network_m: float  # length of all corridors outside the landings, inside and outside the stand
    unreached: tuple[str, ...]  # names of corridors from which no landing can be reached
    trees: int
    trees_unreached: int
    """trees and trees_unreached: cut trees that are extracted, and those whose corridor reaches no
    landing."""
    m3: float | None
    m3_unreached: float | None
    """m3 and m3_unreached: their solid volume; None where it is not known of every tree."""
    weight: str
    """What the means are weighted by: "m3" where it is known of every tree, else "basal_area" where
    that is, else "trees"."""
    mean_m: float
    farthest_m: float
    """Mean and largest extraction distance; NaN where nothing is extracted."""
    inside_share: float
    outside_share: float
    """inside_share and outside_share: shares of that way inside and outside the stand."""
    payload_m3: float | None
    loads: float | None
    """payload_m3 and loads: payload as stated, and the loads that come of it; None without one, or
    without `m3`."""
    by_landing: Mapping[str, float]
    """Solid volume (basal area, trees: see `weight`) that arrives at each landing."""
    trees_without_m3: int = 0  # trees extracted whose solid volume is not known


@dataclass(frozen=True, kw_only=True, slots=True)
class ReachFigures:
    """Trees within and beyond the reach of a machine that stands in a corridor."""

    reach_m: float  # of the boom or winch line, as stated
    trees_within: int
    trees_beyond: int  # trees_within and trees_beyond: cut trees
    m3_within: float | None
    m3_beyond: float | None
    """m3_within and m3_beyond: their solid volume; None where it is not known of every tree."""
    by_product_beyond: Mapping[str, str]  # net volume beyond by product, in its sale unit
    farthest_m: float
    """Largest distance of a cut tree to the nearest corridor edge; NaN without corridors."""
    stubs: int
    stubs_m: float
    """stubs and stubs_m: new stubs of corridor that would bring trees within reach, and their
    length."""
    trees_left: int  # trees that would still be beyond


@dataclass(frozen=True, kw_only=True, slots=True)
class CrossingFigures:
    """Crossings of water and of setbacks by corridors, and the least angle to a bank [deg]."""

    water: int
    setbacks: int
    least_angle_deg: float


@dataclass(frozen=True, kw_only=True, slots=True)
class LightFigures:
    """Openings under light and wind."""

    wind_from_deg: float | None
    """Bearing from which the prevailing wind blows; None where not stated."""
    edge_m: float  # length of all edges of openings
    windward_m: float | None  # edge that faces the wind; None where no wind is stated
    windward_backed_m: float | None
    """Of that, edge with standing crowns within one tree height behind it; None where no wind or no
    tree height is known."""
    corridor_edge_m: float  # edge that is already a corridor


@dataclass(frozen=True, kw_only=True, slots=True)
class GroundFigures:
    """All that is said of the ground; a part is None where what it needs was not given."""

    terrain: TerrainFigures | None = None
    grades: GradeFigures | None = None
    extraction: ExtractionFigures | None = None
    reach: ReachFigures | None = None
    crossings: CrossingFigures | None = None
    light: LightFigures | None = None


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Profile:
    """Heights along one corridor, or one unbroken part of it inside the stand."""

    corridor: str  # name
    part: int  # from 1; more than one where the stand cuts the corridor
    at_m: npt.NDArray[np.float64]
    """Distances from the start of the part, evenly spaced [m]; shape (n,)."""
    height_m: npt.NDArray[np.float64]
    """Heights there [m]; NaN where the raster has none; shape (n,)."""
    to_landing: npt.NDArray[np.float64]
    """1 where the way to the landing leads along the part, -1 where it leads back, 0 where no
    landing is reached; one an interval, shape (n - 1,)."""


def no_rows(name: str) -> gpd.GeoDataFrame:
    """
    A layer without rows, for what was not found.

    Returns
    -------
    layer
        With its columns; no CRS.
    """
    columns: dict[str, list[float]] = {column: [] for column in LAYERS[name].names}
    return features({STAND: np.zeros(0, dtype=np.int64), **columns}, [], crs=None)
