"""What a caption says of a figure and its limit."""

import pytest

from glademark.report.map_sheets.openings_sheets import figure_beside


@pytest.mark.parametrize(
    ("area_m2", "limit_m2", "shown"),
    [(612.0, 611.0, "0.0612 ha"), (600.0, 900.0, "0.06 ha"), (610.9, 611.0, "0.06109 ha")],
)
def test_a_figure_beside_a_limit_shows_on_which_side_it_lies(
    area_m2: float, limit_m2: float, shown: str
) -> None:
    """0.06 ha would look met by a limit of 0.0611 ha that 0.0612 ha exceeds."""
    assert figure_beside(area_m2, "m2", [{"limit_value": limit_m2}], "metric") == shown


def test_a_figure_without_a_limit_keeps_its_usual_digits() -> None:
    """Nothing is to be told apart."""
    assert figure_beside(612.0, "m2", [], "metric") == "0.06 ha"
