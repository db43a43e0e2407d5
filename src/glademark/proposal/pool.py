"""
Candidates: sets of trees with their openings measured as a layout measures them, and filtered.

A set whose opening holds a further tree takes it in where the plan cuts all trees inside; a set
that would hold a tree that stays is dropped, and so is one that breaks a limit of single openings.
Points say what its trees gain and lose.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import shapely
from scipy.sparse import csr_array, vstack
from shapely.geometry.base import BaseGeometry

from glademark.contracts.frames import BoolArray, FloatArray, IntArray
from glademark.errors import InputError, UnitError
from glademark.measure.edges import Outlines, crown_outlines, united_circles
from glademark.measure.groups import crown_components
from glademark.project.job_settings import PointsPer, ProposeSettings, ProposeWeights
from glademark.proposal.growth import Demands, GeometryArray, Ground, Stock, sets_of, unlike_rows
from glademark.units import LENGTH_M, share, to_si

SLIVER_M2 = 0.01
"""Overlap with barred ground up to this size comes from edges that were drawn alike [m2]."""

ROUNDING = 1e-9
"""Share of a limit by which a candidate keeps away from it, so that rounding breaks none."""

TIMES_TAKEN_IN = 6
"""How often a set may take in the trees inside its opening before it is dropped."""

UNDER = 0.99
"""A bole this share of the crown radius from the stem is inside, however the disc is drawn."""

AT_ONCE = 512
"""Sets measured at once, so that their crowns fit into memory."""

PARTS = ("failing", "growing_stock", "regeneration", "distance", "new_corridor", "group")
"""Parts of a score, by the names of their weights."""

_LENGTHS: Mapping[str, tuple[str, float]] = {
    "dbh": ("dbh_cm", 100.0),
    "height": ("height_m", 1.0),
    "crown_radius": ("crown_radius_m", 1.0),
}
"""Columns in metres or centimetres, by the name that a rule has for them."""

_SHARES = ("defect", "live_crown_ratio")


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Pool:
    """Candidates."""

    sets: csr_array  # sets by trees
    shapes: GeometryArray
    area_m2: FloatArray  # shapes and area_m2: opening on the plan's edge, and its area
    score: FloatArray  # points of each set
    amounts: FloatArray  # what each takes of the allowances, shape (n, allowances)

    def __len__(self) -> int:
        """Number of candidates."""
        return len(self.score)

    def part(self, rows: IntArray) -> "Pool":
        """Some of the candidates."""
        return Pool(
            sets=self.sets[rows],
            shapes=self.shapes[rows],
            area_m2=self.area_m2[rows],
            score=self.score[rows],
            amounts=self.amounts[rows],
        )

    def scored(self, score: FloatArray) -> "Pool":
        """The same candidates with their points."""
        return replace(self, score=score)


def joined(pools: list[Pool]) -> Pool:
    """Candidates of several pools, each set once, less those that cost more for no more points."""
    pool = _stacked(pools)
    pool = pool.part(unlike_rows(pool.sets))
    return pool.part(np.flatnonzero(~_needless(pool)))


def _needless(pool: Pool) -> BoolArray:
    """Sets with a subset that is a candidate as well and has as many points."""
    size = np.diff(pool.sets.indptr)
    needless = np.zeros(len(pool), dtype=bool)
    for start in range(0, len(pool), AT_ONCE):
        common = csr_array(pool.sets[start : start + AT_ONCE] @ pool.sets.T).tocoo()
        large, small = common.coords
        large = large + start
        within = (common.data == size[small]) & (size[small] < size[large])
        within &= pool.score[small] >= pool.score[large]
        needless[large[within]] = True
    return needless


def measured(
    sets: csr_array, stock: Stock, ground: Ground, demands: Demands, *, exact: bool
) -> Pool:
    """
    Those of the sets that break no limit of single openings; points are not counted yet.

    With `exact` as a layout measures them, else six times faster and within some 0.1 %.
    """
    sets = _with_trees_under(sets, stock) if ground.all_cut else sets[unlike_rows(sets)]
    parts = [
        _measured(sets[start : start + AT_ONCE], stock, ground, demands, exact=exact)
        for start in range(0, max(sets.shape[0], 1), AT_ONCE)
    ]
    if len(parts) == 1:
        return parts[0]
    pool = _stacked(parts)
    return pool.part(unlike_rows(pool.sets))


def _stacked(pools: list[Pool]) -> Pool:
    """Pools one after the other."""
    return Pool(
        sets=csr_array(vstack([one.sets for one in pools])),
        shapes=np.concatenate([one.shapes for one in pools]),
        area_m2=np.concatenate([one.area_m2 for one in pools]),
        score=np.concatenate([one.score for one in pools]),
        amounts=np.concatenate([one.amounts for one in pools]),
    )


def _measured(
    sets: csr_array, stock: Stock, ground: Ground, demands: Demands, *, exact: bool
) -> Pool:
    """As `measured`, of sets that fit into memory."""
    done: list[Pool] = []
    waiting = sets
    for _ in range(TIMES_TAKEN_IN):
        if not waiting.shape[0]:
            break
        pool = _outlined(waiting, stock, ground, exact=exact)
        pool = pool.part(np.flatnonzero(pool.area_m2 <= demands.area_max_m2 * (1 - ROUNDING)))
        wanted, stays = _inside(pool, stock, ground)
        complete = np.diff(wanted.indptr) == np.diff(pool.sets.indptr)
        done.append(pool.part(np.flatnonzero(complete & ~stays)))
        waiting = wanted[np.flatnonzero(~complete & ~stays)]
    pool = _stacked(done) if done else _outlined(sets[:0], stock, ground, exact=exact)
    pool = pool.part(unlike_rows(pool.sets))
    return pool.part(np.flatnonzero(_may_be(pool, stock, ground, demands)))


def outlines_of(sets: csr_array, stock: Stock, ground: Ground) -> Outlines:
    """Openings of sets by the three definitions, as a layout measures them."""
    owner = np.repeat(np.arange(sets.shape[0]), np.diff(sets.indptr))
    radius = np.full(len(owner), ground.rule.radius_m[0])
    _, outlines = crown_outlines(
        stock.discs[sets.indices],
        owner,
        radius_m=radius,
        link_distance_m=ground.link_distance_m,
    )
    return ground.rule.finished(outlines, np.zeros(sets.shape[0], dtype=np.intp))


def _rough_outlines(sets: csr_array, stock: Stock, ground: Ground) -> GeometryArray:
    """Openings on the plan's edge from circles of few chords: within some 0.1 % of its area."""
    edge, link = ground.rule.edge, ground.link_distance_m
    r, half = float(ground.rule.radius_m[0]), link / 2
    owner = np.repeat(np.arange(sets.shape[0]), np.diff(sets.indptr))
    out = half if edge == "marked_crowns" else max(r, half)
    trees = sets.indices
    union = united_circles(stock.centre[trees], stock.radius_m[trees] + out, owner)
    back = out - r if edge == "boles" else out
    shapes = shapely.buffer(union, -back, quad_segs=8) if back > 0 else union
    return ground.rule.finish(shapes, edge, np.zeros(sets.shape[0], dtype=np.intp))


