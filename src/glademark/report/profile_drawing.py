"""A corridor's profile: lines on paper, for whoever draws them, and a picture of the page."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from glademark.contracts.terrain import Profile
from glademark.report.quantities import show_length, show_number, show_share
from glademark.report.wording import field_text
from glademark.units import SHOWN_LENGTH_M

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from glademark.contracts.frames import FloatArray
    from glademark.contracts.layers import Units


STEPS = (1.0, 2.0, 5.0)
"""Steps of a scale, times a power of ten."""

_TICKS = 4


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class ProfileDrawing:
    """Lines of one profile in a box, its origin at the lower left, y upwards."""

    lines: tuple[FloatArray, ...]
    """The ground: one array of points (x, y) an unbroken stretch; more than one where heights are
    missing."""
    steep: tuple[FloatArray, ...]
    """The stretches of the ground that are steeper than the stated grade, alike."""
    along_ticks: tuple[tuple[float, float], ...]
    height_ticks: tuple[tuple[float, float], ...]
    """along_ticks and height_ticks: positions of round numbers, and those numbers, in the unit
    asked for."""
    exaggeration: float  # height over length on paper, against that on the ground


def draw_profile(
    profile: Profile,
    *,
    width: float,
    height: float,
    steep_grade: float,
    ticks: int = 5,
    unit_m: float = 1.0,
) -> ProfileDrawing:
    """
    Lines of a profile that fill a box.

    Parameters
    ----------
    steep_grade
        From where on a stretch counts as steep, as a fraction of 1.
    unit_m
        Length of the unit in which the numbers are round [m].

    Examples
    --------
    >>> up = Profile(
    ...     corridor="A",
    ...     part=1,
    ...     at_m=np.array([0.0, 50.0, 100.0]),
    ...     height_m=np.array([400.0, 410.0, 420.0]),
    ...     to_landing=np.array([1.0, 1.0]),
    ... )
    >>> draw_profile(up, width=10, height=4, steep_grade=0.3).lines[0].tolist()
    [[0.0, 0.0], [5.0, 2.0], [10.0, 4.0]]
    """
    known = profile.height_m[~np.isnan(profile.height_m)]
    length = float(profile.at_m[-1])
    if not len(known) or length <= 0:
        return ProfileDrawing(
            lines=(), steep=(), along_ticks=(), height_ticks=(), exaggeration=float("nan")
        )
    low, high = float(known.min()), float(known.max())
    if high - low <= 0:
        low, high = low - 0.5, high + 0.5
    x = profile.at_m / length * width
    y = (profile.height_m - low) / (high - low) * height
    points = np.column_stack([x, y])
    grade = np.abs(np.diff(profile.height_m) / np.diff(profile.at_m))
    drawn = ~np.isnan(grade)
    return ProfileDrawing(
        lines=_runs(points, drawn),
        steep=_runs(points, drawn & (grade > steep_grade)),
        along_ticks=tuple(
            (at * unit_m / length * width, at)
            for at in round_numbers(0.0, length / unit_m, about=ticks)
        ),
        height_ticks=tuple(
            ((at * unit_m - low) / (high - low) * height, at)
            for at in round_numbers(low / unit_m, high / unit_m, about=ticks)
        ),
        exaggeration=(height / (high - low)) / (width / length),
    )


def profiles_of_pieces(pieces: gpd.GeoDataFrame) -> tuple[Profile, ...]:
    """Profiles from the layer of graded pieces, which a GeoPackage keeps."""
    if pieces.empty:
        return ()
    found = []
    for _, mine in pieces.groupby(["corridor", "part"], sort=False):
        rows = mine.sort_values("from_m")
        height = np.append(rows["elevation_from_m"], rows["elevation_to_m"].iloc[-1])
        if np.isnan(height.astype(float)).all():
            continue
        found.append(
            Profile(
                corridor=str(rows["corridor"].iloc[0]),
                part=int(rows["part"].iloc[0]),
                at_m=np.append(rows["from_m"], rows["to_m"].iloc[-1]).astype(float),
                height_m=height.astype(float),
                to_landing=np.zeros(len(rows)),
            )
        )
    return tuple(found)


def _runs(points: FloatArray, wanted: npt.NDArray[np.bool_]) -> tuple[FloatArray, ...]:
    """Unbroken lines over the intervals that are wanted."""
    edges = np.diff(np.concatenate([[False], wanted, [False]]).astype(int))
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    return tuple(points[i : j + 1] for i, j in zip(starts, ends, strict=True))


def round_numbers(low: float, high: float, *, about: int) -> tuple[float, ...]:
    """
    Round numbers between two others.

    Examples
    --------
    >>> round_numbers(402.0, 430.3, about=5)
    (405.0, 410.0, 415.0, 420.0, 425.0, 430.0)
    """
    rough = (high - low) / about
    power = 10.0 ** math.floor(math.log10(rough))
    step = next((s * power for s in STEPS if s * power >= rough * 0.75), 10.0 * power)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return tuple(float(number * step) for number in range(first, last + 1))


WIDTH, HEIGHT = 600, 110
"""Size of one picture, in its own units."""

LEFT, RIGHT, TOP, BOTTOM = 48, 10, 8, 20
"""Margins of the drawing inside the picture."""


@dataclass(frozen=True, kw_only=True, slots=True)
class ProfilePicture:
    """One corridor's profile, ready to draw."""

    title: str
    beside: str  # title and beside: the corridor, and its length, heights, steepest piece in words
    lines: tuple[str, ...]
    steep: tuple[str, ...]  # lines and steep: points of polylines, as SVG writes them
    along: tuple[tuple[float, str], ...]
    heights: tuple[tuple[float, str], ...]  # along and heights: position and text of round numbers


