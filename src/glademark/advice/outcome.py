"""
The search for the smallest set of trees to leave standing, and what the advice says of it.

A relaxed program is solved, what it says is measured, what it missed is added. Each row that is
added holds for every answer, so that the program's own bound is a bound on all answers, and a set
that it proposes and that measures inside every limit is the smallest. Said are the trees, the wood
given up, the proof, and limits before and after.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from glademark.advice.beyond import Ground
from glademark.advice.needs import Need
from glademark.advice.program import Answer, LostArea, Program, Row, solve, with_all
from glademark.advice.spared_holes import Spared
from glademark.contracts.frames import FloatArray
from glademark.contracts.layers import LEAVE_STANDING
from glademark.errors import counted
from glademark.judge.limits import Case

RESTS_ON = (
    "It rests on crowns and positions as recorded; both are uncertain, so look at the trees before "
    "you change any paint."
)
"""What every proof has to say of itself."""

EDGE_WARNING = (
    "Trees left on the edge of an opening lose the neighbours they leaned on: wind, sun and snow "
    "may take them, so look at each before you choose it."
)

NO_CUT, WHOLE, EDGE = "no-cut ground", "whole group", "edge of a group"
INSIDE, SINGLE = "tree of a group", "single tree"
"""As what a mark is left standing; the first ones are spared whatever the rule for groups."""

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
class Proof:
    """How far the search got for limits that hang together."""

    limits: tuple[str, ...]  # limit and feature of each
    trees: int  # trees spared for them
    cost: float  # by the first measure: trees, or wood
    least: float  # no set costs less
    proved: bool  # whether the set is the smallest by every measure
    found: bool  # whether there is a set at all

    @property
    def words(self) -> str:
        """The proof in words."""
        if not self.found:
            return "no set found"
        if self.proved:
            return "proved smallest"
        least = math.ceil(self.least - 1e-6) if math.isfinite(self.least) else 0
        whole = float(self.cost).is_integer()
        shown = (f"{max(least, 0)}", f"{self.cost:.0f}")
        if not whole:
            shown = (f"{max(self.least, 0.0):.3f}", f"{self.cost:.3f}")
        return f"at least {shown[0]}, found {shown[1]}"


@dataclass(frozen=True, kw_only=True, slots=True)
class Unmended:
    """A limit that stays exceeded whatever is spared."""

    limit: str
    subject: str  # limit and subject: as in the checks
    reason: str  # in words
    trees: tuple[str, ...] = ()  # ids of the trees that stand in the way


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Advice:
    """Which marks to leave standing, and what that brings."""

    by: str  # what is least: trees or volume
    groups: str  # how groups were touched: ``whole``, ``edge_trees`` or ``free``
    wood: str
    """What volume was compared by: solid volume, or basal area where that is not known of all."""
    leave_standing: gpd.GeoDataFrame
    """Marks to leave standing: columns of `contracts.layers.LEAVE_STANDING`."""
    given_up: pd.DataFrame  # by product: `product`, `unit`, `trees`, `net`, `m3`
    before: pd.DataFrame
    after: pd.DataFrame
    """before and after: checks of the layout as marked, and measured and judged again with the
    marks left standing."""
    proofs: tuple[Proof, ...]  # one a group of limits that hang together
    unmended: tuple[Unmended, ...]  # limits that stay exceeded
    broken: tuple[str, ...]  # keys of limits that were met and could not be kept
    spared: Spared  # positions of the marks
    edge_trees: "Advice | None" = None
    """What trees on the edges of groups could do, where groups stay whole."""
    notes: tuple[str, ...] = ()  # what else has to be done where a group stays as a whole

    @property
    def has_groups(self) -> bool:
        """Whether a group, or a tree of one, is left standing beyond no-cut ground."""
        return bool(self.leave_standing["left_as"].isin([WHOLE, EDGE, INSIDE]).any())

    @property
    def touches_edges(self) -> bool:
        """Whether trees of groups that are cut are left standing, or could be."""
        if self.edge_trees is not None:
            return self.edge_trees.touches_edges
        return bool(self.leave_standing["left_as"].isin([EDGE, INSIDE]).any())

    @property
    def exceeded(self) -> pd.DataFrame:
        """Checks that were exceeded before."""
        return self.before[self.before["verdict"] == "exceeded"]

    @property
    def still_exceeded(self) -> pd.DataFrame:
        """Checks that are exceeded once the marks are left standing."""
        return self.after[self.after["verdict"] == "exceeded"]

    def again(self, row: Mapping[Any, Any]) -> tuple[float, str]:
        """
        What one check gives once the marks are left standing.

        Returns
        -------
        measured, verdict
            Of a combined opening that was parted, its largest part; NaN and met where nothing of it
            is left.
        """
        rows = self.after[self.after["limit"] == row["limit"]]
        found = rows[rows["subject"] == row["subject"]]
        if found.empty and row["layer"] == "combined_openings":
            numbers = set(str(row["feature"]).split(", "))
            inside = [numbers.issuperset(str(one).split(", ")) for one in rows["feature"]]
            found = rows[inside].sort_values("measured", ascending=False)
        if found.empty:
            return math.nan, "met"
        return float(found["measured"].iloc[0]), str(found["verdict"].iloc[0])

    @property
    def mended(self) -> bool:
        """Whether every limit that trees can mend is met again."""
        known = {(one.limit, one.subject) for one in self.unmended}
        left = self.still_exceeded
        rows = zip(left["limit"], left["subject"], strict=True)
        return all(row in known or row[0] in self.broken for row in rows)

    @property
    def passes(self) -> bool:
        """Whether nothing is exceeded any more."""
        return self.still_exceeded.empty


def leave_standing_layer(
    ground: Ground,
    spared: Spared,
    needs: Sequence[Need],
    *,
    first: Mapping[int, str],
    marked: gpd.GeoDataFrame,
) -> gpd.GeoDataFrame:
    """
    The marks to leave standing, those in no-cut ground first, then by opening and as read.

    `first` says the ground of each mark that is spared first; `marked` are the marks as they were.
    """
    trees = [*first, *sorted(spared)]
    marks = marked.iloc[trees]
    later = ground.case.layout.marks["opening"].iloc[sorted(spared)]
    why = [*first.values(), *(_mends(ground, needs, spared, tree) for tree in sorted(spared))]
    left_as = [NO_CUT] * len(first) + [_left_as(ground, spared, tree) for tree in sorted(spared)]
    frame = marks.assign(
        opening=pd.concat([marks["opening"].iloc[: len(first)], later]).array,
        left_as=pd.Series(left_as, index=marks.index, dtype=object),
        mends=pd.Series(why, index=marks.index, dtype=object),
        last=np.arange(len(trees)) >= len(first),
    )
    frame = frame.sort_values(["last", "opening"], kind="stable", ignore_index=True)
    return gpd.GeoDataFrame(frame[[*LEAVE_STANDING.names, "geometry"]], crs=ground.case.layout.crs)


def _left_as(ground: Ground, spared: Spared, tree: int) -> str:
    """As part of what a mark is left standing."""
    mine = [one for one in ground.holes.openings if tree in one.members]
    if not mine:
        return SINGLE
    if spared.issuperset(mine[0].members):
        return WHOLE
    return EDGE if ground.bonds.edge[tree] else INSIDE


def whole_group_notes(ground: Ground, spared: Spared) -> tuple[str, ...]:
    """What marks alone do not undo of a group that stays as a whole: outlines, trees on paper."""
    openings = ground.case.layout.openings
    trees = dict(zip(openings["opening"], openings["trees"].astype(int), strict=True))
    counts = ground.canopy.marks["count"]
    notes = []
    for one in ground.holes.openings:
        if not one.members or not spared.issuperset(one.members):
            continue
        if one.is_outline:
            notes.append(f"Take the outline of opening {one.number} out of the project as well.")
        on_map = int(counts.iloc[list(one.members)].sum())
        on_paper = trees[one.number] - on_map
        if on_paper > 0:
            notes.append(
                f"Opening {one.number} has {counted(on_paper, 'tree')} counted on paper as well, "
                "to be struck out of the tally."
            )
    return tuple(notes)


def radius_notes(case: Case, spared: Spared, *, is_stated: bool) -> tuple[str, ...]:
    """The standing crown that the advice rests on, where the marks left would make another."""
    marks, figures = case.layout.marks, case.layout.figures.openings
    left = marks[marks["kind"].isin(case.cut_kinds) & ~marks.index.isin(sorted(spared))]
    median = float(left["crown_radius_m"].median())
    same = math.isclose(median, figures.standing_crown_radius_m, rel_tol=1e-9)
    if is_stated or same or figures.count == 0 or left.empty:
        return ()
    stated = f"{figures.standing_crown_radius_m:.6g} m"
    note = (
        "Openings are measured with the standing crown of the marks as they were, of a radius of "
        f'{stated}. Put standing_crown_radius = "{stated}" under [openings]: the marks that '
        "are left would make another."
    )
    return (note,)


def _mends(ground: Ground, needs: Sequence[Need], spared: Spared, tree: int) -> str:
    """Limits that would be exceeded again without this tree, and those spared with it."""
    fewer = ground.bonds.without(spared, tree)
    names = [
        f"{need.limit} {need.feature}".strip()
        for need in needs
        if tree in need.trees and need.short(fewer) > 0
    ]
    return "; ".join(dict.fromkeys(names))


def wood_given_up(parts: pd.DataFrame, count: pd.Series, spared: Spared) -> pd.DataFrame:
    """
    Net volume of the spared trees by product, each in its sale unit.

    `product`, `unit`, `trees`, `net` (NaN where not known), `m3`; a tree with two products counts
    with each.
    """
    mine = parts[parts["tree"].isin(sorted(spared))]
    mine = mine.assign(trees=mine["tree"].map(count))
    rows = mine.groupby(["product", "unit"], sort=True)
    return pd.DataFrame(
        {
            "trees": rows["trees"].sum(),
            "net": rows["net"].sum(min_count=1),
            "m3": rows["m3"].sum(min_count=1),
        }
    ).reset_index()


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
