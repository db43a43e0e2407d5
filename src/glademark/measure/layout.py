"""The whole measuring step: a Survey of one or many stands in, a Layout out."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, cast

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from glademark.contracts.frames import STAND, features, give_back_memory
from glademark.contracts.layout import Layout
from glademark.contracts.survey import REFUSED_COLUMNS, Survey, labels_of
from glademark.errors import InputError
from glademark.forestry import SizeClasses, SpeciesNames
from glademark.forestry.size_classes import DiameterUnit
from glademark.measure.assembly import Measured, assemble
from glademark.measure.corridors import Corridors, measure_corridors
from glademark.measure.crowns import (
    GeometryArray,
    crown_discs,
    crown_radii,
    longest_edge_bearings,
    unknown_species_notices,
)
from glademark.measure.figures import solid_notices
from glademark.measure.groups import opening_numbers, stated_groups
from glademark.measure.holes import EdgeRule, Holes, Thresholds, find_holes
from glademark.measure.marks import cut_trees, distances, size_classes_of, with_crowns
from glademark.measure.polygons import union_by
from glademark.measure.residual.measured import with_residual
from glademark.measure.residual.standing_trees import StandMap, stand_map
from glademark.measure.standing import (
    Standing,
    cruised,
    given_stocks,
    scope_notices,
    standing_by_list,
)
from glademark.measure.table_use import reading_notices, sold_of, table_notices
from glademark.measure.tables import rows_by, sums
from glademark.measure.volume import Sold, volumes
from glademark.measure.zones import (
    Covers,
    covers_of,
    final_zone,
    in_corridor_zone,
    located_zone,
    partition,
)
from glademark.project.model import Project
from glademark.units import HECTARE_M2

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]


def measure_layout(
    survey: Survey,
    project: Project,
    *,
    earlier: Mapping[int, int],
    crowns_of: Sequence[int] | None = None,
) -> Layout:
    """
    Corridors, openings, zones, tally and figures of a survey, whole columns at a time.

    Links, crowns, unions, zones and sums never cross from one stand to another, so that what a
    stand gives does not depend on the others.

    Parameters
    ----------
    crowns_of
        Stand whose radius of standing crowns each stand takes; its own by default.

    Returns
    -------
    layout
        Layers with their declared columns, in the survey's CRS; a stand that cannot be measured is
        in its table of refused stands.
    """
    taken = np.arange(len(survey.stand)) if crowns_of is None else np.asarray(crowns_of)
    measured, refused = _measured(survey, project, earlier, taken)
    give_back_memory()
    layout = replace(assemble(measured, survey, project), refused=refused)
    layout = with_residual(layout, survey, project, measured)
    give_back_memory()
    return _on_ground(layout, survey, project, measured)


def _measured(
    survey: Survey, project: Project, earlier: Mapping[int, int], crowns_of: IntArray
) -> tuple[Measured, pd.DataFrame]:
    """All that is put into layers, and stands that are refused; crowns are freed here."""
    classes = _classes(project)
    sold = sold_of(survey, project)
    canopy = _canopy(survey, project, classes, sold.species, crowns_of)
    canopy = replace(canopy, discs=canopy.discs[:0].copy())  # 2 kB a mark, not needed any more
    give_back_memory()
    holes, corridors, ground = canopy.holes, canopy.corridors, canopy.ground
    number = opening_numbers(
        holes.openings,
        opening_of=holes.opening_of,
        stand_of=canopy.marks[STAND],
        earlier=earlier,
    )
    shapes = shapely.normalize(holes.openings.geometry.to_numpy())
    openings = holes.openings.assign(opening=number).set_geometry(shapes, crs=survey.crs)
    holes = replace(holes, openings=openings)
    union = union_by(openings.geometry.to_numpy(), openings[STAND].to_numpy(), len(survey.stand))
    zones = {
        name: shapely.normalize(zone)
        for name, zone in partition(ground.over(corridors.area, union)).items()
    }
    give_back_memory()
    marks = canopy.marks.assign(
        **distances(canopy.marks, corridors=corridors, edges=ground.edges),
        **_zones_of(canopy.marks, openings, holes, zones, ground.stand),
    )
    openings = openings.assign(other_marks_inside=_others_inside(marks, openings))
    trees = cut_trees(marks, survey.tally, classes, sold.species)
    parts = _volumes(trees, sold)
    wood_notices, without_volume = _wood_notices(survey, trees, parts, sold)
    found = stand_map(
        survey,
        project,
        marks,
        operable=ground.operable,
        classes=classes,
        species=sold.species,
    )
    counted = _Counted(stand_map=found, cut=trees, operable=ground.operable)
    standing, faults = _standing(survey, project, sold, classes=classes, counted=counted)
    refused = _refused(survey, [*without_volume.items(), *faults])
    measured = Measured(
        ground=ground,
        corridors=corridors,
        holes=holes,
        openings=openings,
        zones=zones,
        marks=marks,
        leave=canopy.leave,
        trees=trees,
        parts=parts,
        wood_notices=wood_notices,
        sold=sold,
        standing={stand: one for stand, one in standing.items() if stand not in without_volume},
        classes=classes,
        stand_map=found,
    )
    return measured, refused


def _on_ground(layout: Layout, survey: Survey, project: Project, measured: Measured) -> Layout:
    """A layout with what is found of its ground, where anything was given for it."""
    given = (survey.landings, survey.water, survey.setbacks)
    stated = survey.elevation is not None or project.machine.reach_m is not None
    if not stated and not any(len(frame) for frame in given):
        return layout
    from glademark.measure.terrain.measures import ground_of, with_ground  # noqa: PLC0415 - only where given

    marks, parts = measured.marks, measured.parts
    rows, parts_of = rows_by(marks[STAND]), rows_by(parts[STAND])
    none = np.zeros(0, dtype=np.intp)
    found = {
        stand: ground_of(
            layout.of(stand),
            survey.of(stand),
            project,
            marks=marks.iloc[rows.get(stand, none)],
            parts=parts.iloc[parts_of.get(stand, none)],
        )
        for stand in layout.by_stand
    }
    return with_ground(layout, found)


def _classes(project: Project) -> SizeClasses:
    """Size classes of the project."""
    return size_classes_of(project.volume.size_classes, unit=_unit(project))


def _unit(project: Project) -> DiameterUnit:
    """Unit of diameters in reports."""
    return "in" if project.heading.units == "us" else "cm"


def _wood_notices(
    survey: Survey, trees: pd.DataFrame, parts: pd.DataFrame, sold: Sold
) -> tuple[dict[int, tuple[str, ...]], dict[int, str]]:
    """What is said first of volumes and species by stand, and why stands are refused."""
    unserved, refused = table_notices(trees, parts, sold, cruised=survey.plot_trees)
    inputs = (survey.marks, survey.tally, survey.leave_trees, survey.plot_trees)
    each = (
        unserved,
        reading_notices(trees, parts, sold),
        unknown_species_notices(inputs, sold.species),
        solid_notices(trees["count"], parts),
    )
    stands = sorted(set().union(*each))
    said = {stand: tuple(some[stand] for some in each if stand in some) for stand in stands}
    return said, refused


def _volumes(trees: pd.DataFrame, sold: Sold) -> pd.DataFrame:
    """Volumes of all cut trees."""
    return volumes(
        trees,
        table=sold.table,
        products=sold.products,
        settings=sold.settings,
        species=sold.species,
    )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Canopy:
    """
    What openings are made of.

    Attributes
    ----------
    ground, corridors
        Inputs given as areas, and the strips over them.
    marks
        Every used mark with its crown and whether it is cut.
    discs
        Crown disc of each mark, shape (n,).
    leave
        Leave trees with their crowns.
    rule
        Where openings end, with the crowns of leave trees.
    holes
        Openings and incidental openings, with the members of each.
    """

    ground: Covers
    corridors: Corridors
    marks: gpd.GeoDataFrame
    discs: GeometryArray
    leave: gpd.GeoDataFrame
    rule: EdgeRule
    holes: Holes


def _canopy(
    survey: Survey,
    project: Project,
    classes: SizeClasses,
    species: SpeciesNames,
    crowns_of: IntArray,
) -> Canopy:
    """Crowns and holes of all stands, each with the standing crowns of a stand."""
    ground = covers_of(survey)
    corridors = measure_corridors(survey.corridors, ground)
    settings = project.openings
    marks = with_crowns(
        _folded(survey.marks, species),
        classes=classes,
        default_m=settings.crown_radius_m,
        confirmed=project.marks.line_trees_confirmed,
        species=species,
    )
    leave = _leave_trees(survey, default_m=settings.crown_radius_m, species=species)
    bearings = longest_edge_bearings(ground.stand)
    bearing = bearings[marks[STAND].to_numpy()]
    discs = _discs(marks, bearing)
    rule = _edge_rule(project, marks, leave, bearings)
    rule = replace(rule, radius_m=rule.radius_m[crowns_of])
    above = shapely.union(ground.exclusion, ground.landing)
    corridor_wood = in_corridor_zone(marks, corridor=corridors.area, above=above)
    candidates = marks["is_cut"] & ~corridor_wood  # a Series, on the index of the marks
    holes = find_holes(
        marks,
        discs,
        candidates=candidates,
        groups=stated_groups(
            marks,
            walked=survey.walked,
            candidates=candidates,
            bearing=bearing,
            walked_along=settings.walked_along,
        ),
        rule=rule,
        thresholds=Thresholds(
            link_distance_m=settings.link_distance_m,
            min_trees=settings.min_trees,
            min_area_m2=settings.min_area_m2,
        ),
    )
    return Canopy(
        ground=ground,
        corridors=corridors,
        marks=marks,
        discs=discs,
        leave=leave,
        rule=rule,
        holes=holes,
    )


def _edge_rule(
    project: Project, marks: gpd.GeoDataFrame, leave: gpd.GeoDataFrame, bearings: FloatArray
) -> EdgeRule:
    """Where openings end in each stand."""
    settings, stands, stand = project.openings, len(bearings), leave[STAND].to_numpy()
    radius = np.full(stands, settings.crown_radius_m)
    if settings.standing_crown_radius_m is not None:
        radius[:] = settings.standing_crown_radius_m
    else:
        cut = marks[marks["is_cut"]]
        median = cut["crown_radius_m"].groupby(cut[STAND]).median()
        radius[median.index.to_numpy()] = median.to_numpy(dtype=float)
    stems = np.full(stands, shapely.MultiPoint(), dtype=object)
    for number, rows in rows_by(stand).items():  # one MultiPoint a stand
        stems[number] = shapely.multipoints(leave.geometry.to_numpy()[rows])
    return EdgeRule(
        edge=settings.measured_edge,
        radius_m=radius,
        deducted=settings.leave_tree_crowns == "deducted",
        leave_stems=stems,
        leave_crowns=union_by(_discs(leave, bearings[stand]), stand, stands),
    )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Counted:
    """All standing trees, the cut ones, and the ground that they are of."""

    stand_map: StandMap
    cut: pd.DataFrame
    operable: GeometryArray


def _standing(
    survey: Survey,
    project: Project,
    sold: Sold,
    *,
    classes: SizeClasses,
    counted: _Counted,
) -> tuple[dict[int, Standing], list[tuple[int, str]]]:
    """Standing stock of each stand, and why it is refused, by stand."""
    hectares = (shapely.area(counted.operable) / HECTARE_M2).tolist()
    whole = counted.stand_map.trees
    whole = whole[whole["counts"].to_numpy(dtype=bool)]
    standing: dict[int, Standing] = {}
    faults: list[tuple[int, str]] = []
    every = (survey.plots, survey.plot_trees, counted.cut, whole)
    nothing = [frame.iloc[:0] for frame in every]
    rows = [rows_by(frame[STAND]) for frame in every]
    rows[2] = rows[2] if len(survey.plots) else {}  # they are held beside plots alone
    for stand in survey.stand[STAND]:
        plots, plot_trees, cut, listed = (
            frame.iloc[of_stand[stand]] if stand in of_stand else none
            for frame, of_stand, none in zip(every, rows, nothing, strict=True)
        )
        sampled = (cast("gpd.GeoDataFrame", plots), plot_trees, cut)
        try:
            if len(listed):
                standing[stand] = standing_by_list(
                    pd.DataFrame(listed), sold=sold, classes=classes, operable_ha=hectares[stand]
                )
                continue
            standing[stand] = _stock_of(project, sold, classes, hectares[stand], sampled)
        except InputError as error:
            faults += [(stand, fault) for fault in error.faults]
    return standing, faults


def _refused(survey: Survey, faults: Sequence[tuple[int, str]]) -> pd.DataFrame:
    """Stands with their faults; an error where none is left."""
    if {stand for stand, _ in faults}.issuperset(survey.stand[STAND]):
        raise InputError(*dict.fromkeys(fault for _, fault in faults))
    names = survey.stand.set_index(STAND)["name"]
    rows = [(stand, names[stand], fault) for stand, fault in faults]
    return pd.DataFrame(rows, columns=list(REFUSED_COLUMNS))


def _stock_of(
    project: Project,
    sold: Sold,
    classes: SizeClasses,
    hectares: float,
    counted: tuple[gpd.GeoDataFrame, pd.DataFrame, pd.DataFrame],
) -> Standing:
    """Standing stock of one stand: estimated from the cruise where there is one, else as given."""
    settings, (plots, plot_trees, cut) = project.allowance, counted
    given = given_stocks(settings, sold=sold, operable_ha=hectares)
    if plots.empty:
        return Standing(stocks=given, plots=None, by_class=pd.DataFrame(), notices=())
    estimated = cruised(
        plots, plot_trees, settings=settings, sold=sold, classes=classes, operable_ha=hectares
    )
    unused = ["[allowance] standing is not used: the cruise says what stands"] if given else []
    differ = scope_notices(plot_trees, cut, settings)
    return replace(estimated, notices=(*estimated.notices, *unused, *differ))


def _folded(trees: gpd.GeoDataFrame, species: SpeciesNames) -> gpd.GeoDataFrame:
    """Trees under the one name of each species."""
    return trees.assign(species=species.fold(trees["species"].to_numpy(dtype=object)))


def _leave_trees(survey: Survey, *, default_m: float, species: SpeciesNames) -> gpd.GeoDataFrame:
    """Leave trees of their own layer and among the marks, with their crowns, by stand."""
    kept = ["tree_id", "label", "species", "dbh_cm", "retention"]
    columns = [STAND, *kept, "crown_radius_m", "geometry"]
    among = survey.marks.iloc[np.flatnonzero(survey.marks["kind"] == "leave")]
    among = among.assign(retention="")
    own, among = (trees.assign(label=labels_of(trees)) for trees in (survey.leave_trees, among))
    trees = own[columns]
    if len(among):
        both = [frame[columns] for frame in (trees, among) if len(frame)]
        trees = pd.concat(both, ignore_index=True)
        trees = trees.sort_values(STAND, kind="stable", ignore_index=True)
    trees = _folded(trees, species)
    said = (survey.leave_trees["retention"] != "").any()
    named = {name: trees[name] for name in (STAND, *(kept if said else kept[:-1]))}
    radii = crown_radii(trees, default_m=default_m, species=species)
    return features({**named, **radii}, trees.geometry.to_numpy(), crs=survey.crs)


def _discs(trees: gpd.GeoDataFrame, bearing: FloatArray) -> GeometryArray:
    """Crown discs of trees with a radius."""
    radius = trees["crown_radius_m"].to_numpy(dtype=float)
    return crown_discs(trees.geometry.to_numpy(), radius_m=radius, bearing=bearing)


def _zones_of(
    marks: gpd.GeoDataFrame,
    openings: gpd.GeoDataFrame,
    holes: Holes,
    zones: Mapping[str, GeometryArray],
    stands: GeometryArray,
) -> dict[str, Any]:
    """Located and final zone of marks and the number of their opening, as columns."""
    located = located_zone(marks, zones=zones, stands=stands)
    number = holes.opening_of.map(openings["opening"]).astype("Int64")
    number = number.where(marks["is_cut"])
    is_in = number.notna().to_numpy()
    located = np.where(is_in & (located == "matrix"), "opening", located)
    painted = marks["zone_painted"].to_numpy(dtype=object)
    is_other = marks["is_cut"].to_numpy(dtype=bool) & ~is_in & (located == "opening")
    between = np.where(is_other, "matrix", located)  # no tree of a group, whatever is around it
    zone = final_zone(between, painted, in_opening=is_in)
    return {
        "zone": pd.Series(zone, index=marks.index, dtype=object),
        "zone_located": pd.Series(located, index=marks.index, dtype=object),
        "opening": number.where(zone == "opening"),
    }


def _others_inside(marks: gpd.GeoDataFrame, openings: gpd.GeoDataFrame) -> IntArray:
    """Cut trees in each opening that are no trees of it: tallied as the matrix or a corridor."""
    others = marks[(marks["is_cut"] & (marks["zone_located"] == "opening")).to_numpy()]
    others = others[others["opening"].isna().to_numpy()]
    tree = shapely.STRtree(openings.geometry.to_numpy())
    mark, row = tree.query(others.geometry.to_numpy(), predicate="intersects")
    same = others[STAND].to_numpy()[mark] == openings[STAND].to_numpy()[row]
    count = others["count"].to_numpy()[mark[same]]
    return np.asarray(sums(count, row[same], len(openings)), dtype=np.intp)


def with_crown_radius(project: Project, layout: Layout) -> Project:
    """The project with the crown radius that the layout of a stand was measured with."""
    radius = layout.figures.openings.standing_crown_radius_m
    openings = project.openings.model_copy(update={"standing_crown_radius_m": radius})
    return project.model_copy(update={"openings": openings})


def canopy_of(survey: Survey, project: Project) -> tuple[Canopy, pd.DataFrame]:
    """Crowns and holes as `measure_layout` takes them, and volumes of the cut marks."""
    classes = _classes(project)
    sold = sold_of(survey, project)
    own = np.arange(len(survey.stand))
    canopy = _canopy(survey, project, classes, sold.species, own)
    no_tally = survey.tally.iloc[:0]
    trees = cut_trees(canopy.marks.assign(zone=""), no_tally, classes, sold.species)
    return canopy, _volumes(trees, sold)
