"""Frames of many stands put one under the other, and taken apart again."""

from collections.abc import Sequence
from itertools import pairwise
from typing import TypeVar

import numpy as np
import numpy.typing as npt
import pandas as pd

IntArray = npt.NDArray[np.intp]

_Frame = TypeVar("_Frame", bound=pd.DataFrame)


def joined(frames: Sequence[_Frame]) -> tuple[_Frame, IntArray]:
    """
    Frames one under the other.

    Parameters
    ----------
    frames
        Of equal columns, one a stand; at least one.

    Returns
    -------
    frame
        All rows, index 0..n-1; a single frame stays as it is.
    stand
        Place of the frame that each row is from, rising.
    """
    sizes = [len(frame) for frame in frames]
    stand = np.repeat(np.arange(len(frames)), sizes)
    some = [frame for frame, size in zip(frames, sizes, strict=True) if size]
    if len(some) > 1:
        return pd.concat(some, ignore_index=True), stand
    return (some or frames)[0], stand


def parted(frame: _Frame, stand: IntArray, stands: int) -> list[_Frame]:
    """
    The rows of each stand as a frame of their own.

    Parameters
    ----------
    frame
        One stand after the other.
    stand
        Place of the stand of each row, rising.
    stands
        Number of stands; one loop over them.

    Returns
    -------
    frames
        Index 0..n-1 each.
    """
    if stands == 1:
        return [frame]
    nothing = frame.iloc[:0]
    nothing.index = pd.RangeIndex(0)
    found = []
    for rows in stretches(stand, stands):
        part = nothing
        if rows.stop > rows.start:
            part = frame.iloc[rows]
            part.index = pd.RangeIndex(rows.stop - rows.start)
        found.append(part)
    return found


def stretches(stand: IntArray, stands: int) -> list[slice]:
    """
    Where the rows of each stand are.

    Parameters
    ----------
    stand
        Place of the stand of each row, rising.
    stands
        Number of stands.

    Returns
    -------
    rows
        A slice for each stand, empty where it has none.

    Examples
    --------
    >>> stretches(np.array([0, 0, 2]), 3)
    [slice(0, 2, None), slice(2, 2, None), slice(2, 3, None)]
    """
    ends = np.searchsorted(stand, np.arange(stands + 1)).tolist()
    return [slice(start, end) for start, end in pairwise(ends)]


def stretch(stand: IntArray, place: int) -> slice:
    """
    Where the rows of one stand are.

    Parameters
    ----------
    stand
        Place of the stand of each row, rising.
    place
        Of the stand.

    Returns
    -------
    rows
        Empty where it has none.
    """
    start, end = np.searchsorted(stand, [place, place + 1]).tolist()
    return slice(start, end)
