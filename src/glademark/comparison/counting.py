"""
Chances of pairs by counting out all one-to-one assignments of one connected part.

Columns are taken one after the other, and only the rows that a later column still may want are kept
in mind: what is counted are the ways to have used those. Ways of next to no weight are dropped.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_array
from scipy.sparse.csgraph import reverse_cuthill_mckee

__all__ = ["counted_out"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

SLOTS_MAX = 60
"""Rows that can be kept in mind at a time: bits of a whole number."""

ORDERED_FROM = 24
"""Smaller parts are counted out in any order: finding a good one takes longer."""

WAYS_MAX = 4096
"""Ways that are kept at each step; the heaviest where there are more."""

DROPPED = 1e-9
"""Ways with less than this share of the heaviest one's weight are dropped."""


@dataclass(frozen=True, kw_only=True, slots=True)
class _Step:
    """
    One column taken: alone, or with one of its rows.

    Attributes
    ----------
    weight
        Of each way before.
    target
        Way that each goes on to: those of the column alone, then those of each pair.
    link
        The column's pairs.
    origin
        Ways from which each pair is open.
    """

    weight: FloatArray
    target: IntArray
    link: IntArray
    origin: list[IntArray]


def counted_out(row: IntArray, column: IntArray, odds: FloatArray) -> FloatArray | None:
    """
    Chance of each pair of a connected part.

    Examples
    --------
    >>> row, column = np.array([0, 0, 1, 1]), np.array([0, 1, 0, 1])
    >>> chance = counted_out(row, column, np.ones(4))
    >>> chance.round(4).tolist()  # of 1 with none, 4 with one, 2 with two pairs: 1 + 1 of 7
    [0.2857, 0.2857, 0.2857, 0.2857]
    """
    rows, columns = _numbered(row), _numbered(column)
    links = _in_turn(rows, columns)
    slot, freed = _slots(rows, links)
    if slot is None:
        return None
    chance = np.zeros(len(odds))
    after = np.ones(1)
    for step in reversed(_forward(links, odds, slot[rows], freed)):
        onward = np.append(after, 0.0)[step.target]  # ways that were dropped lead nowhere
        stays = len(step.weight)
        before, at = onward[:stays].copy(), stays
        found = np.zeros(len(step.link))
        for number, origin in enumerate(step.origin):
            gain = odds[step.link[number]] * onward[at : at + len(origin)]
            at += len(origin)
            found[number] = step.weight[origin] @ gain
            before[origin] += gain
        chance[step.link] = found / (found.sum() + step.weight @ onward[:stays])
        after = before / before.max()
    return chance


def _numbered(member: IntArray) -> IntArray:
    """Members numbered from 0."""
    return np.unique(member, return_inverse=True)[1]


def _in_turn(rows: IntArray, columns: IntArray) -> list[IntArray]:
    """Pairs of each column, columns in an order that keeps rivals near to each other."""
    place = columns
    if len(rows) > ORDERED_FROM:
        place = _near_rivals(rows, columns)[columns]
    by_place = np.argsort(place, kind="stable")
    cuts = np.flatnonzero(np.diff(columns[by_place])) + 1
    return np.split(by_place, cuts)


def _near_rivals(rows: IntArray, columns: IntArray) -> IntArray:
    """Turn of each column, such that those that want the same rows follow each other."""
    number, first = int(columns.max()) + 1, int(rows.max()) + 1
    size = number + first
    ends = np.concatenate([columns, number + rows]), np.concatenate([number + rows, columns])
    table = csr_array((np.ones(2 * len(rows)), ends), shape=(size, size))
    order = reverse_cuthill_mckee(table, symmetric_mode=True)
    place = np.empty(size, dtype=np.intp)
    place[order] = np.arange(size)
    return place


def _slots(rows: IntArray, links: list[IntArray]) -> tuple[IntArray | None, list[int]]:
    """Bit of each row while it is kept in mind, and the bits that each step sets free."""
    turn = np.repeat(np.arange(len(links)), [len(link) for link in links])
    last = np.zeros(int(rows.max()) + 1, dtype=np.intp)
    np.maximum.at(last, rows[np.concatenate(links)], turn)
    slot = np.full(len(last), -1, dtype=np.intp)
    open_slots = list(range(SLOTS_MAX))[::-1]
    freed: list[int] = []
    for step, link in enumerate(links):
        for one in rows[link].tolist():
            if slot[one] < 0:
                if not open_slots:
                    return None, freed
                slot[one] = open_slots.pop()
        done = [one for one in rows[link].tolist() if last[one] == step]
        open_slots += [int(slot[one]) for one in done]
        freed.append(sum(1 << int(slot[one]) for one in done))
    return slot, freed


def _forward(
    links: list[IntArray], odds: FloatArray, slot: IntArray, freed: list[int]
) -> list[_Step]:
    """Ways before each step with their weights, and where each goes on to."""
    used, weight = np.zeros(1, dtype=np.int64), np.ones(1)
    steps: list[_Step] = []
    for link, free in zip(links, freed, strict=True):
        bits = np.int64(1) << slot[link].astype(np.int64)
        origin = [np.flatnonzero(used & bit == 0) for bit in bits]
        reached = [used, *(used[way] | bit for way, bit in zip(origin, bits, strict=True))]
        gained = [weight, *(o * weight[way] for way, o in zip(origin, odds[link], strict=True))]
        distinct, target = np.unique(np.concatenate(reached) & ~np.int64(free), return_inverse=True)
        total = np.bincount(target, np.concatenate(gained), len(distinct)).astype(np.float64)
        kept = _heavy(total)
        place = np.where(kept, np.cumsum(kept) - 1, np.count_nonzero(kept))
        steps.append(_Step(weight=weight, target=place[target], link=link, origin=origin))
        used, weight = distinct[kept], total[kept] / total.max()
    return steps


def _heavy(weight: FloatArray) -> npt.NDArray[np.bool_]:
    """Which ways matter."""
    least = DROPPED * float(weight.max())
    if len(weight) > WAYS_MAX:
        least = max(least, float(np.partition(weight, -WAYS_MAX)[-WAYS_MAX]))
    return np.asarray(weight >= least)
