"""
The program that chooses groups: cluster packing, with limits on what all groups take together.

    most points:  sum c_j x_j,  0 <= x_j <= 1, whole
    spacing:      sum of the x_j that come near a point <= 1, for enough points
    allowance:    sum a_kj x_j <= b_k  (each allowance, and the area of all openings)
    groups:       least <= sum x_j <= most

At most one candidate may come within half the spacing of a point. Points are a grid at first, and
then the middle of every gap that is too narrow, until none is: exact, and far tighter than one row
for each pair. Of openings that corridors join, pairs that would make one hole too large are known
beforehand; of three and more, a choice is barred once it is found too large.
"""

from dataclasses import dataclass
from typing import Any

import highspy
import numpy as np
import shapely
from scipy.sparse import coo_array, csc_array, csr_array, vstack
from scipy.sparse.csgraph import connected_components

from glademark.contracts.frames import BoolArray, FloatArray, IntArray
from glademark.measure.openings import TOUCH_M, with_strips
from glademark.proposal.growth import Demands, GeometryArray, Ground, sets_of, unlike_rows

WHOLE = 1e-6
"""How far from a whole number a choice may be."""

GAP = 1e-6
"""Relative gap at which the search for whole numbers stops."""

BEST_COLUMNS = 1500
"""Candidates of the first integer program."""

APART_M = 2e-6
"""Openings at least this far apart are two [m]."""

ROUNDING = 1e-9
"""Share of the spacing within which a gap counts as wide enough."""

