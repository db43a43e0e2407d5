"""Labels of trees: one for each in its stand, though two markers number alike."""

from collections.abc import Callable

import pandas as pd

from glademark.contracts.survey import Survey
from glademark.intake.columns.mark_fields import mark_labels
from glademark.intake.record_log import RecordLog

Read = Callable[..., Survey]
Text = Callable[..., str]


def marks(*ids: str, y: int, marker: str = "") -> str:
    """Marks in a row, with one marker if named."""
    head, by = ("by,", f"{marker},") if marker else ("", "")
    rows = [
        f"{by}{one},{20 + n + y},{500_010 + 15 * n},{5_000_000 + y}" for n, one in enumerate(ids)
    ]
    return "\n".join([f"{head}no,dbh_cm,x,y", *rows]) + "\n"


def of_files(survey: Read, text: Text, *contents: str, **tables: object) -> Survey:
    """Survey of files called north, south and east."""
    names = ("north.csv", "south.csv", "east.csv")
    files = [
        {"file": text(name, content), "crs": "EPSG:32616"}
        for name, content in zip(names, contents, strict=False)
    ]
    return survey(files, **tables)


def test_a_number_of_its_own_is_the_label(survey: Read, text: Text) -> None:
    """Where no number is used twice, trees are shown by the number that is painted on them."""
    result = of_files(survey, text, marks("1", "2", y=20), marks("3", "4", y=120))

    assert result.marks["label"].tolist() == ["1", "2", "3", "4"]


def test_files_that_both_start_at_one_get_letters(survey: Read, text: Text) -> None:
    """Danger tree 318 of one file is not tree 318 of the other, and all trees are shown alike."""
    result = of_files(survey, text, marks("1", "2", y=20), marks("2", "3", y=120))

    assert result.marks["label"].tolist() == ["A-1", "A-2", "B-2", "B-3"]
    assert result.marks["tree_id"].tolist() == ["1", "2", "2", "3"]
    (told,) = [notice for notice in result.notices if "Numbers of trees repeat" in notice]
    assert "A north.csv, B south.csv" in told


def test_markers_that_are_named_stand_instead_of_letters(survey: Read, text: Text) -> None:
    """Who painted the tree says more than the file that it came in."""
    first, second = marks("1", "2", y=20, marker="JD"), marks("1", y=120, marker="KL")
    result = of_files(survey, text, first, second)

    assert result.marks["label"].tolist() == ["JD-1", "JD-2", "KL-1"]


def test_a_number_used_twice_in_one_file_is_told_apart(survey: Read, text: Text) -> None:
    """A slip of the pen must not make one tree of two on the papers."""
    result = of_files(survey, text, marks("1", "1", "2", "1/2", y=20))

    assert result.marks["label"].tolist() == ["1", "1/2", "2", "1/2/2"]


def test_trees_without_a_number_are_called_after_their_record(survey: Read, text: Text) -> None:
    """A danger tree without a number must still be found in the file."""
    result = of_files(survey, text, marks("", "7", y=20), marks("", y=120))

    assert result.marks["label"].tolist() == ["A-#2", "A-7", "B-#2"]


def test_leave_trees_are_not_called_like_trees_to_cut(survey: Read, text: Text) -> None:
    """Leave tree 2 beside a tree 2 that is to be cut."""
    leave = {"file": text("leave.csv", marks("2", "9", y=60)), "crs": "EPSG:32616"}
    result = survey(
        [{"file": text("a.csv", marks("1", "2", y=20)), "crs": "EPSG:32616"}],
        inputs={"leave_trees": leave},
    )

    assert result.marks["label"].tolist() == ["1", "2"]
    assert result.leave_trees["label"].tolist() == ["L-2", "L-9"]


def test_stands_have_labels_of_their_own() -> None:
    """Numbers that repeat in one stand change nothing in another."""
    rows = {
        "stand": [0, 0, 1, 1],
        "tree_id": ["1", "1", "1", "2"],
        "marker": ["a.csv", "b.csv", "a.csv", "b.csv"],
        "source_file": ["a.csv", "b.csv", "a.csv", "b.csv"],
        "_file": [0, 1, 0, 1],
        "record": [2, 2, 3, 3],
    }

    labels = mark_labels(pd.DataFrame(rows), RecordLog(stands=2))

    assert labels.tolist() == ["A-1", "B-1", "1", "2"]
