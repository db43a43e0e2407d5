"""
What sparing trees has to bring about: one need for each thing that is beyond its limit.

Every need is monotone: what a set of spared trees brings about, more trees bring about as well. So
a set that falls short proves that one of the trees outside it has to be spared, and each need says
how much each of them can do about it: a row that every answer keeps.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from glademark.advice.cover import LostArea, Row
from glademark.advice.spared_holes import Spared


class Need(Protocol):
    """
    One thing that is beyond its limit.

    Attributes
    ----------
    limit
        Key of the limit.
    feature
        What it speaks of, as in the checks.
    trees
        Marks that may be spared and would help.
    """

    @property
    def limit(self) -> str:
        """Key of the limit."""

    @property
    def feature(self) -> str:
        """What it speaks of."""

    @property
    def trees(self) -> Spared:
        """Marks that may be spared and would help."""

    def short(self, spared: Spared) -> float:
        """How much is still missing."""

    def rows(self) -> tuple[Sequence[Row], Sequence[LostArea]]:
        """Rows that every answer keeps, known from the start."""

    def cuts(self, spared: Spared) -> Sequence[Row]:
        """Rows that every answer keeps and that these trees do not."""

    def rough_cuts(self, spared: Spared) -> Sequence[Row]:
        """Those rows of them that say what each other tree does, for a greedy choice."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Amount:
    """
    An amount of which enough must be spared: volume, basal area, or single trees.

    Attributes
    ----------
    limit, feature
        As for `Need`.
    weights
        What each mark gives.
    least
        What all spared must give.
    """

    limit: str
    feature: str
    weights: Mapping[int, float]
    least: float

    @property
    def trees(self) -> Spared:
        """Marks that give anything."""
        return frozenset(self.weights)

    def short(self, spared: Spared) -> float:
        """Amount still missing."""
        return self.least - sum(self.weights.get(tree, 0.0) for tree in sorted(spared))

    def rows(self) -> tuple[Sequence[Row], Sequence[LostArea]]:
        """The one row that says it all."""
        return [Row(weights=self.weights, least=self.least)], []

    def cuts(self, spared: Spared) -> Sequence[Row]:
        """What is missing, from the others."""
        missing = self.short(spared)
        others = {tree: w for tree, w in self.weights.items() if tree not in spared}
        return [capped(others, missing)]

    def rough_cuts(self, spared: Spared) -> Sequence[Row]:
        """The same."""
        return self.cuts(spared)


def capped(gains: Mapping[int, float], missing: float) -> Row:
    """Row that says that trees must make up for what is missing."""
    weights = {tree: min(gain / missing, 1.0) for tree, gain in gains.items() if gain > 0}
    return Row(weights=weights, least=1.0)


def widest_short(need: Need, spared: Spared, trees: Sequence[int]) -> Spared:
    """As many trees as can be spared while the need is still not met."""
    wide = spared
    for tree in trees:
        more = wide | {tree}
        if need.short(more) > 0:
            wide = more
    return wide
