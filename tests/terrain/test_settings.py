"""Settings of the ground as the project file holds them."""

from collections.abc import Callable

import pytest
from pydantic import ValidationError

from glademark.errors import UnitError
from glademark.project.model import Project
from glademark.units import bearing


def test_quantities_come_in_si(project_of: Callable[..., Project]) -> None:
    """Feet, percent, cubic feet and winds become metres, fractions, m3 and degrees."""
    project = project_of(
        terrain={"grade_lengths": ["50 ft", "100 ft"], "steep_grade": "25 %"},
        machine={"reach": "30 ft", "payload": "100 ft3"},
        wind={"from": "WSW", "tree_height": "60 ft"},
    )

    assert project.terrain.grade_lengths_m == pytest.approx((15.24, 30.48))
    assert project.terrain.steep_grade == 0.25
    assert project.machine.reach_m == pytest.approx(9.144)
    assert project.machine.payload_m3 == pytest.approx(2.8316846592)  # 100 x 0.3048 cubed
    assert project.wind.from_deg == 247.5
    assert project.wind.tree_height_m == pytest.approx(18.288)


@pytest.mark.parametrize(
    "table",
    [
        {"terrain": {"grade_lengths": ["30 m", "10 m"]}},
        {"terrain": {"grade_classes": ["0 %", "10 %"]}},
        {"terrain": {"height_unit": "fathom"}},
        {"machine": {"reach": "0 m"}},
        {"machine": {"payload": "12 m"}},
        {"wind": {"from": "up"}},
    ],
)
def test_what_makes_no_sense_is_refused(
    project_of: Callable[..., Project], table: dict[str, object]
) -> None:
    """Lengths and classes rise from above 0, units are of their kind, winds have a direction."""
    with pytest.raises(ValidationError, match=r"rise|unit|greater than|direction|'m' or 'ft'"):
        project_of(**table)


@pytest.mark.parametrize(
    ("text", "degrees"), [("N", 0), ("e", 90), (" NNW ", 337.5), ("360 deg", 0), ("45.5 deg", 45.5)]
)
def test_bearings_are_clockwise_from_north(text: str, degrees: float) -> None:
    """Names of the compass or degrees."""
    assert bearing(text) == degrees


@pytest.mark.parametrize(
    ("text", "fault"),
    [("up", "is no direction"), ("270", "has no unit deg"), ("400 deg", "outside 0 to 360")],
)
def test_what_is_no_bearing_is_refused(text: str, fault: str) -> None:
    """A bearing says its unit and lies within a turn."""
    with pytest.raises(UnitError, match=fault):
        bearing(text)
