"""Layouts from the candidates: the best, others that differ, the cost of limits, what clashes."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from scipy.sparse import csr_array

from glademark.errors import listed
from glademark.proposal.demands import LimitRow, relaxed_limits, without
from glademark.proposal.growth import BoolArray, Demands, IntArray
from glademark.proposal.pool import within
from glademark.proposal.program import NoChoiceError, Solved, relaxed
from glademark.proposal.search import Budget, Found, Task, choose, find_candidates, relaxed_over
from glademark.units import ACRE_M2, FOOT_M

SHARED = 0.5
"""A group is another one where no earlier group has this share of its opening."""

STEPS = (0.8, 0.9, 1.0, 1.1, 1.2)
"""Parts of a limit at which the choice is made again."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Choice:
    """Candidates of one layout, their points, and how many of them no earlier layout has."""

    chosen: IntArray
    score: float
    bound: float
    others: int

    @property
    def gap(self) -> float:
        """How far the bound lies above the points, as a share of it."""
        return (self.bound - self.score) / abs(self.bound) if self.bound else 0.0


def choices(task: Task, found: Found, *, count: int, others_min: int) -> Iterator[Choice]:
    """The best layout, then the best of those that have enough groups of their own."""
    other = np.ones(len(found.pool), dtype=bool)
    best, found = choose(task, found)
    yield _choice(best, other)
    for number in range(2, count + 1):
        task.tell(f"alternative {number}")
        other &= _unlike(found, best.chosen)
        row = csr_array(-other[None, :].astype(float))
        most = found.with_rows(row, np.array([-float(others_min)]))
        try:
            best, _ = choose(task, most)
        except NoChoiceError:
            return
        yield _choice(best, other)


def _choice(best: Solved, other: BoolArray) -> Choice:
    """A layout, in the order of its candidates."""
    chosen = np.sort(best.chosen)
    return Choice(
        chosen=chosen, score=best.score, bound=best.bound, others=int(other[chosen].sum())
    )


def _unlike(found: Found, chosen: IntArray) -> BoolArray:
    """Candidates that share less than half of their opening with each chosen one."""
    shapes = found.pool.shapes
    one, two = shapely.STRtree(shapes[chosen]).query(shapes, predicate="intersects")
    common = shapely.area(shapely.intersection(shapes[one], shapes[chosen[two]]))
    unlike = np.ones(len(shapes), dtype=bool)
    unlike[one[common >= SHARED * found.pool.area_m2[one]]] = False
    return unlike


@dataclass(frozen=True, kw_only=True, slots=True)
class Margin:
    """What a limit costs: points per unit of it, and the best points at other values."""

    row: LimitRow
    marginal_value: float | None
    tried: tuple[tuple[float, float | None], ...]


def margins(task: Task, found: Found, rows: Sequence[LimitRow], best: float) -> list[Margin]:
    """Marginal value of each limit in the linear program, and the choice at other values of it."""
    linear = relaxed(found.program(task.demands))
    return [
        Margin(
            row=row,
            marginal_value=row.price(linear),
            tried=tuple((row.value * step, _tried(task, found, row, step, best)) for step in STEPS),
        )
        for row in rows
    ]


def _tried(task: Task, found: Found, row: LimitRow, step: float, best: float) -> float | None:
    """Points of the best layout with a limit at a part of its value; None where it is not known."""
    if step == 1:
        return best
    changed = relaxed_limits(task.demands, row, step)
    if changed is None:
        return None
    demands, is_known = changed
    if not is_known:
        return None
    pool = found.pool.part(np.flatnonzero(within(found.pool, demands, task.ground)))
    if not len(pool):
        return None
    again = replace(task, demands=demands)
    try:
        points = replace(found.points, spacing_m=max(demands.spacing_m, 2e-6))
        return choose(again, relaxed_over(again, pool, points))[0].score
    except NoChoiceError:
        return None


def why_infeasible(task: Task, limits: Sequence[LimitRow]) -> str:
    """One sentence about a smallest set of limits that cannot hold together."""
    demands = task.demands
    if _holds(task, demands):
        return (
            "no layout of whole groups was found within [propose] nodes_max, though parts of some "
            "would fit; raise it, or loosen a limit"
        )
    kept: list[LimitRow] = []
    rows = list(limits)
    for row in rows:  # a limit without which nothing changes is no cause
        fewer = without(demands, row)
        if _holds(task, fewer):
            kept.append(row)
        else:
            demands = fewer
    if not kept:
        return (
            "no set of linked standing trees may be a group here: all stand in corridors, on "
            "ground where nothing is cut, or stay"
        )
    names = [f"{row.limit} {_shown(row)}".strip() for row in kept]
    verb = "cannot hold together" if len(names) > 1 else "cannot hold"
    return f"{listed(names)} {verb}, with the candidates that were tried."


def _holds(task: Task, demands: Demands) -> bool:
    """Whether some layout meets the demands."""
    budget = Budget(rounds_max=0, nodes_max=task.budget.nodes_max)
    try:
        find_candidates(replace(task, demands=demands, budget=budget))
    except NoChoiceError:
        return False
    return True


def _shown(row: LimitRow) -> str:
    """Value of a limit with its unit."""
    shown = {
        "m2": f"{row.value:,.0f} m2 ({row.value / ACRE_M2:.2f} acre)",
        "m": f"{row.value:,.1f} m ({row.value / FOOT_M:,.0f} ft)",
        "share": f"{row.value:.1%} {row.quantity.replace('_', ' ')}".strip(),
    }
    return shown.get(row.unit, f"{row.value:g} {row.unit}".strip())
