"""Records that came twice: of one marker, with one number and one time."""

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.spatial import cKDTree

from glademark.intake.record_log import Ledger
from glademark.intake.records import by_stand
from glademark.intake.wording import counted, listed

NEAR_M = 1.0
"""Marks this near to one another may be one tree [m]; a group of like trees looks just so."""

_KEY = ["_stand", "marker", "tree_id"]
_LIKE = ["_stand", "kind", "dbh_cm", "species", "product", "paint"]
_NOT_CONTENT = frozenset({"source_file", "record", "inside"})


def repeated(marks: pd.DataFrame) -> pd.Series:
    """
    Marks that are a repeat of one that is kept.

    A numbered record with a time repeats another with the same marker, number and time; one without
    a time repeats another that is equal in everything, position included. Of records that repeat
    each other, the one that comes first by its content is kept, so that the order of rows changes
    nothing.

    Parameters
    ----------
    marks
        With `marker`, `tree_id`, `time`, all other columns, and as columns the position, and the
        number of the stand as `_stand`: marks of two stands are no repeats.

    Returns
    -------
    repeated
        Boolean, on the index of `marks`.
    """
    numbered = (marks["tree_id"] != "").to_numpy()
    timed = (marks["time"] != "").to_numpy()
    content = [name for name in marks.columns if name not in _NOT_CONTENT]
    result = np.zeros(len(marks), dtype=bool)
    same = _shared(labels(marks, [*_KEY, "time"]), numbered & timed)
    if len(same):
        order = marks.iloc[same].sort_values(content, kind="stable")
        later = order.duplicated([*_KEY, "time"])
        result[same] = later.loc[marks.index[same]].to_numpy()
    same = _shared(labels(marks, _KEY), numbered & ~timed)
    if len(same):
        result[same] = marks.iloc[same].duplicated(content).to_numpy()
    return pd.Series(result, index=marks.index)


def labels(marks: pd.DataFrame, names: Iterable[str]) -> npt.NDArray[np.int64]:
    """
    A number for each different content of some columns.

    Parameters
    ----------
    marks
        With these columns.
    names
        Of the columns.

    Returns
    -------
    labels
        Equal where all the columns are; shape (n,).

    Examples
    --------
    >>> labels(pd.DataFrame({"a": ["x", "y", "x"], "b": [1, 1, 1]}), ["a", "b"]).tolist()
    [0, 1, 0]
    """
    found = np.zeros(len(marks), dtype=np.int64)
    for name in names:
        codes, different = pd.factorize(marks[name], use_na_sentinel=False)
        found = pd.factorize(found * (len(different) + 1) + codes)[0].astype(np.int64)
    return found


def _shared(label: npt.NDArray[np.int64], among: npt.NDArray[np.bool_]) -> npt.NDArray[np.intp]:
    """Positions of those that share their label with another of them."""
    rows = np.flatnonzero(among)
    return rows[np.bincount(label[rows])[label[rows]] > 1] if len(rows) else rows


def note_near_repeats(marks: pd.DataFrame, ledger: Ledger) -> None:
    """
    Say so where numbers are used twice, or rows without a number are equal; all are kept.

    Parameters
    ----------
    marks
        Without repeats, columns as in `repeated`.
    ledger
        For the notices.
    """
    numbered = (marks["tree_id"] != "").to_numpy()
    twice = _shared(labels(marks, _KEY), numbered)
    owner = marks["_stand"].to_numpy()
    for stand, places in by_stand(owner, twice):
        names = listed(marks["tree_id"].iloc[places].unique())
        ledger.notice(
            f"{counted(len(places), 'mark')} with the number of another of the same marker, "
            f"but different from it, kept: {names}. Check that no tree was recorded twice.",
            stand=stand,
        )
    content = [name for name in marks.columns if name not in _NOT_CONTENT]
    equal = _shared(labels(marks, content), ~numbered) if not numbered.all() else twice[:0]
    for stand, places in by_stand(owner, equal):
        ledger.notice(
            f"{counted(len(places), 'mark')} without a number, equal to another in "
            "everything, kept as trees at one position.",
            stand=stand,
        )


def note_near_and_alike(marks: pd.DataFrame, ledger: Ledger) -> None:
    """
    Count marks that stand near another with equal data; all are kept.

    Parameters
    ----------
    marks
        Without repeats, with the position as `_x` and `_y` [m] and the stand's number as `_stand`.
    ledger
        For the notice.
    """
    trees = marks[marks["kind"].isin(["cut", "leave", "line_tree"]) & marks["dbh_cm"].notna()]
    near = near_and_alike(trees[["_x", "_y"]].to_numpy(), labels(trees, _LIKE))
    for stand, places in by_stand(trees["_stand"].to_numpy(), np.flatnonzero(near)):
        ledger.notice(
            f"{counted(len(places), 'mark')} within {NEAR_M:g} m of another with equal "
            "diameter, species, product and paint, all kept: trees of a group look just so. Check "
            "them only if a tree may have been recorded twice.",
            stand=stand,
        )


def near_and_alike(
    xy: npt.NDArray[np.float64], alike: npt.NDArray[np.int64]
) -> npt.NDArray[np.bool_]:
    """
    Points that have another of the same label near them, but not on the same spot.

    Parameters
    ----------
    xy
        Positions, one row each [m].
    alike
        Label of each.

    Returns
    -------
    near
        One flag a point. A search tree over the different spots: a million points on one spot cost
        no more than one.

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
    apart = pd.DataFrame({"x": xy[:, 0], "y": xy[:, 1], "floor": 2 * NEAR_M * alike})
    first = ~apart.duplicated().to_numpy()
    spots = apart[first].to_numpy()
    found, _ = cKDTree(spots).query(spots, k=2, distance_upper_bound=NEAR_M * (1 + 1e-9))
    near = np.asarray(np.isfinite(np.asarray(found)[:, 1]), dtype=bool)
    if first.all():
        return near
    return np.asarray(near[labels(apart, apart.columns)], dtype=bool)
