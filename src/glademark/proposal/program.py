"""
The program that chooses groups: cluster packing, with limits on what all groups take together.

    most points:  sum c_j x_j,  0 <= x_j <= 1, whole
    spacing:      sum of the x_j that come near a point <= 1, for enough points
    allowance:    sum a_kj x_j <= b_k  (each allowance, and the area of all openings)
    groups:       least <= sum x_j <= most
"""

from dataclasses import dataclass
from typing import Any

import highspy
import numpy as np
from scipy.sparse import csc_array, csr_array, vstack

from glademark.proposal.stock import BoolArray, FloatArray, IntArray

WHOLE = 1e-6
"""How far from a whole number a choice may be."""

GAP = 1e-6
"""Relative gap at which the search for whole numbers stops."""

BEST_COLUMNS = 1500
"""Candidates of the first integer program."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Program:
    """
    A program, as above.

    Attributes
    ----------
    points
        Of each candidate, shape (n,).
    packing
        Rows of which at most `packing_max` may be chosen, shape (rows, n).
    packing_max
        One each for points; one fewer than the sets of a combined opening that is too large.
    amounts, amounts_max
        Shape (k, n) and (k,).
    groups_min, groups_max
        Number of candidates to choose.
    """

    points: FloatArray
    packing: csr_array
    packing_max: FloatArray
    amounts: FloatArray
    amounts_max: FloatArray
    groups_min: int
    groups_max: int

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
    """
    Solution of the linear program, with proof.

    Attributes
    ----------
    chosen
        Share of each candidate.
    duals
        Price of each row, >= 0; that of the least number of groups is `least_dual`.
    reduced
        Points of each candidate less what it pays.
    bound
        No choice has more points: sum of row prices times row limits, plus what any candidate
        gains beyond its price.
    amounts
        Number of rows of amounts, which stand before that of the number of groups.
    """

    chosen: FloatArray
    duals: FloatArray
    least_dual: float
    reduced: FloatArray
    bound: float
    amounts: int

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
