"""Which limits cannot hold together, found by taking limits away one by one."""

from collections.abc import Sequence
from dataclasses import replace

from glademark.errors import listed
from glademark.proposal.demands import LimitRow, without
from glademark.proposal.program import NoChoiceError
from glademark.proposal.search import Budget, Task, find_candidates
from glademark.proposal.stock import Demands
from glademark.units import ACRE_M2, FOOT_M


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
