"""
Tree tops and crowns of a raster of canopy heights.

A cell is a top where no cell is higher within half the crown width that its height suggests
(`forestry.crown_width.width_of_height_m`); equal cells within that reach are one top. Crowns are
the watersheds of the tops. Trees under others are not seen, and neither are species, diameter,
risk and defect.

References
----------
.. [1] Popescu and Wynne 2004, Photogramm. Eng. Remote Sens. 70(5):589-604: the variable window.
.. [2] Meyer and Beucher 1990, J. Vis. Commun. Image Represent. 1(1):21-46: flooding from markers.
"""

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import ndimage

from glademark.contracts.terrain import Elevation
from glademark.errors import InputError
from glademark.forestry.allometry import WidthForm, width_of_height_m

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]
BoolArray = npt.NDArray[np.bool_]

_SAME = 1e-9  # of a cell: a cell whose middle is at the reach is within it


def canopy_trees(canopy: Elevation, *, form: WidthForm, height_min_m: float) -> pd.DataFrame:
    """Trees of a canopy: `x`, `y`, `height_m`, and `crown_radius_m` of a circle of its area."""
    row, column = tree_tops(canopy, form=form, height_min_m=height_min_m)
    crowns = _crowns(canopy, row, column, form=form, height_min_m=height_min_m)
    cells = np.bincount(crowns.ravel(), minlength=len(row) + 1)[1:]
    return pd.DataFrame(
        {
            "x": canopy.west_m + (column + 0.5) * canopy.cell_x_m,
            "y": canopy.north_m - (row + 0.5) * canopy.cell_y_m,
            "height_m": canopy.heights_m[row, column],
            "crown_radius_m": np.sqrt(cells * canopy.cell_x_m * canopy.cell_y_m / np.pi),
        }
    )


def tree_tops(
    canopy: Elevation, *, form: WidthForm, height_min_m: float
) -> tuple[IntArray, IntArray]:
    """Row and column of the cells that are tops, in the order of the raster."""
    height = np.where(np.isnan(canopy.heights_m), -np.inf, canopy.heights_m)
    highest = ndimage.maximum_filter(height, size=3, mode="constant", cval=-np.inf)
    row, column = np.nonzero((height >= height_min_m) & (height >= highest))
    own = height[row, column]
    reach = width_of_height_m(own, form=form) / 2
    widest = float(reach.max(initial=0.0))
    down, right = (int(widest / cell) for cell in (canopy.cell_y_m, canopy.cell_x_m))
    padded = np.pad(height, ((down, down), (right, right)), constant_values=-np.inf)
    place = np.full(height.shape, -1, dtype=np.intp)
    place[row, column] = np.arange(len(row))
    beaten = np.zeros(len(row), dtype=bool)
    ties: list[IntArray] = []
    for i in range(-down, down + 1):  # some hundred cells of the widest window, for all tops
        for j in range(-right, right + 1):
            away = np.hypot(i * canopy.cell_y_m, j * canopy.cell_x_m)
            near = np.flatnonzero(away <= reach * (1 + _SAME))
            other = padded[row[near] + i + down, column[near] + j + right]
            beaten[near[other > own[near]]] = True
            if (i, j) > (0, 0):
                same = near[other == own[near]]
                ties.append(np.column_stack([same, place[row[same] + i, column[same] + j]]))
    kept = _one_of_equals(~beaten, np.concatenate([np.zeros((0, 2), np.intp), *ties]))
    return row[kept], column[kept]


def _one_of_equals(kept: BoolArray, pairs: IntArray) -> IntArray:
    """Tops that are left where of two equal ones within reach the first alone counts."""
    pairs = pairs[(pairs[:, 1] >= 0) & kept[pairs].all(axis=1)]
    pairs = pairs[np.lexsort((pairs[:, 1], pairs[:, 0]))]
    kept = kept.copy()
    for first, other in pairs.tolist():  # in order: one that is dropped drops no other
        if kept[first]:
            kept[other] = False
    return np.flatnonzero(kept)


def _crowns(
    canopy: Elevation, row: IntArray, column: IntArray, *, form: WidthForm, height_min_m: float
) -> npt.NDArray[np.int32]:
    """Number of the top, from 1, whose crown each cell is of; 0 of none."""
    try:
        from skimage.segmentation import watershed  # noqa: PLC0415 - an extra
    except ImportError as error:
        msg = "canopy_height: crowns need an image library. Install it: glademark[canopy]"
        raise InputError(msg) from error
    tops = np.zeros(canopy.heights_m.shape, dtype=np.int32)
    tops[row, column] = np.arange(1, len(row) + 1)
    height = np.nan_to_num(canopy.heights_m)
    crowns: npt.NDArray[np.int32] = watershed(  # type: ignore[no-untyped-call] # ships no types
        -height, tops, mask=height >= height_min_m
    )
    i, j = np.nonzero(crowns)
    top = crowns[i, j] - 1
    away = np.hypot(
        (i - row[top]) * canopy.cell_y_m, (j - column[top]) * canopy.cell_x_m
    )  # a watershed runs on over ground that has no top of its own
    far = away > width_of_height_m(canopy.heights_m[row, column], form=form)[top]
    crowns[i[far], j[far]] = 0
    return crowns
