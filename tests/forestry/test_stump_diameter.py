"""Diameter at breast height from a stump, against the published form of the equation."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from glademark.forestry import breast_height_diameter_cm, find_species
from glademark.forestry.species import packaged_table

FOOT_M = 0.3048  # exact by definition

# Raile 1982, USDA Forest Service Research Paper NC-224: D_h = D + B D (4.5 - h) / (h + 1), outside
# bark, h in feet; coefficients as in the national volume estimator library.
RAILE_B = {318: 0.12111, 129: 0.11694, 802: 0.14872, 746: 0.09658, 543: 0.17376}


@pytest.mark.parametrize(("code", "b"), RAILE_B.items())
@pytest.mark.parametrize("height_ft", [0.5, 1.0, 2.0])
def test_stump_is_as_wide_as_published(code: int, b: float, height_ft: float) -> None:
    """The stump that Raile's equation gives a 12-inch tree leads back to 12 inches."""
    stump_in = 12 + b * 12 * (4.5 - height_ft) / (height_ft + 1)

    found = breast_height_diameter_cm(
        stump_in * 2.54, species_code=code, height_m=height_ft * FOOT_M
    )

    assert float(found) / 2.54 == pytest.approx(12)


def test_inside_bark_is_as_published() -> None:
    """Sugar maple a foot high inside bark: D (0.93818 + 0.11424 x 3.5 / 2)."""
    stump = 30 * (0.93818 + 0.11424 * 1.75)

    found = breast_height_diameter_cm(stump, species_code=318, height_m=FOOT_M, bark="inside")

    assert float(found) == pytest.approx(30)


@given(st.floats(2, 250), st.floats(0, 2), st.sampled_from([0, 12, 318, 951, 261]))
def test_no_tree_was_thicker_than_its_stump(stump: float, height_m: float, code: int) -> None:
    """Up to breast height a stump is at least as thick as the tree was there."""
    dbh = breast_height_diameter_cm(stump, species_code=code, height_m=height_m)

    assert 0 < float(dbh) <= stump * (1 + 1e-12)


def test_every_species_has_coefficients_of_its_own_or_of_its_kin() -> None:
    """No species of the package is without a conversion, and each says whose it has."""
    table = packaged_table("stump_diameter")
    known = packaged_table("species")["fia_code"]

    assert set(known) <= set(table["species_code"])
    assert set(table["fitted_to"]) == {"species", "genus", "group"}


def test_a_missing_diameter_stays_missing() -> None:
    """Nothing is made up for a stump that was not measured."""
    codes = find_species(["sugar maple", "no such tree"])

    found = breast_height_diameter_cm([np.nan, 40.0], species_code=codes, height_m=0.3)

    assert np.isnan(found).tolist() == [True, False]
