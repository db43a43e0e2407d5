"""
Stumps matched to the trees that were known before the cut: the likeliest assignment, and how sure.

The shares of trees that were cut, the number of stumps of other trees, the shift that a day's
positions have in common and the size of the position errors are estimated together with the match
itself, in turns (expectation and maximisation): given the chances of pairs, the shares follow;
given the shares, the chances.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import logit

from glademark.comparison.association import (
    LOG_ODDS_MAX,
    Pairs,
    chances,
    from_messages,
    most_likely,
    settled,
)
from glademark.comparison.averaging import Complete, averaged, log_ways, third_cumulant, variance
from glademark.comparison.likeness import (
    ODD_SHARE,
    Beliefs,
    Shifts,
    candidate_pairs,
    diameter_log_ratio,
    edge_log_ratio,
    first_shifts,
    marks_log_ratio,
    no_shifts,
    refined_shifts,
    spread_m,
    with_odd,
)
from glademark.contracts.frames import FloatArray

__all__ = ["Match", "Rates", "Settings", "match_stumps"]

ROUNDS_MAX = 200
"""Turns of the estimate; a stand takes 10 to 50."""

SWEEPS_A_ROUND = 12
"""Rounds of message passing between two turns; the messages are kept from turn to turn."""

SETTLED = 1e-5
"""Relative change of the rates below which they have settled."""

WORTH_LOG_ODDS = np.log(1e-5)
"""Pairs with smaller odds than this are left out."""

SCALE_RANGE = (0.3, 4.0)
"""Factor by which stated position errors may prove wrong."""

SCALE_PAIRS_MIN = 30.0
"""With fewer matched trees, the stated errors stand, and the usual share of odd diameters."""

ODD_MIN = 1e-6
"""Share of diameters read or written wrong where the records show none."""

ODD_GAIN = 2.0
"""Wrong diameters are held to be shown where they make the records exp(2), 7 times, likelier."""

_RESEARCH = 1.1  # change of scale that makes a new search for pairs worth it
_SEARCHES_MAX = 6
_FIRST_CUT_SHARE, _FIRST_OTHER_SHARE = 0.9, 0.05
_FIRST_UNMARKED_SHARE = 0.05
_HALF = 0.5
_NEARLY = 1e-3  # change of the rates that does to see whether diameters are odd
_ROUGH = 1e-4  # change of a message that does for the likelihood, which is flat about its end
_TINY = 1e-9
_ADDED = 0.1  # trees added to either side of a share, so that none is 0 or 1


@dataclass(frozen=True, kw_only=True, slots=True)
class Settings:
    """How stumps are matched."""

    beliefs: Beliefs = Beliefs()  # noqa: RUF009 - frozen
    """Errors of the records."""
    adjust_error: bool = True
    """Whether the size of the position errors is estimated; else it is as stated."""
    adjust_shift: bool = True
    """Whether shifts that a day's positions have in common are estimated and taken out."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Rates:
    """What holds over the whole stand."""

    cut_share: FloatArray  # share of the trees of each class that was cut, shape (classes,)
    unmarked_per_m2: FloatArray
    """Stumps of other trees on each kind of ground [1/m2], shape (kinds,)."""
    scale: float  # size of the position errors against what was stated
    shifts: Shifts  # of the positions, by day
    odd_share: float = ODD_SHARE  # share of diameters that were read or written wrong


@dataclass(frozen=True, kw_only=True, slots=True)
class Match:
    """Stumps matched to trees."""

    pairs: Pairs  # trees (rows) and stumps (columns) that may belong together
    log_odds: FloatArray  # of each pair, against both being alone
    chance: FloatArray  # of each pair
    chosen: npt.NDArray[np.bool_]  # whether the pair is in the likeliest assignment
    rates: Rates  # what was estimated on the way
    distance_m: FloatArray  # of each pair, shifts taken out [m]

    @property
    def tree_chance(self) -> FloatArray:
        """Chance of each tree to have one of the stumps."""
        return self.pairs.by_row(self.chance)

    @property
    def stump_chance(self) -> FloatArray:
        """Chance of each stump to be of one of the trees."""
        return self.pairs.by_column(self.chance)

    def variance(self, values: FloatArray) -> tuple[float, float]:
        """Variance of a sum over the pairs that hold, and its covariance with their number."""
        return variance(self.pairs, self.log_odds, values)

    def third_cumulant(self, values: FloatArray) -> float:
        """Third cumulant of a sum over the pairs that hold."""
        return third_cumulant(self.pairs, self.log_odds, values)


