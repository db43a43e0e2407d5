"""The ground under a layout: terrain, extraction, reach and crossings, laid over it."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
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
    Profile,
    TerrainFigures,
    heights_at,
)
from glademark.errors import listed
from glademark.measure.tables import declared, rows_by
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

_NONE = np.zeros(0, dtype=np.intp)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Task:
    """What every step draws on."""

    survey: Survey
    project: Project
    wood: Wood
    extraction: Extraction | None


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Ground:
    """What was found of the ground of one stand."""

    layers: dict[str, gpd.GeoDataFrame] = field(default_factory=dict)  # of the ground itself
    columns: dict[str, dict[str, Any]] = field(default_factory=dict)
    """More columns of layers that were measured before, by the layer."""
    figures: dict[str, Any] = field(default_factory=dict)
    notices: list[str] = field(default_factory=list)
    profiles: list[Profile] = field(default_factory=list)

    def add(self, layer: str, columns: Mapping[str, Any]) -> None:
        """More columns of a layer, in the order of its rows."""
        self.columns.setdefault(layer, {}).update(columns)


def ground_of(
    layout: Layout,
    survey: Survey,
    project: Project,
    *,
    marks: gpd.GeoDataFrame,
    parts: pd.DataFrame,
) -> Ground:
    """
    What is found of the ground of one stand.

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
    found = Ground()
    for step in _STEPS:
        step(layout, task, found)
    return found


def with_ground(layout: Layout, found: Mapping[int, Ground]) -> Layout:
    """A layout with what was found of the ground of its stands, by their numbers, which rise."""
    layers = dict.fromkeys(name for one in found.values() for name in one.layers)
    wider = dict.fromkeys(name for one in found.values() for name in one.columns)
    frames: dict[str, Any] = {
        name: _of_all({at: one.layers[name] for at, one in found.items() if name in one.layers})
        for name in layers
    }
    for name in wider:
        more = {stand: one.columns.get(name, {}) for stand, one in found.items()}
        frames[name] = _with_columns(getattr(layout, name), more)
    new = {name: {*frames[name].columns} - {*getattr(layout, name).columns} for name in wider}
    results = {}
    for stand, one in found.items():
        before = layout.by_stand[stand]
        own: dict[str, tuple[str, ...]] = {name: () for name in layers if name not in one.layers}
        for name in wider:
            if lost := new[name] - {*one.columns.get(name, {})}:
                own[name] = tuple(c for c in frames[name].columns if c not in lost)
        results[stand] = replace(
            before,
            ground=replace(before.ground, **one.figures),
            notices=(*before.notices, *one.notices),
            profiles=tuple(one.profiles),
            columns=own,
        )
    return replace(layout, **frames, by_stand=results)


def _of_all(layers: Mapping[int, gpd.GeoDataFrame]) -> gpd.GeoDataFrame:
    """The same layer of several stands as one."""
    filled = [layer for layer in layers.values() if len(layer)] or [*layers.values()][:1]
    stands = np.repeat([*layers], [len(layer) for layer in layers.values()])
    return pd.concat(filled, ignore_index=True).assign(**{STAND: stands})


def _with_columns(
    layer: gpd.GeoDataFrame, columns: Mapping[int, Mapping[str, Any]]
) -> gpd.GeoDataFrame:
    """A layer with more columns of each stand, in the order of its rows; empty where none."""
    rows = rows_by(layer[STAND])
    parts = [pd.DataFrame(columns[stand], index=rows.get(stand, _NONE)) for stand in columns]
    filled = [part for part in parts if len(part)] or parts[:1]
    table = pd.concat(filled).reindex(np.arange(len(layer)))
    in_order = dict.fromkeys([*max(columns.values(), key=len), *table])
    return layer.assign(**{str(name): table[name].array for name in in_order if name in table})


def _with_extraction(layout: Layout, task: _Task, found: Ground) -> None:
    """The way of the wood to the landing, where there is a landing."""
    extraction, wood, machine = task.extraction, task.wood, task.project.machine
    if extraction is None:
        return
    entry = entries(extraction, layout.marks.geometry.to_numpy())
    cut = part_of(entry, wood.row)
    stretches = stretches_of(extraction, cut, wood)
    layer = extraction_layer(extraction, stretches, wood, payload_m3=machine.payload_m3)
    figures = extraction_figures(extraction, layer, cut, wood, machine)
    if figures.unreached:
        found.notices.append(
            f"No landing is reached along corridors from {listed(figures.unreached)} (cut trees "
            f"there, which are in no extraction distance: {figures.trees_unreached}). Check where "
            "the lines end, or [machine] snapping_distance."
        )
    found.figures["extraction"] = figures
    found.layers["extraction"] = _layer(layer, "extraction", layout)
    found.add("corridors", _of_corridors(layout, corridor_columns(layer)))
    found.add("marks", mark_columns(extraction, entry))


