"""Rows of many stands, split by an array of stand numbers."""

from collections.abc import Sequence
from itertools import pairwise
from typing import TypeVar

import numpy as np
import numpy.typing as npt
import pandas as pd

_Frame = TypeVar("_Frame", bound=pd.DataFrame)


def stretches(stand: npt.NDArray[np.intp], stands: int) -> Sequence[slice]:
    """Where the rows of each stand are in an array that rises."""
    ends = np.searchsorted(stand, np.arange(stands + 1)).tolist()
    return [slice(start, end) for start, end in pairwise(ends)]


def parted(frame: _Frame, stand: npt.NDArray[np.intp], stands: int) -> list[_Frame]:
    """The rows of each stand as a frame of their own, index 0..n-1 each."""
    return [frame.iloc[rows].reset_index(drop=True) for rows in stretches(stand, stands)]