STEPS = 3.0
"""Points of the grid across the mean width of a candidate and its spacing."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Program:
    """A program, as above."""

    points: FloatArray  # of each candidate, shape (n,)
    packing: csr_array  # rows of which at most `packing_max` may be chosen, shape (rows, n)
    packing_max: FloatArray
    """One each for points; one fewer than the sets of a combined opening that is too large."""
    amounts: FloatArray
    amounts_max: FloatArray  # amounts and amounts_max: shape (k, n) and (k,)
    groups_min: int
    groups_max: int  # groups_min and groups_max: number of candidates to choose

    def matrix(self) -> csr_array:
        """All rows: packing, amounts, number of groups."""
        ones = csr_array(np.ones((1, len(self.points))))
        return csr_array(vstack([self.packing, csr_array(self.amounts), ones]))

    def row_max(self) -> FloatArray:
        """Upper side of the rows."""
        return np.concatenate([self.packing_max, self.amounts_max, [float(self.groups_max)]])

    def part(self, columns: IntArray) -> "Program":
        """The program with some of its candidates."""
        return Program(
            points=self.points[columns],
            packing=self.packing[:, columns],
            packing_max=self.packing_max,
            amounts=self.amounts[:, columns],
            amounts_max=self.amounts_max,
            groups_min=self.groups_min,
            groups_max=self.groups_max,
        )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Relaxed:
    """Solution of the linear program, with proof."""

    chosen: FloatArray  # share of each candidate
    duals: FloatArray  # price of each row, >= 0; that of the least number of groups is `least_dual`
    least_dual: float
    reduced: FloatArray  # points of each candidate less what it pays
    bound: float
    """No choice has more points: sum of row prices times row limits, plus what any candidate gains
    beyond its price."""
    amounts: int  # number of rows of amounts, which stand before that of the number of groups

    @classmethod
    def nothing(cls) -> "Relaxed":
        """Before anything is solved."""
        none = np.zeros(0)
        return cls(chosen=none, duals=none, least_dual=0.0, reduced=none, bound=0.0, amounts=0)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Solved:
    """Candidates chosen, their points, and a bound that no choice from the pool can pass."""

    chosen: IntArray
    score: float
    bound: float
    nodes: int


class _Quiet(highspy.Highs):
    """The solver without callbacks, since turning them on prints a heading."""

    def enableCallbacks(self) -> None:  # noqa: N802 - the name in the solver
        """Turn none on."""


class NoChoiceError(ValueError):
    """No set of candidates meets all demands together."""


def relaxed(program: Program) -> Relaxed:
    """
    The linear program solved; `NoChoiceError` where it has no solution.

    The bound is recomputed from the prices, so that it holds whatever the solver's tolerance.
    """
    solver = _solver(program, whole=False)
    solver.run()
    if solver.getModelStatus() != highspy.HighsModelStatus.kOptimal:
        raise NoChoiceError
    solution = solver.getSolution()
    price = -np.array(solution.row_dual)  # the solver finds a minimum
    duals = np.maximum(price, 0.0)
    least = max(-float(price[-1]), 0.0) if program.groups_min > 0 else 0.0
    reduced = program.points - program.matrix().T @ duals + least
    charged = duals > 0  # a row without a limit has no price
    bound = float(duals[charged] @ program.row_max()[charged] - least * program.groups_min)
    return Relaxed(
        chosen=np.array(solution.col_value),
        duals=duals,
        least_dual=least,
        reduced=reduced,
        bound=bound + float(np.maximum(reduced, 0.0).sum()),
        amounts=len(program.amounts_max),
    )


def solved(program: Program, linear: Relaxed, *, nodes: int) -> Solved:
    """
    Whole choice: first from the best candidates, then from all that may still be in a better one.

    A candidate whose reduced points lie further below 0 than the bound lies above the first choice
    is in no better one (reduced-cost fixing).
    """
    count = len(program.points)
    first = np.sort(np.argsort(-linear.reduced, kind="stable")[:BEST_COLUMNS])
    best = _whole(program, first, nodes=nodes)
    if len(first) == count:
        return _least(best, linear.bound)
    floor = best.score if best is not None else -np.inf
    may = np.flatnonzero(linear.bound + np.minimum(linear.reduced, 0.0) >= floor)
    if best is not None and np.isin(may, first).all():
        return _least(best, linear.bound)
    final = _whole(program, may, nodes=nodes)
    if final is None or (best is not None and best.score > final.score):
        bound = linear.bound if final is None else final.bound
        final = None if best is None else _with_bound(best, max(bound, best.score))
    return _least(final, linear.bound)


def _with_bound(solution: Solved, bound: float) -> Solved:
    """A choice with another bound."""
    return Solved(chosen=solution.chosen, score=solution.score, bound=bound, nodes=solution.nodes)


def _least(solution: Solved | None, bound: float) -> Solved:
    """The choice with the lower of two bounds; `NoChoiceError` where there is none."""
    if solution is None:
        raise NoChoiceError
    return _with_bound(solution, max(min(solution.bound, bound), solution.score))


def _whole(program: Program, columns: IntArray, *, nodes: int) -> Solved | None:
    """Best whole choice from some candidates, found within so many nodes; None without one."""
    part = program.part(columns)
    solver = _solver(part, whole=True)
    solver.setOptionValue("mip_max_nodes", nodes)
    solver.run()
    info = solver.getInfo()
    if info.primal_solution_status != highspy.SolutionStatus.kSolutionStatusFeasible:
        return None
    taken: BoolArray = np.array(solver.getSolution().col_value) > 0.5  # noqa: PLR2004 - 0 or 1
    return Solved(
        chosen=columns[taken],
        score=float(part.points[taken].sum()),
        bound=-float(info.mip_dual_bound),
        nodes=int(info.mip_node_count),
    )


def _solver(program: Program, *, whole: bool) -> Any:  # noqa: ANN401 - has no stubs
    """The solver with a program, quiet, of one thread and without a clock."""
    count = len(program.points)
    matrix = csc_array(program.matrix())
    rows = matrix.shape[0]
    model = highspy.HighsLp()
    model.num_col_, model.num_row_ = count, rows
    model.col_cost_ = -program.points
    model.col_lower_, model.col_upper_ = np.zeros(count), np.ones(count)
    low = np.full(rows, -highspy.kHighsInf)
    low[-1] = program.groups_min
    model.row_lower_, model.row_upper_ = low, program.row_max()
    model.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    model.a_matrix_.start_ = matrix.indptr
    model.a_matrix_.index_ = matrix.indices
    model.a_matrix_.value_ = matrix.data.astype(float)
    if whole:
        model.integrality_ = [highspy.HighsVarType.kInteger] * count
    solver = _Quiet()  # type: ignore[no-untyped-call] # has no stubs
    for name, value in (
        ("output_flag", False), ("threads", 1), ("parallel", "off"), ("random_seed", 0),
        ("mip_rel_gap", GAP), ("mip_abs_gap", GAP), ("mip_feasibility_tolerance", WHOLE),
    ):  # fmt: skip
        solver.setOptionValue(name, value)
    solver.passModel(model)
    return solver


def spacing_of(spacing_m: float) -> float:
    """Least distance between two openings; those that touch would be one."""
    return max(spacing_m, APART_M)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Points:
    """Points of which at most one chosen candidate may be near, and the spacing."""

    place: GeometryArray
    spacing_m: float

    @property
    def reach_m(self) -> float:
        """How near is near."""
        return self.spacing_m / 2 * (1 - ROUNDING)

    def with_more(self, more: GeometryArray) -> "Points":
        """These and more points."""
        return Points(place=np.concatenate([self.place, more]), spacing_m=self.spacing_m)


def grid_of(shapes: GeometryArray, spacing_m: float) -> Points:
    """Grid of points over the ground of the candidates."""
    apart = spacing_of(spacing_m)
    if not len(shapes):
        return Points(place=np.zeros(0, dtype=object), spacing_m=apart)
    width = float(np.sqrt(shapely.area(shapes).mean())) + apart
    step = width / STEPS
    west, south, east, north = shapely.total_bounds(shapes)
    x, y = (np.arange(low, high + step, step) for low, high in ((west, east), (south, north)))
    place: GeometryArray = np.asarray(
        shapely.points(*(one.ravel() for one in np.meshgrid(x, y))), dtype=object
    )
    return Points(place=place, spacing_m=apart)


def packing_rows(points: Points, shapes: GeometryArray) -> tuple[csr_array, IntArray]:
    """Which candidates come near each point, and the points; of two and more, each row once."""
    tree = shapely.STRtree(shapes)
    point, shape = tree.query(points.place, predicate="dwithin", distance=points.reach_m)
    rows = sets_of(point, shape, (len(points.place), len(shapes)))
    rows.sort_indices()
    some = np.flatnonzero(np.diff(rows.indptr) > 1)
    kept = some[unlike_rows(rows[some])]
    return rows[kept], kept


def broken_gaps(shapes: GeometryArray, chosen: FloatArray, points: Points) -> GeometryArray:
    """Middles of the gaps that are too narrow between candidates chosen together."""
    some = np.flatnonzero(chosen > 1e-6)  # noqa: PLR2004 - not chosen at all
    apart = points.spacing_m * (1 - 4 * ROUNDING)
    tree = shapely.STRtree(shapes[some])
    one, two = tree.query(shapes[some], predicate="dwithin", distance=apart)
    once = one < two
    one, two = some[one[once]], some[two[once]]
    together = chosen[one] + chosen[two] > 1 + 1e-6
    one, two = one[together], two[together]
    gap = shapely.shortest_line(shapes[one], shapes[two])
    middle = shapely.line_interpolate_point(gap, 0.5, normalized=True)
    return np.asarray(middle, dtype=object)


"""Share of the limit by which joined openings stay below it."""


def joined_holes(shapes: GeometryArray, ground: Ground) -> GeometryArray:
    """Openings with the parts of corridors at them."""
    return with_strips(shapes, ground.strips, width_m=ground.strip_width_m)


def _no_rows(shapes: GeometryArray) -> csr_array:
    """No row for any candidate."""
    rows: Any = csr_array((0, len(shapes)), dtype=np.int32)
    return rows  # type: ignore[no-any-return]


def too_large_pairs(shapes: GeometryArray, ground: Ground, demands: Demands) -> csr_array:
    """Rows of two candidates each, apart by themselves, that are too large once joined."""
    if not np.isfinite(demands.combined_max_m2) or not len(ground.strips):
        return _no_rows(shapes)
    holes = joined_holes(shapes, ground)
    one, two = shapely.STRtree(holes).query(holes, predicate="dwithin", distance=TOUCH_M)
    once = one < two
    one, two = one[once], two[once]
    area = shapely.area(holes)
    may = area[one] + area[two] > demands.combined_max_m2 * (1 - ROUNDING)
    one, two = one[may], two[may]
    apart = shapely.distance(shapes[one], shapes[two]) >= demands.spacing_m
    one, two = one[apart], two[apart]
    both = shapely.area(shapely.union(holes[one], holes[two]))
    large = both > demands.combined_max_m2 * (1 - ROUNDING)
    pairs = np.column_stack([one, two])[large]
    rows = np.repeat(np.arange(len(pairs)), 2)
    return sets_of(rows, pairs.reshape(-1), (len(pairs), len(shapes)))


def too_large_choices(
    chosen: IntArray, shapes: GeometryArray, ground: Ground, demands: Demands
) -> csr_array:
    """A row for each hole of chosen candidates that corridors make too large together."""
    if not np.isfinite(demands.combined_max_m2) or not len(ground.strips) or not len(chosen):
        return _no_rows(shapes)
    holes = joined_holes(shapes[chosen], ground)
    pairs = shapely.STRtree(holes).query(holes, predicate="dwithin", distance=TOUCH_M)
    links = coo_array((np.ones(pairs.shape[1], bool), tuple(pairs)), shape=(len(holes),) * 2)
    label = connected_components(links, directed=False)[1]
    large = [
        chosen[label == one]
        for one in np.unique(label)  # one a hole
        if (label == one).sum() > 1
        and shapely.union_all(holes[label == one]).area > demands.combined_max_m2 * (1 - ROUNDING)
    ]
    rows = np.repeat(np.arange(len(large)), [len(one) for one in large])
    columns = np.concatenate(large) if large else np.zeros(0, dtype=np.intp)
    return sets_of(rows, columns, (len(large), len(shapes)))