def _outlined(sets: csr_array, stock: Stock, ground: Ground, *, exact: bool) -> Pool:
    """Sets with their openings."""
    if exact or not sets.shape[0]:
        shapes = outlines_of(sets, stock, ground).by(ground.rule.edge)
    else:
        shapes = _rough_outlines(sets, stock, ground)
    shapes = shapely.normalize(shapes)
    return Pool(
        sets=sets,
        shapes=shapes,
        area_m2=shapely.area(shapes),
        score=np.zeros(sets.shape[0]),
        amounts=sets @ stock.amounts,
    )


def _with_trees_under(sets: csr_array, stock: Stock) -> csr_array:
    """Sets with the trees whose boles stand under their crowns, which are inside in any case."""
    some = np.flatnonzero(stock.may_go)
    crown, tree = shapely.STRtree(stock.points[some]).query(
        stock.points, predicate="dwithin", distance=stock.radius_m * UNDER
    )
    under = sets_of(crown, some[tree], (len(stock.gain), len(stock.gain)))
    for _ in range(2):  # a tree under a tree under a crown
        sets = csr_array(((sets + sets @ under) > 0).astype(np.int32))
    sets.sort_indices()
    return sets[unlike_rows(sets)]


def _inside(pool: Pool, stock: Stock, ground: Ground) -> tuple[csr_array, BoolArray]:
    """Sets with all trees that stand inside their openings, and whether one of those stays."""
    stays = np.zeros(len(pool), dtype=bool)
    if not ground.all_cut:
        return pool.sets, stays
    row, tree = stock.tree.query(pool.shapes, predicate="intersects")
    stays[row[~stock.may_go[tree] & ~stock.cut_first[tree]]] = True
    other = shapely.STRtree(ground.left_standing).query(pool.shapes, predicate="intersects")[0]
    stays[other] = True
    goes = stock.may_go[tree]
    inside = sets_of(row[goes], tree[goes], pool.sets.shape)
    wanted = csr_array(((pool.sets + inside) > 0).astype(np.int32))
    wanted.sort_indices()
    return wanted, stays


