"""Crown radius from DBH: published range, vertex, saplings and gaps."""

import math

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given

from glademark.forestry import crown_radius_m
from glademark.forestry.species import packaged_table
from glademark.units import FOOT_M, INCH_CM

STAND_GROWN = sorted(
    int(code)
    for code, crown in zip(
        packaged_table("crown_width")["species_code"],
        packaged_table("crown_width")["crown"],
        strict=True,
    )
    if crown == "stand_grown"
)


def width_ft(code: int, dbh_in: float) -> float:
    """Return the stand-grown crown width [ft]."""
    return 2 * float(crown_radius_m(code, dbh_in * INCH_CM)[0]) / FOOT_M


def test_curve_is_held_at_its_vertex() -> None:
    """Red pine turns down at 24.75 in: -1.98 / (2 * -0.04); larger trees keep that width."""
    at_vertex = -0.26 + 1.98 * 24.75 - 0.04 * 24.75**2  # coefficients of Bechtold 2003

    assert width_ft(125, 24.75) == pytest.approx(at_vertex, rel=1e-12)
    assert width_ft(125, 40) == pytest.approx(at_vertex, rel=1e-12)


@given(
    code=st.sampled_from(STAND_GROWN),
    dbh=st.floats(1, 49),
    more=st.floats(0, 1),
)
def test_larger_tree_has_no_smaller_crown(code: int, dbh: float, more: float) -> None:
    """Within the range of one equation a crown never shrinks as its stem grows."""
    assert width_ft(code, dbh + more) >= width_ft(code, dbh) * (1 - 1e-12)


@pytest.mark.parametrize(
    ("dbh_in", "factor"), [(1, 0.509), (2, 0.644), (2.5, 0.7055), (3, 0.767), (4, 0.885), (5, 1)]
)
def test_saplings_take_a_share_of_the_five_inch_width(dbh_in: float, factor: float) -> None:
    """From 1 to 5 in a factor of Bragg 2001 stands on the 5-in width of sugar maple, 15.21 ft."""
    assert width_ft(318, dbh_in) == pytest.approx(factor * (9.96 + 1.05 * 5), rel=1e-9)


def test_source_of_each_radius_is_told() -> None:
    """The key says which paper gave a radius, and that two did for a sapling."""
    _, key = crown_radius_m([318, 318, 202, 0], [30, 5, 30, 30])

    assert list(key) == ["bechtold_2003", "bechtold_2003+bragg_2001", "bechtold_2004", ""]


@pytest.mark.parametrize(("code", "dbh_cm"), [(0, 30), (999, 30), (318, math.nan), (318, 2.5)])
def test_no_radius_is_invented(code: int, dbh_cm: float) -> None:
    """Unknown species, missing diameters and seedlings have no published radius."""
    radius, key = crown_radius_m([code], [dbh_cm])

    assert np.isnan(radius).all()
    assert key.tolist() == [""]


def test_giants_of_the_northwest_have_their_own_line() -> None:
    """Over 50 in Douglas-fir follows 16.449 + 0.4067 D (Gill and others 2000)."""
    assert width_ft(202, 60) == pytest.approx(16.449 + 0.4067 * 60, rel=1e-12)


@pytest.mark.parametrize("code", [316, 318, 833, 129, 202, 837])
def test_open_grown_crown_is_an_upper_bound(code: int) -> None:
    """At 16 in an open-grown tree has a crown no narrower than one in a stand."""
    stand, _ = crown_radius_m(code, 16 * INCH_CM)

    open_grown, _ = crown_radius_m(code, 16 * INCH_CM, crown="open_grown")

    assert open_grown >= stand
