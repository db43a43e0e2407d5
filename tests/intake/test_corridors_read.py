"""Corridor lines: widths, states and names, and which lines are none."""

from collections.abc import Callable

import pytest
import shapely

from glademark.contracts.survey import Survey
from glademark.errors import InputError

Read = Callable[..., Survey]
Layer = Callable[..., str]


@pytest.fixture
def lines(line: Callable) -> list[shapely.LineString]:
    """Three corridors across the stand."""
    return [line((x, 0), (x, 200)) for x in (20, 100, 180)]


@pytest.fixture
def corridors(survey: Read, layer: Layer) -> Read:
    """Survey with some corridors."""

    def read(shapes: list, columns: dict | None = None, **tables: object) -> Survey:
        return survey(inputs={"corridors": layer("c.gpkg", shapes, columns)}, **tables)

    return read


def noticed(survey: Survey, part: str) -> bool:
    """Whether a notice holds a text."""
    return any(part in notice for notice in survey.notices)


def test_no_corridors_are_a_notice(survey: Read) -> None:
    """A stand without machine corridors is laid out all the same."""
    result = survey()

    assert result.corridors.empty
    assert "width_m" in result.corridors
    assert noticed(result, "No corridors are given: their share is 0 %")


def test_each_corridor_has_its_own_width_or_the_default(corridors: Read, lines: list) -> None:
    """14 ft are 4.2672 m; a blank is the default, and told."""
    columns = {"name": ["A", "B", "C"], "width_ft": [14.0, None, 12.0]}
    result = corridors(lines, columns, corridors={"width": "4 m"})

    assert result.corridors["width_m"].tolist() == pytest.approx([4.2672, 4.0, 3.6576])
    assert noticed(result, "1 corridor without a width of its own: B; the default of 4.00 m")


def test_the_project_says_which_column_is_the_width(corridors: Read, lines: list) -> None:
    """And its unit, where the name has none."""
    settings = {"width_column": "w", "width_unit": "ft"}
    result = corridors(lines, {"w": [10.0, 20.0, 30.0]}, corridors=settings)

    assert result.corridors["width_m"].tolist() == pytest.approx([3.048, 6.096, 9.144])


def test_a_width_without_a_unit_is_refused(corridors: Read, lines: list) -> None:
    """14 may be feet or metres: an area three times as large."""
    with pytest.raises(
        InputError, match=r"'width' does not say its unit.*\[corridors\] width_unit"
    ):
        corridors(lines, {"width": [14.0] * 3})


@pytest.mark.parametrize("width", [0.0, -4.0, 31.0, float("inf")])
def test_an_absurd_width_is_refused(corridors: Read, lines: list, width: float) -> None:
    """A corridor that is left out would change the share, so it is not left out."""
    with pytest.raises(
        InputError, match=r"feature 2 \(B\): 1 corridor with an impossible width \(B"
    ):
        corridors(lines, {"name": ["A", "B", "C"], "width_m": [4.0, width, 4.0]})


def test_corridors_are_new_unless_said_to_exist(corridors: Read, lines: list) -> None:
    """An unknown word is taken as new, and told."""
    result = corridors(lines, {"status": ["Existing", "", "grassy"]})

    assert result.corridors["state"].tolist() == ["existing", "new", "new"]
    assert noticed(result, "'status' says neither new nor existing for 1 corridor (grassy)")


def test_corridors_without_a_name_are_numbered(corridors: Read, lines: list) -> None:
    """A number that a name has already is passed over."""
    result = corridors(lines, {"name": ["", "1", ""]})

    assert result.corridors["corridor"].tolist() == ["2", "1", "3"]


def test_one_name_for_several_lines_is_told_apart(corridors: Read, lines: list) -> None:
    """Each line is a corridor of its own."""
    result = corridors(lines, {"name": ["A", "A", "A-2"]})

    assert result.corridors["corridor"].is_unique
    assert result.corridors["corridor"].iloc[[0, 2]].tolist() == ["A", "A-2"]
    assert noticed(result, "2 lines with a name that another has too (A)")


def test_a_corridor_in_pieces_is_one(corridors: Read, lines: list) -> None:
    """A multi-part line is one corridor."""
    result = corridors([shapely.MultiLineString(lines[:2])])

    assert len(result.corridors) == 1
    assert result.corridors.length.item() == pytest.approx(400)


def test_lines_without_length_or_outside_are_rejected(
    corridors: Read, lines: list, line: Callable
) -> None:
    """A point clicked twice would be buffered to a disc."""
    shapes = [lines[0], line((50, 50), (50, 50)), line((300, 0), (300, 200))]
    result = corridors(shapes, {"name": ["A", "B", "C"]})

    assert result.corridors["corridor"].tolist() == ["A"]
    assert result.rejected[["tree_id", "reason"]].to_numpy().tolist() == [
        ["B", "the line has no length; draw it again"],
        ["C", "the line lies wholly outside the stand; correct it or leave it out"],
    ]


def test_corridors_that_all_lie_outside_are_refused(corridors: Read, line: Callable) -> None:
    """A share of 0 % would look like a good result."""
    with pytest.raises(InputError, match="1 of 1 records lie outside the stand"):
        corridors([line((300, 0), (300, 200))])


def test_no_usable_line_is_a_refusal(corridors: Read, line: Callable) -> None:
    """The same, for lines that are none."""
    with pytest.raises(InputError, match="no line in it can be used"):
        corridors([line((50, 50), (50, 50))])


def test_areas_and_points_are_no_corridors(
    survey: Read, layer: Layer, square: Callable, at: Callable
) -> None:
    """What to do with them is said."""
    with pytest.raises(InputError, match=r"corridors are lines, and these are areas.*landings"):
        survey(inputs={"corridors": layer("a.gpkg", [square()])})
    with pytest.raises(InputError, match="corridors are lines, and these are points"):
        survey(inputs={"corridors": layer("p.gpkg", [at(5, 5)])})


def test_a_line_drawn_twice_is_told(corridors: Read, lines: list) -> None:
    """Drawn backwards it is the same line."""
    result = corridors([lines[0], lines[0].reverse()], {"name": ["A", "B"]})

    assert len(result.corridors) == 2
    assert noticed(result, "2 lines equal to another (A, B); their ground counts once")


def test_a_line_past_the_boundary_is_told_with_its_length(corridors: Read, line: Callable) -> None:
    """The part outside, 10 + 20 m, does not count, but the line is handed on whole."""
    result = corridors([line((50, -10), (50, 220))], {"name": ["A"]})

    assert result.corridors.length.item() == pytest.approx(230)
    assert noticed(result, "1 line past the boundary, by 30 m in all (A)")
