"""From what was measured to the Layouts: declared layers, figures, notices; one Layout a stand."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from geopandas.array import from_shapely
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from glademark.contracts.by_stand import joined, parted, stretch
from glademark.contracts.frames import features
from glademark.contracts.layers import ALLOWANCE, STOCK_BY_CLASS
from glademark.contracts.layout import Figures, Layout, StandFigures
from glademark.contracts.survey import Survey
from glademark.contracts.terrain import GroundFigures, LightFigures, no_rows
from glademark.forestry import SizeClasses
from glademark.measure.allowance import (
    allowance_notices,
    allowance_table,
    residual,
    stock_by_class,
)
from glademark.measure.combined_openings import Combined
from glademark.measure.corridors import Network
from glademark.measure.cover import Covers
from glademark.measure.declared import declared
from glademark.measure.figures import mark_figures, opening_figures, volume_figures, zone_figures
from glademark.measure.holes import Holes
from glademark.measure.notices import layout_notices
from glademark.measure.opening_layer import measured_incidental, openings_by_stand, wood_in
from glademark.measure.standing import Standing
from glademark.measure.sums import exact_sums, sums
from glademark.measure.tally import tally_cells, tally_table
from glademark.measure.terrain.light_and_wind import LIGHT_COLUMNS, light_by_stand
from glademark.measure.volume import Sold
from glademark.measure.zones import Disagreement, paint_disagreement
from glademark.project.model import Project
from glademark.units import HECTARE_M2

FloatArray = npt.NDArray[np.float64]
GeometryArray = npt.NDArray[np.object_]
IntArray = npt.NDArray[np.intp]

_INTERNAL = frozenset(
    {"dbh", "dbh_unit", "paint_meaning", "is_cut", "inside", "cull", "order", "radius_m"}
    | {"corridor_row"}
)
_OF_CUT = (
    "count",
    "corridor_row",
    "corridor_distance_m",
    "position_error_m",
    "zone_painted",
    "geometry",
)
_OF_GROUND = ("corridor_grades", "extraction", "water_crossings", "corridor_stubs", "contours")
_AREAS = ("exclusions", "setbacks", "landings", "water")


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Measured:
    """
    What the measuring step found in some stands, before it is put into layers.

    Every frame has one stand after the other.

    Attributes
    ----------
    covers
        Inputs given as areas.
    network
        Strips, lines and figures of the corridors.
    holes
        Openings and incidental openings.
    openings
        Openings with their numbers.
    combined
        Combined openings.
    zones
        The partition of each stand.
    marks
        Every used mark with crown, distances and zones.
    stand
        Place of the stand of each mark, rising.
    leave
        Leave trees with their crowns.
    leave_stand
        Place of the stand of each leave tree, rising.
    trees
        Cut trees, located or not.
    parts
        Their volumes, one row a part.
    wood_notices
        What is to be said first of the volumes of each stand.
    sold
        Volume table and products.
    standing
        What stands before the cut in each stand.
    classes
        Size classes.
    """

    covers: Covers
    network: Network
    holes: Holes
    openings: gpd.GeoDataFrame
    combined: Combined
    zones: Mapping[str, GeometryArray]
    marks: gpd.GeoDataFrame
    stand: IntArray
    leave: gpd.GeoDataFrame
    leave_stand: IntArray
    trees: pd.DataFrame
    parts: pd.DataFrame
    wood_notices: Sequence[tuple[str, ...]]
    sold: Sold
    standing: Sequence[Standing]
    classes: SizeClasses


def assemble(
    found: Measured, surveys: Sequence[Survey], project: Project, *, names: Sequence[str]
) -> list[Layout]:
    """
    The Layout of each stand from what was measured in all of them.

    Parameters
    ----------
    found
        What the measuring step found.
    surveys
        As intake handed them on.
    project
        What was asked.
    names
        What the stands are called.

    Returns
    -------
    layouts
        Layers with their declared columns, figures and notices.
    """
    is_cut = found.marks["is_cut"].to_numpy(dtype=bool)
    cut = found.marks.loc[is_cut, list(_OF_CUT)]
    disagreement = _disagreement(found, cut, found.stand[is_cut])
    openings = _openings(found)
    light, lit = _light(found, openings, surveys, project)
    given = _Given(
        found=found,
        surveys=surveys,
        project=project,
        openings=openings,
        cells=tally_cells(found.trees, found.parts),
        cut=cut,
        areas={name: shapely.area(zone) for name, zone in found.zones.items()},
        disagreement=disagreement,
        figures=_figures(found, surveys, openings, disagreement),
        light=light,
        lit=lit,
    )
    stocks = [standing.stocks for standing in found.standing]
    tally, row_stand = tally_table(given.cells, zone_area_m2=given.areas, stocks=stocks)
    layers = _layers(given, names)
    layers["volume_by_zone"] = parted(tally, row_stand, len(surveys))
    return [
        _layout(given, place, {name: parts[place] for name, parts in layers.items()})
        for place in range(len(surveys))
    ]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Given:
    """What the Layouts of all stands draw on: tables of all, figures by stand."""

    found: Measured
    surveys: Sequence[Survey]
    project: Project
    openings: gpd.GeoDataFrame
    cells: pd.DataFrame
    cut: gpd.GeoDataFrame
    areas: Mapping[str, FloatArray]
    disagreement: Sequence[Disagreement]
    figures: Sequence[Figures]
    light: Mapping[str, FloatArray]
    lit: Sequence[LightFigures | None]


def _layout(given: _Given, place: int, layers: Mapping[str, Any]) -> Layout:
    """The Layout of one of the stands."""
    found, survey, figures = given.found, given.surveys[place], given.figures[place]
    standing = found.standing[place]
    allowance, by_class, left, notices = _stock(given, place)
    said = (text for one, text in found.holes.notices if one == place)
    no_ground: Mapping[str, Any] = {name: _no_ground(name) for name in _OF_GROUND}
    return Layout(
        crs=survey.crs,
        **layers,
        cruise_plots=declared(standing.plots, "cruise_plots")
        if len(standing.plots)
        else _nothing("cruise_plots", survey.crs),
        allowance=allowance,
        stock_by_class=by_class,
        residual=left,
        figures=figures,
        notices=(
            *found.wood_notices[place],
            *survey.notices,
            *said,
            *standing.notices,
            *notices,
            *layout_notices(
                figures,
                given.disagreement[place],
                marks=found.marks,
                settings=given.project.openings,
            ),
        ),
        **no_ground,
        ground=GroundFigures(light=given.lit[place]),
    )


@lru_cache(maxsize=64)
def _nothing(name: str, crs: CRS) -> gpd.GeoDataFrame:
    """A layer without rows, which all stands share."""
    return declared(features({}, [], crs=crs), name)


@lru_cache(maxsize=len(_OF_GROUND))
def _no_ground(name: str) -> gpd.GeoDataFrame:
    """A layer of the ground without rows, which all stands share."""
    return no_rows(name)


_NO_ALLOWANCE = pd.DataFrame(columns=list(ALLOWANCE.names))
_NO_STOCK = pd.DataFrame(columns=list(STOCK_BY_CLASS.names))


def _stock(
    given: _Given, place: int
) -> tuple[pd.DataFrame, pd.DataFrame, Mapping[str, float], tuple[str, ...]]:
    """Allowance, stock by class and residual of a stand whose stock is known, and notices."""
    found, survey, standing = given.found, given.surveys[place], given.found.standing[place]
    if not standing.stocks and standing.by_class.empty:
        return _NO_ALLOWANCE, _NO_STOCK, {}, ()
    operable = found.covers.operable[place]
    trees = found.trees.iloc[stretch(found.trees["stand"].to_numpy(), place)]
    allowance = allowance_table(
        standing.stocks,
        given.cells.iloc[stretch(given.cells["stand"].to_numpy(), place)],
        allowable_share=given.project.allowance.removal_share_max,
        zone_area_m2={name: float(area[place]) for name, area in given.areas.items()},
        marked_ground_m2=_marked_ground_m2(survey, operable),
    )
    operable_ha = operable.area / HECTARE_M2
    by_class = stock_by_class(standing, trees, operable_ha=operable_ha, labels=found.classes.labels)
    notices = allowance_notices(
        standing.stocks,
        allowance,
        trees=trees,
        cut=given.cut.iloc[stretch(found.stand[given.cut.index.to_numpy()], place)],
        marked_ground=survey.marked_ground.geometry.tolist(),
    )
    return allowance, by_class, residual(allowance, by_class, operable_ha=operable_ha), notices


def _marked_ground_m2(survey: Survey, operable: BaseGeometry) -> float | None:
    """Operable ground marked so far; None where that was not said."""
    if survey.marked_ground.empty:
        return None
    marked = shapely.union_all(survey.marked_ground.geometry.to_numpy())
    return float(shapely.intersection(marked, operable).area)


def _figures(
    found: Measured,
    surveys: Sequence[Survey],
    openings: gpd.GeoDataFrame,
    disagreement: Sequence[Disagreement],
) -> list[Figures]:
    """Totals of each stand."""
    stand = _stand_figures(found.covers, surveys[0].crs)
    area = np.array([one.area_m2 for one in stand])
    parts = (
        stand,
        found.network.figures,
        opening_figures(openings, found.combined, found.holes, stand_m2=area),
        zone_figures(found.zones, found.marks, found.stand),
        mark_figures(surveys, found.marks, found.stand, disagreement),
        volume_figures(
            found.trees,
            found.parts,
            found.sold,
            size_class_rule=found.classes.rule,
            stands=len(surveys),
        ),
    )
    return [
        Figures(stand=one, corridors=strips, openings=holes, zones=zones, marks=marks, volume=wood)
        for one, strips, holes, zones, marks, wood in zip(*parts, strict=True)
    ]


def _stand_figures(covers: Covers, crs: CRS) -> list[StandFigures]:
    """Areas and perimeter of each stand."""
    columns = {
        "area_m2": shapely.area(covers.stand),
        "area_geodesic_m2": geodesic_areas_m2(covers.stand, crs=crs),
        "operable_m2": shapely.area(covers.operable),
        "perimeter_m": shapely.length(covers.stand),
    }
    rows = zip(*(values.tolist() for values in columns.values()), strict=True)
    return [StandFigures(**dict(zip(columns, row, strict=True))) for row in rows]


def geodesic_areas_m2(polygons: GeometryArray, *, crs: CRS) -> FloatArray:
    """
    Areas on the ellipsoid of a CRS.

    Parameters
    ----------
    polygons
        Polygons or MultiPolygons in `crs`; shape (n,).
    crs
        Projected or geographic.

    Returns
    -------
    areas
        In square metres, by geodesics between the vertices in the geodetic CRS of `crs`; shape
        (n,). One loop over polygons.

    References
    ----------
    Karney 2013, Algorithms for geodesics, Journal of Geodesy 87:43-55, as built into PROJ.
    """
    geodetic = crs.geodetic_crs or crs
    flat = from_shapely(shapely.orient_polygons(polygons), crs=crs).to_crs(geodetic)
    ellipsoid = geodetic.get_geod()
    if ellipsoid is None:
        return np.zeros(len(polygons))
    return np.array([abs(ellipsoid.geometry_area_perimeter(one)[0]) for one in flat])


def _layers(given: _Given, names: Sequence[str]) -> dict[str, list[Any]]:
    """Every layer of every stand."""
    found, surveys, openings = given.found, given.surveys, given.openings
    every, holes, network = np.arange(len(surveys)), found.holes, found.network
    incidental = measured_incidental(holes, marks=found.marks, parts=found.parts)
    zones, zone_stand = _zone_layer(found, given.cells, surveys[0].crs)
    whole = {
        "stand": (_stand_layer(found.covers, given.figures, names, surveys[0].crs), every),
        "zones": (zones, zone_stand),
        "corridors": (_corridor_layer(found), network.stand),
        "corridor_lines": (declared(network.lines, "corridor_lines"), network.stand),
        "openings": (declared(openings, "openings").assign(**given.light), holes.opening_stand),
        "combined_openings": (
            declared(found.combined.rows, "combined_openings"),
            found.combined.stand,
        ),
        "incidental_openings": (
            declared(incidental, "incidental_openings"),
            holes.incidental_stand,
        ),
        "marks": (_mark_layer(found), found.stand),
        "leave_trees": (declared(found.leave, "leave_trees"), found.leave_stand),
        **{name: _areas(surveys, name) for name in _AREAS},
    }
    layers = {name: parted(frame, stand, len(surveys)) for name, (frame, stand) in whole.items()}
    layers["openings"] = [
        part if len(part) else part.drop(columns=list(LIGHT_COLUMNS), errors="ignore")
        for part in layers["openings"]
    ]
    return layers


def _stand_layer(
    covers: Covers, figures: Sequence[Figures], names: Sequence[str], crs: CRS
) -> gpd.GeoDataFrame:
    """Each stand in one row."""
    sizes = ("area_m2", "area_geodesic_m2", "operable_m2", "perimeter_m")
    row = {size: [getattr(one.stand, size) for one in figures] for size in sizes}
    return declared(features({"name": list(names), **row}, covers.stand, crs=crs), "stand")


def _openings(found: Measured) -> gpd.GeoDataFrame:
    """Openings with size, distances and wood."""
    stand, number = found.holes.opening_stand, found.openings["opening"].to_numpy()
    own = pd.MultiIndex.from_arrays([stand, number])
    mine = found.marks["opening"].to_numpy(dtype=int, na_value=0)
    row = np.full(len(mine), -1)
    some = np.flatnonzero(mine)
    row[some] = own.get_indexer(pd.MultiIndex.from_arrays([found.stand[some], mine[some]]))
    return openings_by_stand(
        found.openings,
        stand,
        combined=found.combined,
        ground=(found.network.area, found.covers.stand, found.covers.water),
        wood=wood_in(row, len(number), marks=found.marks, parts=found.parts),
    )


def _light(
    found: Measured, openings: gpd.GeoDataFrame, surveys: Sequence[Survey], project: Project
) -> tuple[Mapping[str, FloatArray], Sequence[LightFigures | None]]:
    """Shape and edges of openings, where there are any."""
    if not len(openings):
        return {}, [None] * len(surveys)
    bare = [(found.holes.incidental.geometry.to_numpy(), found.holes.incidental_stand)]
    for name in ("landings", "water"):
        frame, stand = joined([getattr(survey, name) for survey in surveys])
        bare.append((frame.geometry.to_numpy(), stand))
    return light_by_stand(
        openings,
        found.holes.opening_stand,
        ground=(found.network.area, found.covers.stand),
        bare=bare,
        wind=project.wind,
    )


def _zone_layer(
    found: Measured, cells: pd.DataFrame, crs: CRS
) -> tuple[gpd.GeoDataFrame, IntArray]:
    """One row a zone that has an area, and its stand."""
    names = np.array(list(found.zones), dtype=object)
    shapes = np.stack([*found.zones.values()], axis=1)  # (stands, zones)
    area = shapely.area(shapes)
    stand, zone = np.nonzero(area > 0)
    here = cells["located"].to_numpy(dtype=object) == "located"
    code = pd.Index(names).get_indexer(pd.Index(cells["zone"].to_numpy(dtype=object)))
    cell = np.where(here & (code >= 0), cells["stand"].to_numpy() * len(names) + code, -1)
    wood = {
        name: add(cells[name].to_numpy(dtype=float), cell, area.size).reshape(area.shape)
        for name, add in (("trees", sums), ("basal_area_m2", exact_sums), ("m3", exact_sums))
    }
    columns = {
        "zone": names[zone],
        "area_m2": area[stand, zone],
        "share": area[stand, zone] / shapely.area(found.covers.stand)[stand],
        "trees": wood["trees"][stand, zone],
        "basal_area_m2": np.nan_to_num(wood["basal_area_m2"][stand, zone]),
        "volume_m3": wood["m3"][stand, zone],
    }
    return declared(features(columns, shapes[stand, zone], crs=crs), "zones"), stand


def _corridor_layer(found: Measured) -> gpd.GeoDataFrame:
    """Corridors with the wood that is tallied as theirs."""
    strips, marks = found.network.strips, found.marks
    in_zone = marks["zone"].to_numpy(dtype=object) == "corridor"
    mine = np.where(in_zone, marks["corridor_row"].to_numpy(), -1)
    wood = wood_in(mine, len(strips), marks=marks, parts=found.parts)
    columns = ("trees", "basal_area_m2", "volume_m3")
    return declared(strips, "corridors", more={name: wood[name] for name in columns})


def _mark_layer(found: Measured) -> gpd.GeoDataFrame:
    """Every used mark with its own product's volume."""
    marks, parts = found.marks, found.parts
    row = marks.index.get_indexer(pd.Index(parts["tree"]))  # -1: counted without a position
    mark, first = np.unique(row, return_index=True)
    mark, first = mark[mark >= 0], first[mark >= 0]  # the first part is of the own product
    own = {"net": np.full(len(marks), np.nan), "unit": np.full(len(marks), "", dtype=object)}
    own["source"] = own["unit"].copy()
    for name, values in own.items():
        values[mark] = parts[name].to_numpy()[first]
    volumes = {
        "volume": own["net"],
        "volume_unit": own["unit"],
        "volume_source": own["source"],
        "volume_m3": exact_sums(parts["m3"], row, len(marks)),
    }
    others = [name for name in marks.columns if name not in {*_INTERNAL, "geometry"}]
    return declared(marks, "marks", more=volumes, others=others)


def _areas(surveys: Sequence[Survey], name: str) -> tuple[gpd.GeoDataFrame, IntArray]:
    """A layer of areas given, and the stand of each."""
    frame, stand = joined([getattr(survey, name) for survey in surveys])
    sizes = {"area_m2": shapely.area(frame.geometry.to_numpy())}
    return declared(frame, name, more=sizes), stand


def _disagreement(found: Measured, cut: gpd.GeoDataFrame, stand: IntArray) -> list[Disagreement]:
    """Cut marks of each stand whose paint and position name different zones."""
    width = found.network.lines["width_m"].to_numpy(dtype=float)
    return paint_disagreement(
        cut,
        stand_of=stand,
        corridor=found.network.area,
        width_m=np.append(width, np.nan)[cut["corridor_row"].to_numpy()],
        stand=found.covers.stand,
    )
