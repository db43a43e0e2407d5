"""From the survey of one stand to the task of proposing groups in it; trees from canopy heights."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.sparse import csr_array
from shapely.geometry.base import BaseGeometry

from glademark.contracts.frames import STAND, BoolArray, FloatArray, features
from glademark.contracts.layout import Layout
from glademark.contracts.survey import Survey
from glademark.contracts.terrain import Elevation
from glademark.errors import InputError, counted
from glademark.judge.limits import LimitAsked, number
from glademark.measure.canopy_trees import canopy_trees
from glademark.measure.layout import Canopy, canopy_of, measure_layout
from glademark.measure.residual.standing_trees import ERRORS_APART, LEAST_MATCH_M, matched_trees
from glademark.measure.terrain.extraction import entries, extraction_network
from glademark.measure.terrain.reach import to_corridor
from glademark.measure.terrain.slope import gradient, slope_within
from glademark.measure.zones import in_corridor_zone
from glademark.project.job_settings import ProposeWeights
from glademark.project.model import Project
from glademark.proposal.demands import NET, LimitRow, demands_of
from glademark.proposal.growth import GeometryArray, Ground, Stock, sets_of
from glademark.proposal.pool import Worth, points_of_trees, priorities, unsized
from glademark.proposal.search import Budget, Task

STAYING = ("leave", "line_tree", "danger")
"""Kinds of marks that stay, whatever is proposed."""

FAR_M = 100.0
"""Farther than this no opening of trees in the stand reaches beyond it."""

NO_TREES = 10**9
"""So many trees no crown-linked opening has: holes of the whole stand are not wanted."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Prepared:
    """A task, and what its answer is told with."""

    task: Task
    worth: Worth
    trees: gpd.GeoDataFrame
    """Standing trees with `priority`, `failing`, `may_go`, `cut_first`, sizes and volumes."""
    marks: gpd.GeoDataFrame
    """The same trees as marks that are cut, on the same rows; those that stay are left out."""
    survey: Survey  # the survey without marks to cut
    project: Project
    limits: tuple[LimitRow, ...]  # limits that the program holds
    notices: tuple[str, ...]  # what was left out or assumed
    patches: csr_array  # trees of each walked patch, as candidates


def prepare(
    survey: Survey,
    project: Project,
    asked: Sequence[LimitAsked],
    *,
    tell: Callable[[str], None],
) -> Prepared:
    """The task of one stand; its openings are measured with the median crown of standing trees."""
    survey, said = with_canopy_trees(survey, project)
    standing = _located(survey)
    bare = replace(survey, marks=_staying(survey.marks), walked=survey.walked.iloc[:0])
    marks = _as_marks(standing, survey.marks)
    canopy, parts = _canopy(bare, marks, project)
    fates = _fates(canopy, bare, project, asked)
    project = _with_radius(project, canopy)
    patches = _of_patches(standing, survey, project)
    trees = _trees(standing, canopy, parts, project, patches=patches).assign(**fates)
    base = with_marks(bare, marks[fates["cut_first"]])
    layout = measure_layout(base, project, earlier={})
    values = {one.limit.id: one.value for one in asked}
    limits, amounts, demands = demands_of(values, layout, project, trees)
    worth = _worth(trees, bare, layout, project)
    ground = _ground(canopy, bare, project)
    stock = Stock(
        centre=shapely.get_coordinates(trees.geometry.to_numpy()),
        radius_m=canopy.marks["crown_radius_m"].to_numpy(dtype=float)[: len(trees)],
        discs=canopy.discs[: len(trees)],
        gain=worth.failing + worth.growing_stock,
        amounts=amounts,
        may_go=fates["may_go"],
        cut_first=fates["cut_first"],
    )
    settings = project.propose
    task = Task(
        stock=stock,
        ground=ground,
        demands=demands,
        scoring=worth.score,
        group_points=settings.weights.per_group,
        budget=Budget(rounds_max=settings.rounds_max, nodes_max=settings.nodes_max),
        tell=tell,
    )
    return Prepared(
        task=task,
        worth=worth,
        trees=trees,
        marks=marks,
        survey=bare,
        project=project,
        limits=limits,
        notices=(*said, *_unlimited(limits), *_notices(survey, trees, project.propose.weights)),
        patches=_patch_sets(trees, survey),
    )


