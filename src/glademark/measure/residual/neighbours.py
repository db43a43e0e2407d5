"""Crowns around crop trees: sides crowded, freed by the marks, still crowded, exposed to damage."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

IntArray = npt.NDArray[np.intp]
BoolArray = npt.NDArray[np.bool_]
FloatArray = npt.NDArray[np.float64]

SIDE_NAMES = {4: ("N", "E", "S", "W"), 8: ("N", "NE", "E", "SE", "S", "SW", "W", "NW")}
"""Sides of a crown, clockwise from the one centred on north."""

_ROUNDING_DEG = 1e-9  # a bearing on a border belongs to the side clockwise of it


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Trees:
    """
    Trees with crowns, one row each.

    Attributes
    ----------
    xy
        Position [m], shape (n, 2).
    stand
        Number of the stand.
    radius_m
        Of the crown.
    height_m, crown_base_m
        Total height and height of the live crown's base; NaN where not known.
    """

    xy: FloatArray
    stand: IntArray
    radius_m: FloatArray
    height_m: FloatArray
    crown_base_m: FloatArray


def side_of(bearing_deg: FloatArray, *, sides: int) -> IntArray:
    """
    Side of a crown in which a bearing lies.

    Examples
    --------
    >>> side_of(np.array([0.0, 44.9, 45.0, 315.0, 314.9]), sides=4).tolist()
    [0, 0, 1, 0, 3]
    """
    width = 360.0 / sides
    turned = np.asarray(bearing_deg, float) + width / 2 + _ROUNDING_DEG
    return (np.floor(turned / width).astype(np.intp)) % sides


def neighbour_pairs(
    crop: Trees, others: Trees, *, reach_m: float
) -> tuple[IntArray, IntArray, FloatArray]:
    """Crop tree, neighbour and distance [m] of all pairs of one stand within a reach."""
    nothing = np.zeros(0, dtype=np.intp)
    if not len(crop.xy) or not len(others.xy):
        return nothing, nothing, np.zeros(0)
    places = [
        np.column_stack([trees.xy, trees.stand * (2 * reach_m + 1)]) for trees in (crop, others)
    ]
    near = cKDTree(places[0]).sparse_distance_matrix(
        cKDTree(places[1]), reach_m, output_type="coo_matrix"
    )
    return near.row.astype(np.intp), near.col.astype(np.intp), np.asarray(near.data)


def crowded_sides(
    crop: Trees,
    others: Trees,
    pairs: tuple[IntArray, IntArray, FloatArray],
    *,
    marked: BoolArray,
    touch_m: float,
    sides: int,
) -> tuple[BoolArray, BoolArray]:
    """
    Which sides of each crop tree are crowded before and after the cut, shape (crop trees, sides).

    A neighbour crowds the side in which its bole stands where the gap between the crowns is at most
    `touch_m`, unless its top is below the crop tree's live crown.
    """
    tree, other, away = pairs
    gap = away - crop.radius_m[tree] - others.radius_m[other]
    below = others.height_m[other] < crop.crown_base_m[tree]  # false where either is not known
    crowds = (gap <= touch_m) & ~below
    tree, other = tree[crowds], other[crowds]
    east, north = (others.xy[other] - crop.xy[tree]).T
    side = side_of(np.degrees(np.arctan2(east, north)) % 360, sides=sides)
    before = np.zeros((len(crop.xy), sides), dtype=bool)
    after = before.copy()
    before[tree, side] = True
    stays = ~marked[other]
    after[tree[stays], side[stays]] = True
    return before, after


def felled_within(
    others: Trees,
    pairs: tuple[IntArray, IntArray, FloatArray],
    *,
    count: IntArray,
    crop_trees: int,
    default_m: float,
) -> IntArray:
    """Trees cut near enough to fall on each crop tree; `count` is how many each record cuts."""
    tree, other, away = pairs
    reach = np.where(np.isnan(others.height_m), default_m, others.height_m)[other]
    hits = np.where(away <= reach, count[other], 0)
    return np.bincount(tree, weights=hits, minlength=crop_trees).astype(np.intp)
