"""Records that came twice: of one marker, with one number and one time."""

from collections.abc import Iterable, Mapping
from typing import cast

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.spatial import cKDTree

from glademark.contracts.frames import STAND
from glademark.intake.record_log import RecordLog
from glademark.intake.records import split_by_stand
from glademark.wording import counted, listed

NEAR_M = 1.0
"""Marks this near to one another may be one tree [m]; a group of like trees looks just so."""

_KEY = (STAND, "marker", "tree_id")
_LIKE = (STAND, "kind", "dbh_cm", "species", "product", "paint")
_NOT_CONTENT = frozenset({"label", "source_file", "record", "inside", "geometry", "_file"})


def repeated(marks: gpd.GeoDataFrame) -> npt.NDArray[np.bool_]:
    """
    Marks that are a repeat of one that is kept, in their stand.

    A numbered record with a time repeats another with the same marker, number and time; one without
    a time repeats another that is equal in everything, position included. Of records that repeat
    each other, the one that comes first by its content is kept, so that the order of rows changes
    nothing.
    """
    numbered = (marks["tree_id"] != "").to_numpy()
    timed = (marks["time"] != "").to_numpy()
    result = np.zeros(len(marks), dtype=bool)
    key = [*_KEY, "time"]
    same = _shared(labels(marks[name] for name in key), numbered & timed)
    if len(same):
        order = pd.DataFrame(_content(marks.iloc[same])).set_axis(same)
        order = order.sort_values(list(order.columns), kind="stable")
        result[order.index] = order.duplicated(key).to_numpy()
    same = _shared(labels(marks[name] for name in _KEY), numbered & ~timed)
    if len(same):
        result[same] = pd.DataFrame(_content(marks.iloc[same])).duplicated().to_numpy()
    return result


def _content(marks: gpd.GeoDataFrame) -> dict[str, npt.ArrayLike]:
    """Columns in which records that are equal in everything are equal, position included."""
    names = [name for name in marks.columns if name not in {*_NOT_CONTENT, STAND}]
    x, y = marks.geometry.x.to_numpy(), marks.geometry.y.to_numpy()
    content: Mapping[str, npt.ArrayLike] = {name: marks[name].array for name in names}
    return {**content, "_x": x, "_y": y, STAND: marks[STAND].array}


def labels(columns: Iterable[pd.Series | npt.ArrayLike]) -> npt.NDArray[np.int64]:
    """
    A number for each different content of some columns, equal where all the columns are.

    Examples
    --------
    >>> labels([pd.Series(["x", "y", "x"]), pd.Series([1, 1, 1])]).tolist()
    [0, 1, 0]
    """
    found: npt.NDArray[np.int64] | None = None
    for column in columns:
        codes, different = pd.factorize(cast("pd.Series", column), use_na_sentinel=False)
        if found is None:
            found = codes.astype(np.int64)
        else:
            found = pd.factorize(found * (len(different) + 1) + codes)[0].astype(np.int64)
    return np.zeros(0, dtype=np.int64) if found is None else found


def _shared(label: npt.NDArray[np.int64], among: npt.NDArray[np.bool_]) -> npt.NDArray[np.intp]:
    """Positions of those that share their label with another of them."""
    rows = np.flatnonzero(among)
    return rows[np.bincount(label[rows])[label[rows]] > 1] if len(rows) else rows


def note_near_repeats(marks: gpd.GeoDataFrame, log: RecordLog) -> None:
    """Say so where numbers are used twice, or rows without a number are equal; all are kept."""
    numbered = (marks["tree_id"] != "").to_numpy()
    twice = _shared(labels(marks[name] for name in _KEY), numbered)
    stand = marks[STAND].to_numpy()
    for number, places in split_by_stand(stand, twice):
        names = listed(marks["tree_id"].iloc[places].unique())
        log.notice(
            f"{counted(len(places), 'mark')} with the number of another of the same marker, "
            f"but different from it, kept: {names}. Check that no tree was recorded twice.",
            stand=number,
        )
    if numbered.all():
        return
    equal = _shared(labels(_content(marks).values()), ~numbered)
    for number, places in split_by_stand(stand, equal):
        log.notice(
            f"{counted(len(places), 'mark')} without a number, equal to another in "
            "everything, kept as trees at one position.",
            stand=number,
        )


def note_near_and_alike(marks: gpd.GeoDataFrame, log: RecordLog) -> None:
    """Count marks that stand near another of their stand with equal data; all are kept."""
    is_tree = (
        marks["kind"].isin(["cut", "leave", "line_tree", "unconfirmed"]) & marks["dbh_cm"].notna()
    )
    trees = np.flatnonzero(is_tree)
    points = gpd.GeoSeries(marks.geometry.iloc[trees])
    xy = np.column_stack([points.x, points.y])
    near = near_and_alike(xy, labels(marks[name].iloc[trees] for name in _LIKE))
    for stand, places in split_by_stand(marks[STAND].to_numpy(), trees[near]):
        log.notice(
            f"{counted(len(places), 'mark')} within {NEAR_M:g} m of another with equal "
            "diameter, species, product and paint, all kept: trees of a group look just so. Check "
            "them only if a tree may have been recorded twice.",
            stand=stand,
        )


def near_and_alike(
    xy: npt.NDArray[np.float64], alike: npt.NDArray[np.int64]
) -> npt.NDArray[np.bool_]:
    """
    Points [m] that have another of the same label near them, but not on the same spot.

    A search tree over the different spots: a million points on one spot cost no more than one.

    Examples
    --------
    >>> near_and_alike(np.array([[0.0, 0.0], [0.5, 0.0], [0.5, 0.0]]), np.array([1, 1, 2])).tolist()
    [True, True, False]
    """
    near = np.zeros(len(xy), dtype=bool)
    shared = _shared(alike, ~near)
    if len(shared):
        near[shared] = _near_another(xy[shared], alike[shared])
    return near


def _near_another(
    xy: npt.NDArray[np.float64], alike: npt.NDArray[np.int64]
) -> npt.NDArray[np.bool_]:
    """Points of labels that others have too, near one of these."""
    places = np.column_stack([xy, 2 * NEAR_M * alike])  # labels are floors that do not touch
    spot = labels(places.T)
    spots = places[np.unique(spot, return_index=True)[1]]
    found, _ = cKDTree(spots).query(spots, k=2, distance_upper_bound=NEAR_M * (1 + 1e-9))
    near = np.isfinite(np.asarray(found)[:, 1])
    return np.asarray(near[spot], dtype=bool)