def _located(survey: Survey) -> gpd.GeoDataFrame:
    """Standing trees with a position."""
    if survey.standing.empty:
        msg = (
            "inputs: standing has no trees in the stand, and canopy_height gives none; a proposal "
            "needs a stem map or canopy heights. Name one under [inputs]"
        )
        raise InputError(msg)
    empty = shapely.is_empty(survey.standing.geometry.to_numpy())
    return survey.standing[~empty].reset_index(drop=True)


def _staying(marks: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Marks that stay, whatever is proposed."""
    return marks[marks["kind"].isin(STAYING)].reset_index(drop=True)


_TEXT = (
    "marker", "dbh_flag", "paint", "paint_meaning", "group", "time", "source_file",
)  # fmt: skip


def _as_marks(standing: gpd.GeoDataFrame, marks: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Standing trees with the columns of marks, each to be cut."""
    count = len(standing)
    columns: dict[str, object] = {name: np.full(count, "", dtype=object) for name in _TEXT}
    columns |= {
        name: standing[name]
        for name in ("species", "product", "height_m", "dbh_cm", "crown_radius_m")
    }
    names = standing["tree_id"].to_numpy(dtype=object)
    numbered = np.array([str(name) or f"#{i}" for i, name in enumerate(names, 1)], dtype=object)
    columns |= {
        "tree_id": numbered,
        "label": numbered,
        "kind": np.full(count, "cut", dtype=object),
        "dbh": standing.get("dbh", standing["dbh_cm"]),
        "dbh_unit": standing.get("dbh_unit", pd.Series("cm", index=standing.index)),
        "count": standing.get("count", pd.Series(1, index=standing.index)),
        "volume": standing.get("volume", pd.Series(np.nan, index=standing.index)),
        "volume_unit": standing.get("volume_unit", pd.Series("", index=standing.index)),
        "defect_share": standing["defect"],
        "cull": standing.get("cull", pd.Series(False, index=standing.index)),  # noqa: FBT003
        "inside": np.ones(count, dtype=bool),
        "record": np.arange(1, count + 1),
        "position_error_m": np.zeros(count),
        STAND: np.zeros(count, dtype=np.int64),
    }
    if "logs" in standing:
        columns["logs"] = standing["logs"]
    kept = {name: columns.get(name, np.full(count, np.nan)) for name in marks.columns}
    kept.pop("geometry", None)
    kept.pop("must_go", None)
    kept |= {name: columns[name] for name in ("logs",) if name in columns}
    found = features(kept, standing.geometry.to_numpy(), crs=standing.crs)
    return found.reset_index(drop=True)


def with_marks(survey: Survey, marks: gpd.GeoDataFrame) -> Survey:
    """The survey with marks to cut, before those that stay."""
    every = [frame for frame in (marks, survey.marks) if len(frame)]
    if not every:
        return survey
    both = pd.concat(every, ignore_index=True) if len(every) > 1 else every[0]
    return replace(survey, marks=both.reset_index(drop=True))


def _canopy(
    survey: Survey, marks: gpd.GeoDataFrame, project: Project
) -> tuple[Canopy, pd.DataFrame]:
    """Crowns and ground as if every standing tree were cut, and volumes of the trees."""
    openings = project.openings.model_copy(update={"min_trees": NO_TREES})
    alone = project.model_copy(update={"openings": openings})
    return canopy_of(with_marks(survey, marks), alone)


def _with_radius(project: Project, canopy: Canopy) -> Project:
    """The project with the crown radius of its standing trees, and its trees where the map is."""
    radius = float(canopy.rule.radius_m[0])
    openings = project.openings.model_copy(
        update={"standing_crown_radius_m": radius, "edge": canopy.rule.edge}
    )
    marks = project.marks.model_copy(update={"position_error_m": 0.0})
    return project.model_copy(update={"openings": openings, "marks": marks})


def _trees(
    standing: gpd.GeoDataFrame,
    canopy: Canopy,
    parts: pd.DataFrame,
    project: Project,
    *,
    patches: FloatArray,
) -> gpd.GeoDataFrame:
    """Standing trees with sizes, volumes by product and priority, that of `patches` at least."""
    count = len(standing)
    mine = canopy.marks.iloc[:count]
    basal = mine["basal_area_m2"].to_numpy(dtype=float)
    has_size = np.isfinite(mine["dbh_cm"].to_numpy(dtype=float))
    by_tree = parts[parts["tree"] < count]
    solid = by_tree.groupby("tree")["m3"].agg(lambda one: one.sum(skipna=False))
    columns: dict[str, Any] = {
        "basal_area_m2": np.where(has_size, basal, np.nan),
        "volume_m3": solid.reindex(range(count)).to_numpy(dtype=float),
        "priority": np.maximum(priorities(standing, project.propose), patches),
    }
    columns["failing"] = np.asarray(columns["priority"]) >= project.propose.failing_from
    sold = by_tree[by_tree["product"] != ""]
    for product, rows in sold.groupby("product"):
        net = rows.groupby("tree")["net"].agg(lambda one: one.sum(skipna=False))
        own = net.reindex(range(count))
        own[~own.index.isin(rows["tree"])] = 0.0
        columns[f"{NET}{product}"] = own.to_numpy(dtype=float)
    for name in ("species", "crown_radius_m"):
        columns[name] = mine[name].to_numpy()
    assigned: gpd.GeoDataFrame = standing.assign(**columns)
    return assigned


def _of_patches(standing: gpd.GeoDataFrame, survey: Survey, project: Project) -> FloatArray:
    """Priority of each tree by the walked patches that it stands in; 0 outside of them."""
    patches = survey.failing_patches
    found = np.zeros(len(standing))
    tree, patch = shapely.STRtree(patches.geometry.to_numpy()).query(
        standing.geometry.to_numpy(), predicate="intersects"
    )
    stated = patches["priority"].fillna(project.propose.failing_from).to_numpy(dtype=float)
    np.maximum.at(found, tree, stated[patch])
    return found


def _patch_sets(trees: gpd.GeoDataFrame, survey: Survey) -> csr_array:
    """Trees that may go of each walked patch, as candidates."""
    tree, patch = shapely.STRtree(survey.failing_patches.geometry.to_numpy()).query(
        trees.geometry.to_numpy(), predicate="intersects"
    )
    goes = trees["may_go"].to_numpy(dtype=bool)[tree]
    return sets_of(patch[goes], tree[goes], (len(survey.failing_patches), len(trees)))


def _fates(
    canopy: Canopy, survey: Survey, project: Project, asked: Sequence[LimitAsked]
) -> dict[str, BoolArray]:
    """Which trees go with a corridor, and which a group may have."""
    count = int((canopy.marks["kind"] == "cut").sum())
    trees = canopy.marks.iloc[:count]
    points = trees.geometry.to_numpy()
    ground = canopy.ground
    above = shapely.union(ground.exclusion, ground.landing)
    in_corridor = in_corridor_zone(trees, corridor=canopy.corridors.area, above=above)
    barred = shapely.union(_barred(survey), ground.landing[0])
    stays = _is_kept(trees, survey, project) | shapely.intersects(barred, points)
    stays |= ~shapely.intersects(ground.stand[0], points)
    limits = {one.limit.id: one.value for one in asked}
    if "dbh_max" in limits:
        stays |= ~(trees["dbh_cm"].to_numpy(dtype=float) <= number(limits["dbh_max"]))
    if "reach_max" in limits and not project.machine.enters_openings:
        away = to_corridor(points, canopy.corridors.strips.geometry.to_numpy())[0]
        stays |= away > number(limits["reach_max"])
    cut_first = in_corridor & ~stays
    operable = shapely.intersects(ground.operable[0], points)
    return {"cut_first": cut_first, "may_go": ~in_corridor & ~stays, "in_operable": operable}


def _is_kept(trees: gpd.GeoDataFrame, survey: Survey, project: Project) -> BoolArray:
    """Standing trees that are a leave, crop, line or danger tree: by number, else by place."""
    kept = np.zeros(len(trees), dtype=bool)
    stated = project.marks.match_distance_m
    reach = max(LEAST_MATCH_M, ERRORS_APART * project.marks.position_error_m)
    for frame in _kept_frames(survey):
        within = np.full(len(frame), reach if stated is None else stated)
        found = matched_trees(frame, trees, within_m=within)
        kept[found[found >= 0]] = True
    return kept


def _kept_frames(survey: Survey) -> list[gpd.GeoDataFrame]:
    """Trees that stay, of every input."""
    every = (survey.leave_trees, survey.crop_trees, survey.marks)
    return [frame for frame in every if len(frame)]


def _barred(survey: Survey) -> BaseGeometry:
    """Ground that no opening may touch: exclusions, and setbacks with a rule on what is cut."""
    setbacks = survey.setbacks[survey.setbacks["rule"] != "no_machine"]
    areas = [*survey.exclusions.geometry, *setbacks.geometry]
    barred: BaseGeometry = shapely.union_all(areas)
    return barred


def _beyond(stand: BaseGeometry) -> BaseGeometry:
    """Ground outside the stand, as far as a crown can reach."""
    return shapely.difference(shapely.box(*shapely.buffer(stand, FAR_M).bounds), stand)


def _ground(canopy: Canopy, survey: Survey, project: Project) -> Ground:
    """Where groups may be, and how their openings are measured."""
    strips = canopy.corridors.strips
    left = [frame.geometry.to_numpy() for frame in _kept_frames(survey)]
    points: GeometryArray = np.concatenate(left) if left else np.zeros(0, dtype=object)
    return Ground(
        rule=canopy.rule,
        link_distance_m=project.openings.link_distance_m,
        boundary=shapely.boundary(canopy.ground.stand[0]),
        water=canopy.ground.water[0],
        barred=shapely.union(_barred(survey), _beyond(canopy.ground.stand[0])),
        left_standing=points,
        all_cut=project.propose.trees_inside == "all_cut",
        strips=strips.geometry.to_numpy(),
        strip_width_m=strips["width_m"].to_numpy(dtype=float),
        slope=_slope_of(survey),
    )


def _slope_of(survey: Survey) -> Callable[[GeometryArray], FloatArray] | None:
    """What gives the slope that nine in ten cells of an opening keep; None without terrain."""
    if survey.elevation is None:
        return None
    elevation = survey.elevation[0]
    rise = gradient(elevation)

    def slope(shapes: GeometryArray) -> FloatArray:
        """Share of each opening's slope."""
        found = slope_within(shapes, elevation, rise)["slope_p90_pct"]
        return np.asarray(found.to_numpy(dtype=float) / 100)

    return slope


def _worth(trees: gpd.GeoDataFrame, survey: Survey, layout: Layout, project: Project) -> Worth:
    """What groups of the trees are worth."""
    failing, growing = points_of_trees(trees, project.propose.weights)
    points = trees.geometry.to_numpy()
    way = np.full(len(trees), np.nan)
    network = extraction_network(
        survey.corridors,
        survey.landings,
        stand=survey.stand.geometry.iloc[0],
        snap_m=project.machine.snapping_distance_m,
    )
    if network is not None:
        found = entries(network, points).distance_m
        way = np.where(np.isfinite(found), found, np.nan)
    gap = np.zeros(len(trees))
    if project.machine.reach_m is not None and len(layout.corridors):
        away = to_corridor(points, layout.corridors.geometry.to_numpy())[0]
        gap = np.maximum(away - project.machine.reach_m, 0.0)
    return Worth(
        failing=failing,
        growing_stock=growing,
        regeneration=shapely.union_all(survey.regeneration.geometry.to_numpy()),
        extraction_m=way,
        corridor_gap_m=gap,
        weights=project.propose.weights,
    )


def _unlimited(limits: Sequence[LimitRow]) -> Iterator[str]:
    """That no limit of the project says how large, near or many groups may be."""
    if all(row.limit.startswith("groups_") for row in limits):
        yield (
            "[limits] states no size, spacing, share or removal: only [propose] min_trees and "
            "groups_max hold groups"
        )


def _notices(survey: Survey, trees: gpd.GeoDataFrame, weights: ProposeWeights) -> tuple[str, ...]:
    """What was left out or assumed."""
    found = []
    lost = len(survey.standing) - len(trees)
    if lost:
        found.append(f"{counted(lost, 'standing tree')} without a position can be in no group")
    if cut := int((survey.marks["kind"] == "cut").sum()):
        found.append(f"{counted(cut, 'mark')} to cut are not considered: proposals start anew")
    bare = int(trees["basal_area_m2"].isna().sum())
    if bare and (survey.canopy is None or bare < len(trees)):
        found.append(
            f"{counted(bare, 'standing tree')} without a diameter count against the allowance as "
            "the largest tree"
        )
    if idle := int(unsized(trees, weights).sum()):
        found.append(
            f"{counted(idle, 'standing tree')} bring no points: what [propose.weights] counts of "
            "them is not known"
        )
    if not trees["failing"].any():
        found.append("no standing tree is failing by [propose] priority")
    return tuple(found)


def with_canopy_trees(survey: Survey, project: Project) -> tuple[Survey, tuple[str, ...]]:
    """The survey of one stand with trees of its canopy where it has no others, and what that is."""
    if survey.canopy is None:
        return survey, ()
    if len(survey.standing):
        return survey, ("canopy_height is not used: the standing trees are mapped",)
    weights = project.propose.weights
    if any(weights.of_trees(name).of != "tree" for name in ("failing", "growing_stock")):
        msg = (
            "[propose.weights]: trees of canopy_height have no diameter and no volume; expected "
            'failing and growing_stock "per tree", as in failing = "1 per tree"'
        )
        raise InputError(msg)
    trees = _standing(survey, survey.canopy[0], project)
    said = (
        f"{counted(len(trees), 'tree')} were taken from canopy_height: tops and crowns only. "
        "Species, diameter, defect and risk do not come from it, trees under others are not seen, "
        "and what is removed is not held to its limits: walk the flags"
    )
    return replace(survey, standing=trees), (said,)


def _standing(survey: Survey, canopy: Elevation, project: Project) -> gpd.GeoDataFrame:
    """Tops in the stand as standing trees of which height and crown alone are known."""
    settings = project.canopy
    found = canopy_trees(canopy, form=settings.crown_width, height_min_m=settings.tree_height_min_m)
    points = np.asarray(shapely.points(found["x"], found["y"]))
    inside = shapely.intersects(survey.stand.geometry.iloc[0], points)
    found, points = found.loc[inside].reset_index(drop=True), points[inside]
    count = len(found)
    table = pd.DataFrame(survey.standing.drop(columns="geometry")).reindex(range(count))
    texts = table.select_dtypes(include=["str", "object"]).columns
    columns = table.fillna(dict.fromkeys(texts, "")).assign(
        tree_id=[f"C{number}" for number in range(1, count + 1)],
        height_m=found["height_m"],
        crown_radius_m=found["crown_radius_m"],
        count=1,
        cull=False,
        record=range(1, count + 1),
        dbh_unit="cm",
        source_file=canopy.file,
        **{STAND: np.int64(0)},
    )
    return features(columns, points, crs=survey.standing.crs)
