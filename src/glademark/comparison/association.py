"""
Chances of pairs in a one-to-one assignment whose odds are known pair by pair.

Rows and columns of a sparse table may each be in one pair at most; an assignment is as likely as
the product of the odds of its pairs. The chance of a pair is its share in all assignments. It is
found by message passing, which is exact where the pairs make no rings and too sure of itself where
they do; parts with rings are counted out, column by column: of the rows in use only those are told
apart that a later column may want, and ways of next to no weight are dropped.

References
----------
.. [1] Williams and Lau 2014, Approximate evaluation of marginal association probabilities with
       belief propagation, IEEE Transactions on Aerospace and Electronic Systems 50(4):2942-2959.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import (
    connected_components,
    min_weight_full_bipartite_matching,
    reverse_cuthill_mckee,
)

from glademark.contracts.frames import FloatArray, IntArray

__all__ = [
    "Pairs",
    "by_messages",
    "chances",
    "counted_out",
    "from_messages",
    "most_likely",
    "offered",
    "settled",
]


SLOTS_MAX = 60
"""Rows that can be kept in mind at a time: bits of a whole number."""

ORDERED_FROM = 24
"""Smaller parts are counted out in any order: finding a good one takes longer."""

WAYS_MAX = 4096
"""Ways that are kept at each step; the heaviest where there are more."""

DROPPED = 1e-9
"""Ways with less than this share of the heaviest one's weight are dropped."""

SWEEPS_MAX = 400
"""Rounds of message passing; far more than it takes."""

CLOSE = 1e-7
"""Change of a message below which it has settled."""

BATCH_PAIRS = 4000
"""Parts are solved together up to about so many pairs: the solver's time grows with the square."""

ROUNDS_MAX = 2000
"""Rounds in which the worth of members settles; as many as the longest chain of rivals."""

SLACK_MAX = 8.0
"""A pair counts where some assignment with it may be exp(-8), 1 in 3,000, as likely as the best."""

SLACKS = (SLACK_MAX, 6.0, 4.5, 3.5, 2.5)
"""Parts that are too large to be counted out are tried again with fewer of their pairs."""

LOG_ODDS_MAX = 60.0
"""Log odds beyond this are as good as certain, and safe to raise."""

_SWAP_PAIRS = 4  # the least ring: two rows that each may have either of two columns


@dataclass(frozen=True, kw_only=True, slots=True)
class _Step:
    """One column taken: alone, or with one of its rows."""

    weight: FloatArray  # of each way before
    target: IntArray  # way that each goes on to: those of the column alone, then those of each pair
    link: IntArray  # the column's pairs
    origin: list[IntArray]  # ways from which each pair is open


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


@dataclass(frozen=True, kw_only=True, slots=True)
class Pairs:
    """Pairs that may belong together."""

    row: IntArray
    column: IntArray  # row and column: members of each pair, shape (pairs,)
    rows: int
    columns: int  # rows and columns: how many there are on either side

    def by_row(self, values: FloatArray) -> FloatArray:
        """Sums over the pairs of each row."""
        return np.asarray(np.bincount(self.row, values, self.rows), dtype=np.float64)

    def by_column(self, values: FloatArray) -> FloatArray:
        """Sums over the pairs of each column."""
        return np.asarray(np.bincount(self.column, values, self.columns), dtype=np.float64)

    def only(self, wanted: npt.NDArray[np.bool_] | IntArray) -> "Pairs":
        """Some of the pairs, of the same rows and columns."""
        return Pairs(
            row=self.row[wanted],
            column=self.column[wanted],
            rows=self.rows,
            columns=self.columns,
        )

    def parts(self) -> IntArray:
        """Number of the connected part that each pair belongs to."""
        size = self.rows + self.columns
        links = (np.ones(len(self.row)), (self.row, self.rows + self.column))
        _, part = connected_components(coo_array(links, shape=(size, size)), directed=False)
        return np.asarray(part[self.row], dtype=np.intp)


