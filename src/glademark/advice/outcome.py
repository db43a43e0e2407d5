"""What the advice says: trees to leave standing, wood given up, proof, limits before and after."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from glademark.advice.beyond import Ground
from glademark.advice.needs import Need
from glademark.advice.spared_holes import Spared
from glademark.contracts.layers import LEAVE_STANDING
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
                f"Opening {one.number}: {on_paper} trees counted on paper are in it as well; "
                "strike them out of the tally."
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
