"""Heights of the ground around a stand: what intake hands on of a terrain raster."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Elevation:
    """
    Heights on a grid of cells in the working CRS, the window of the stand and a margin.

    Attributes
    ----------
    heights_m
        One height a cell [m], NaN where there is none; shape (rows, columns), the first row is
        the northernmost, the first column the westernmost.
    west_m, north_m
        Outer corner of the first cell, in the working CRS [m].
    cell_x_m, cell_y_m
        Size of a cell, > 0 [m].
    file
        Name of the raster.
    """

    heights_m: FloatArray
    west_m: float
    north_m: float
    cell_x_m: float
    cell_y_m: float
    file: str

    def cell_of(self, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
        """
        Row and column of positions, counted from the middle of the first cell.

        Parameters
        ----------
        x, y
            In the working CRS [m].

        Returns
        -------
        row, column
            Real numbers; whole ones lie in the middle of a cell.

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
    elevation
        Heights on a grid.
    x, y
        In the working CRS [m]; shape (n,).

    Returns
    -------
    heights
        In metres, shape (n,); NaN outside the grid and beside missing cells.
    """
    return bilinear(elevation.heights_m, *elevation.cell_of(x, y))
