"""
Stumps of trees that were counted on paper, and of stems cleared in openings, are expected.

One stand a question; the counts of many are in ``docs/after_the_cut.md``, by
``scripts/check_inspection.py``.
"""

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pandas as pd
import pytest

from glademark.comparison.comparison import Comparison, compare

Inspected = Callable[..., tuple[Any, Comparison]]


@pytest.fixture(scope="module")
def inspected(inspected_of: Callable[..., Any]) -> Inspected:
    """Stand and findings by seed and unmarked share, each made once."""

    @cache
    def found(seed: int, unmarked_share: float, limit: str) -> tuple[Any, Comparison]:
        stand = inspected_of(seed, unmarked_share=unmarked_share, limit=limit)
        return stand, compare(stand.survey, stand.layout, stand.project, stand.seen)

    return found


def trees(found: Comparison) -> pd.Series:
    """Trees of each finding."""
    rows = found.findings[found.findings["quantity"] == "trees"]
    return rows.set_index("finding")["amount"]


def test_a_stand_cut_as_told_is_not_called_beyond_its_limit(inspected: Inspected) -> None:
    """Tallied, counted and cleared trees are within the contract, whatever the limit is."""
    _, found = inspected(0, 0.0, "0.5 %")

    assert found.questions[0].answer != "beyond"
    assert trees(found)["tallied"] == pytest.approx(150, abs=8)
    assert trees(found)["cleared"] == pytest.approx(80, abs=8)


def test_twice_the_limit_is_found(inspected: Inspected) -> None:
    """A stand with 6 % unmarked is called beyond 3 %, though paper could excuse some."""
    assert inspected(7, 0.06, "3 %")[1].questions[0].answer == "beyond"


def test_every_stump_is_of_something(inspected: Inspected) -> None:
    """Findings add up to the stumps, and the rows of the tally to what was found of it."""
    _, found = inspected(7, 0.06, "3 %")
    of_stumps = ["matched", "unmarked", "unmarked_in_corridor", "tallied", "cleared"]

    assert trees(found)[of_stumps].sum() == pytest.approx(len(found.stumps), abs=0.1)
    assert found.tallied["found"].sum() == pytest.approx(trees(found)["tallied"], abs=1e-6)
    assert (found.tallied["found"] <= found.tallied["trees"] + 1e-6).all()
    assert np.isclose(found.tallied["trees"].sum(), 150)


def test_more_stumps_than_the_tally_has_are_unmarked(inspected: Inspected) -> None:
    """Ten large stumps of a species that the paper does not know use up none of it."""
    stand, as_told = inspected(0, 0.0, "0.5 %")
    stumps = stand.seen.stumps
    more = stumps.iloc[:10].assign(species="basswood", dbh=80.0, dbh_cm=80.0, diameter_cm=80.0)
    more = more.set_geometry(more.translate(37.0, 41.0).to_numpy())
    every = pd.concat([stumps, more], ignore_index=True)
    again = compare(stand.survey, stand.layout, stand.project, replace(stand.seen, stumps=every))
    before, after = trees(as_told), trees(again)
    keys = ["unmarked", "unmarked_in_corridor", "cleared"]

    assert after[keys].sum() - before[keys].sum() == pytest.approx(10, abs=0.5)
    assert after["tallied"] == pytest.approx(before["tallied"], abs=0.5)
