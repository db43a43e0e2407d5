"""Numbers as people read them; expectations worked out by hand from the international foot."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from glademark.report import quantities

ACRE_M2 = 4046.8564224  # 43,560 ft2 of 0.3048 m a side


@pytest.mark.parametrize(
    ("area_m2", "units", "shown"),
    [
        (ACRE_M2, "us", "1.00 acre"),
        (0.46 * ACRE_M2, "us", "0.46 acre"),
        (54.36 * ACRE_M2, "us", "54.36 acres"),
        (1234.4 * ACRE_M2, "us", "1,234.4 acres"),
        (0.0, "us", "0.00 acres"),
        (9.290304, "us", "100 ft2"),
        (10_000.0, "metric", "1.00 ha"),
        (30.0, "metric", "30 m2"),
        (math.nan, "us", "-"),
        (None, "metric", "-"),
    ],
)
def test_areas(area_m2: float | None, units: str, shown: str) -> None:
    """An area reads in acres or hectares, a very small one in the small unit."""
    text = quantities.show_area(area_m2, units)

    assert text == shown


@pytest.mark.parametrize(
    ("length_m", "units", "shown"),
    [
        (30.48, "us", "100 ft"),
        (4.2672, "us", "14.0 ft"),
        (2500.0, "us", "8,202 ft"),
        (4.0, "metric", "4.0 m"),
        (2500.0, "metric", "2,500 m"),
    ],
)
def test_lengths(length_m: float, units: str, shown: str) -> None:
    """A length reads in feet or metres, without a decimal from a hundred on."""
    text = quantities.show_length(length_m, units)

    assert text == shown


@pytest.mark.parametrize(
    ("number", "unit", "units", "shown"),
    [
        (0.06752, "share", "us", "6.8 %"),
        (1.0, "share", "metric", "100.0 %"),
        (25.4, "cm", "us", "10.0 in"),
        (25.4, "cm", "metric", "25.4 cm"),
        (0.0283168466, "m3", "us", "1 ft3"),
        (12.34, "m3", "metric", "12.3 m3"),
        (13.774, "m2/ha", "us", "60 ft2/acre"),
        (3.0, "trees", "us", "3 trees"),
        (18_250.4, "board foot", "us", "18,250 board feet"),
        (18.2504, "MBF", "metric", "18.25 MBF"),
        (12.44, "cord", "us", "12.4 cords"),
        (0.5, "green ton", "us", "0.5 green ton"),
    ],
)
def test_other_quantities(number: float, unit: str, units: str, shown: str) -> None:
    """Every quantity reads in the user's unit, sale units as they are."""
    text = quantities.show(number, unit, units)

    assert text == shown


def test_limit_just_exceeded() -> None:
    """An area a hair over its limit never reads as the limit itself."""
    limit_m2 = 0.5 * ACRE_M2

    measured, limit = quantities.show_against(limit_m2 + 0.4, limit_m2, "m2", "us")

    assert (measured, limit) == ("0.5001 acre", "0.5000 acre")


@given(
    limit=st.floats(min_value=1, max_value=1e6),
    share=st.floats(min_value=1.0001, max_value=2),
)
def test_different_numbers_read_differently(limit: float, share: float) -> None:
    """Measured and limit differ on paper wherever they differ by a part in ten thousand."""
    measured, allowed = quantities.show_against(limit * share, limit, "m2", "us")

    assert measured != allowed


def test_missing_stays_missing() -> None:
    """Where nothing was measured only the limit is shown."""
    texts = quantities.show_against(math.nan, 30.48, "m", "us")

    assert texts == ("-", "100 ft")


def test_negative_zero() -> None:
    """A number that rounds to nothing has no sign."""
    text = quantities.show_number(-0.001, 1)

    assert text == "0.0"
