"""Basal area and the mean diameter at their edges, and the sources of packaged tables."""

import math

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given

from glademark.forestry import basal_area_m2, quadratic_mean_diameter_cm
from glademark.forestry.species import packaged_table, source


@given(st.lists(st.floats(1, 200), min_size=1, max_size=50))
def test_mean_diameter_gives_the_basal_area_back(dbh_cm: list[float]) -> None:
    """As many trees of the quadratic mean diameter have the same basal area."""
    total = float(basal_area_m2(dbh_cm).sum())

    mean = quadratic_mean_diameter_cm(total, len(dbh_cm))

    assert float(basal_area_m2(mean)) * len(dbh_cm) == pytest.approx(total)


def test_no_trees_have_no_mean_diameter() -> None:
    """Without trees there is no mean, and without a diameter no basal area."""
    assert math.isnan(float(quadratic_mean_diameter_cm(0, 0)))
    assert math.isnan(float(basal_area_m2(math.nan)))


@pytest.mark.parametrize("table", ["crown_width", "species"])
def test_every_packaged_row_names_a_listed_source(table: str) -> None:
    """Each figure that ships leads to a publication, or says that it is from memory."""
    keys = np.unique(packaged_table(table)["source"])

    assert all(source(str(key)).citation for key in keys)
    assert {source(str(key)).basis for key in keys} <= {"published", "from memory"}