def _may_be(pool: Pool, stock: Stock, ground: Ground, demands: Demands) -> BoolArray:
    """Which openings keep to every limit of a single opening and are one set of linked crowns."""
    shapes = pool.shapes
    fits = within(pool, demands, ground)
    fits &= np.diff(pool.sets.indptr) >= demands.min_trees
    if not ground.barred.is_empty:
        shapely.prepare(ground.barred)
        meets = np.flatnonzero(fits & shapely.intersects(shapes, ground.barred))
        taken = shapely.area(shapely.intersection(shapes[meets], ground.barred))
        fits[meets[taken > SLIVER_M2]] = False
    if ground.slope is not None and np.isfinite(demands.slope_max):
        some = np.flatnonzero(fits)
        fits[some[ground.slope(shapes[some]) > demands.slope_max]] = False
    return np.asarray(fits & _linked(pool, stock, ground))


def within(pool: Pool, demands: Demands, ground: Ground) -> BoolArray:
    """Candidates that keep to the limits of single openings."""
    beyond = 1 + ROUNDING
    fits = pool.area_m2 <= demands.area_max_m2 * (1 - ROUNDING)
    fits &= pool.area_m2 >= demands.area_min_m2 * beyond
    for limit, other in ((demands.boundary_m, ground.boundary), (demands.water_m, ground.water)):
        if limit > 0 and not other.is_empty:
            shapely.prepare(other)
            fits &= ~shapely.dwithin(other, pool.shapes, limit * beyond)
    if demands.amounts_max:
        fits &= (pool.amounts <= np.array(demands.amounts_max)).all(axis=1)
    return np.asarray(fits)


def _linked(pool: Pool, stock: Stock, ground: Ground) -> BoolArray:
    """Which sets are one component of linked crowns."""
    owner = np.repeat(np.arange(len(pool)), np.diff(pool.sets.indptr))
    component = crown_components(
        stock.points[pool.sets.indices],
        radius_m=stock.radius_m[pool.sets.indices],
        link_distance_m=ground.link_distance_m,
        stand=owner,
    )
    pairs = np.unique(np.column_stack([owner, component]), axis=0)
    return np.asarray(np.bincount(pairs[:, 0], minlength=len(pool)) == 1)


def points_of_trees(trees: pd.DataFrame, weights: ProposeWeights) -> tuple[FloatArray, FloatArray]:
    """
    Points that each tree gains, failing, and loses, growing stock; 0 where its size is not known.

    `trees` has `failing`, `priority`, `basal_area_m2`, `volume_m3`; losses are negative.
    """
    failing = trees["failing"].to_numpy(dtype=bool)
    priority = trees["priority"].to_numpy(dtype=float)
    gained = priority * _amount(trees, weights.of_trees("failing"))
    lost = -_amount(trees, weights.of_trees("growing_stock"))
    return np.where(failing, gained, 0.0), np.where(failing, 0.0, lost)


def unsized(trees: pd.DataFrame, weights: ProposeWeights) -> BoolArray:
    """Trees that have no points because the size that their weight goes by is not known."""
    failing = trees["failing"].to_numpy(dtype=bool)
    by = [weights.of_trees(name).of for name in ("failing", "growing_stock")]
    unknown = [_size(trees, of).isna().to_numpy() for of in by]
    return np.where(failing, *unknown)


def _amount(trees: pd.DataFrame, per: PointsPer) -> FloatArray:
    """Points of each tree by its size."""
    return np.asarray(np.nan_to_num(_size(trees, per.of)) * per.points)


