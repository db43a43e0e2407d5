"""Stumps matched to trees: right where nothing errs, as right as can be where all does."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom

from glademark.comparison.association import Pairs
from glademark.comparison.likeness import Beliefs, seen_log_ratio
from glademark.comparison.matching import Match, Settings, match_stumps


def matched(stand: Any, **how: Any) -> Match:  # noqa: ANN401 - of the conftest
    """Match of a stand."""
    return match_stumps(stand.trees, stand.stumps, ground_m2=stand.ground_m2, **how)


@pytest.mark.parametrize("shift", [(0.0, 0.0), (4.0, -3.0)])
def test_without_error_every_stump_finds_its_tree(
    stand_of: Callable[..., Any], shift: tuple[float, float]
) -> None:
    """Exact positions, shifted together or not, are matched without a fault, and all are sure."""
    stand = stand_of(1, error_m=0.0, per_ha=250, shift=shift)
    match = matched(stand)

    assert stand.right(match) == 1.0
    assert (match.stump_chance[stand.truth < 0] < 0.01).all()
    assert (match.tree_chance < 0.01).sum() == len(stand.trees) - (stand.truth >= 0).sum()


@pytest.mark.parametrize(("error_m", "least"), [(1.0, 0.98), (2.0, 0.95), (3.0, 0.92), (5.0, 0.82)])
def test_as_many_are_right_as_with_known_rates(
    stand_of: Callable[..., Any], error_m: float, least: float
) -> None:
    """What has to be estimated on the way costs less than one match in a hundred."""
    stand = stand_of(3, error_m=error_m, trees=400, shift=(2.0, -1.5), unmarked=30)

    found, possible = stand.right(matched(stand)), stand.right(matched(stand, known=stand.known))

    assert found > possible - 0.01
    assert possible > least


def test_chances_mean_what_they_say(stand_of: Callable[..., Any]) -> None:
    """Of pairs with a chance of six in ten, about six in ten are right; so for every ten."""
    stands = [stand_of(seed, error_m=3.0) for seed in range(6)]
    matches = [matched(stand) for stand in stands]
    chance = np.concatenate([match.chance for match in matches])
    right = np.concatenate(
        [
            stand.truth[match.pairs.column] == match.pairs.row
            for stand, match in zip(stands, matches, strict=True)
        ]
    )
    group = np.digitize(chance, [0.05, 0.2, 0.4, 0.6, 0.8, 0.95])

    for one in range(1, 6):
        here = group == one
        low, high = binom.interval(0.999, here.sum(), chance[here].mean())
        assert low <= right[here].sum() <= high


def test_common_shift_is_found(stand_of: Callable[..., Any]) -> None:
    """A shift of 4 m at errors of 3 m is known within four of its standard errors."""
    stand = stand_of(5, error_m=3.0, shift=(4.0, 1.0))

    shifts = matched(stand).rates.shifts

    off = (shifts.stump - shifts.tree)[0] - stand.shift
    assert np.abs(off).max() < 4 * 3.0 / np.sqrt(480)


def test_two_days_have_their_own_shifts(stand_of: Callable[..., Any]) -> None:
    """What was walked on two days is put right day by day."""
    stand = stand_of(6, error_m=1.0)
    day = (stand.stumps["x"] > stand.stumps["x"].median()).astype(int)
    moved = stand.stumps.assign(day=day, x=stand.stumps["x"] + 3.0 * day)
    match = match_stumps(stand.trees, moved, ground_m2=stand.ground_m2)

    assert stand.right(match) > 0.97
    assert np.diff(match.rates.shifts.stump[:, 0])[0] == pytest.approx(3.0, abs=0.3)


def test_size_of_errors_is_found(stand_of: Callable[..., Any]) -> None:
    """Errors stated at half their size are seen to be twice as large."""
    stand = stand_of(7, error_m=2.0)
    trees, stumps = stand.trees.assign(error_m=1.0), stand.stumps.assign(error_m=1.0)

    match = match_stumps(trees, stumps, ground_m2=stand.ground_m2)
    stated = match_stumps(
        trees, stumps, ground_m2=stand.ground_m2, settings=Settings(adjust_error=False)
    )

    assert match.rates.scale == pytest.approx(2.0, rel=0.1)
    assert stated.rates.scale == 1.0


def test_low_marks_tell_where_places_cannot() -> None:
    """A low mark seen or missed moves the odds by its likelihood ratio, as a hand can compute."""
    tree = pd.DataFrame({"species": [""], "dbh_cm": [np.nan], "to_cut": [True]})
    stump = pd.DataFrame({"species": [""] * 3, "dbh_cm": np.nan, "low_mark": [1.0, 0.0, np.nan]})
    pairs = Pairs(row=np.zeros(3, np.intp), column=np.arange(3), rows=1, columns=3)

    ratio = np.exp(seen_log_ratio(tree, stump, pairs, beliefs=Beliefs()))

    assert ratio == pytest.approx([0.95 / 0.02, 0.05 / 0.98, 1.0])


def test_unmarked_wood_is_right_on_the_average(stand_of: Callable[..., Any]) -> None:
    """Hidden unmarked trees: over many stands their estimated volume is neither more nor less."""
    off = []
    for seed in range(24):
        stand = stand_of(100 + seed, trees=250, per_ha=100, unmarked=15)
        volume = (stand.stumps["dbh_cm"].to_numpy() / 30) ** 2.5
        alone = 1 - matched(stand).stump_chance
        off.append(alone @ volume - volume[stand.truth < 0].sum())

    error = np.std(off, ddof=1) / np.sqrt(len(off))
    assert abs(np.mean(off)) < 3 * error


def test_no_stumps_or_no_trees_are_no_error(stand_of: Callable[..., Any]) -> None:
    """An empty side leaves all of the other alone."""
    stand = stand_of(8, trees=20, unmarked=2)

    no_stumps = match_stumps(stand.trees, stand.stumps.iloc[:0], ground_m2=stand.ground_m2)
    no_trees = match_stumps(stand.trees.iloc[:0], stand.stumps, ground_m2=stand.ground_m2)

    assert no_stumps.tree_chance.tolist() == [0.0] * 20
    assert no_trees.stump_chance.tolist() == [0.0] * len(stand.stumps)


@pytest.mark.parametrize("seed", range(3))
def test_real_trees_with_a_known_cut(seed: int, mapped_data: Callable[[str], Any]) -> None:
    """On 504 mapped trees, half of them marked, the counts lie in intervals of 99.9 %.

    Data set `waka` of the R package spatstat.data (trees of Waka National Park, Gabon, 1 ha).
    """
    waka = mapped_data("waka")
    xy = np.column_stack([np.asarray(waka["x"]), np.asarray(waka["y"])]).astype(float)
    dbh = np.asarray(waka["marks"], dtype=float)
    rng = np.random.default_rng(seed)
    marked = rng.random(len(xy)) < 0.5
    cut = marked & (rng.random(len(xy)) < 0.95)
    others = rng.choice(np.flatnonzero(~marked), 12, replace=False)
    of = np.concatenate([np.flatnonzero(cut), others])
    trees = pd.DataFrame({"x": xy[marked, 0], "y": xy[marked, 1], "dbh_cm": dbh[marked]})
    shaken = xy + rng.normal(0, 1.0, xy.shape)
    measured = dbh * np.exp(rng.normal(0, 0.08, len(dbh)))
    stumps = pd.DataFrame({"x": shaken[of, 0], "y": shaken[of, 1], "dbh_cm": measured[of]})
    trees = trees.assign(error_m=0.0, species="", to_cut=True, day=0, looked_at=1.0, **{"class": 0})
    stumps = stumps.assign(error_m=np.sqrt(2.0), species="", ground=0, day=0, low_mark=np.nan)

    match = match_stumps(trees, stumps, ground_m2=100.0 * 100.0)

    known, _ = match.variance(np.ones(len(match.chance)))
    number = float(match.chance.sum())
    missing = 1 / number + 1 / max(len(trees) - number, 0.5) + 1 / max(len(stumps) - number, 0.5)
    half = 3.29 * np.sqrt(known / max(1 - missing * known, 0.05)) + 0.5
    assert abs(number - cut.sum()) < half
    assert half < 20
