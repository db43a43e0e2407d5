"""
Profiles of corridors: heights along each line, its grade over stated lengths, and the cross-slope.

A line is cut into equal pieces no longer than the shortest stated length, each piece is sampled
evenly, and heights are bilinear between the middles of the raster's cells.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from glademark.contracts.terrain import Elevation, Profile, heights_at

SPACING_M = 2.0
"""Most distance between two samples of a profile [m]."""

LEVEL = 0.01
"""A grade of at most one in a hundred is neither adverse nor favourable."""

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]
GeometryArray = npt.NDArray[np.object_]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Samples:
    """
    Heights along several lines, one after the other in flat arrays.

    Attributes
    ----------
    line
        Line of each sample; shape (samples,).
    at_m
        Distance from the start of its line.
    height_m
        Height there, NaN where there is none.
    xy
        Position; shape (samples, 2).
    first
        First sample of each line; shape (lines,).
    intervals
        Intervals of each line: one fewer than its samples.
    pieces
        Equal pieces into which each line is cut.
    length_m
        Of each line.
    """

    line: IntArray
    at_m: FloatArray
    height_m: FloatArray
    xy: FloatArray
    first: IntArray
    intervals: IntArray
    pieces: IntArray
    length_m: FloatArray

    def between(self, line: IntArray, at_m: FloatArray) -> FloatArray:
        """
        Heights at distances along lines, straight between samples.

        Parameters
        ----------
        at_m
            Distances from the start, within the line; shape (n,).
        """
        place = at_m / self.length_m[line] * self.intervals[line]
        before = np.clip(place.astype(np.intp), 0, self.intervals[line] - 1)
        share = np.clip(place - before, 0.0, 1.0)
        low, high = (self.height_m[self.first[line] + before + i] for i in (0, 1))
        between = np.where(share == 1, high, low + share * (high - low))
        return np.asarray(np.where(share == 0, low, between), dtype=np.float64)


def sample_lines(
    lines: GeometryArray, elevation: Elevation, *, piece_m: float, spacing_m: float = SPACING_M
) -> Samples:
    """
    Heights along lines, evenly spaced.

    Parameters
    ----------
    lines
        LineStrings with a length, in the CRS of the grid; shape (n,).
    piece_m
        Most length of a piece [m].
    spacing_m
        Most distance between samples [m].
    """
    length = np.asarray(shapely.length(lines), dtype=np.float64)
    pieces = np.maximum(np.ceil(length / piece_m - 1e-9), 1).astype(np.intp)
    each = np.maximum(np.ceil(length / pieces / spacing_m - 1e-9), 1).astype(np.intp)
    intervals = pieces * each
    line = np.repeat(np.arange(len(lines)), intervals + 1)
    first = np.concatenate([[0], np.cumsum(intervals + 1)[:-1]]).astype(np.intp)[: len(lines)]
    number = np.arange(len(line)) - first[line]
    at_m = length[line] * (number / intervals[line])
    xy = shapely.get_coordinates(shapely.line_interpolate_point(lines[line], at_m))
    xy = xy.reshape(-1, 2)
    return Samples(
        line=line,
        at_m=at_m,
        height_m=heights_at(elevation, xy[:, 0], xy[:, 1]),
        xy=xy,
        first=first,
        intervals=intervals,
        pieces=pieces,
        length_m=length,
    )


def steepest(samples: Samples, *, over_m: float) -> FloatArray:
    """
    Steepest grade of each line over a length, wherever on the line that is.

    Parameters
    ----------
    over_m
        Length over which a grade is taken [m]; a shorter line is taken as a whole.

    Returns
    -------
    grades
        Rise over run without sign, one a line; NaN where no such length has heights at both ends.
        Looked for from every sample on, and back from the end.
    """
    line, length = samples.line, samples.length_m
    run = np.minimum(over_m, length)
    end = np.minimum(samples.at_m + run[line], length[line])
    start = end - run[line]  # the last ones begin together, at the end less the length
    rise = samples.between(line, end) - samples.between(line, np.maximum(start, 0.0))
    grade = pd.Series(np.abs(rise) / run[line]).groupby(line).max()
    return np.asarray(grade.reindex(range(len(length))), dtype=np.float64)


def piece_table(samples: Samples, elevation: Elevation, *, width_m: FloatArray) -> pd.DataFrame:
    """
    The pieces of each line with their grade and cross-slope.

    Parameters
    ----------
    width_m
        Width over which the cross-slope is taken, one a line [m].

    Returns
    -------
    pieces
        `line`, `piece` (from 1), `from_m`, `to_m`, `length_m`, `height_from_m`, `height_to_m`,
        `grade` (positive where the line climbs), `cross_slope` (mean over the piece, without
        sign), and the ends of the piece `x_from`, `y_from`, `x_to`, `y_to`. NaN where heights are
        missing.
    """
    each = samples.intervals // samples.pieces
    line = np.repeat(np.arange(len(samples.pieces)), samples.pieces)
    before = np.concatenate([[0], np.cumsum(samples.pieces)[:-1]])[: len(samples.pieces)]
    piece = np.arange(len(line)) - before[line] if len(line) else np.array([], dtype=int)
    start = samples.first[line] + piece * each[line]
    end = start + each[line]
    run = samples.at_m[end] - samples.at_m[start]
    across = cross_slopes(samples, elevation, width_m=width_m)
    mean = across.groupby([across.index, (_interval(samples) // each[across.index])]).mean()
    return pd.DataFrame(
        {
            "line": line,
            "piece": piece + 1,
            "from_m": samples.at_m[start],
            "to_m": samples.at_m[end],
            "length_m": run,
            "height_from_m": samples.height_m[start],
            "height_to_m": samples.height_m[end],
            "grade": (samples.height_m[end] - samples.height_m[start]) / run,
            "cross_slope": mean.to_numpy(dtype=float),
            "x_from": samples.xy[start, 0],
            "y_from": samples.xy[start, 1],
            "x_to": samples.xy[end, 0],
            "y_to": samples.xy[end, 1],
        }
    )


def _interval(samples: Samples) -> IntArray:
    """Number of each interval on its line."""
    line = np.repeat(np.arange(len(samples.first)), samples.intervals)
    before = np.concatenate([[0], np.cumsum(samples.intervals)[:-1]])[: len(samples.first)]
    return np.asarray(np.arange(len(line)) - before.astype(np.intp)[line], dtype=np.intp)


def cross_slopes(samples: Samples, elevation: Elevation, *, width_m: FloatArray) -> pd.Series:
    """
    Slope of the ground at right angles to a line, in the middle of every interval.

    Parameters
    ----------
    width_m
        Width over which it is taken, one a line [m].
    """
    line = np.repeat(np.arange(len(samples.first)), samples.intervals)
    start = samples.first[line] + _interval(samples)
    a, b = samples.xy[start], samples.xy[start + 1]
    middle, ahead = (a + b) / 2, b - a
    reach = np.hypot(*ahead.T)
    reach[reach == 0] = np.nan  # a line that turns back on itself
    half = width_m[line][:, None] / 2
    left = np.column_stack([-ahead[:, 1], ahead[:, 0]]) / reach[:, None] * half
    one, two = (heights_at(elevation, *(middle + side).T) for side in (left, -left))
    return pd.Series(np.abs(one - two) / width_m[line], index=line)


def longest_runs(pieces: pd.DataFrame, *, above: float) -> pd.Series:
    """
    Longest unbroken stretch of each line that is steeper than a grade.

    Parameters
    ----------
    above
        Grade, as a fraction of 1.
    """
    steep = pieces["grade"].abs() > above
    run = (~steep).cumsum()
    length = pieces["length_m"].where(steep, 0.0).groupby([pieces["line"], run]).sum()
    return length.groupby(level=0).max()


def grade_classes(grades: npt.ArrayLike, *, edges: tuple[float, ...]) -> npt.NDArray[np.object_]:
    """
    Class of each grade, in words.

    Returns
    -------
    classes
        Such as ``10-20 %``; ``no height`` for NaN.

    Examples
    --------
    >>> grade_classes([0.05, -0.1, 0.25], edges=(0.1, 0.2)).tolist()
    ['0-10 %', '0-10 %', 'over 20 %']
    """
    steep = np.abs(np.asarray(grades, dtype=np.float64))
    labels = np.array([*class_labels(edges), "no height"], dtype=object)
    place = np.searchsorted(np.asarray(edges), np.nan_to_num(steep) - 1e-12, side="left")
    return np.asarray(labels[np.where(np.isnan(steep), len(labels) - 1, place)], dtype=object)


def class_labels(edges: tuple[float, ...]) -> tuple[str, ...]:
    """
    Names of the classes of grade, from gentle to steep.

    Parameters
    ----------
    edges
        Upper ends of all classes but the last, as fractions of 1.
    """
    ends = [f"{100 * edge:g}" for edge in edges]
    between = [f"{low}-{high} %" for low, high in zip(["0", *ends], ends, strict=False)]
    return (*between, f"over {ends[-1]} %")


def steepest_of_profiles(profiles: Iterable[Profile], *, over_m: float) -> pd.Series:
    """
    Steepest grade of each corridor over a length.

    Parameters
    ----------
    over_m
        Length over which a grade is taken [m]; a shorter part is taken as a whole.

    Returns
    -------
    grades
        Rise over run without sign, by corridor in the order of the profiles; NaN where there are no
        heights.
    """
    parts = tuple(profiles)
    if not parts:
        return pd.Series(dtype=float)
    counts = np.array([len(part.at_m) for part in parts], dtype=np.intp)
    at_m = np.concatenate([part.at_m for part in parts])
    samples = Samples(
        line=np.repeat(np.arange(len(parts)), counts),
        at_m=at_m,
        height_m=np.concatenate([part.height_m for part in parts]),
        xy=np.full((len(at_m), 2), np.nan),
        first=np.cumsum(counts) - counts,
        intervals=counts - 1,
        pieces=np.ones(len(parts), dtype=np.intp),
        length_m=at_m[np.cumsum(counts) - 1],
    )
    grades = pd.Series(steepest(samples, over_m=over_m), index=[part.corridor for part in parts])
    return grades.groupby(level=0, sort=False).max()