def match_stumps(
    trees: pd.DataFrame,
    stumps: pd.DataFrame,
    *,
    ground_m2: npt.ArrayLike,
    settings: Settings = Settings(),
    known: Rates | None = None,
) -> Match:
    """
    The likeliest one-to-one assignment of stumps to trees, and the chance of every pair.

    Parameters
    ----------
    trees
        Known before the cut, on an index 0..n-1: `x`, `y`, `error_m` [m], `species`, `dbh_cm`,
        `to_cut` (bool), `class` (0, 1, ...: trees of one class were cut in equal shares), `day` (0,
        1, ...: positions taken together), `looked_at` (chance that its stump would have been seen).
        `edge_m`, where given: distance to the edge of the ground, beyond which trees are neither
        marked nor cut [m]; negative beyond it, NaN where no edge is known.
    stumps
        On an index 0..m-1: `x`, `y`, `error_m` [m], `species`, `dbh_cm`, `low_mark`, `ground` (0,
        1, ...: kind of ground), `day`, and `edge_m` as of trees, common shifts taken out.
    ground_m2
        Size of each kind of ground that was walked [m2].
    """
    ground = np.maximum(np.atleast_1d(np.asarray(ground_m2, dtype=float)), 1.0)
    if known is None:
        rates = _first_rates(trees, stumps, ground, settings)
        for _ in range(_SEARCHES_MAX):
            searched = rates.scale
            case = _Case.of(trees, stumps, ground, settings, rates)
            rates, messages = _estimated(case, rates)
            if max(rates.scale / searched, searched / rates.scale) < _RESEARCH:
                break
    else:
        rates = known
        case = _Case.of(trees, stumps, ground, settings, rates)
    log_odds = case.log_odds(rates)
    chosen = most_likely(case.pairs, log_odds)
    chance = chances(case.pairs, log_odds, chosen)
    if known is None:
        complete = case.complete(rates)
        chance = averaged(case.pairs, log_odds, chance, complete=complete, start=messages)
        rates = _shares(case, rates, chance)
        log_odds = case.log_odds(rates)
    return Match(
        pairs=case.pairs,
        log_odds=log_odds,
        chance=chance,
        chosen=chosen,
        rates=rates,
        distance_m=np.hypot(*case.difference(rates.shifts).T),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class _Case:
    """Pairs to be weighed, with all that does not change from turn to turn."""

    pairs: Pairs
    fixed: FloatArray
    diameter: FloatArray
    stated_m: FloatArray
    way: FloatArray
    tree_class: npt.NDArray[np.intp]
    tree_day: npt.NDArray[np.intp]
    looked_at: FloatArray
    stump_ground: npt.NDArray[np.intp]
    stump_day: npt.NDArray[np.intp]
    ground_m2: FloatArray
    settings: Settings

    @classmethod
    def of(
        cls,
        trees: pd.DataFrame,
        stumps: pd.DataFrame,
        ground: FloatArray,
        settings: Settings,
        rates: Rates,
    ) -> "_Case":
        """Pairs near enough and alike enough to be worth weighing."""
        pairs = candidate_pairs(
            _moved_back(trees, rates.shifts.tree),
            _moved_back(stumps, rates.shifts.stump),
            scale=rates.scale,
        )
        way = stumps[["x", "y"]].to_numpy()[pairs.column] - trees[["x", "y"]].to_numpy()[pairs.row]
        case = cls(
            pairs=pairs,
            fixed=marks_log_ratio(trees, stumps, pairs, beliefs=settings.beliefs)
            + edge_log_ratio(trees, stumps, pairs, scale=rates.scale),
            diameter=diameter_log_ratio(trees, stumps, pairs, beliefs=settings.beliefs),
            stated_m=spread_m(trees, stumps, pairs),
            way=way,
            tree_class=trees["class"].to_numpy(np.intp),
            tree_day=trees["day"].to_numpy(np.intp),
            looked_at=trees["looked_at"].to_numpy(float),
            stump_ground=stumps["ground"].to_numpy(np.intp),
            stump_day=stumps["day"].to_numpy(np.intp),
            ground_m2=ground,
            settings=settings,
        )
        worth = case.log_odds(_generous(rates, len(stumps), ground)) > WORTH_LOG_ODDS
        return replace(
            case,
            pairs=pairs.only(worth),
            fixed=case.fixed[worth],
            diameter=case.diameter[worth],
            stated_m=case.stated_m[worth],
            way=way[worth],
        )

    def difference(self, shifts: Shifts) -> FloatArray:
        """From tree to stump, shifts taken out [m]."""
        tree, stump = self.tree_day[self.pairs.row], self.stump_day[self.pairs.column]
        return self.way - shifts.between(tree, stump)

    def log_odds(self, rates: Rates) -> FloatArray:
        """Log odds of each pair against both being alone."""
        spread = self.stated_m * rates.scale
        square = (self.difference(rates.shifts) ** 2).sum(axis=1)
        place = -0.5 * square / spread**2 - np.log(2 * np.pi * spread**2)
        share = rates.cut_share[self.tree_class]
        cut = np.log(share) - np.log1p(-share * self.looked_at)
        other = np.log(rates.unmarked_per_m2)[self.stump_ground]
        seen = self.fixed + with_odd(self.diameter, rates.odd_share)
        return np.asarray(seen + place + cut[self.pairs.row] - other[self.pairs.column])

    def complete(self, rates: Rates) -> Complete:
        """What the rates would be told by, if it were known which pairs hold."""
        share = np.clip(rates.cut_share, _TINY, 1 - _TINY)
        seen = share[self.tree_class] * self.looked_at
        return Complete(
            log_odds_cut=logit(seen),
            stumps=self.pairs.columns,
            unmarked=float(rates.unmarked_per_m2 @ self.ground_m2),
            added=_ADDED,
            typical_cut=logit(share),
            rates_unmarked=len(self.ground_m2),
        )


def _moved_back(points: pd.DataFrame, shift: FloatArray) -> pd.DataFrame:
    """Positions with the shift of their day taken out."""
    back = points[["x", "y"]].to_numpy() - shift[points["day"].to_numpy(np.intp)]
    return points.assign(x=back[:, 0], y=back[:, 1])


def _generous(rates: Rates, stumps: int, ground: FloatArray) -> Rates:
    """Rates under which a pair is likelier than it will prove to be."""
    few = np.full(len(ground), 0.02 * max(stumps, 1) / ground.sum())
    often = np.full_like(rates.cut_share, 0.9)
    odd = max(rates.odd_share, ODD_SHARE)
    return replace(rates, unmarked_per_m2=few, cut_share=often, odd_share=odd)


def _first_rates(
    trees: pd.DataFrame, stumps: pd.DataFrame, ground: FloatArray, settings: Settings
) -> Rates:
    """Rates to begin with."""
    classes = int(trees["class"].max()) + 1 if len(trees) else 1
    to_cut = pd.Series(trees["to_cut"].to_numpy(float)).groupby(trees["class"].to_numpy()).mean()
    mostly = to_cut.reindex(range(classes), fill_value=1.0).to_numpy() > _HALF
    unmarked = np.full(len(ground), _FIRST_UNMARKED_SHARE * max(len(stumps), 1) / ground.sum())
    shifts = no_shifts(trees["day"], stumps["day"])
    if settings.adjust_shift:
        shifts = first_shifts(trees, stumps, beliefs=settings.beliefs)
    return Rates(
        cut_share=np.where(mostly, _FIRST_CUT_SHARE, _FIRST_OTHER_SHARE),
        unmarked_per_m2=unmarked,
        scale=1.0,
        shifts=shifts,
    )


def _estimated(case: _Case, rates: Rates) -> tuple[Rates, FloatArray]:
    """Rates that fit the chances they lead to, without odd diameters where none are shown."""
    messages = np.ones(len(case.pairs.row))
    with_them, messages = _turned(case, rates, messages, close=_NEARLY)
    if with_them.odd_share <= ODD_MIN:
        return _turned(case, with_them, messages)
    none = replace(with_them, odd_share=ODD_MIN)
    gain = _log_ways(case, with_them, messages) - _log_ways(case, none, messages)
    few = with_them.odd_share == ODD_SHARE  # too few pairs to tell
    kept = with_them if few or gain > ODD_GAIN else none
    return _turned(case, kept, messages)


def _log_ways(case: _Case, rates: Rates, messages: FloatArray) -> float:
    """How likely the records are, but for what does not depend on the pairs."""
    odds = np.exp(np.minimum(case.log_odds(rates), LOG_ODDS_MAX))
    return log_ways(case.pairs, odds, settled(case.pairs, odds, start=messages, close=_ROUGH))


def _turned(
    case: _Case, rates: Rates, messages: FloatArray, *, close: float = SETTLED
) -> tuple[Rates, FloatArray]:
    """Rates and chances in turns until they have settled, with the last messages."""
    for _ in range(ROUNDS_MAX):
        odds = np.exp(np.minimum(case.log_odds(rates), LOG_ODDS_MAX))
        messages = settled(case.pairs, odds, start=messages, sweeps=SWEEPS_A_ROUND)
        chance = from_messages(case.pairs, odds, messages)
        last, rates = rates, _better(case, rates, chance)
        if _moved(last, rates) < close:
            break
    return rates, messages


def _better(case: _Case, rates: Rates, chance: FloatArray) -> Rates:
    """Rates that fit given chances of pairs."""
    shifts, scale = rates.shifts, rates.scale
    if case.settings.adjust_shift:
        stated = case.stated_m * scale
        shifts = refined_shifts(
            shifts,
            case.way,
            weight=chance / stated**2,
            tree_day=case.tree_day[case.pairs.row],
            stump_day=case.stump_day[case.pairs.column],
        )
    if case.settings.adjust_error and chance.sum() >= SCALE_PAIRS_MIN:
        square = (case.difference(shifts) ** 2).sum(axis=1) / case.stated_m**2
        scale = float(np.clip(np.sqrt(chance @ square / (2 * chance.sum())), *SCALE_RANGE))
    return replace(
        _shares(case, rates, chance),
        scale=scale,
        shifts=shifts,
        odd_share=_odd_share(case, rates.odd_share, chance),
    )


def _shares(case: _Case, rates: Rates, chance: FloatArray) -> Rates:
    """Shares of trees cut and stumps of other trees that fit given chances of pairs."""
    matched = case.pairs.by_row(chance)
    share = rates.cut_share[case.tree_class]
    unseen = share * (1 - case.looked_at) / (1 - share * case.looked_at)
    cut = matched + (1 - matched) * unseen
    classes, kinds = len(rates.cut_share), len(case.ground_m2)
    trees = np.bincount(case.tree_class, minlength=classes)
    of_class = np.minimum(np.bincount(case.tree_class, cut, classes), trees)  # counted chances err
    alone = np.maximum(1 - case.pairs.by_column(chance), 0.0)
    other = np.bincount(case.stump_ground, alone, kinds) + _ADDED
    return replace(
        rates,
        cut_share=(of_class + _ADDED) / (trees + 2 * _ADDED),
        unmarked_per_m2=other / case.ground_m2,
    )


def _odd_share(case: _Case, last: float, chance: FloatArray) -> float:
    """Share of the diameters of matched stumps that were read or written wrong."""
    if last <= ODD_MIN:
        return last
    known = ~np.isnan(case.diameter)
    read = float(chance[known].sum())
    if read < SCALE_PAIRS_MIN:
        return last
    odd = np.exp(np.log(last) - with_odd(case.diameter[known], last))
    return float(np.clip(chance[known] @ odd / read, ODD_MIN, _HALF))


def _moved(last: Rates, rates: Rates) -> float:
    """Largest relative change of a rate."""
    before, after = (
        np.concatenate([one.cut_share, one.unmarked_per_m2, [one.scale, 1 + one.odd_share]])
        for one in (last, rates)
    )
    return float(np.abs(after / before - 1).max())
