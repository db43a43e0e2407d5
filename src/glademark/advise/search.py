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

from glademark.advise.cover import Answer, LostArea, Program, Row, solve, with_all
from glademark.advise.needs import Need
from glademark.advise.spared_holes import Spared

FloatArray = npt.NDArray[np.float64]

ROUNDS_MAX = 120
"""Most programs solved for one aim: beyond, the answer is bounded instead of proved."""

_SAME = 1e-6
"""Difference of cost that is no difference; the solver's own tolerance."""

_BLOCK = 16
"""Trees whose order is settled by one program: their powers of two stay exact."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Wish:
    """
    What is to be brought about, and by which measure it is to be little.

    Attributes
    ----------
    needs
        To be met, all of them.
    keeps
        Limits that must not be broken by sparing: each gives rows that a set breaks, none where it
        breaks none.
    rows, areas
        Rows of the limits that must not be broken.
    costs
        Of each mark, by one measure after the other; shape (n,) each.
    together
        Trees that are spared with a tree, itself among them, where it is not spared alone.
    """

    needs: Sequence[Need]
    keeps: Sequence[Callable[[Spared], Sequence[Row]]]
    rows: Sequence[Row]
    areas: Sequence[LostArea]
    costs: Sequence[FloatArray]
    together: Mapping[int, Spared] = field(default_factory=dict)

    @property
    def trees(self) -> Spared:
        """Trees that an answer may hold."""
        return with_all(frozenset().union(*(need.trees for need in self.needs)), self.together)


@dataclass(frozen=True, kw_only=True, slots=True)
class Found:
    """
    The set found.

    Attributes
    ----------
    spared
        Positions of the marks; None where no set brings everything about.
    bounds
        For each measure: no set can do with less, given what the measures before it cost.
    proved
        Whether the set is proved to be the smallest, by every measure and by the ids.
    """

    spared: Spared | None
    bounds: tuple[float, ...]
    proved: bool


def smallest(wish: Wish) -> Found:
    """
    The smallest set that brings everything about.

    Parameters
    ----------
    wish
        Needs, limits to keep, and measures; among sets equal by all measures, the one with the
        first marks is taken.

    Returns
    -------
    found
        Proved, or with bounds.
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
            return _bounded(wish, program, spared, (*bounds, answer.bound))
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
    """
    Rows that every answer keeps and this set does not.

    Parameters
    ----------
    wish
        What is to be brought about.
    spared
        Marks left standing.

    Returns
    -------
    rows
        None where the set is an answer.
    """
    rows = [row for need in wish.needs if need.short(spared) > 0 for row in need.cuts(spared)]
    return rows + [row for keep in wish.keeps for row in keep(spared)]


def _least(wish: Wish, program: Program, costs: FloatArray) -> tuple[Answer, Program]:
    """Cheapest answer, and the program with the rows that it took."""
    bound = -math.inf
    for _ in range(ROUNDS_MAX):
        answer = solve(program, costs[program.trees])
        bound = max(bound, answer.bound)
        if answer.spared is None:
            return replace(answer, bound=bound), program
        missed = broken(wish, answer.spared)
        if not missed:
            return replace(answer, bound=bound), program
        program = program.with_rows(*missed)
    return Answer(spared=None, bound=bound, proved=False), program


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


def _bounded(
    wish: Wish, program: Program, spared: Spared | None, bounds: tuple[float, ...]
) -> Found:
    """An answer that is not proved: the best so far, else a greedy one."""
    if spared is None:
        spared = greedy(wish, program)
    return Found(spared=spared, bounds=bounds, proved=False)


def greedy(wish: Wish, program: Program) -> Spared | None:
    """
    An answer, tree by tree: always the one that does most for what is missing, at its cost.

    Parameters
    ----------
    wish
        What is to be brought about.
    program
        Its trees.

    Returns
    -------
    spared
        Without trees that are not needed; None where the way leads to no answer.
    """
    costs = wish.costs[0]
    spared: Spared = frozenset()
    while missed := [n for n in wish.needs if n.short(spared) > 0]:
        worth: dict[int, float] = {}
        for row in (row for need in missed for row in need.cuts(spared)):
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
    return spared if spared <= known and not broken(wish, spared) else None
