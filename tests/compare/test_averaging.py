"""Chances averaged over open rates, misread diameters, and the edge of the ground."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit, logit
from scipy.stats import norm

from glademark.comparison.association import Pairs
from glademark.comparison.averaging import Complete, averaged
from glademark.comparison.likeness import OUTSIDE, edge_log_ratio
from glademark.comparison.matching import match_stumps


@pytest.mark.parametrize(
    ("sure", "doubtful", "alone", "odds_max"),
    [(50, 6, 4, 3.0), (40, 16, 4, 3.0), (30, 26, 4, 3.0), (50, 8, 6, 0.5)],
)
def test_average_is_that_over_all_rates(
    sure: int, doubtful: int, alone: int, odds_max: float
) -> None:
    """Chances are those integrated over both rates, as a table of both sums them."""
    trees = 60  # a doubtful stump is of one tree or of none
    row = np.arange(sure + doubtful)
    pairs = Pairs(row=row, column=row, rows=trees, columns=sure + doubtful + alone)
    fits = np.concatenate([np.full(sure, 30.0), np.linspace(-odds_max, odds_max, doubtful)])
    share, unmarked, added = 0.9, 7.0, 0.1
    log_odds = fits + logit(share) - np.log(unmarked)
    complete = Complete(
        log_odds_cut=np.full(trees, logit(share)),
        stumps=pairs.columns,
        unmarked=unmarked,
        added=added,
        typical_cut=np.array([logit(share)]),
        rates_unmarked=1,
    )

    found = averaged(pairs, log_odds, expit(log_odds), complete=complete, start=np.ones(len(row)))

    cut, other = np.meshgrid(np.linspace(-1, 9, 401), np.linspace(-2, 5, 401))
    odds = fits[:, None, None] + cut - other
    weight = trees * np.log(expit(-cut)) + pairs.columns * other - np.exp(other)
    weight = weight + np.logaddexp(0, odds).sum(axis=0)
    weight = weight + added * (np.log(expit(cut)) + np.log(expit(-cut)) + other)
    weight = np.exp(weight - weight.max())
    true = (expit(odds) * weight).sum(axis=(1, 2)) / weight.sum()
    assert found == pytest.approx(true, abs=0.01)


def test_what_is_estimated_takes_nothing_from_unmarked_trees(
    stand_of: Callable[..., Any],
) -> None:
    """Of 20 hidden unmarked trees, estimating the rates loses less than half a percent."""
    off = []
    for seed in range(30):
        stand = stand_of(20_000 + seed, trees=400, per_ha=100)
        found, known = (
            match_stumps(stand.trees, stand.stumps, ground_m2=stand.ground_m2, known=rates)
            for rates in (None, stand.known)
        )
        off.append(known.chance.sum() - found.chance.sum())

    assert abs(np.mean(off)) < 0.005 * 20


def test_misread_diameters_are_seen(stand_of: Callable[..., Any]) -> None:
    """Where 5 % of diameters are of other trees the share is found, and else it is none."""
    shares = [
        match_stumps(stand.trees, stand.stumps, ground_m2=stand.ground_m2).rates.odd_share
        for stand in (stand_of(3, misread=0.05), stand_of(3))
    ]

    assert shares[0] == pytest.approx(0.05, abs=3 * np.sqrt(0.05 * 0.95 / 480))
    assert shares[1] < 1e-5


@pytest.mark.parametrize(("tree_m", "stump_m"), [(0.5, -1.0), (-2.0, -1.5), (3.0, 1.0), (40, 41)])
def test_edge_ratio_is_an_integral(tree_m: float, stump_m: float) -> None:
    """Two positions at a straight edge, against the sum over all places of the tree."""
    trees = pd.DataFrame({"edge_m": [tree_m], "error_m": [2.0]})
    stumps = pd.DataFrame({"edge_m": [stump_m], "error_m": [3.0]})
    pairs = Pairs(row=np.array([0]), column=np.array([0]), rows=1, columns=1)

    found = edge_log_ratio(trees, stumps, pairs)

    place = np.linspace(-60, 100, 160_001)
    density = np.where(place >= 0, 1.0, OUTSIDE)
    mark = norm.pdf(tree_m, place, 2 / np.sqrt(2))
    stump = norm.pdf(stump_m, place, 3 / np.sqrt(2))
    endless = (mark * stump).sum() / (mark.sum() * stump.sum())
    edged = (density * mark * stump).sum() / ((density * mark).sum() * (density * stump).sum())
    assert found[0] == pytest.approx(np.log(edged / endless), abs=1e-3)


def test_without_an_edge_nothing_changes(stand_of: Callable[..., Any]) -> None:
    """Where no edge is known, positions count as on endless ground."""
    stand = stand_of(4, trees=100)
    pairs = Pairs(row=np.arange(5), column=np.arange(5), rows=100, columns=len(stand.stumps))

    no_column = edge_log_ratio(stand.trees.drop(columns="edge_m"), stand.stumps, pairs)
    not_known = edge_log_ratio(stand.trees.assign(edge_m=np.nan), stand.stumps, pairs)

    assert (no_column == 0).all()
    assert (not_known == 0).all()


def test_known_rates_are_kept(stand_of: Callable[..., Any]) -> None:
    """Rates that are given are neither changed nor averaged over."""
    stand = stand_of(5, trees=100)
    rates = replace(stand.known, odd_share=0.01)

    match = match_stumps(stand.trees, stand.stumps, ground_m2=stand.ground_m2, known=rates)

    assert match.rates is rates