def _with_terrain(layout: Layout, task: _Task, found: Ground) -> None:
    """Slopes and grades, where there is terrain."""
    if task.survey.elevation is None:
        return
    elevation = task.survey.elevation[0]
    rise = gradient(elevation)
    contours = contour_layer(elevation, task.project.heading.units, crs=layout.crs)
    found.layers["contours"] = _layer(contours, "contours", layout)
    found.figures["terrain"] = _terrain_figures(layout, elevation, rise)
    found.notices.extend(_coarse(elevation, task.project))
    for name in ("openings", "zones"):
        areas = getattr(layout, name).geometry.to_numpy()
        slopes = slope_within(areas, elevation, rise)
        found.add(name, {column: slopes[column].array for column in SLOPE_COLUMNS})
    _with_grades(layout, task, elevation, found)
    found.add("marks", _under(layout.marks, elevation, rise))


def _with_grades(layout: Layout, task: _Task, elevation: Elevation, found: Ground) -> None:
    """Grades of the corridors, where there are any."""
    parts = corridor_parts(layout.corridor_lines)
    if parts.empty:
        return
    settings = task.project.terrain
    samples, pieces = sampled(parts, elevation, settings)
    direction = to_landing(pieces, task.extraction)
    layer = grade_layer(parts, pieces, direction, settings)
    summary = corridor_summary(parts, samples, layer, settings)
    found.figures["grades"] = grade_figures(samples, layer, summary, settings)
    found.profiles.extend(profiles(parts, samples, direction))
    found.layers["corridor_grades"] = _layer(layer, "corridor_grades", layout)
    found.add("corridors", _of_corridors(layout, summary))


def _with_reach(layout: Layout, task: _Task, found: Ground) -> None:
    """Distances to corridor edges, where the machine's reach is stated."""
    reach_m, wood = task.project.machine.reach_m, task.wood
    if reach_m is None:
        return
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
    if figures.stubs == MOST_STUBS and figures.trees_left:
        found.notices.append(
            f"Even {MOST_STUBS} new stubs of corridor would leave cut trees beyond reach: "
            f"{figures.trees_left}. Corridors are missing there."
        )
    found.figures["reach"] = figures
    found.layers["corridor_stubs"] = _layer(layer, "corridor_stubs", layout)
    found.add(
        "marks",
        {
            "reach_corridor": reach.corridor,
            "reach_m": reach.distance_m,
            "within_reach": reach.distance_m <= reach_m,
        },
    )


def _obstacles(survey: Survey) -> dict[str, BaseGeometry]:
    """Ground that a corridor had better not cross."""
    frames = {"exclusion": survey.exclusions, "setback": survey.setbacks, "water": survey.water}
    return {name: shapely.union_all(frame.geometry.to_numpy()) for name, frame in frames.items()}


def _with_crossings(layout: Layout, task: _Task, found: Ground) -> None:
    """Crossings of water and setbacks, where there are any."""
    survey = task.survey
    if survey.corridors.empty or (survey.water.empty and survey.setbacks.empty):
        return
    crossings = find_crossings(
        survey.corridors,
        water=survey.water,
        setbacks=survey.setbacks,
        stand=shapely.union_all(layout.stand.geometry.to_numpy()),
    )
    wet = int((crossings["what"] == "water").sum())
    found.figures["crossings"] = CrossingFigures(
        water=wet,
        setbacks=len(crossings) - wet,
        least_angle_deg=float(crossings["angle_deg"].min()),
    )
    if len(crossings):
        number = "once" if len(crossings) == 1 else f"{len(crossings)} times"
        found.notices.append(f"Corridors cross water or a setback {number}. {PERMIT}")
    numbered = crossings.assign(crossing=np.arange(1, len(crossings) + 1))
    found.layers["water_crossings"] = _layer(numbered, "water_crossings", layout)


_STEPS: Sequence[Callable[[Layout, _Task, Ground], None]] = (
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


def _of_corridors(layout: Layout, more: pd.DataFrame) -> dict[str, Any]:
    """Columns of corridors in the order of the layer, by their names."""
    found = more.reindex(layout.corridors["corridor"])
    columns: dict[str, Any] = {str(name): found[name].array for name in found}
    if "landing" in columns:
        columns["landing"] = found["landing"].fillna("").array
    return columns


def _layer(frame: gpd.GeoDataFrame, name: str, layout: Layout) -> gpd.GeoDataFrame:
    """A frame as the layer of that name; lines keep their direction."""
    return declared(frame.assign(**{STAND: 0}), name, crs=layout.crs, as_drawn=True)
