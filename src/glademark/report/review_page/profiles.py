"""Corridor profiles as pictures: height along every corridor, steep stretches told apart."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from glademark.report.profile_drawing import draw_profile, profiles_of_pieces
from glademark.report.quantities import show_length, show_number, show_share
from glademark.report.review_page.wording import field_text
from glademark.units import SHOWN_LENGTH_M

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from glademark.contracts.layers import Units
    from glademark.contracts.terrain import Profile
    from glademark.report.profile_drawing import FloatArray

WIDTH, HEIGHT = 600, 110
"""Size of one picture, in its own units."""

LEFT, RIGHT, TOP, BOTTOM = 48, 10, 8, 20
"""Margins of the drawing inside the picture."""

_TICKS = 4


@dataclass(frozen=True, kw_only=True, slots=True)
class ProfilePicture:
    """
    One corridor's profile, ready to draw.

    Attributes
    ----------
    title, beside
        The corridor, and its length, heights, steepest piece in words.
    lines, steep
        Points of polylines, as SVG writes them.
    along, heights
        Position and text of round numbers.
    """

    title: str
    beside: str
    lines: tuple[str, ...]
    steep: tuple[str, ...]
    along: tuple[tuple[float, str], ...]
    heights: tuple[tuple[float, str], ...]


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
