"""The ground under a layout: terrain, extraction, reach and crossings, laid over it."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.contracts.frames import STAND
from glademark.contracts.layout import Layout
from glademark.contracts.survey import Survey
from glademark.contracts.terrain import (
    PERMIT,
    CrossingFigures,
    Elevation,
    TerrainFigures,
    heights_at,
)
from glademark.errors import listed
from glademark.measure.tables import declared
from glademark.measure.terrain.corridor_grades import (
    corridor_parts,
    corridor_summary,
    find_crossings,
    grade_figures,
    grade_layer,
    profiles,
    sampled,
    to_landing,
)
from glademark.measure.terrain.extraction import (
    Extraction,
    Wood,
    corridor_columns,
    entries,
    extraction_figures,
    extraction_layer,
    extraction_network,
    mark_columns,
    part_of,
    stretches_of,
    wood_of,
)
from glademark.measure.terrain.reach import (
    MOST_STUBS,
    Reach,
    entered,
    measure_reach,
    reach_figures,
    stub_layer,
    stubs_for,
)
from glademark.measure.terrain.slope import (
    FLAT,
    SLOPE_COLUMNS,
    Gradient,
    cells_within,
    contour_layer,
    gradient,
    main_aspect,
    slope_within,
)
from glademark.project.model import Project

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class _Task:
    """What every step draws on."""

    survey: Survey
    project: Project
    wood: Wood
    extraction: Extraction | None


_Found = tuple[Layout, Mapping[str, Any]]  # with its layers, and columns of its marks


def with_ground(
    layout: Layout,
    survey: Survey,
    project: Project,
    *,
    marks: gpd.GeoDataFrame,
    parts: pd.DataFrame,
) -> Layout:
    """
    The layout of one stand with what is found of the ground.

    `marks` are every used mark with `is_cut`, in the order of the layer `marks`; `parts` are the
    volumes of those that are cut. What the inputs do not allow is absent.
    """
    extraction = extraction_network(
        survey.corridors,
        survey.landings,
        stand=shapely.union_all(layout.stand.geometry.to_numpy()),
        snap_m=project.machine.snapping_distance_m,
    )
    solid = layout.marks["volume_m3"].to_numpy(dtype=float)
    wood = wood_of(marks, parts, solid_m3=solid)
    task = _Task(survey=survey, project=project, wood=wood, extraction=extraction)
    of_marks: dict[str, Any] = {}
    for step in _STEPS:
        layout, columns = step(layout, task)
        of_marks |= columns
    return replace(layout, marks=layout.marks.assign(**of_marks)) if of_marks else layout


def _with(layout: Layout, ground: Mapping[str, Any], *, notices: Sequence[str] = ()) -> Layout:
    """The layout with more figures of the ground and notices."""
    results = layout.by_stand[0]
    results = replace(
        results,
        ground=replace(results.ground, **ground),
        notices=(*results.notices, *notices),
    )
    return replace(layout, by_stand={0: results})


def _with_extraction(layout: Layout, task: _Task) -> _Found:
    """The way of the wood to the landing, where there is a landing."""
    extraction, wood, machine = task.extraction, task.wood, task.project.machine
    if extraction is None:
        return layout, {}
    entry = entries(extraction, layout.marks.geometry.to_numpy())
    cut = part_of(entry, wood.row)
    stretches = stretches_of(extraction, cut, wood)
    layer = extraction_layer(extraction, stretches, wood, payload_m3=machine.payload_m3)
    figures = extraction_figures(extraction, layer, cut, wood, machine)
    notices = []
    if figures.unreached:
        notices.append(
            f"No landing is reached along corridors from {listed(figures.unreached)} (cut trees "
            f"there, which are in no extraction distance: {figures.trees_unreached}). Check where "
            "the lines end, or [machine] snapping_distance."
        )
    found = replace(
        _with(layout, {"extraction": figures}, notices=notices),
        corridors=_joined(layout.corridors, corridor_columns(layer)),
        extraction=_layer(layer, "extraction", layout),
    )
    return found, mark_columns(extraction, entry)


def _with_terrain(layout: Layout, task: _Task) -> _Found:
    """Slopes and grades, where there is terrain."""
    if task.survey.elevation is None:
        return layout, {}
    elevation = task.survey.elevation[0]
    rise = gradient(elevation)
    contours = contour_layer(elevation, task.project.heading.units, crs=layout.crs)
    found = replace(
        _with(
            layout,
            {"terrain": _terrain_figures(layout, elevation, rise)},
            notices=_coarse(elevation, task.project),
        ),
        openings=_sloped(layout.openings, elevation, rise),
        zones=_sloped(layout.zones, elevation, rise),
        contours=_layer(contours, "contours", layout),
    )
    return _with_grades(found, task, elevation), _under(layout.marks, elevation, rise)


def _with_grades(layout: Layout, task: _Task, elevation: Elevation) -> Layout:
    """Grades of the corridors, where there are any."""
    parts = corridor_parts(layout.corridor_lines)
    if parts.empty:
        return layout
    settings = task.project.terrain
    samples, pieces = sampled(parts, elevation, settings)
    direction = to_landing(pieces, task.extraction)
    layer = grade_layer(parts, pieces, direction, settings)
    summary = corridor_summary(parts, samples, layer, settings)
    figures = grade_figures(samples, layer, summary, settings)
    graded = _with(layout, {"grades": figures})
    along = profiles(parts, samples, direction)
    return replace(
        graded,
        by_stand={0: replace(graded.by_stand[0], profiles=along)},
        corridors=_joined(layout.corridors, summary),
        corridor_grades=_layer(layer, "corridor_grades", layout),
    )


def _with_reach(layout: Layout, task: _Task) -> _Found:
    """Distances to corridor edges, where the machine's reach is stated."""
    reach_m, wood = task.project.machine.reach_m, task.wood
    if reach_m is None:
        return layout, {}
    points = layout.marks.geometry.to_numpy()
    reach = measure_reach(points, layout.corridors)
    inside = entered(layout.marks, layout.openings, layout.corridors, task.project.machine)
    reach = replace(reach, distance_m=np.where(inside, 0.0, reach.distance_m))
    cut = Reach(distance_m=reach.distance_m[wood.row], corridor=reach.corridor[wood.row])
    stubs = stubs_for(points[wood.row], layout.corridors, reach_m=reach_m, passed=inside[wood.row])
    figures = reach_figures(cut, wood, stubs, reach_m=reach_m)
    layer = stub_layer(
        stubs, layout.marks, layout.corridors, wood, obstacles=_obstacles(task.survey)
    )
    notices = []
    if figures.stubs == MOST_STUBS and figures.trees_left:
        notices.append(
            f"Even {MOST_STUBS} new stubs of corridor would leave cut trees beyond reach: "
            f"{figures.trees_left}. Corridors are missing there."
        )
    found = replace(
        _with(layout, {"reach": figures}, notices=notices),
        corridor_stubs=_layer(layer, "corridor_stubs", layout),
    )
    return found, {
        "reach_corridor": reach.corridor,
        "reach_m": reach.distance_m,
        "within_reach": reach.distance_m <= reach_m,
    }


