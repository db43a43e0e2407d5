"""The whole measuring step: a Survey in, a Layout out."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.contracts.by_stand import joined, stretch
from glademark.contracts.frames import features
from glademark.contracts.layout import Layout
from glademark.contracts.survey import Survey
from glademark.forestry import SizeClasses, SpeciesNames, basal_area_m2
from glademark.forestry.size_classes import DiameterUnit  # noqa: TC001 - of a variable
from glademark.measure.assembly import Measured, assemble
from glademark.measure.combined_openings import combined_by_stand
from glademark.measure.corridors import Corridors, Network, corridor_network
from glademark.measure.cover import Cover, Covers, covers_of
from glademark.measure.crowns import (
    GeometryArray,
    crown_discs,
    crown_radii,
    longest_edge_bearings,
)
from glademark.measure.groups import stated_groups
from glademark.measure.holes import Holes, Thresholds, Trees, find_holes
from glademark.measure.marks import size_class, size_classes_of, with_crowns, with_distances
from glademark.measure.notices import solid_notice
from glademark.measure.openings import numbers_by_stand
from glademark.measure.polygons import union_by
from glademark.measure.project_table import sold_of
from glademark.measure.species import unknown_species_notice
from glademark.measure.standing import Standing, cruised, given_stocks, no_plots, scope_notices
from glademark.measure.sums import least
from glademark.measure.table_reading import reading_notices
from glademark.measure.table_use import table_notices
from glademark.measure.terrain.measures import is_asked_for, with_ground
from glademark.measure.volume import Sold, volumes
from glademark.measure.zones import final_zone, in_corridor_zone, located_zone, partition
from glademark.project.model import Project
from glademark.units import HECTARE_M2, INCH_CM

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]


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
    names = [project.heading.name]
    return measure_layouts([survey], project, names=names, earlier=[earlier])[0]


def measure_layouts(
    surveys: Sequence[Survey],
    project: Project,
    *,
    names: Sequence[str],
    earlier: Sequence[Mapping[int, int]] = (),
) -> list[Layout]:
    """
    Corridors, openings, zones, tally and figures of many surveys, whole columns at a time.

    Links, crowns, unions, zones and sums never cross from one stand to another, so that each
    Layout is the one that its survey gives alone.

    Parameters
    ----------
    surveys
        As intake hands them on: of equal columns, in one CRS, with one volume table.
    project
        What was asked.
    names
        What the stands are called.
    earlier
        For each survey: opening number that an earlier output gave a mark, by the mark's index;
        none for all where left out.

    Returns
    -------
    layouts
        In the order of the surveys.

    Raises
    ------
    InputError
        If the volume table or a product cannot be used.
    """
    unit: DiameterUnit = "in" if project.heading.units == "us" else "cm"
    classes = size_classes_of(project.volume.size_classes, unit=unit)
    sold = sold_of(surveys[0], project)
    found = _canopy(surveys, project, classes, sold.species)
    holes, network, covers = found.holes, found.network, found.covers
    before = earlier or [{}] * len(surveys)
    number = numbers_by_stand(holes, earlier=before)
    openings = holes.openings.assign(opening=number)
    united = union_by(openings.geometry.to_numpy(), holes.opening_stand, len(surveys))
    zones = partition(covers.over(network.area, united))
    marks = with_distances(found.marks, found.stand, network=network, edges=covers.edges)
    marks = _with_zones(marks, found.stand, openings, holes, zones)
    tallies = [survey.tally for survey in surveys]
    trees = _cut_trees(marks, found.stand, tallies, classes, species=sold.species)
    parts = _volumes(trees, sold)
    measured = Measured(
        covers=covers,
        network=network,
        holes=holes,
        openings=openings,
        combined=combined_by_stand(
            openings,
            holes.opening_stand,
            strips=network.strips,
            strip_stand=network.stand,
            corridor=network.area,
        ),
        zones=zones,
        marks=marks,
        stand=found.stand,
        leave=found.leave,
        leave_stand=found.leave_stand,
        trees=trees,
        parts=parts,
        wood_notices=_wood_notices(surveys, trees, parts, sold),
        sold=sold,
        standing=_standing(
            surveys, project, sold, trees=trees, classes=classes, operable=covers.operable
        ),
        classes=classes,
    )
    layouts = assemble(measured, surveys, project, names=names)
    return [
        _on_ground(layout, survey, project, measured, place)
        for place, (layout, survey) in enumerate(zip(layouts, surveys, strict=True))
    ]


def _on_ground(
    layout: Layout, survey: Survey, project: Project, found: Measured, place: int
) -> Layout:
    """A layout with what is found of its ground."""
    if not is_asked_for(survey, project):
        return layout
    mine = found.trees["stand"].to_numpy() == place
    parts = found.parts[np.isin(found.parts["tree"].to_numpy(), found.trees.index.to_numpy()[mine])]
    marks = found.marks.iloc[stretch(found.stand, place)]
    return with_ground(layout, survey, project, marks=marks, parts=parts)


def _wood_notices(
    surveys: Sequence[Survey], trees: pd.DataFrame, parts: pd.DataFrame, sold: Sold
) -> list[tuple[str, ...]]:
    """For each stand: trees without a row of the volume table, how it is read, unknown species."""
    unused = table_notices(trees, parts, sold, cruised=[survey.plot_trees for survey in surveys])
    reading = reading_notices(trees, parts, sold, stands=len(surveys))
    unknown = [unknown_species_notice(_species_of(survey), sold.species) for survey in surveys]
    stand, first = trees["stand"].to_numpy(), trees.index.get_indexer(pd.Index(parts["tree"]))
    solid = [
        solid_notice(trees["count"], parts[stand[first] == place]) for place in range(len(surveys))
    ]
    each = zip(unused, reading, unknown, solid, strict=True)
    return [tuple(notice for notice in notices if notice) for notices in each]


def _species_of(survey: Survey) -> pd.Series:
    """Trees of a stand by species as written, whatever input has them."""
    frames = (survey.marks, survey.tally, survey.leave_trees, survey.plot_trees)
    names = np.concatenate([frame["species"].to_numpy(dtype=object) for frame in frames])
    counts = [frame.get("count", pd.Series(1, index=frame.index)).to_numpy() for frame in frames]
    code, words = pd.factorize(names)
    trees = np.bincount(code, weights=np.concatenate(counts).astype(float), minlength=len(words))
    return pd.Series(trees.astype(int), index=pd.Index(words, dtype=object))


def _volumes(trees: pd.DataFrame, sold: Sold) -> pd.DataFrame:
    """Volumes of all cut trees."""
    return volumes(
        trees,
        table=sold.table,
        products=sold.products,
        settings=sold.settings,
        species=sold.species,
        stand=trees["stand"].to_numpy(dtype=np.intp),
    )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Found:
    """Crowns and holes of many stands, and what they lie on."""

    covers: Covers
    network: Network
    marks: gpd.GeoDataFrame
    stand: IntArray
    discs: GeometryArray
    leave: gpd.GeoDataFrame
    leave_stand: IntArray
    leave_crowns: GeometryArray
    holes: Holes


def _canopy(
    surveys: Sequence[Survey], project: Project, classes: SizeClasses, species: SpeciesNames
) -> _Found:
    """Crowns and holes of all stands."""
    covers = covers_of(surveys)
    lines, line_stand = joined([survey.corridors for survey in surveys])
    ground = (covers.stand, covers.operable, covers.landing)
    network = corridor_network(lines, stand_of=line_stand, ground=ground)
    default_m = project.openings.crown_radius_m
    every, stand = joined([survey.marks for survey in surveys])
    confirmed = project.marks.line_trees_confirmed
    every = every.assign(species=species.fold(every["species"].to_numpy(dtype=object)))
    marks = with_crowns(
        every, classes=classes, default_m=default_m, confirmed=confirmed, species=species
    )
    leave, leave_stand = _leave_trees(surveys, every, stand, default_m=default_m, species=species)
    bearing = longest_edge_bearings(covers.stand)
    discs, leave_discs = _discs(marks, bearing[stand]), _discs(leave, bearing[leave_stand])
    leave_crowns = union_by(leave_discs, leave_stand, len(surveys))
    above = shapely.union(covers.exclusion, covers.landing)
    corridor_wood = in_corridor_zone(marks, corridor=network.area, above=above, stand=stand)
    candidates = marks["is_cut"] & ~corridor_wood  # a Series, on the index of the marks
    walked = [survey.walked for survey in surveys]
    settings = project.openings
    holes = find_holes(
        Trees(marks=marks, stand=stand, discs=discs),
        candidates=candidates,
        groups=stated_groups(
            marks, stand=stand, walked=walked, candidates=candidates, bearing=bearing[stand]
        ),
        leave_crowns=leave_crowns,
        thresholds=Thresholds(
            link_distance_m=settings.link_distance_m,
            min_trees=settings.min_trees,
            min_area_m2=settings.min_area_m2,
        ),
    )
    return _Found(
        covers=covers,
        network=network,
        marks=marks,
        stand=stand,
        discs=discs,
        leave=leave,
        leave_stand=leave_stand,
        leave_crowns=leave_crowns,
        holes=holes,
    )


def _standing(
    surveys: Sequence[Survey],
    project: Project,
    sold: Sold,
    *,
    trees: pd.DataFrame,
    classes: SizeClasses,
    operable: GeometryArray,
) -> list[Standing]:
    """Standing stock of each stand: estimated from the cruise where there is one, else as given."""
    settings, nothing = project.allowance, pd.DataFrame()
    plots = no_plots(surveys[0].crs)
    stock = []
    for place, (survey, hectares) in enumerate(
        zip(surveys, (shapely.area(operable) / HECTARE_M2).tolist(), strict=True)
    ):  # a stand each
        given = given_stocks(settings, sold=sold, operable_ha=hectares)
        if survey.plots.empty:
            stock.append(Standing(stocks=given, plots=plots, by_class=nothing, notices=()))
            continue
        found = cruised(
            survey.plots,
            survey.plot_trees,
            settings=settings,
            sold=sold,
            classes=classes,
            operable_ha=hectares,
        )
        unused = ["[allowance] standing is not used: the cruise says what stands"] if given else []
        cut = trees.iloc[stretch(trees["stand"].to_numpy(), place)]
        differ = scope_notices(survey.plot_trees, cut, settings)
        stock.append(replace(found, notices=(*found.notices, *unused, *differ)))
    return stock


def _leave_trees(
    surveys: Sequence[Survey],
    marks: gpd.GeoDataFrame,
    stand: IntArray,
    *,
    default_m: float,
    species: SpeciesNames,
) -> tuple[gpd.GeoDataFrame, IntArray]:
    """Leave trees of their own layer and among the marks, with their crowns, and their stands."""
    columns = ["tree_id", "species", "dbh_cm", "crown_radius_m", "geometry"]
    trees, of = joined([survey.leave_trees for survey in surveys])
    trees = trees[columns]
    among = marks["kind"].to_numpy(dtype=object) == "leave"
    if among.any():
        frames = [frame for frame in (trees, marks.loc[among, columns]) if len(frame)]
        of = np.concatenate([of, stand[among]])
        order = np.argsort(of, kind="stable")
        trees, of = pd.concat(frames, ignore_index=True).iloc[order], of[order]
    trees = trees.assign(species=species.fold(trees["species"].to_numpy(dtype=object)))
    radii = crown_radii(trees, default_m=default_m, species=species)
    named = {name: trees[name] for name in ("tree_id", "species", "dbh_cm")}
    return features({**named, **radii}, trees.geometry.to_numpy(), crs=surveys[0].crs), of


def _discs(trees: gpd.GeoDataFrame, bearing: FloatArray) -> GeometryArray:
    """Crown discs of trees with a radius."""
    radius = trees["crown_radius_m"].to_numpy(dtype=float)
    return crown_discs(trees.geometry.to_numpy(), radius_m=radius, bearing=bearing)


def _with_zones(
    marks: gpd.GeoDataFrame,
    stand: IntArray,
    openings: gpd.GeoDataFrame,
    holes: Holes,
    zones: Mapping[str, GeometryArray],
) -> gpd.GeoDataFrame:
    """Marks with located and final zone, and the number of their opening."""
    points = marks.geometry.to_numpy()
    located = located_zone(points, zones=zones, stand=stand)
    of_row = np.append(openings["opening"].to_numpy(dtype=int), 0)  # 0 for no opening
    number = of_row[holes.opening_of.to_numpy()]
    inside = (number == 0) & (located == "opening")
    number = np.where(inside, _standing_in(points, stand, openings, holes.opening_stand), number)
    number = np.where(marks["is_cut"].to_numpy(dtype=bool), number, 0)
    located = np.where((number > 0) & (located == "matrix"), "opening", located)
    painted = marks["zone_painted"].to_numpy(dtype=object)
    zone = final_zone(located, painted, in_opening=number > 0)
    return marks.assign(
        zone=pd.Series(zone, index=marks.index, dtype=object),
        zone_located=pd.Series(located, index=marks.index, dtype=object),
        opening=pd.arrays.IntegerArray(number, (number == 0) | (zone != "opening")),
    )


def _standing_in(
    points: GeometryArray, stand: IntArray, openings: gpd.GeoDataFrame, opening_stand: IntArray
) -> npt.NDArray[np.intp]:
    """Lowest number of the openings of its stand that each point stands in, 0 for none."""
    tree = shapely.STRtree(openings.geometry.to_numpy())
    mark, row = tree.query(points, predicate="intersects")
    mine = stand[mark] == opening_stand[row]
    mark, row = mark[mine], row[mine]
    number = openings["opening"].to_numpy(dtype=int)
    none = int(number.max(initial=0)) + 1
    lowest = least(number[row], mark, len(points), none=none)
    return np.where(lowest < none, lowest, 0)


def _cut_trees(
    marks: gpd.GeoDataFrame,
    stand: IntArray,
    tallies: Sequence[pd.DataFrame],
    classes: SizeClasses,
    *,
    species: SpeciesNames,
) -> pd.DataFrame:
    """Cut trees with a position, then those of the paper tally, by stand under one index."""
    columns = ["zone", "species", "product", "size_class", "count", "basal_area_m2"]
    columns += ["dbh", "dbh_unit", "dbh_cm", "height_m", "volume", "volume_unit"]
    columns += ["defect_share", "cull", *(["logs"] if "logs" in marks else [])]
    is_cut = marks["is_cut"].to_numpy(dtype=bool)
    cut = marks.loc[is_cut, columns].assign(located="located", stand=stand[is_cut])
    tally, tally_stand = joined(tallies)
    if tally.empty:
        return cut
    dbh_cm = tally["dbh"].where(tally["dbh_unit"] == "cm", tally["dbh"] * INCH_CM)
    each = np.nan_to_num(basal_area_m2(dbh_cm.to_numpy(dtype=float)))
    paper = tally.assign(
        located="not_located",
        stand=tally_stand,
        species=species.fold(tally["species"].to_numpy(dtype=object)),
        dbh_cm=dbh_cm,
        height_m=tally.get("height_m", np.nan),
        logs=tally.get("logs", np.nan),
        size_class=size_class(tally, classes=classes),
        basal_area_m2=each * tally["count"].to_numpy(dtype=float),
    )
    first = int(marks.index.max()) + 1 if len(marks) else 0
    paper.index = pd.RangeIndex(first, first + len(paper))
    paper = paper[[*columns, "located", "stand"]]
    both = pd.concat([cut, paper]) if len(cut) else paper
    return both.iloc[np.argsort(both["stand"].to_numpy(), kind="stable")]


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
        Openings and incidental openings, with the members of each.
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
    classes = size_classes_of(project.volume.size_classes, unit=unit)
    sold = sold_of(survey, project)
    found = _canopy([survey], project, classes, sold.species)
    trees = _cut_trees(
        found.marks.assign(zone=""),
        found.stand,
        [survey.tally.iloc[:0]],
        classes,
        species=sold.species,
    )
    network = found.network
    return Canopy(
        marks=found.marks,
        discs=found.discs,
        leave_crowns=found.leave_crowns[0],
        holes=found.holes,
        parts=_volumes(trees, sold),
        cover=found.covers.of(0),
        corridors=Corridors(
            strips=network.strips,
            lines=network.lines,
            area=network.area[0],
            figures=network.figures[0],
        ),
    )
