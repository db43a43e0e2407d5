"""The whole measuring step: a Survey in, a Layout out."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.features import features
from glademark.forestry import SizeClasses, basal_area_m2
from glademark.forestry.size_classes import DiameterUnit
from glademark.layout import Layout
from glademark.measure.assembly import Measured, assemble
from glademark.measure.corridors import Corridors, measure_corridors
from glademark.measure.cover import Cover, cover_of
from glademark.measure.crowns import GeometryArray, crown_discs, crown_radii, longest_edge_bearing
from glademark.measure.groups import stated_groups
from glademark.measure.joined import join_openings
from glademark.measure.marks import size_class, size_classes_of, with_crowns, with_distances
from glademark.measure.on_ground import with_ground
from glademark.measure.openings import Holes, Thresholds, find_holes, opening_numbers
from glademark.measure.standing import Standing, cruised, given_stocks, no_plots, scope_notices
from glademark.measure.sums import least
from glademark.measure.volume import Sold, products_sold, project_table, volumes
from glademark.measure.zones import Ground, final_zone, in_corridor_zone, located_zone, partition
from glademark.project.model import OpeningSettings, Project
from glademark.survey import Survey
from glademark.units import HECTARE_M2, INCH_CM


def measure_layout(survey: Survey, project: Project, *, earlier: Mapping[int, int]) -> Layout:
    """
    Corridors, openings, zones, tally and figures of a survey.

    Parameters
    ----------
    survey
        As intake hands it on.
    project
        What was asked.
    earlier
        Opening number that an earlier output gave a mark, by the mark's index; may be empty.

    Returns
    -------
    layout
        Layers with their declared columns, in the survey's CRS.

    Raises
    ------
    InputError
        If the volume table or a product cannot be used.
    """
    unit: DiameterUnit = "in" if project.heading.units == "us" else "cm"
    classes = size_classes_of(project.volume.size_classes, unit=unit)
    sold = _sold(survey, project, unit)
    cover = cover_of(survey)
    corridors = measure_corridors(
        survey.corridors, stand=cover.stand, operable=cover.operable, landings=cover.landing
    )
    marks = with_crowns(
        survey.marks,
        classes=classes,
        default_m=project.openings.crown_radius_m,
        confirmed=project.marks.line_trees_confirmed,
    )
    leave = _leave_trees(survey, default_m=project.openings.crown_radius_m)
    ground = cover.over(corridors.area)
    holes = _find_holes(survey, marks, leave, ground, project.openings)
    number = opening_numbers(holes.openings, opening_of=holes.opening_of, earlier=earlier)
    openings = holes.openings.assign(opening=number)
    zones = partition(cover.over(corridors.area, openings))
    marks = with_distances(marks, corridors=corridors, edges=cover.edges)
    marks = _with_zones(marks, openings, holes.opening_of, zones)
    trees = _cut_trees(marks, survey.tally, classes)
    measured = Measured(
        cover=cover,
        corridors=corridors,
        holes=holes,
        openings=openings,
        joined=join_openings(openings, strips=corridors.strips, corridor_area=corridors.area),
        zones=zones,
        marks=marks,
        leave=leave,
        trees=trees,
        parts=volumes(trees, table=sold.table, products=sold.products, settings=sold.settings),
        sold=sold,
        standing=_standing(
            survey, project, sold, cut=trees, ground=(classes, cover.operable.area / HECTARE_M2)
        ),
        classes=classes,
    )
    layout = assemble(measured, survey, project)
    return with_ground(layout, survey, project, marks=marks, parts=measured.parts)


def _sold(survey: Survey, project: Project, unit: DiameterUnit) -> Sold:
    """Products and volume table of the project."""
    products = products_sold(project.volume.products)
    table = project_table(
        survey.volume_table, products=products, settings=project.volume, diameter_unit=unit
    )
    return Sold(table=table, products=products, settings=project.volume)


def _standing(
    survey: Survey,
    project: Project,
    sold: Sold,
    *,
    cut: pd.DataFrame,
    ground: tuple[SizeClasses, float],
) -> Standing:
    """Standing stock: estimated from the cruise where there is one, else as given."""
    classes, operable_ha = ground
    settings = project.allowance
    given = given_stocks(settings, sold=sold, operable_ha=operable_ha)
    if survey.plots.empty:
        return Standing(
            stocks=given,
            plots=no_plots(survey.crs),
            by_class=pd.DataFrame(),
            notices=(),
        )
    trees = survey.plot_trees
    found = cruised(
        survey.plots,
        trees,
        settings=settings,
        sold=sold,
        classes=classes,
        operable_ha=operable_ha,
    )
    unused = ["[allowance] standing is not used: the cruise says what stands"] if given else []
    differ = scope_notices(trees, cut, settings)
    return replace(found, notices=(*found.notices, *unused, *differ))


def _leave_trees(survey: Survey, *, default_m: float) -> gpd.GeoDataFrame:
    """Leave trees of their own layer and among the marks, with their crowns."""
    columns = ["tree_id", "species", "dbh_cm", "crown_radius_m", "geometry"]
    among = survey.marks["kind"].to_numpy(dtype=object) == "leave"
    trees = survey.leave_trees[columns]
    if among.any():
        frames = [frame for frame in (trees, survey.marks.loc[among, columns]) if len(frame)]
        trees = pd.concat(frames, ignore_index=True)
    radii = crown_radii(trees, default_m=default_m)
    named = {name: trees[name] for name in ("tree_id", "species", "dbh_cm")}
    return features({**named, **radii}, trees.geometry.to_numpy(), crs=survey.crs)


def _find_holes(
    survey: Survey,
    marks: gpd.GeoDataFrame,
    leave: gpd.GeoDataFrame,
    ground: Ground,
    settings: OpeningSettings,
) -> Holes:
    """Openings and canopy gaps of the marks outside the corridor zone."""
    bearing = longest_edge_bearing(ground.stand)
    above = shapely.union(ground.keep_out, ground.landing)
    corridor_wood = in_corridor_zone(marks, corridor=ground.corridor, above=above)
    candidates = marks["is_cut"] & ~corridor_wood  # a Series, on the index of the marks
    return find_holes(
        marks,
        discs=_discs(marks, bearing),
        candidates=candidates,
        groups=stated_groups(marks, walked=survey.walked, candidates=candidates, bearing=bearing),
        leave_crowns=shapely.union_all(_discs(leave, bearing)),
        thresholds=Thresholds(
            link_distance_m=settings.link_distance_m,
            min_trees=settings.min_trees,
            min_area_m2=settings.min_area_m2,
        ),
    )


def _discs(trees: gpd.GeoDataFrame, bearing: float) -> GeometryArray:
    """Crown discs of trees with a radius."""
    radius = trees["crown_radius_m"].to_numpy(dtype=float)
    return crown_discs(trees.geometry.to_numpy(), radius_m=radius, bearing=bearing)


def _with_zones(
    marks: gpd.GeoDataFrame,
    openings: gpd.GeoDataFrame,
    opening_of: pd.Series,
    zones: Mapping[str, BaseGeometry],
) -> gpd.GeoDataFrame:
    """Marks with located and final zone, and the number of their opening."""
    points = marks.geometry.to_numpy()
    located = located_zone(points, zones=zones)
    of_row = np.append(openings["opening"].to_numpy(dtype=int), 0)  # 0 for no opening
    number = of_row[opening_of.to_numpy()]
    inside = (number == 0) & (located == "opening")
    number = np.where(inside, _standing_in(points, openings), number)
    number = np.where(marks["is_cut"].to_numpy(dtype=bool), number, 0)
    located = np.where((number > 0) & (located == "matrix"), "opening", located)
    painted = marks["zone_painted"].to_numpy(dtype=object)
    zone = final_zone(located, painted, in_opening=number > 0)
    return marks.assign(
        zone=pd.Series(zone, index=marks.index, dtype=object),
        zone_located=pd.Series(located, index=marks.index, dtype=object),
        opening=pd.arrays.IntegerArray(number, (number == 0) | (zone != "opening")),
    )


def _standing_in(points: GeometryArray, openings: gpd.GeoDataFrame) -> npt.NDArray[np.intp]:
    """Lowest number of the openings that each point stands in, 0 for none."""
    tree = shapely.STRtree(openings.geometry.to_numpy())
    mark, row = tree.query(points, predicate="intersects")
    number = openings["opening"].to_numpy(dtype=int)
    none = int(number.max(initial=0)) + 1
    lowest = least(number[row], mark, len(points), none=none)
    return np.where(lowest < none, lowest, 0)


def _cut_trees(marks: gpd.GeoDataFrame, tally: pd.DataFrame, classes: SizeClasses) -> pd.DataFrame:
    """Cut trees with a position, then those of the paper tally, under one index."""
    columns = ["zone", "species", "product", "size_class", "count", "basal_area_m2"]
    columns += ["dbh", "dbh_unit", "dbh_cm", "height_m", "volume", "volume_unit"]
    columns += ["defect_share", "cull"]
    cut = marks.loc[marks["is_cut"].to_numpy(), columns].assign(located="located")
    if tally.empty:
        return cut
    dbh_cm = tally["dbh"].where(tally["dbh_unit"] == "cm", tally["dbh"] * INCH_CM)
    each = np.nan_to_num(basal_area_m2(dbh_cm.to_numpy(dtype=float)))
    paper = tally.assign(
        located="not_located",
        dbh_cm=dbh_cm,
        height_m=tally.get("height_m", np.nan),
        size_class=size_class(tally, classes=classes),
        basal_area_m2=each * tally["count"].to_numpy(dtype=float),
    )
    first = int(marks.index.max()) + 1 if len(marks) else 0
    paper.index = pd.RangeIndex(first, first + len(paper))
    paper = paper[[*columns, "located"]]
    return pd.concat([cut, paper]) if len(cut) else paper


@dataclass(frozen=True, kw_only=True, slots=True)
class Canopy:
    """
    What the openings of a layout are made of.

    Attributes
    ----------
    marks
        Every used mark with its crown and whether it is cut.
    discs
        Crown disc of each mark, shape (n,).
    leave_crowns
        Union of the crowns of leave trees; may be empty.
    holes
        Openings and canopy gaps, with the members of each.
    parts
        Volumes of the cut marks, one row a part; `tree` is the index of `marks`.
    cover, corridors
        The ground, and the strips over it.
    """

    marks: gpd.GeoDataFrame
    discs: GeometryArray
    leave_crowns: BaseGeometry
    holes: Holes
    parts: pd.DataFrame
    cover: Cover
    corridors: Corridors


def canopy_of(survey: Survey, project: Project) -> Canopy:
    """
    Crowns and holes as `measure_layout` takes them, before they are measured.

    Parameters
    ----------
    survey
        As intake hands it on.
    project
        What was asked.

    Returns
    -------
    canopy
        In the survey's CRS.

    Raises
    ------
    InputError
        If the volume table or a product cannot be used.
    """
    unit: DiameterUnit = "in" if project.heading.units == "us" else "cm"
    cover = cover_of(survey)
    corridors = measure_corridors(
        survey.corridors, stand=cover.stand, operable=cover.operable, landings=cover.landing
    )
    classes = size_classes_of(project.volume.size_classes, unit=unit)
    marks = with_crowns(
        survey.marks,
        classes=classes,
        default_m=project.openings.crown_radius_m,
        confirmed=project.marks.line_trees_confirmed,
    )
    leave = _leave_trees(survey, default_m=project.openings.crown_radius_m)
    bearing = longest_edge_bearing(cover.stand)
    sold = _sold(survey, project, unit)
    trees = _cut_trees(marks.assign(zone=""), survey.tally.iloc[:0], classes)
    return Canopy(
        marks=marks,
        discs=_discs(marks, bearing),
        leave_crowns=shapely.union_all(_discs(leave, bearing)),
        holes=_find_holes(survey, marks, leave, cover.over(corridors.area), project.openings),
        parts=volumes(trees, table=sold.table, products=sold.products, settings=sold.settings),
        cover=cover,
        corridors=corridors,
    )