def chances(pairs: Pairs, log_odds: FloatArray, chosen: npt.NDArray[np.bool_]) -> FloatArray:
    """
    Chance of each pair.

    Examples
    --------
    >>> pairs = Pairs(row=np.array([0, 0]), column=np.array([0, 1]), rows=1, columns=2)
    >>> chances(pairs, np.log([3.0, 1.0]), np.array([True, False])).round(3).tolist()
    [0.6, 0.2]
    """
    chance = np.zeros(len(log_odds))
    if not chance.size:
        return chance
    odds = np.exp(np.minimum(log_odds, LOG_ODDS_MAX))
    short = slack(pairs, log_odds, chosen)
    open_still = np.flatnonzero(short < SLACK_MAX)
    for most in SLACKS:
        kept = open_still[short[open_still] < most]
        chance[open_still] = 0.0
        chance[kept] = _of_chains(pairs, odds, kept)
        uncounted = [np.zeros(0, dtype=np.intp)]
        rings = parts_with_rings(pairs.only(kept))
        swaps = [kept[part] for part in rings if len(part) == _SWAP_PAIRS]
        if swaps:
            at = np.stack(swaps)
            chance[at] = _of_swaps(pairs, odds, at)
        for part in rings:
            if len(part) == _SWAP_PAIRS:
                continue
            at = kept[part]
            found = counted_out(pairs.row[at], pairs.column[at], odds[at])
            if found is None:
                uncounted.append(at)
            else:
                chance[at] = found
        open_still = np.concatenate(uncounted)
        if not open_still.size:
            break
    return chance


def _of_swaps(pairs: Pairs, odds: FloatArray, at: IntArray) -> FloatArray:
    """Chances in parts of two rows and two columns: 1 + w + x + y + z + wz + xy ways."""
    order = np.lexsort((pairs.column[at], pairs.row[at]))
    sorted_at = np.take_along_axis(at, order, axis=1)
    alone = odds[sorted_at]
    both = alone * (1 + alone[:, ::-1])  # the pair, alone or with the one of the other two
    ways = 1 + alone.sum(axis=1) + alone[:, 0] * alone[:, 3] + alone[:, 1] * alone[:, 2]
    found = np.empty(at.shape)
    np.put_along_axis(found, order, both / ways[:, None], axis=1)
    return found


def _of_chains(pairs: Pairs, odds: FloatArray, kept: IntArray) -> FloatArray:
    """Chance of some pairs by messages: exact for those in no ring."""
    some = pairs.only(kept)
    return from_messages(some, odds[kept], settled(some, odds[kept]))


def slack(pairs: Pairs, log_odds: FloatArray, chosen: npt.NDArray[np.bool_]) -> FloatArray:
    """By how much, at least, the best assignment with a pair falls short of the best one."""
    turned = Pairs(row=pairs.column, column=pairs.row, rows=pairs.columns, columns=pairs.rows)
    worth = [_least_worth(one, log_odds, chosen) for one in (pairs, turned)]
    first = worth[0][0][pairs.row] + worth[0][1][pairs.column]
    second = worth[1][1][pairs.row] + worth[1][0][pairs.column]
    return np.asarray(np.maximum((first + second) / 2 - log_odds, 0.0))


def _least_worth(
    pairs: Pairs, log_odds: FloatArray, chosen: npt.NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray]:
    """What rows and columns add to the likeliest assignment, the columns as little as can be."""
    mate = np.full(pairs.rows, -1)
    gain = np.zeros(pairs.rows)
    mate[pairs.row[chosen]] = pairs.column[chosen]
    gain[pairs.row[chosen]] = log_odds[chosen]
    order = np.argsort(pairs.column, kind="stable")
    by_column, by_row, worth = pairs.column[order], pairs.row[order], log_odds[order]
    here, first = np.unique(by_column, return_index=True)
    column = np.zeros(pairs.columns)
    for _ in range(ROUNDS_MAX):
        row = np.where(mate >= 0, gain - column[mate], 0.0)
        last, column = column, np.zeros(pairs.columns)
        if here.size:
            column[here] = np.maximum(np.maximum.reduceat(worth - row[by_row], first), 0.0)
        if np.abs(column - last).max(initial=0.0) < CLOSE:
            break
    return np.where(mate >= 0, gain - column[mate], 0.0), column


def settled(
    pairs: Pairs,
    odds: FloatArray,
    *,
    start: FloatArray | None = None,
    sweeps: int = SWEEPS_MAX,
    close: float = CLOSE,
) -> FloatArray:
    """Messages of columns to rows: how free each column is for the row."""
    free = np.ones_like(odds) if start is None else start
    for _ in range(sweeps):
        _, asked = offered(pairs, odds, free)
        others = np.maximum(pairs.by_column(asked)[pairs.column] - asked, 0.0)
        last, free = free, 1 / (1 + others)
        if np.abs(free - last).max(initial=0.0) < close:
            break
    return free


def offered(pairs: Pairs, odds: FloatArray, free: FloatArray) -> tuple[FloatArray, FloatArray]:
    """
    What the columns offer each row, and what each row asks of its columns.

    Returns
    -------
    rows
        Sum over the pairs of each row, shape (rows,).
    asked
        Messages of rows to columns, shape (pairs,).
    """
    offer = odds * free
    rows = pairs.by_row(offer)
    return rows, odds / np.maximum(1 + rows[pairs.row] - offer, 1.0)