def _obstacles(survey: Survey) -> dict[str, BaseGeometry]:
    """Ground that a corridor had better not cross."""
    frames = {"exclusion": survey.exclusions, "setback": survey.setbacks, "water": survey.water}
    return {name: shapely.union_all(frame.geometry.to_numpy()) for name, frame in frames.items()}


def _with_crossings(layout: Layout, task: _Task) -> _Found:
    """Crossings of water and setbacks, where there are any."""
    survey = task.survey
    if survey.corridors.empty or (survey.water.empty and survey.setbacks.empty):
        return layout, {}
    found = find_crossings(
        survey.corridors,
        water=survey.water,
        setbacks=survey.setbacks,
        stand=shapely.union_all(layout.stand.geometry.to_numpy()),
    )
    wet = int((found["what"] == "water").sum())
    figures = CrossingFigures(
        water=wet, setbacks=len(found) - wet, least_angle_deg=float(found["angle_deg"].min())
    )
    notices = []
    if len(found):
        number = "once" if len(found) == 1 else f"{len(found)} times"
        notices.append(f"Corridors cross water or a setback {number}. {PERMIT}")
    numbered = found.assign(crossing=np.arange(1, len(found) + 1))
    crossed = replace(
        _with(layout, {"crossings": figures}, notices=notices),
        water_crossings=_layer(numbered, "water_crossings", layout),
    )
    return crossed, {}


