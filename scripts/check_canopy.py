"""
How many trees of mapped stands are found in a raster of their canopy.

    .venv/bin/python scripts/open_data.py
    .venv/bin/python scripts/check_canopy.py

Positions and diameters are real (R package spatstat.data: `waka`, 504 trees of a rain forest, and
`spruces`, 134 trees); heights, crowns and the raster of half a metre are made from the diameters. A
top is a tree where it is the nearest to it within half its crown radius and 10 % of its height,
one to one. The table stands in docs/proposals.md.
"""

import numpy as np
import numpy.typing as npt
from mapped_trees import mapped
from scipy.spatial import cKDTree

from glademark.contracts.terrain import Elevation
from glademark.forestry.allometry import WidthForm
from glademark.measure.canopy_trees import canopy_trees

CELL_M, AROUND_M = 0.5, 10.0
HEIGHT_MIN_M = 5.0
CLASSES = ((0.5, "at least half"), (0.1, "a tenth to half"), (0.0, "less than a tenth"))
"""Least share of a crown that is seen from above, as crown classes."""

FloatArray = npt.NDArray[np.float64]


def trees_of(name: str, cm: float) -> tuple[FloatArray, FloatArray]:
    """Positions [m] and diameters [cm] of a mapped stand."""
    found = mapped(name)
    place = np.column_stack([np.asarray(found[axis], dtype=float) for axis in "xy"])
    return place, np.asarray(found["marks"], dtype=float) * cm


def rendered(
    place: FloatArray, height: FloatArray, radius: FloatArray
) -> tuple[Elevation, FloatArray]:
    """The canopy of crowns that are paraboloids, and the share of each that is seen from above."""
    low, high = place.min(axis=0) - AROUND_M, place.max(axis=0) + AROUND_M
    x = np.arange(low[0], high[0], CELL_M) + CELL_M / 2
    y = np.arange(high[1], low[1], -CELL_M) - CELL_M / 2
    top = np.zeros((len(y), len(x)))
    owner = np.full(top.shape, -1)
    size = np.zeros(len(place))
    for tree, (east, north) in enumerate(place.tolist()):  # one drawing over the other
        away = np.hypot(x[None, :] - east, y[:, None] - north) / radius[tree]
        crown = np.where(away <= 1, height[tree] * (1 - 0.5 * away**2), 0.0)
        size[tree] = (crown > 0).sum()
        over = crown > top
        top[over], owner[over] = crown[over], tree
    seen = np.bincount(owner[owner >= 0], minlength=len(place)) / np.maximum(size, 1)
    canopy = Elevation(
        heights_m=top,
        west_m=float(low[0]),
        north_m=float(high[1]),
        cell_x_m=CELL_M,
        cell_y_m=CELL_M,
        file=f"{len(place)} trees",
    )
    return canopy, seen


def check(name: str, cm: float, form: WidthForm) -> None:
    """Print a row for each crown class of a stand, and what was found that is no tree."""
    place, dbh = trees_of(name, cm)
    height = 1.3 + 32 * (1 - np.exp(-0.045 * dbh))
    radius = 0.5 + 0.075 * dbh**0.95
    canopy, seen = rendered(place, height, radius)
    found = canopy_trees(canopy, form=form, height_min_m=HEIGHT_MIN_M)
    tops = found[["x", "y"]].to_numpy()
    away, tree = cKDTree(place).query(tops, k=min(8, len(place)))
    near = away <= np.maximum(radius[tree] / 2, CELL_M)
    near &= np.abs(height[tree] / found["height_m"].to_numpy()[:, None] - 1) <= 0.1  # noqa: PLR2004
    pairs = [(away[i, j], i, tree[i, j]) for i, j in np.argwhere(near)]
    true_of, top_of = dict[int, int](), dict[int, int]()
    for _, i, j in sorted(pairs):  # the nearest pair first, each of them once
        if i not in true_of and j not in top_of:
            true_of[i], top_of[j] = j, i
    is_found = np.isin(np.arange(len(place)), [*top_of])
    counts = height >= HEIGHT_MIN_M
    for place_of, (least, words) in enumerate(CLASSES):
        most = CLASSES[place_of - 1][0] if place_of else np.inf
        mine = counts & (seen >= least) & (seen < most)
        hit = int((mine & is_found).sum())
        print(f"| {name}, {form} | {words} | {mine.sum()} | {hit} | {mine.sum() - hit} | |")
    false, hits = len(found) - len(true_of), len(true_of)
    recall, precision = hits / counts.sum(), hits / len(found)
    score = 2 * recall * precision / (recall + precision)
    print(
        f"| {name}, {form} | all | {counts.sum()} | {hits} | {counts.sum() - hits} | {false} |"
        f" recall {recall:.2f}, precision {precision:.2f}, F {score:.2f}"
    )


def main() -> None:
    """Print the table."""
    print("| stand, window | of the crown is seen from above | trees | found | missed | false |")
    print("|---|---|---|---|---|---|")
    forms: tuple[WidthForm, ...] = ("combined", "power", "linear")
    for form in forms:
        check("waka", 1.0, form)
        check("spruces", 100.0, form)


if __name__ == "__main__":
    main()
