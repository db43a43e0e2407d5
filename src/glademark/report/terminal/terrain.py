"""The ground on the terminal: slope, grade, extraction, reach, crossings, light and wind."""

import math
from collections.abc import Iterator

from rich.console import RenderableType
from rich.text import Text

from glademark.contracts.layers import Units
from glademark.contracts.terrain import (
    PERMIT,
    CrossingFigures,
    ExtractionFigures,
    GradeFigures,
    LightFigures,
    ReachFigures,
    TerrainFigures,
)
from glademark.errors import shown
from glademark.report.delivery import Delivery
from glademark.report.quantities import show, show_length, show_number, show_share

_MOST_NAMES = 8


def ground_lines(delivery: Delivery) -> list[RenderableType]:
    """What was found of the ground, a line or two a part."""
    units, ground = delivery.project.heading.units, delivery.layout.ground
    lines = [
        *_terrain(ground.terrain, units),
        *_grades(ground.grades, units),
        *_extraction(ground.extraction, units),
        *_reach(ground.reach, units),
        *_crossings(ground.crossings),
        *_light(ground.light, units),
    ]
    return [Text(line) for line in lines]


def _terrain(found: TerrainFigures | None, units: Units) -> Iterator[str]:
    """Heights and slope of the stand."""
    if found is None:
        return
    low, high = show_length(found.lowest_m, units), show_length(found.highest_m, units)
    facing = f", facing {found.aspect}" if found.aspect not in {"", "flat"} else ""
    yield (
        f"Stand from {low} to {high}; slope {show_share(found.slope_mean)} on average, one cell in "
        f"ten above {show_share(found.slope_p90)}{facing}"
    )


def _grades(found: GradeFigures | None, units: Units) -> Iterator[str]:
    """Grades of the corridors."""
    if found is None:
        return
    over = ", ".join(
        f"{show_share(grade)} over {show_length(length, units)}"
        for length, grade in zip(found.lengths_m, found.steepest, strict=True)
    )
    yield f"Corridors: steepest {over}; ground across at most {show_share(found.cross_slope_max)}"
    if found.steep_m > 0:
        yield (
            f"Above {show_share(found.steep_grade)}: {show_length(found.steep_m, units)}, longest "
            f"stretch {show_length(found.longest_steep_m, units)} on "
            f"{shown(found.longest_steep_corridor)}"
        )
    if found.adverse_m or found.favourable_m:
        yield (
            f"To the landing {show_length(found.adverse_m, units)} uphill (adverse), "
            f"{show_length(found.favourable_m, units)} downhill (favourable)"
        )
    if found.without_height_m > 0:
        yield f"No heights along {show_length(found.without_height_m, units)} of corridor"


def _weight(found: ExtractionFigures) -> str:
    """What the mean is weighted by, and why not by volume."""
    if found.weight == "m3":
        return "volume"
    lost = f"{found.trees_without_m3:,} of {found.trees:,} trees have no solid volume"
    return f"{found.weight.replace('_', ' ')}: {lost}"


def _extraction(found: ExtractionFigures | None, units: Units) -> Iterator[str]:
    """The way to the landing."""
    if found is None:
        return
    if math.isfinite(found.mean_m):
        yield (
            f"Extraction {show_length(found.mean_m, units)} on average (by {_weight(found)}), "
            f"at most {show_length(found.farthest_m, units)}; "
            f"{show_share(found.outside_share)} of it outside the stand"
        )
    if found.loads is not None:
        yield (
            f"{show_number(found.loads, 1)} loads of {show(found.payload_m3, 'm3', units)}; layer "
            "extraction says over which corridors"
        )
    if found.unreached:
        names = ", ".join(shown(name) for name in found.unreached[:_MOST_NAMES])
        more = len(found.unreached) - _MOST_NAMES
        rest = f" and {more} more" if more > 0 else ""
        yield f"CHECK no landing is reached from corridors {names}{rest}"


def _reach(found: ReachFigures | None, units: Units) -> Iterator[str]:
    """Trees beyond reach."""
    if found is None:
        return
    within, beyond = show_number(found.trees_within, 0), show_number(found.trees_beyond, 0)
    yield (
        f"{within} trees within reach of {show_length(found.reach_m, units)} from a corridor edge, "
        f"{beyond} beyond"
    )
    if found.stubs:
        left = f", but for {show_number(found.trees_left, 0)} trees" if found.trees_left else ""
        yield (
            f"New stubs of corridor that would bring them within reach{left}: {found.stubs}, "
            f"{show_length(found.stubs_m, units)} in all (layer corridor_stubs)"
        )


def _crossings(found: CrossingFigures | None) -> Iterator[str]:
    """Crossings of water."""
    if found is None or not found.water + found.setbacks:
        return
    yield f"CHECK crossings by corridors: {found.water} of water, {found.setbacks} of setbacks"
    yield PERMIT


def _light(found: LightFigures | None, units: Units) -> Iterator[str]:
    """Edges of openings."""
    if found is None:
        return
    corridor = show_length(found.corridor_edge_m, units)
    line = f"Edge of openings {show_length(found.edge_m, units)}, {corridor} of it on corridors"
    if found.windward_m is not None:
        line += f", {show_length(found.windward_m, units)} facing the wind"
    if found.windward_backed_m is not None:
        line += f" ({show_length(found.windward_backed_m, units)} with trees behind it)"
    yield line
