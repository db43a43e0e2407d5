"""
Position error of marks, as a surveyor states it: a part of each fix alone, a part that fixes share.

Fixes of one receiver taken close in time err together. The shared part moves them all alike, so it
shifts an opening against a line without changing its area.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

LEAST_ERROR_M = 0.01
"""No fix is taken to be better than this [m]."""

Together = Literal["day", "file", "time"]
FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PositionErrors:
    """
    Standard errors of positions along each axis.

    Attributes
    ----------
    alone_m
        Part of each fix alone [m]; shape (n,).
    shared_m
        Part that it shares with the others of its set [m]; shape (n,).
    together
        Number of the set of fixes that err together, 0 upward; shape (n,).
    """

    alone_m: FloatArray
    shared_m: FloatArray
    together: IntArray

    @property
    def total_m(self) -> FloatArray:
        """
        Standard error of each position along one axis.

        Returns
        -------
        total
            Both parts together [m].
        """
        return np.hypot(self.alone_m, self.shared_m)

    def only(self, rows: IntArray) -> "PositionErrors":
        """
        Errors of some of the positions.

        Parameters
        ----------
        rows
            Their places; shape (m,).
        """
        return PositionErrors(
            alone_m=self.alone_m[rows], shared_m=self.shared_m[rows], together=self.together[rows]
        )


def position_errors(
    marks: pd.DataFrame, *, shared_share: float, together: Together, minutes: float
) -> PositionErrors:
    """
    Errors of marks by the figures that stand with them.

    Parameters
    ----------
    marks
        `position_error_m` (horizontal root mean square error [m]), `time` (text), `source_file`.

    Examples
    --------
    >>> marks = pd.DataFrame({"position_error_m": [4.0], "time": [""], "source_file": ["a"]})
    >>> found = position_errors(marks, shared_share=0.5, together="day", minutes=30)
    >>> found.alone_m.round(6).tolist(), found.shared_m.round(6).tolist()
    ([2.0], [2.0])
    """
    axis = marks["position_error_m"].to_numpy(dtype=float) / np.sqrt(2)
    axis = np.maximum(axis, LEAST_ERROR_M)
    return PositionErrors(
        alone_m=axis * np.sqrt(1 - shared_share),
        shared_m=axis * np.sqrt(shared_share),
        together=_sets(marks, together, minutes),
    )


def _sets(marks: pd.DataFrame, together: Together, minutes: float) -> IntArray:
    """Number of the set of fixes that each mark belongs to."""
    files = marks["source_file"].astype(str)
    if together == "file":
        return np.asarray(files.factorize()[0], dtype=np.intp)
    times = pd.to_datetime(marks["time"].astype(str), format="ISO8601", errors="coerce", utc=True)
    step = "D" if together == "day" else f"{round(minutes * 60)}s"
    names = times.dt.floor(step).astype(str).where(times.notna(), "")
    return np.asarray((names + "|" + files.where(names == "", "")).factorize()[0], dtype=np.intp)


def shared_draws(errors: PositionErrors, count: int, rng: np.random.Generator) -> FloatArray:
    """
    The part of the error that fixes share, drawn.

    Returns
    -------
    shifts
        Recorded less true [m]; shape (count, n, 2).
    """
    sets = int(errors.together.max()) + 1 if len(errors.together) else 0
    common = rng.standard_normal((count, sets, 2))
    return common[:, errors.together] * errors.shared_m[None, :, None]


def line_shifts(
    vertices: FloatArray, *, error_m: float, length_m: float, count: int, rng: np.random.Generator
) -> FloatArray:
    """
    Errors of the vertices of lines, drawn: vertices close together err together.

    Parameters
    ----------
    vertices
        Coordinates [m]; shape (n, 2).
    error_m
        Horizontal root mean square error of a vertex [m].
    length_m
        Distance over which errors are alike [m]; 0 for vertices that err alone.

    Returns
    -------
    shifts
        Recorded less true [m]; shape (count, n, 2). The correlation is exp(-(d / length)^2 / 2);
        vertices at one place move as one.
    """
    places, place = np.unique(np.round(vertices, 3), axis=0, return_inverse=True)
    noise = rng.standard_normal((count, len(places), 2)) * error_m / np.sqrt(2)
    if length_m > 0 and len(places):
        apart = np.square(places[:, None] - places[None]).sum(axis=2)
        alike = np.exp(-apart / (2 * length_m**2)) + 1e-6 * np.eye(len(places))
        noise = np.einsum("ij,cjk->cik", np.linalg.cholesky(alike), noise, optimize=True)
    return np.asarray(noise[:, place.reshape(-1)])
