"""Chances of pairs against all assignments counted one by one."""

import numpy as np
import numpy.typing as npt
import pytest
from scipy.optimize import linear_sum_assignment

from glademark.comparison import association
from glademark.comparison.association import (
    Pairs,
    chances,
    counted_out,
    most_likely,
    settled,
    slack,
)
from glademark.comparison.averaging import log_ways, third_cumulant, variance

Floats = npt.NDArray[np.float64]


def case(seed: int, most: int = 5) -> tuple[Pairs, Floats]:
    """Random pairs with odds over many orders of size."""
    rng = np.random.default_rng(seed)
    rows, columns = (int(n) for n in rng.integers(1, most + 1, 2))
    row, column = np.nonzero(rng.random((rows, columns)) < 0.7)
    pairs = Pairs(row=row, column=column, rows=rows, columns=columns)
    return pairs, rng.normal(1, 3, len(row))


def assignments(pairs: Pairs) -> list[list[int]]:
    """Every one-to-one assignment as a list of pairs."""
    found: list[list[int]] = [[]]
    for link in range(len(pairs.row)):
        found += [
            [*taken, link]
            for taken in found
            if all(
                pairs.row[link] != pairs.row[one] and pairs.column[link] != pairs.column[one]
                for one in taken
            )
        ]
    return found


def by_counting(pairs: Pairs, log_odds: Floats) -> tuple[Floats, Floats, Floats]:
    """Chance of each pair, log weight of the best assignment with it, and all weights."""
    every = assignments(pairs)
    weight = np.exp([log_odds[taken].sum() for taken in every])
    holds = np.array([[link in taken for link in range(len(pairs.row))] for taken in every])
    chance = weight @ holds / weight.sum() if len(pairs.row) else np.zeros(0)
    best = np.array([np.log(weight[holds[:, link]].max()) for link in range(len(pairs.row))])
    return chance, best, weight


@pytest.mark.parametrize("seed", range(60))
def test_chances_are_shares_of_all_assignments(seed: int) -> None:
    """The chance of a pair is its share in all assignments, but for those hardly possible."""
    pairs, log_odds = case(seed)

    found = chances(pairs, log_odds, most_likely(pairs, log_odds))

    assert found == pytest.approx(by_counting(pairs, log_odds)[0], abs=2e-3)


@pytest.mark.parametrize("seed", range(60))
def test_likeliest_assignment_is_the_heaviest_of_all(seed: int) -> None:
    """No other one-to-one assignment is likelier than the one chosen."""
    pairs, log_odds = case(seed)

    chosen = most_likely(pairs, log_odds)

    assert log_odds[chosen].sum() == pytest.approx(
        np.log(by_counting(pairs, log_odds)[2].max()), abs=1e-9
    )
    assert len(set(pairs.row[chosen])) == len(set(pairs.column[chosen])) == chosen.sum()


def test_likeliest_assignment_agrees_with_a_dense_solver() -> None:
    """On a table too large to count, a general solver finds the same worth."""
    rng = np.random.default_rng(4)
    worth = rng.normal(0, 2, (80, 70))
    row, column = np.nonzero(rng.random(worth.shape) < 0.1)
    pairs = Pairs(row=row, column=column, rows=80, columns=70)
    table = np.zeros((80, 150))  # every row may also stay alone
    table[row, column] = np.maximum(worth[row, column], 0)

    chosen = most_likely(pairs, worth[row, column])

    at = linear_sum_assignment(table, maximize=True)
    assert worth[row, column][chosen].sum() == pytest.approx(table[at].sum())


@pytest.mark.parametrize("seed", range(40))
def test_slack_never_exceeds_the_true_one(seed: int) -> None:
    """A pair is never given up because its best assignment was taken for worse than it is."""
    pairs, log_odds = case(seed)
    chosen = most_likely(pairs, log_odds)
    _, best, weight = by_counting(pairs, log_odds)

    short = slack(pairs, log_odds, chosen)

    assert (short >= 0).all()
    assert (short <= np.log(weight.max()) - best + 1e-6).all()


@pytest.mark.parametrize("seed", range(20))
def test_variance_is_that_over_all_assignments(seed: int) -> None:
    """In parts without rings, the tilted odds give variance and skewness over all assignments."""
    rng = np.random.default_rng(seed)
    pairs = Pairs(row=np.array([0, 0, 1, 1]), column=np.array([0, 1, 1, 2]), rows=2, columns=3)
    log_odds, values = rng.normal(0, 1, 4), rng.uniform(0, 2, 4)
    every = assignments(pairs)
    weight = np.exp([log_odds[taken].sum() for taken in every])
    weight /= weight.sum()
    sums = np.array([values[taken].sum() for taken in every])
    number = np.array([len(taken) for taken in every])
    mean = weight @ sums

    found = variance(pairs, log_odds, values)

    assert found[0] == pytest.approx(weight @ (sums - mean) ** 2, rel=2e-3)
    assert found[1] == pytest.approx(weight @ ((sums - mean) * number), abs=2e-3)
    third = third_cumulant(pairs, log_odds, values)
    assert third == pytest.approx(weight @ (sums - mean) ** 3, rel=0.02, abs=5e-3)


@pytest.mark.parametrize("seed", range(10))
def test_weight_of_all_assignments_is_their_sum(seed: int) -> None:
    """In parts without rings, the messages give the summed weight of all assignments."""
    pairs = Pairs(row=np.array([0, 0, 1, 1]), column=np.array([0, 1, 1, 2]), rows=2, columns=3)
    log_odds = np.random.default_rng(seed).normal(0, 2, 4)

    found = log_ways(pairs, np.exp(log_odds), settled(pairs, np.exp(log_odds)))

    assert found == pytest.approx(np.log(by_counting(pairs, log_odds)[2].sum()), abs=1e-6)


def test_two_rivals_for_two_are_not_called_sure() -> None:
    """Where a swap of two is as likely as not, each pair has a chance near one half."""
    pairs = Pairs(row=np.array([0, 0, 1, 1]), column=np.array([0, 1, 0, 1]), rows=2, columns=2)
    log_odds = np.full(4, 10.0)

    found = chances(pairs, log_odds, most_likely(pairs, log_odds))

    assert found == pytest.approx([0.5] * 4, abs=1e-3)


def test_too_wide_a_part_is_not_counted_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """A part with more rows at a time than there is room for is told, not counted wrongly."""
    monkeypatch.setattr(association, "SLOTS_MAX", 2)
    row, column = np.nonzero(np.ones((3, 3)))

    assert counted_out(row, column, np.ones(9)) is None


def test_no_pairs_have_no_chances() -> None:
    """A walk without a single stump near a mark is no error."""
    nothing = np.zeros(0, dtype=np.intp)
    pairs = Pairs(row=nothing, column=nothing, rows=3, columns=2)

    assert chances(pairs, np.zeros(0), most_likely(pairs, np.zeros(0))).size == 0