def by_messages(
    pairs: Pairs,
    log_odds: FloatArray,
    *,
    start: FloatArray | None = None,
    close: float = CLOSE,
) -> tuple[FloatArray, FloatArray]:
    """Chance of each pair by message passing."""
    odds = np.exp(np.minimum(log_odds, LOG_ODDS_MAX))
    free = settled(pairs, odds, start=start, close=close)
    return from_messages(pairs, odds, free), free


def from_messages(pairs: Pairs, odds: FloatArray, free: FloatArray) -> FloatArray:
    """Chance of each pair by what the messages say."""
    offer = odds * free
    return np.asarray(offer / (1 + pairs.by_row(offer)[pairs.row]))


def most_likely(pairs: Pairs, log_odds: FloatArray) -> npt.NDArray[np.bool_]:
    """
    Pairs of the most likely one-to-one assignment.

    Examples
    --------
    >>> pairs = Pairs(row=np.array([0, 0, 1]), column=np.array([0, 1, 0]), rows=2, columns=2)
    >>> most_likely(pairs, np.array([5.0, 4.0, 4.0])).tolist()  # 4 + 4 beats 5
    [False, True, True]
    """
    chosen = np.zeros(len(pairs.row), dtype=bool)
    worth = np.flatnonzero(log_odds > 0)  # the others are better left alone
    while worth.size:
        sure = worth[_undisputed(pairs.only(worth), log_odds[worth])]
        if not sure.size:
            break
        chosen[sure] = True
        taken_row = np.isin(pairs.row[worth], pairs.row[sure])
        taken_column = np.isin(pairs.column[worth], pairs.column[sure])
        worth = worth[~taken_row & ~taken_column]
    part = pairs.only(worth).parts()
    size = np.bincount(part)
    batch = np.cumsum(size)[part] // BATCH_PAIRS  # parts are solved some at a time
    order = np.argsort(batch, kind="stable")
    for some in np.split(worth[order], np.flatnonzero(np.diff(batch[order])) + 1):
        if some.size:
            chosen[some] = _assigned(pairs.row[some], pairs.column[some], log_odds[some])
    return chosen


def _undisputed(pairs: Pairs, log_odds: FloatArray) -> npt.NDArray[np.bool_]:
    """Pairs that are worth as much as the best others of both members together: surely chosen."""
    others = _best_other(pairs.row, log_odds) + _best_other(pairs.column, log_odds)
    return np.asarray(log_odds > others)


def _best_other(member: IntArray, worth: FloatArray) -> FloatArray:
    """Largest worth among the other pairs of each pair's member; 0 where there is none."""
    order = np.lexsort((worth, member))
    of, value = member[order], worth[order]
    last = np.append(of[1:] != of[:-1], True)
    below = np.where(np.append(True, of[1:] != of[:-1]), 0.0, np.append(0.0, value[:-1]))
    place = np.flatnonzero(last)
    top = np.repeat(place, np.diff(np.append(-1, place)))
    other = np.where(last, below, value[top])
    result = np.empty_like(other)
    result[order] = other
    return result


def _assigned(row: IntArray, column: IntArray, worth: FloatArray) -> npt.NDArray[np.bool_]:
    """Pairs of the assignment of largest worth; each row may also stay alone."""
    own_row, at_row = np.unique(row, return_inverse=True)
    own_column, at_column = np.unique(column, return_inverse=True)
    rows, columns = len(own_row), len(own_column)
    top = float(worth.max()) + 1.0
    alone = np.arange(rows)
    ends = np.concatenate([at_row, alone]), np.concatenate([at_column, columns + alone])
    cost = np.concatenate([top - worth, np.full(rows, top)])
    table = coo_array((cost, ends), shape=(rows, columns + rows)).tocsr()
    at, mate = min_weight_full_bipartite_matching(table)
    taken = np.full(rows, -1)
    taken[at] = mate
    return np.asarray(taken[at_row] == at_column)


def parts_with_rings(pairs: Pairs) -> list[IntArray]:
    """Connected parts in which a chain of rivals comes back to its start."""
    if not pairs.row.size:
        return []
    part = pairs.parts()
    order = np.argsort(part, kind="stable")
    number, first, links = np.unique(part[order], return_index=True, return_counts=True)
    members = _members(part, pairs.row)[number] + _members(part, pairs.column)[number]
    wanted = links >= members
    places = zip(first[wanted].tolist(), links[wanted].tolist(), strict=True)
    return [order[start : start + count] for start, count in places]


def _members(part: IntArray, member: IntArray) -> IntArray:
    """How many different members each part has."""
    _, first = np.unique(member, return_index=True)
    return np.bincount(part[first], minlength=int(part.max()) + 1)
