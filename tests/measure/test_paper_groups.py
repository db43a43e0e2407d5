"""Trees that were counted for a group, on paper or at its centre, without positions."""

import math
from collections.abc import Callable

import pytest
import shapely

from glademark.contracts.layout import Layout

LayoutOf = Callable[..., Layout]
MarksAt = Callable[..., list[dict[str, object]]]

STAND = shapely.box(400_000, 5_000_000, 400_200, 5_000_200)
BASAL_30 = math.pi / 4 * 0.3**2
CENTRE = {"kind": "group_centre", "group": "G 7", "radius_m": 12.0}


def opening_of(layout: Layout, number: int) -> dict[str, object]:
    """The row of one opening."""
    table = layout.openings.set_index("opening")
    return dict(table.loc[number])


def test_a_paper_tally_stands_in_the_row_of_its_group(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """Eleven trees of 30 cm counted for group G 7 are eleven trees of opening 7."""
    paper = {"zone": "opening", "group": "g 7", "dbh": 30.0, "dbh_unit": "cm", "count": 11}
    layout = layout_of(STAND, marks=marks_at((400_100, 5_000_100), **CENTRE), tally=[{**paper}])

    row = opening_of(layout, 7)
    assert row["trees"] == 11
    assert row["basal_area_m2"] == pytest.approx(11 * BASAL_30)
    total = layout.volume_by_zone.query("row == 'total' and located == 'all'")
    assert total["trees"].item() == 11


def test_a_paper_tally_adds_to_the_marks_of_its_group(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """Four marks with a position and three on paper are seven trees; those of no group stay out."""
    corners = [(400_100 + x, 5_000_100 + y) for x in (0, 4) for y in (0, 4)]
    rows = [
        {"zone": "opening", "group": "1", "dbh": 30.0, "dbh_unit": "cm", "count": 3},
        {"zone": "opening", "dbh": 30.0, "dbh_unit": "cm", "count": 5},
    ]
    layout = layout_of(STAND, marks=marks_at(*corners, group="1"), tally=rows)

    assert opening_of(layout, 1)["trees"] == 7
    assert opening_of(layout, 1)["basal_area_m2"] == pytest.approx(7 * BASAL_30)


def test_a_group_on_paper_that_no_opening_has_is_named(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """A slip in a name must not leave an opening at 0 trees without a word."""
    rows = [{"zone": "opening", "group": "G 8", "count": 11}]
    layout = layout_of(STAND, marks=marks_at((400_100, 5_000_100), **CENTRE), tally=rows)

    assert opening_of(layout, 7)["trees"] == 0
    (told,) = [text for text in layout.notices if "G 8" in text]
    assert "11 trees counted for group G 8" in told
    assert "the openings are G 7" in told


def test_marks_beside_a_count_at_the_centre_are_told(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """The count of a centre may or may not hold the trees that have a position as well."""
    marks = [
        *marks_at((400_100, 5_000_100), **CENTRE, count=11),
        *marks_at((400_103, 5_000_100), (400_097, 5_000_100)),
    ]
    rows = [{"zone": "opening", "group": "G 7", "count": 11}]
    layout = layout_of(STAND, marks=marks, tally=rows)

    assert opening_of(layout, 7)["trees"] == 13
    (told,) = [text for text in layout.notices if "G 7" in text]
    assert "11 trees counted at its centre, and 2 trees marked in it" in told