def profile_pictures(
    pieces: gpd.GeoDataFrame, *, units: Units, steep_grade: float
) -> tuple[ProfilePicture, ...]:
    """
    Pictures of all corridors whose heights are known.

    Parameters
    ----------
    steep_grade
        From where on a stretch counts as steep, as a fraction of 1.
    """
    profiles = profiles_of_pieces(pieces)
    found = []
    for profile in profiles:  # a picture each
        mine = pieces[(pieces["corridor"] == profile.corridor) & (pieces["part"] == profile.part)]
        alone = sum(one.corridor == profile.corridor for one in profiles) == 1
        title = profile.corridor if alone else f"{profile.corridor}, part {profile.part}"
        found.append(_picture(profile, mine, title, units=units, steep_grade=steep_grade))
    return tuple(found)


def _picture(
    profile: Profile, pieces: pd.DataFrame, title: str, *, units: Units, steep_grade: float
) -> ProfilePicture:
    """One profile."""
    unit_m = SHOWN_LENGTH_M[units]
    drawing = draw_profile(
        profile,
        width=WIDTH - LEFT - RIGHT,
        height=HEIGHT - TOP - BOTTOM,
        steep_grade=steep_grade,
        ticks=_TICKS,
        unit_m=unit_m,
    )
    return ProfilePicture(
        title=field_text(title),
        beside=_in_words(profile, pieces, units),
        lines=tuple(_points(line) for line in drawing.lines),
        steep=tuple(_points(line) for line in drawing.steep),
        along=tuple((round(LEFT + x, 1), show_number(at, 0)) for x, at in drawing.along_ticks),
        heights=tuple(
            (round(HEIGHT - BOTTOM - y, 1), _plain(at)) for y, at in drawing.height_ticks
        ),
    )


def _in_words(profile: Profile, pieces: pd.DataFrame, units: Units) -> str:
    """What the picture shows, for those who cannot see it."""
    long = show_length(float(profile.at_m[-1]), units)
    ends = pieces[["elevation_from_m", "elevation_to_m"]].to_numpy(dtype=float)
    low, high = (show_length(float(end), units) for end in (ends.min(), ends.max()))
    steepest = show_share(float(pieces["grade_pct"].abs().max()) / 100)
    return f"{long} long, from {low} to {high} high, steepest piece {steepest}"


def _points(line: FloatArray) -> str:
    """A polyline, y downwards."""
    return " ".join(f"{LEFT + x:.1f},{HEIGHT - BOTTOM - y:.1f}" for x, y in line.tolist())


def _plain(number: float) -> str:
    """A round number with the decimals that it has."""
    return show_number(number, 0 if float(number).is_integer() else 1)
