"""Size classes are read in the recorded unit and say their rule."""

import math

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given

from glademark.errors import InputError
from glademark.forestry import NO_DIAMETER, SizeClasses

TENTHS = st.integers(1, 1200).map(lambda tenths: tenths / 10)


def test_tree_on_an_edge_is_in_the_class_above() -> None:
    """With edges at 9 and 12, 9.0 in is in the class from 9 and 11.9 in still is."""
    classes = SizeClasses.from_edges([5, 9, 12, 16], "in")

    labels = classes.classify([8.9, 9.0, 11.9, 12.0])

    assert labels.tolist() == ["5 to 9 in", "9 to 12 in", "9 to 12 in", "12 to 16 in"]


def test_recorded_inches_make_no_trip_through_centimetres() -> None:
    """A tree of 31.0 in stays in the class that starts at 31, although 31 x 2.54 / 2.54 may not."""
    classes = SizeClasses.from_edges(list(range(1, 60)), "in")
    diameters = np.arange(1.0, 60.0)

    labels = classes.classify(diameters)

    assert [label.split()[0] for label in labels] == [str(inch) for inch in range(1, 60)]


def test_converted_diameter_meets_its_edge() -> None:
    """A tree taped at 78.74 cm is one of 31.0 in."""
    classes = SizeClasses.from_edges([31], "in")

    labels = classes.classify([78.74, 78.73], unit="cm")

    assert labels.tolist() == ["31 in and up", "under 31 in"]


def test_units_may_differ_from_tree_to_tree() -> None:
    """Of two trees of 25.4, the one in centimetres is of 10 in."""
    classes = SizeClasses.from_edges([10, 20], "in")

    labels = classes.classify([25.4, 25.4], unit=["cm", "in"])

    assert labels.tolist() == ["10 to 20 in", "20 in and up"]


def test_ends_are_open_and_labelled() -> None:
    """The smallest trees and the largest have classes of their own."""
    classes = SizeClasses.from_edges([15, 30], "cm")

    labels = classes.classify([1.0, 200.0, math.nan])

    assert labels.tolist() == ["under 15 cm", "30 cm and up", NO_DIAMETER]


def test_two_inch_class_of_ten_is_nine_to_under_eleven() -> None:
    """The trade's 10-inch class of 2 in takes 9.0 to 10.9 (common practice)."""
    classes = SizeClasses.from_width(2, "in")

    labels = classes.classify([8.9, 9.0, 10.9, 11.0, 0.9])

    assert labels.tolist() == ["8 in", "10 in", "10 in", "12 in", "under 1 in"]
    assert classes.rule == "the 10 in class takes 9.0 up to but not including 11.0 in"


def test_rule_stands_in_one_sentence() -> None:
    """The rule of explicit edges says that the upper edge is not in the class."""
    assert SizeClasses.from_edges([6.5, 10], "in").rule == (
        "6.5 to 10 in means 6.5 up to but not including 10.0 in"
    )
    assert SizeClasses.from_edges([12], "cm").rule == "12 cm and up means 12.0 cm or more"


@given(diameters=st.lists(TENTHS, min_size=1), width=st.sampled_from([1, 2, 2.5, 4, 5]))
def test_trade_class_holds_its_tree(diameters: list[float], width: float) -> None:
    """A tree is no farther than half a width from the middle of its class."""
    classes = SizeClasses.from_width(width, "cm")
    middles = [
        float(label.split()[0])
        for label in classes.classify(diameters)
        if not label.startswith("under")
    ]
    kept = [diameter for diameter in diameters if diameter >= width / 2]

    assert all(
        middle - width / 2 <= diameter < middle + width / 2
        for middle, diameter in zip(middles, kept, strict=True)
    )


def test_classes_are_cut_at_a_diameter() -> None:
    """Cut at 15 in, the classes end with the open one that holds 15 in."""
    classes = SizeClasses.from_edges([5, 9, 12, 16], "in").up_to(15)

    assert classes.labels[-1] == "12 in and up"
    assert classes.classify([40.0]).tolist() == ["12 in and up"]


@pytest.mark.parametrize("edges", [[], [10, 6], [6, 6], [0, 5], [-1]])
def test_edges_must_ascend(edges: list[float]) -> None:
    """Edges out of order would leave it open which class a tree is in."""
    with pytest.raises(InputError, match="ascending order"):
        SizeClasses.from_edges(edges, "in")


def test_width_must_be_above_zero() -> None:
    """A class without width holds no tree."""
    with pytest.raises(InputError, match="expected a width above zero"):
        SizeClasses.from_width(0, "in")


def test_diameter_unit_must_be_taped() -> None:
    """Nobody tapes trees in feet."""
    with pytest.raises(InputError, match="diameter unit is 'ft'; expected 'in' or 'cm'"):
        SizeClasses.from_edges([6], "ft")  # type: ignore[arg-type] # what the test is about


def test_recorded_unit_must_be_taped() -> None:
    """A recorded unit that is neither in nor cm is refused."""
    with pytest.raises(InputError, match="diameter unit is 'mm'"):
        SizeClasses.from_edges([6], "in").classify([100], unit="mm")


def test_classes_cannot_be_cut_under_the_first_edge() -> None:
    """Under the first edge there is no class to open."""
    with pytest.raises(InputError, match="under the first edge"):
        SizeClasses.from_edges([6], "in").up_to(5)
