"""Units of the trade: text in, SI out."""

import math
import re
from collections.abc import Mapping

import pytest
from hypothesis import given
from hypothesis import strategies as st

from glademark.errors import UnitError
from glademark.units import (
    ACRE_M2,
    AREA_M2,
    BASAL_AREA_M2_HA,
    LENGTH_M,
    SOLID_M3,
    share,
    split_quantity,
    to_si,
    unit_name,
)


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("1 ft", 0.3048),
        ("1 in", 0.0254),
        ("1 yd", 0.9144),
        ("1 chain", 20.1168),
        ("1 mi", 1609.344),
        ("14 ft", 4.2672),
        ("12 feet", 3.6576),
        ("3'", 0.9144),
        ('12"', 0.3048),
        ("250 cm", 2.5),
        ("0.4 km", 400.0),
        ("1 250 feet", 381.0),
        ("1,250.0 feet", 381.0),
        ("-2.5e1 m", -25.0),
        ("  8   m ", 8.0),
        (".5 m", 0.5),
    ],
)
def test_lengths(text: str, metres: float) -> None:
    """The foot is the international foot of 0.3048 m, the chain 66 of them (agreement of 1959)."""
    assert to_si(text, LENGTH_M) == pytest.approx(metres, rel=1e-14)


@pytest.mark.parametrize(
    ("text", "square_metres"),
    [
        ("1 acre", 4046.8564224),
        ("2.5 Acres", 10117.141056),
        ("1 ha", 10_000.0),
        ("43560 ft2", 4046.8564224),
        ("10 sq ft", 0.9290304),
        ("10 chains", None),
    ],
)
def test_areas(text: str, square_metres: float | None) -> None:
    """An acre is 43,560 square feet (ten square chains, but never ten chains)."""
    if square_metres is None:
        with pytest.raises(UnitError, match="has the unit 'chain'; expected one of m2, ha"):
            to_si(text, AREA_M2)
    else:
        assert to_si(text, AREA_M2) == pytest.approx(square_metres, rel=1e-14)


def test_an_acre_is_ten_square_chains() -> None:
    """The surveyor's acre: 10 chains by 1."""
    assert pytest.approx(10 * to_si("1 chain", LENGTH_M) ** 2, rel=1e-14) == ACRE_M2


def test_basal_area_per_acre() -> None:
    """1 ft2/acre is 0.22957 m2/ha: 0.09290304 m2 on 0.40468564224 ha."""
    expected = 0.09290304 / 0.40468564224

    assert to_si("1 ft2/ac", BASAL_AREA_M2_HA) == pytest.approx(expected, rel=1e-14)


def test_solid_wood() -> None:
    """A cubic foot is 0.028316846592 m3."""
    assert to_si("79 ft3", SOLID_M3) == pytest.approx(79 * 0.028316846592, rel=1e-14)


@pytest.mark.parametrize(
    ("written", "unit"),
    [
        ("Board  Feet", "board foot"),
        ("bf", "board foot"),
        ("mbf", "MBF"),
        ("MBF", "MBF"),
        ("Cords", "cord"),
        ("m²/ha", "m2/ha"),
        ("ft^3", "ft3"),
        ("METRES", "m"),
        ("fathoms", "fathoms"),
    ],
)
def test_spellings(written: str, unit: str) -> None:
    """Units are taken as people write them; an unknown one stays as it is, to be named."""
    assert unit_name(written) == unit


@pytest.mark.parametrize(
    ("text", "advice"),
    [
        ("0,125 ha", "Write '0.125 ha'"),
        ("0,1 ha", "Write '0.1 ha'"),
        ("-12,5 m", "Write '-12.5 m'"),
        ("1,250 feet", "Write '1250 feet' or '1.250 feet'"),
    ],
)
def test_a_comma_is_not_guessed_at(text: str, advice: str) -> None:
    """0,125 ha is an eighth of a hectare to one writer; it was taken for 125 ha."""
    with pytest.raises(UnitError, match=re.escape(advice)):
        split_quantity(text)


@pytest.mark.parametrize("text", ["", "ft", "about 12 ft", "twelve", "1e999 m", "nan m", "--3 m"])
def test_text_without_a_number_is_no_quantity(text: str) -> None:
    """A quantity starts with a finite number."""
    with pytest.raises(UnitError, match="is no quantity; expected a number and its unit"):
        split_quantity(text)


@pytest.mark.parametrize(("text", "factors"), [("14", LENGTH_M), ("3 1/2 ft", LENGTH_M)])
def test_a_number_without_a_known_unit_is_refused(text: str, factors: Mapping[str, float]) -> None:
    """A bare number is never taken for metres, and half a foot is written 0.5 ft."""
    with pytest.raises(UnitError, match="expected one of m, cm"):
        to_si(text, factors)


def test_shares() -> None:
    """35 per cent is 0.35; the whole and nothing are shares as well."""
    assert [share(text) for text in ("35 %", "0%", "100 percent")] == [0.35, 0.0, 1.0]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("0.35", "has no per cent sign; expected a share such as '35 %'"),
        ("101 %", "is outside 0 to 100 %"),
        ("-1 %", "is outside 0 to 100 %"),
    ],
)
def test_what_is_no_share_is_refused(text: str, message: str) -> None:
    """A share is from 0 to 100 per cent, and says so."""
    with pytest.raises(UnitError, match=message):
        share(text)


@given(
    st.floats(-1e9, 1e9).filter(lambda x: x == 0 or abs(x) > 1e-6),
    st.sampled_from(sorted(LENGTH_M)),
)
def test_a_length_written_out_is_read_back(number: float, unit: str) -> None:
    """Whatever number stands before a unit comes back times its size."""
    value = to_si(f"{number!r} {unit}", LENGTH_M)

    assert value == pytest.approx(number * LENGTH_M[unit], rel=1e-14)
    assert math.isfinite(value)
