"""Text files of rows and columns, as spreadsheets, receivers and people write them."""

from collections.abc import Callable
from pathlib import Path

import pytest

from glademark.errors import FileError
from glademark.intake.columns.meanings import MARKS
from glademark.intake.formats.delimited import read_delimited
from glademark.intake.formats.files import Snapshots
from glademark.intake.record_log import Reading

Open = Callable[..., Reading]


@pytest.fixture
def opened(tmp_path: Path, text: Callable[..., str]) -> Open:
    """Text as a reading of marks."""

    def read(content: str | bytes, encoding: str = "utf-8", name: str = "m.csv") -> Reading:
        path = Path(text(name, content, encoding))
        file = Snapshots(tmp_path).take("marks", path, folder=tmp_path)
        return read_delimited(file, MARKS)

    return read


@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
def test_the_separator_is_the_one_that_makes_known_columns(opened: Open, separator: str) -> None:
    """No setting is needed for what the header shows."""
    reading = opened(separator.join(["tree", "dbh", "remark"]) + "\n1" + separator * 2 + "a\n")

    assert reading.rows.iloc[0].tolist() == ["1", "", "a"]


def test_a_separator_said_in_the_first_line_counts(opened: Open) -> None:
    """Spreadsheets write sep=; above the header."""
    reading = opened("sep=;\ntree;note\n1;a,b,c\n")

    assert reading.rows.columns.tolist() == ["tree", "note"]
    assert reading.record.tolist() == [3]


@pytest.mark.parametrize(
    ("encoding", "told"),
    [("utf-8", False), ("utf-8-sig", False), ("utf-16", False), ("cp1252", True)],
)
def test_the_encoding_is_found(opened: Open, encoding: str, told: bool) -> None:  # noqa: FBT001 - a parameter of the test
    """Marks of byte order bind; Windows-1252 is a guess, and told."""
    reading = opened("tree,species\n1,Bouleau à papier\n", encoding)

    assert reading.rows["species"].item() == "Bouleau à papier"
    assert any("read as Windows-1252" in notice for notice in reading.notices) == told


def test_a_header_is_trimmed_and_cells_too(opened: Open) -> None:
    """Blanks around a name or a value say nothing."""
    reading = opened(' tree , dbh \n 1 , "12" \n')

    assert reading.rows.to_dict("records") == [{"tree": "1", "dbh": '"12"'}]


def test_blank_rows_are_no_records(opened: Open) -> None:
    """Line numbers stay those of the file."""
    reading = opened("\ntree,dbh\n\n1,12\n , \n,\n   \n2,13\n")

    assert reading.record.tolist() == [4, 8]
    assert reading.rows["tree"].tolist() == ["1", "2"]
    assert reading.spoiled == ()


def test_a_cell_over_two_lines_is_one_record(opened: Open) -> None:
    """The record's line is its first."""
    reading = opened('tree,note\n1,"two\nlines"\n2,x\n')

    assert reading.record.tolist() == [2, 4]


def test_a_row_with_another_number_of_cells_is_spoiled(opened: Open) -> None:
    """A shifted row would put heights among diameters."""
    reading = opened("tree,dbh\n1,12\n2,13,14\n3\n4,15,\n")

    assert reading.rows["tree"].tolist() == ["1", "4"]
    assert reading.spoiled == (
        (3, "3 cells where the header has 2; correct the line"),
        (4, "1 cell where the header has 2; correct the line"),
    )


def test_a_header_in_the_middle_is_told(opened: Open) -> None:
    """Two days joined into one file."""
    reading = opened("tree,dbh\n1,12\ntree,dbh\n2,13\n")

    assert reading.rows["tree"].tolist() == ["1", "2"]
    assert "the header stands again in line 3" in reading.notices[0]


def test_nameless_columns_without_values_are_dropped(opened: Open) -> None:
    """Separators at the end of every line make them; one with values is kept."""
    reading = opened("tree,,\n1,x,\n")

    assert reading.rows.columns.tolist() == ["tree", "column_2"]


@pytest.mark.parametrize(
    ("content", "what"),
    [
        (b"tree,dbh\n1,\x0012\n", "this is no text: it holds zero bytes"),
        (b"tree,dbh\n", "there are no rows below the header in line 1"),
        (b"\n\n", "there is no header line"),
        (b" \n \n", "there is no header line"),
        (
            b'tree,dbh\n1,"12\n2,13\n',
            r"m\.csv, line 2: a cell is too long, or the quotes do not match up",
        ),
        (b"\xef\xbb\xbftree,dbh\n1,\xff\n", "the text is damaged at byte"),
        (b"\xff\xfet\x00r\x00e", "the text is damaged at byte"),
        (b"tree,note\n1," + b"x" * 200_000 + b"\n", "line 2: a cell is too long"),
    ],
)
def test_a_broken_text_file_is_refused(opened: Open, content: bytes, what: str) -> None:
    """The message names the place."""
    with pytest.raises(FileError, match=what):
        opened(content)
