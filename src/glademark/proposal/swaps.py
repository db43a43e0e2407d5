"""Sets that differ from a good one by a tree at its border: taken in, left out, or exchanged."""

import numpy as np
from scipy.sparse import csr_array

from glademark.proposal.growth import Prices, unlike_rows
from glademark.proposal.stock import FloatArray, IntArray, sets_of

TRIED = 5
"""Trees taken in, and trees left out, that are tried for each set."""


def swapped(
    sets: csr_array,
    area_m2: FloatArray,
    links: csr_array,
    share_m2: FloatArray,
    prices: Prices,
    *,
    area_max_m2: float,
) -> csr_array:
    """The sets with their best changes at the border, as far as their ground may still fit."""
    net = prices.tree - prices.ground * share_m2
    per_area = net / share_m2
    made: list[IntArray] = []
    for row in range(sets.shape[0]):  # some dozens of sets a round, each with a border of its own
        members = sets.indices[sets.indptr[row] : sets.indptr[row + 1]].astype(np.intp)
        near = links[members]
        beside = np.setdiff1d(near.indices, members)
        into = beside[np.argsort(-per_area[beside], kind="stable")[:TRIED]]
        out = members[np.argsort(per_area[members], kind="stable")[:TRIED]]
        room = area_max_m2 - area_m2[row]
        made += [np.append(members, tree) for tree in into if share_m2[tree] <= room]
        made += [np.setdiff1d(members, [tree]) for tree in out]
        made += [
            np.append(np.setdiff1d(members, [old]), new)
            for new in into
            for old in out
            if share_m2[new] - share_m2[old] <= room and net[new] > net[old]
        ]
    if not made:
        return sets[:0]
    rows = np.repeat(np.arange(len(made)), [len(one) for one in made])
    changed = sets_of(rows, np.concatenate(made), (len(made), sets.shape[1]))
    changed.sort_indices()
    return changed[unlike_rows(changed)]
