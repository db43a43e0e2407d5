"""Products keep their units apart and name every conversion."""

import math

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given

from glademark.errors import InputError
from glademark.forestry import (
    Product,
    green_tons_per_m3,
    scale_logs,
    to_solid_m3,
)
from glademark.forestry.log_rules import (
    doyle,
    international_eighth,
    international_quarter,
    scribner,
    scribner_decimal_c,
)
from glademark.units import CUBIC_FOOT_M3

SAWLOG = Product(name="sawlog", unit="MBF", log_rule="international-1/4")
PULPWOOD = Product(name="pulpwood", unit="cord")


def test_cord_holds_79_cubic_feet_unless_told_otherwise() -> None:
    """Ten cords are 10 x 79 ft3 by statute, and 10 x 2.0 m3 where the project says so."""
    stated = Product(name="pulpwood", unit="cord", solid_m3=2.0, solid_source="mill, 2024")

    by_default, why = to_solid_m3(10, PULPWOOD)
    by_project, because = to_solid_m3(10, stated)

    assert float(by_default) == pytest.approx(10 * 79 * CUBIC_FOOT_M3)
    assert "Minnesota Statutes 239.33" in why
    assert float(by_project) == 20
    assert because == "2 m3 of solid wood in a cord (mill, 2024)"


def test_board_feet_do_not_turn_into_cubic_metres_by_themselves() -> None:
    """Without a stated factor, board feet have no cubic volume."""
    volume, why = to_solid_m3([1.0, 2.0], SAWLOG)

    assert np.isnan(volume).all()
    assert why == "no conversion of board feet is stated"


def test_green_tons_need_a_species() -> None:
    """A green ton of white oak is more wood than nothing and less than its dry weight says."""
    product = Product(name="chips", unit="green ton")

    without, why = to_solid_m3(1.0, product)
    volume, _ = to_solid_m3([1.0, 1.0], product, species_code=[802, 0])

    assert math.isnan(float(without))
    assert why == "no species is known for the green tons"
    # white oak: 62.43 lb/ft3 (0.60 * 1.6826668 + 0.16 * 0.56 * 1.88875), 2000 lb
    by_hand = 2000 / (62.43 * (0.60 * 1.6826668 + 0.16 * 0.56 * 1.88875)) * CUBIC_FOOT_M3
    assert volume.tolist() == pytest.approx([by_hand, math.nan], nan_ok=True)


@given(amount=st.floats(0, 1e6), factor=st.floats(0.1, 10))
def test_conversion_there_and_back_loses_nothing(amount: float, factor: float) -> None:
    """Amount to m3 and back by the same factor is the amount."""
    product = Product(name="pulpwood", unit="cord", solid_m3=factor)

    volume, _ = to_solid_m3(amount, product)

    assert float(volume) / float(to_solid_m3(1, product)[0]) == pytest.approx(amount)


def test_bark_makes_a_load_heavier() -> None:
    """With its bark a green m3 weighs more than without."""
    assert float(green_tons_per_m3(318)) > float(green_tons_per_m3(318, with_bark=False))


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"unit": "bushel"}, "the unit is 'bushel'; expected one of board foot"),
        ({"unit": "MBF"}, "the log rule is ''; expected one of doyle"),
        ({"unit": "cord", "log_rule": "doyle"}, "the unit cord takes no log rule"),
        ({"unit": "cord", "solid_m3": 0.0}, "solid content is 0.0 m3; expected a volume above"),
    ],
)
def test_product_that_cannot_be_tallied_is_refused(fields: dict[str, object], message: str) -> None:
    """A product is valid or does not exist."""
    with pytest.raises(InputError, match=message):
        Product(name="x", **fields)  # type: ignore[arg-type] # what the test is about


def test_log_rule_must_be_known() -> None:
    """A log rule that nobody published is refused."""
    with pytest.raises(InputError, match="log rule: 'rod' is not known"):
        scale_logs(10, 16, rule="rod")


@given(diameter=st.floats(5, 40), length=st.floats(4, 20))
def test_doyle_and_scribner_are_their_formulas(diameter: float, length: float) -> None:
    """Doyle is (D - 4)^2 L / 16; Scribner (0.79 D^2 - 2 D - 4) L / 16 (Bruce and Schumacher)."""
    by_doyle = (diameter - 4) ** 2 * length / 16
    by_scribner = (0.79 * diameter**2 - 2 * diameter - 4) * length / 16

    assert float(doyle(diameter, length)) == pytest.approx(by_doyle)
    assert float(scribner(diameter, length)) == pytest.approx(by_scribner)


@pytest.mark.parametrize(
    ("length", "square", "line", "constant"),
    [(8, 0.44, -1.20, -0.30), (12, 0.66, -1.47, -0.79), (16, 0.88, -1.52, -1.36),
     (20, 1.10, -1.35, -1.90)],
)  # fmt: skip
def test_eighth_inch_rule_is_its_polynomials(
    length: int, square: float, line: float, constant: float
) -> None:
    """Clark's polynomials for 8, 12, 16 and 20 ft are the 4-ft sections without the wider kerf."""
    diameter = np.arange(6, 31)

    scale = international_eighth(diameter, length)

    by_polynomial = square * diameter**2 + line * diameter + constant
    assert scale == pytest.approx(by_polynomial, abs=0.05)


def test_logs_too_small_for_a_rule_scale_nothing() -> None:
    """Doyle gives a 4-in log nothing, and never a positive scale to a smaller one."""
    assert doyle([2, 4], 16).tolist() == [0, 0]
    assert scribner([2, 3], 16).tolist() == [0, 0]
    assert international_quarter(1, 16) == 0


def test_decimal_c_ends_where_its_table_ends() -> None:
    """Beyond 60 in or 40 ft there is no factor."""
    assert np.isnan(scribner_decimal_c([61, 20, 20], [16, 41, 0.5])).all()


@given(diameter=st.integers(6, 40), sections=st.integers(1, 5))
def test_closed_form_is_the_sum_of_its_sections(diameter: int, sections: int) -> None:
    """The closed International form is the statute's sum over 4-ft sections to 0.003 bf."""
    inches = [diameter + step / 2 for step in range(sections)]
    by_section = sum(0.904762 * (0.22 * inch**2 - 0.71 * inch) for inch in inches)

    closed = float(international_quarter(diameter, 4 * sections))

    assert closed == pytest.approx(by_section, abs=0.003 + 1e-4 * sections)