def _size(trees: pd.DataFrame, of: str) -> pd.Series:
    """What of each tree is counted."""
    return pd.Series(1.0, index=trees.index) if of == "tree" else trees[of].astype(float)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Worth:
    """What groups are worth."""

    failing: FloatArray
    growing_stock: FloatArray  # failing and growing_stock: points of each tree
    regeneration: BaseGeometry  # ground with regeneration, perhaps empty
    extraction_m: FloatArray
    corridor_gap_m: FloatArray
    """extraction_m and corridor_gap_m: way of each tree to the landing, NaN where not known, and
    how far it is out of reach."""
    weights: ProposeWeights  # as the project states them

    def parts(self, pool: Pool) -> pd.DataFrame:
        """Points of each candidate by part; what is lost is negative, so that they add up."""
        sets, weights = pool.sets, self.weights
        known = np.isfinite(self.extraction_m)
        way = sets @ np.where(known, self.extraction_m, 0.0)
        counted = np.maximum(sets @ known.astype(float), 1.0)
        owner = np.repeat(np.arange(len(pool)), np.diff(sets.indptr))
        gap = np.zeros(len(pool))
        np.maximum.at(gap, owner, self.corridor_gap_m[sets.indices])
        released = shapely.area(shapely.intersection(pool.shapes, self.regeneration))
        return pd.DataFrame(
            {
                "failing": sets @ self.failing,
                "growing_stock": sets @ self.growing_stock,
                "regeneration": released * weights.regeneration_per_m2,
                "distance": -way / counted * weights.per_metre("distance"),
                "new_corridor": -gap * weights.per_metre("new_corridor"),
                "group": np.full(len(pool), -weights.per_group),
            }
        )

    def score(self, pool: Pool) -> FloatArray:
        """Points of each candidate."""
        return np.asarray(self.parts(pool).to_numpy().sum(axis=1))


def priorities(trees: pd.DataFrame, settings: ProposeSettings) -> FloatArray:
    """Priority of each tree: the highest rule that fits, and its number in the column; else 0."""
    found = np.zeros(len(trees))
    if settings.priority_column is not None:
        column = _column(trees, settings.priority_column, "priority_column")
        found = np.maximum(found, np.nan_to_num(_numbers(trees[column])))
    for rule in settings.priority:
        fits = np.ones(len(trees), dtype=bool)
        for name, value in rule.when.items():
            fits &= _fits(trees, name, value)
        found = np.where(fits, np.maximum(found, rule.priority), found)
    return found


def _column(trees: pd.DataFrame, name: str, where: str) -> str:
    """A column of the standing trees; refused where there is none."""
    known = {str(one).casefold(): str(one) for one in trees.columns}
    if name.casefold() not in known:
        names = ", ".join(sorted(one for one in known.values() if one != "geometry"))
        msg = (
            f"[propose] {where}: standing trees have no column {name!r}; expected one of {names}. "
            "Correct the name"
        )
        raise InputError(msg)
    return known[name.casefold()]


def _fits(trees: pd.DataFrame, name: str, value: object) -> BoolArray:
    """Which trees fit one part of a rule; a tree of which it is not known does not."""
    base, _, end = name.rpartition("_")
    if base and end in {"min", "max"}:
        amount, numbers = _limit(trees, base, value)
        fits = numbers >= amount if end == "min" else numbers <= amount
        return np.asarray(fits & np.isfinite(numbers))
    column = trees[_column(trees, name, "priority when")]
    wanted = str(value).strip().casefold()
    written = np.array([str(one).strip().casefold() for one in column], dtype=object)
    return np.asarray(written == wanted, dtype=bool)


def _limit(trees: pd.DataFrame, base: str, value: object) -> tuple[float, FloatArray]:
    """The limit of a rule, and the column that it is held against."""
    try:
        if base in _LENGTHS:
            column, size = _LENGTHS[base]
            return to_si(str(value), LENGTH_M) * size, _numbers(trees[column])
        amount = share(value) if isinstance(value, str) and "%" in value else float(str(value))
    except (UnitError, ValueError) as fault:
        msg = f"[propose] priority when {base}: {fault}"
        raise InputError(msg) from fault
    return amount, _numbers(trees[_column(trees, base, "priority when")])


def _numbers(column: pd.Series) -> FloatArray:
    """A column as numbers, NaN where it holds none."""
    return pd.to_numeric(column, errors="coerce").to_numpy(dtype=float)
