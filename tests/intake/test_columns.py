"""Columns and cells: what people write at the head of a column and in it."""

from collections.abc import Callable
from time import process_time

import pandas as pd
import pytest

from glademark.errors import FileError
from glademark.intake.columns import meanings
from glademark.intake.columns.fields import numbers, quantities, recognise, yes_or_no


def meaning(header: str) -> tuple[str, str] | None:
    """Meaning and unit of a single header in a file of marks."""
    found = recognise([header], meanings.MARKS, where="m.csv")
    names = list(found.header)
    return (names[0], found.unit[names[0]]) if names else None


@pytest.mark.parametrize(
    ("header", "expected"),
    [
        ("DBH", ("dbh", "")), ("dbh_in", ("dbh", "in")), ("DBH (in)", ("dbh", "in")),
        ('Dbh"', ("dbh", "in")), ("Diameter", ("dbh", "")), ("Diameters", ("dbh", "")),
        ("d_cm", ("dbh", "cm")), ("Dia. mm", ("dbh", "mm")), ("diam", ("dbh", "")),
        ("spp", ("species", "")), ("SPECIES", ("species", "")), ("prod", ("product", "")),
        ("colour", ("paint", "")), ("Color", ("paint", "")), ("grp", ("group", "")),
        ("opening", ("group", "")), ("n", ("count", "")), ("Trees", ("count", "")),
        ("Tree No.", ("id", "")), ("tag", ("id", "")), ("crew", ("marker", "")),
        ("By", ("marker", "")), ("Ht_ft", ("height", "ft")), ("height (m)", ("height", "m")),
        ("crown_radius_m", ("crown_radius", "m")), ("crown_radi", ("crown_radius", "")),
        ("bf", ("volume", "board foot")), ("Vol. m³", ("volume", "m3")),
        ("cull %", ("defect", "pct")), ("cull", ("cull", "")), ("defect_pct", ("defect", "pct")),
        ("accuracy", ("position_error", "")), ("error_m", ("position_error", "m")),
        ("Longitude", ("lon", "")), ("lat", ("lat", "")), ("Easting", ("x", "")),
        ("northing_m", ("y", "m")), ("Date", ("date", "")), ("timestamp", ("time", "")),
        ("Dia mm", ("dbh", "mm")), ("diamm", None),
        ("DBHcm", ("dbh", "cm")), ("ba_m2/ha", None),
        ("hdop", None), ("dbh_furlongs", None), ("remark", None), ("easting_ft", None),
    ],
)  # fmt: skip
def test_a_header_says_meaning_and_unit(header: str, expected: tuple[str, str] | None) -> None:
    """Case and signs say nothing; a unit that is not known leaves the column unread."""
    assert meaning(header) == expected


def test_the_plainest_name_wins_and_the_other_is_told() -> None:
    """Of two columns that may be the height, total height is only second to height."""
    found = recognise(["total_height_ft", "height_ft"], meanings.MARKS, where="m.csv")

    assert found.header["height"] == "height_ft"
    assert found.notices == (
        "m.csv: 'height_ft' is read as height; 'total_height_ft' is kept as it stands.",
    )


def test_a_stated_header_is_found_in_any_case() -> None:
    """And its unit binds though its name is not known."""
    stated = {"dbh": "my_tape (CM)"}
    found = recognise(["My_Tape (cm)"], meanings.MARKS, stated=stated, where="m.csv")

    assert (found.header["dbh"], found.unit["dbh"]) == ("My_Tape (cm)", "cm")


def test_twin_headers_are_refused() -> None:
    """Two columns of one name cannot be told apart."""
    with pytest.raises(FileError, match="two columns are called 'DBH', 'dbh '"):
        recognise(["DBH", "dbh "], meanings.MARKS, where="m.csv")


@pytest.mark.parametrize(
    ("cells", "comma", "values", "bad"),
    [
        (["12", "12.5", "", "-"], False, [12, 12.5, None, None], []),
        (["12,5", "13"], True, [12.5, 13], []),
        (["12,5", "13"], False, [None, 13], [0]),
        (["12,5", "1.3", "x"], True, [None, 1.3, None], [0, 2]),
        (["1e2", "inf", "nan", "NULL"], False, [100, None, None, None], [1]),
        (["0x1A", "1_000", "1 000"], False, [None, None, None], [0, 1, 2]),
    ],
)
def test_cells_become_numbers_or_are_named(
    cells: list[str],
    comma: bool,  # noqa: FBT001 - a parameter of the test
    values: list[float | None],
    bad: list[int],
) -> None:
    """A comma is a decimal point only where the whole column then reads."""
    read, unread = numbers(pd.Series(cells, dtype="str"), decimal_comma=comma)

    assert [None if pd.isna(value) else value for value in read] == values
    assert unread[unread].index.tolist() == bad


def test_a_cell_may_carry_its_unit() -> None:
    """Inch and foot marks are units, straight or curly, and a decimal comma may stand before."""
    cells = pd.Series(['14.2"', "36 cm", "0,36 m", "9", "12 ells", "6\u2019", "5\u201d"])
    values, units, bad = quantities(cells.astype("str"), decimal_comma=True)

    assert values.dropna().tolist() == [14.2, 36, 0.36, 9, 6, 5]
    assert units.tolist() == ["in", "cm", "m", "", "", "ft", "in"]
    assert bad.tolist() == [False] * 4 + [True] + [False] * 2


def test_numbers_that_are_numbers_already_are_kept() -> None:
    """Only an infinite one is no number."""
    values, bad = numbers(pd.Series([1.5, float("inf"), float("nan")]), decimal_comma=False)

    assert values.iloc[0] == 1.5
    assert bad.tolist() == [False, True, False]


def test_yes_has_many_spellings() -> None:
    """Blank is no."""
    yes, bad = yes_or_no(pd.Series(["Yes", "x", "1", "", "no", "perhaps"], dtype="str"))

    assert yes.tolist() == [True, True, True, False, False, False]
    assert bad.tolist() == [False] * 5 + [True]


def test_decimal_commas_are_read_where_commas_do_not_separate(
    survey: Callable, text: Callable[..., str]
) -> None:
    """Half the world writes 12,5."""
    name = text("m.csv", "tree;dbh_cm;x;y\n1;30,5;500050,25;5000050,75\n2;31;500060,5;5000060\n")
    marks = survey({"file": name, "crs": "EPSG:32616"}).marks

    assert marks["dbh"].tolist() == [30.5, 31.0]
    assert (marks.geometry.x[0], marks.geometry.y[0]) == (500050.25, 5000050.75)


def test_a_line_of_many_words_is_no_column_at_once() -> None:
    """A whole line taken for one cell is not split at each of its words in search of a unit."""
    before = process_time()

    assert meanings.DBH.claim(["c1"] * 50_000) is None
    assert process_time() - before < 2