_STEPS: Sequence[Callable[[Layout, _Task], _Found]] = (
    _with_extraction,
    _with_terrain,
    _with_reach,
    _with_crossings,
)


def _under(marks: gpd.GeoDataFrame, elevation: Elevation, rise: Gradient) -> dict[str, FloatArray]:
    """Height and slope of the ground at marks; the slope is that of the cell."""
    x, y = shapely.get_coordinates(marks.geometry.to_numpy()).reshape(-1, 2).T
    row, column = (np.rint(place) for place in elevation.cell_of(x, y))
    rows, columns = elevation.heights_m.shape
    known = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
    at = np.where(known, row, 0).astype(int), np.where(known, column, 0).astype(int)
    slope = np.hypot(rise.east[at], rise.north[at]) if rows and columns else np.zeros(len(x))
    return {
        "elevation_m": heights_at(elevation, x, y),
        "slope_pct": np.where(known, 100 * slope, np.nan),
    }


def _sloped(areas: gpd.GeoDataFrame, elevation: Elevation, rise: Gradient) -> gpd.GeoDataFrame:
    """Areas with the slope of their ground."""
    slopes = slope_within(areas.geometry.to_numpy(), elevation, rise).set_index(areas.index)
    return areas.assign(**{name: slopes[name] for name in SLOPE_COLUMNS})


def _terrain_figures(layout: Layout, elevation: Elevation, rise: Gradient) -> TerrainFigures:
    """The terrain over the stand."""
    stand = shapely.union_all(layout.stand.geometry.to_numpy())
    east, north, height = cells_within(stand, elevation, rise)
    slope = np.hypot(east, north)
    known = slope[~np.isnan(slope)]
    heights = height[~np.isnan(height)]
    steep = slope >= FLAT
    return TerrainFigures(
        file=elevation.file,
        cell_x_m=elevation.cell_x_m,
        cell_y_m=elevation.cell_y_m,
        lowest_m=float(heights.min()) if len(heights) else np.nan,
        highest_m=float(heights.max()) if len(heights) else np.nan,
        slope_mean=float(known.mean()) if len(known) else np.nan,
        slope_p90=float(np.percentile(known, 90)) if len(known) else np.nan,
        slope_max=float(known.max()) if len(known) else np.nan,
        aspect=main_aspect(east[steep], north[steep]) if len(known) else "",
    )


def _coarse(elevation: Elevation, project: Project) -> list[str]:
    """Notice where a grade is asked for over less than a cell of the terrain."""
    cell, over = max(elevation.cell_x_m, elevation.cell_y_m), project.terrain.grade_lengths_m[0]
    if over >= cell:
        return []
    notice = (
        f"{elevation.file}: its cells are {cell:.1f} m wide, so grades over {over:g} m are "
        "smoother than the ground. State longer [terrain] grade_lengths, or bring a finer raster."
    )
    return [notice]


def _joined(corridors: gpd.GeoDataFrame, more: pd.DataFrame) -> gpd.GeoDataFrame:
    """Corridors with more columns, by their names."""
    found = more.reindex(corridors["corridor"])
    columns = {str(name): found[name].to_numpy() for name in found}
    if "landing" in columns:
        columns["landing"] = found["landing"].fillna("").to_numpy()
    return corridors.assign(**columns)


def _layer(frame: gpd.GeoDataFrame, name: str, layout: Layout) -> gpd.GeoDataFrame:
    """A frame as the layer of that name; lines keep their direction."""
    return declared(frame.assign(**{STAND: 0}), name, crs=layout.crs, as_drawn=True)
