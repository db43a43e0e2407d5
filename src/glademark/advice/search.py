"""
The search for the smallest set: solve a relaxed program, measure what it says, add what it missed.

Each row that is added holds for every answer, so that the program's own bound is a bound on all
answers, and a set that it proposes and that measures inside every limit is the smallest.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from glademark.advice.kept import Answer, LostArea, Program, Row, solve, with_all
from glademark.advice.needs import Need
from glademark.advice.spared_holes import Spared

FloatArray = npt.NDArray[np.float64]

ROUNDS_MAX = 120
"""Most programs solved for one aim: beyond, the answer is bounded instead of proved."""

WORK_MAX = 6e8
"""
Most work of a program after the first, rows added times the cube of what can be spared alone.

Our own measure: up to it a program takes some seconds. Beyond, the relaxed program gives a bound.
"""

_SAME = 1e-6
"""Difference of cost that is no difference; the solver's own tolerance."""

_BLOCK = 16
"""Trees whose order is settled by one program: their powers of two stay exact."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Wish:
    """What is to be brought about, and by which measure it is to be little."""

    needs: Sequence[Need]  # to be met, all of them
    keeps: Sequence[Callable[[Spared], Sequence[Row]]]
    """Limits that must not be broken by sparing: each gives rows that a set breaks, none where it
    breaks none."""
    rows: Sequence[Row]
    areas: Sequence[LostArea]  # rows and areas: rows of the limits that must not be broken
    costs: Sequence[FloatArray]  # of each mark, by one measure after the other; shape (n,) each
    together: Mapping[int, Spared] = field(default_factory=dict)
    """Trees that are spared with a tree, itself among them, where it is not spared alone."""

    @property
    def trees(self) -> Spared:
        """Trees that an answer may hold."""
        return with_all(frozenset().union(*(need.trees for need in self.needs)), self.together)


@dataclass(frozen=True, kw_only=True, slots=True)
class Found:
    """The set found."""

    spared: Spared | None  # positions of the marks; None where no set brings everything about
    bounds: tuple[float, ...]
    """For each measure: no set can do with less, given what the measures before it cost."""
    proved: bool  # whether the set is proved to be the smallest, by every measure and by the ids


def smallest(wish: Wish, *, start: Spared = frozenset()) -> Found:
    """
    The smallest set that brings everything about, proved, or with bounds.

    Among sets equal by all measures it is the one with the first marks. Where none can be proved,
    a greedy choice begins with `start`.
    """
    program = _start(wish)
    bounds: list[float] = []
    spared: Spared | None = None
    proved = True
    for costs in wish.costs:
        answer, program = _least(wish, program, costs)
        if answer.spared is None and answer.proved and spared is None:
            return Found(spared=None, bounds=(math.inf,), proved=True)
        if answer.spared is None:
            known = spared if spared is not None else greedy(wish, program, answer.last or start)
            return Found(spared=known, bounds=(*bounds, answer.bound), proved=False)
        spared, proved = answer.spared, proved and answer.proved
        bounds.append(answer.bound)
        if not proved:
            return Found(spared=spared, bounds=tuple(bounds), proved=False)
        program = program.with_rows(_no_dearer(program, costs, spared))
    if spared:
        spared, proved = _first_by_ids(wish, program, spared)
    return Found(spared=spared, bounds=tuple(bounds), proved=proved)


def _start(wish: Wish) -> Program:
    """Program with what every need says from the start."""
    trees = sorted(wish.trees)
    known = [need.rows() for need in wish.needs]
    rows = [row for rows, _ in known for row in rows]
    areas = [area for _, areas in known for area in areas]
    return Program(
        trees=np.array(trees, dtype=np.intp),
        rows=(*rows, *wish.rows),
        areas=(*areas, *wish.areas),
    )


def broken(wish: Wish, spared: Spared) -> list[Row]:
    """Rows that every answer keeps and this set does not."""
    rows = [row for need in wish.needs if need.short(spared) > 0 for row in need.cuts(spared)]
    return rows + [row for keep in wish.keeps for row in keep(spared)]


def _least(wish: Wish, program: Program, costs: FloatArray) -> tuple[Answer, Program]:
    """Cheapest answer, and the program with the rows that it took."""
    bound = -math.inf
    alone, last = _alone(wish), frozenset[int]()
    for turn in range(ROUNDS_MAX):
        if turn and len(program.rows) * alone**3 > WORK_MAX:
            relaxed = solve(program, costs[program.trees], relaxed=True)
            return replace(relaxed, last=last, bound=max(bound, relaxed.bound)), program
        answer = solve(program, costs[program.trees])
        bound = max(bound, answer.bound)
        if answer.spared is None:
            return replace(answer, bound=bound), program
        missed = broken(wish, answer.spared)
        if not missed:
            return replace(answer, bound=bound), program
        program, last = program.with_rows(*missed), answer.spared
    return Answer(spared=None, bound=bound, proved=False, last=last), program


def _alone(wish: Wish) -> int:
    """How many trees, or sets of trees that are spared together, may be spared by themselves."""
    single = sum(tree not in wish.together for tree in wish.trees)
    return single + len({wish.together[tree] for tree in wish.trees & wish.together.keys()})


def _no_dearer(program: Program, costs: FloatArray, spared: Spared) -> Row:
    """Row that keeps a cost once it is known to be the least."""
    weights = {int(tree): float(costs[tree]) for tree in program.trees}
    paid = float(costs[sorted(spared)].sum())
    return Row(weights=weights, most=paid + _SAME * max(1.0, abs(paid)))


def _first_by_ids(wish: Wish, program: Program, spared: Spared) -> tuple[Spared, bool]:
    """Of the sets that are equal by all measures, the one with the first marks."""
    nothing = np.zeros(int(program.trees.max()) + 1)
    other = Row(weights=dict.fromkeys(sorted(spared), 1.0), most=len(spared) - 1.0)
    answer, _ = _least(wish, program.with_rows(other), nothing)
    if answer.spared is None:
        return spared, answer.proved
    for start in range(0, len(program.trees), _BLOCK):
        block = program.trees[start : start + _BLOCK]
        early = nothing.copy()
        early[block] = -(2.0 ** np.arange(len(block) - 1, -1, -1))
        answer, program = _least(wish, program, early)
        if answer.spared is None or not answer.proved:
            return spared, False
        spared = answer.spared
        program = program.with_rows(
            *(
                Row(weights={tree: 1.0}, least=float(tree in spared), most=float(tree in spared))
                for tree in block.tolist()
            )
        )
    return spared, True


def greedy(wish: Wish, program: Program, start: Spared) -> Spared | None:
    """
    An answer, tree by tree: always the one that does most for what is missing, at its cost.

    It starts from a set that falls short, and gives back what turns out not to be needed.
    None where the way leads to no answer.
    """
    costs = wish.costs[0]
    spared = start
    while missed := [n for n in wish.needs if n.short(spared) > 0]:
        worth: dict[int, float] = {}
        for row in (row for need in missed for row in need.rough_cuts(spared)):
            for tree, weight in row.weights.items():
                if tree not in spared:
                    worth[tree] = worth.get(tree, 0.0) + weight / max(costs[tree], _SAME)
        if not worth:
            return None
        best = max(sorted(worth), key=lambda tree: worth[tree])
        spared |= with_all(frozenset({best}), wish.together)
    for tree in sorted(spared, key=lambda tree: (-costs[tree], tree)):
        fewer = frozenset(one for one in spared if tree not in wish.together.get(one, {one}))
        if all(need.short(fewer) <= 0 for need in wish.needs):
            spared = fewer
    known = set(program.trees.tolist())
    holds = all(_holds(row, spared) for row in wish.rows)
    return spared if spared <= known and holds and not broken(wish, spared) else None


def _holds(row: Row, spared: Spared) -> bool:
    """Whether a set keeps a row."""
    total = sum(weight for tree, weight in row.weights.items() if tree in spared)
    return row.least - _SAME <= total <= row.most + _SAME
