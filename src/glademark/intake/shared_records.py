"""The same trees in two files: an export that holds what another file holds already."""

from collections.abc import Iterator, Sequence
from itertools import combinations

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.spatial import cKDTree

from glademark.contracts.frames import STAND
from glademark.intake.record_log import RecordLog
from glademark.intake.records import Reading
from glademark.intake.repeats import labels
from glademark.wording import listed

SAME_M = 1.0
"""Equal trees of two files this near to one another are one [m]."""

MOST = 0.5
"""Share of the smaller file from which the two are refused."""

LEAST = 2
"""Fewest such records: one tree is no export."""

_DEGREE_M = 111_320.0
_COARSE_DECIMALS_MAX = 5  # of a degree: the sixth is finer than SAME_M
_ROUNDING_DEG = 1e-9
_DBH_DECIMALS = 3  # of a centimetre: what conversion from inches leaves
_GROUP_POINTS = ("group_boundary", "group_centre")

IntArray = npt.NDArray[np.intp]
FloatArray = npt.NDArray[np.float64]


def refuse_shared(
    marks: gpd.GeoDataFrame, readings: Sequence[Reading], log: RecordLog, *, keep: bool
) -> None:
    """
    Refuse stands where half of a file's marks or more are in another file; tell where fewer are.

    Marks of two files are the same where species, as folded, and diameter are equal and they lie
    within `SAME_M`, or within the rounding of the coordinates where that is larger. Numbers are no
    part of it: exports renumber. `keep`: all are told and none is refused.
    """
    file = marks["_file"].to_numpy()
    if len(readings) < 2:  # noqa: PLR2004 - a pair of files
        return
    rounded = marks["dbh_cm"].round(_DBH_DECIMALS)
    like = labels([marks[STAND], marks["species"], rounded, marks["kind"].isin(_GROUP_POINTS)])
    rows = _of_several_files(like, file)
    xy = np.column_stack([marks.geometry.x, marks.geometry.y])
    steps = [_printed_step_m(reading) for reading in readings]
    in_file = [rows[file[rows] == place] for place in range(len(readings))]
    for one, other in combinations(np.unique(file[rows]).tolist(), 2):
        within_m = max(SAME_M, steps[one], steps[other])
        pair = _near(xy, like, in_file[one], in_file[other], within_m)
        for stand, number, first in _by_stand(marks[STAND].to_numpy(), like, pair):
            sizes = {at: int((readings[at].stand == stand).sum()) for at in (one, other)}
            small, large = sorted(sizes, key=lambda at: sizes[at])
            told = (
                f"{number} of {sizes[small]} records of {readings[small].file.name} are also in "
                f"{readings[large].file.name} (equal species and diameter within {within_m:.1f} m)"
            )
            if keep or number < max(LEAST, MOST * sizes[small]):
                names = listed(marks["tree_id"].iloc[first])
                log.notice(f"{told}; all are kept: {names}.", stand=stand)
            else:
                log.fault(f'{told}; leave one out, or set [marks] repeats = "keep".', stand=stand)


def _of_several_files(like: npt.NDArray[np.int64], file: IntArray) -> IntArray:
    """Rows whose label occurs in more than one file."""
    files = pd.Series(file).groupby(like).transform("nunique")
    return np.flatnonzero(files > 1)


def _near(
    xy: FloatArray, like: npt.NDArray[np.int64], one: IntArray, other: IntArray, within_m: float
) -> tuple[IntArray, IntArray]:
    """Rows of each of two files that have one of the other alike and near."""
    places = np.column_stack([xy, 2 * within_m * like])  # labels are floors that do not touch
    spots = [np.unique(places[rows], axis=0, return_inverse=True) for rows in (one, other)]
    trees = [cKDTree(spot) for spot, _ in spots]
    reach = within_m * (1 + 1e-9)
    found = []
    for rows, (spot, at), tree in zip((one, other), spots, reversed(trees), strict=True):
        away, _ = tree.query(spot, distance_upper_bound=reach)
        found.append(rows[np.isfinite(away)[at.reshape(-1)]])
    return found[0], found[1]


def _by_stand(
    stand: npt.NDArray[np.int64], like: npt.NDArray[np.int64], pair: tuple[IntArray, IntArray]
) -> Iterator[tuple[int, int, IntArray]]:
    """Stands, how many records are in both files, each for one of the other, and the first's."""
    number = [pd.Series(like[rows]).value_counts() for rows in pair]
    one, two = number[0].align(number[1], join="inner")
    both = one.where(one < two, two)
    first = pd.Series(pair[0], index=like[pair[0]])
    of_label = pd.Series(stand[first], index=first.index).groupby(level=0).first()
    total = both.groupby(of_label.reindex(both.index)).sum()
    for here, shared in total.items():
        yield int(str(here)), int(shared), pair[0][stand[pair[0]] == here]


def _printed_step_m(reading: Reading) -> float:
    """Step to which degrees were rounded when they were written [m]; 0 where it is fine."""
    if reading.unmoved is None or reading.crs is None or not reading.crs.is_geographic:
        return 0.0
    both = shapely.get_coordinates(reading.unmoved.to_numpy())
    for decimals in range(_COARSE_DECIMALS_MAX + 1):
        if len(both) and np.abs(both - both.round(decimals)).max() < _ROUNDING_DEG:
            return float(_DEGREE_M / 10**decimals)
    return 0.0
