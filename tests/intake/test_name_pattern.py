"""Names of waypoints that hold the tree: read by the pattern that the project states."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from pydantic import ValidationError

from glademark.contracts.survey import Survey
from glademark.intake.inspect import inspect_files
from glademark.project.model import Project

Read = Callable[..., Survey]
PAINT = {"pink": "corridor", "light pink": "cut", "orange": "cut"}


def gpx(names: list[str]) -> str:
    """Waypoints in the stand, whose western edge is 87 degrees west."""
    points = (
        f'<wpt lat="45.1542" lon="-86.998{n}"><name>{name}</name></wpt>'
        for n, name in enumerate(names)
    )
    return f'<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1">{"".join(points)}</gpx>'


@pytest.fixture
def marks(survey: Read, text: Callable[..., str]) -> Read:
    """Survey of waypoints with these names, read by a pattern."""

    def read(names: list[str], pattern: str | None) -> Survey:
        settings = {"name_pattern": pattern, "dbh_unit": "cm", "paint": PAINT}
        return survey(text("m.gpx", gpx(names)), marks=settings)

    return read


def test_species_diameter_and_paint_are_read_from_names(marks: Read) -> None:
    """Names of several words, units and uncertain figures stay what they are."""
    names = ["ns 38 pink", "Norway spruce 15 in light pink", "wp ca. 16 orange", "be 22,5 pink"]
    found = marks(names, "{species} {dbh} {paint}").marks

    assert found["species"].tolist() == ["ns", "Norway spruce", "wp", "be"]
    assert found["dbh_cm"].tolist() == pytest.approx([38, 38.1, np.nan, 22.5], nan_ok=True)
    assert found["dbh_flag"].tolist() == ["", "unit_in_cell", "unreadable", ""]
    assert found["paint"].tolist() == ["pink", "light pink", "orange", "pink"]
    assert found["tree_id"].tolist() == ["1", "2", "3", "4"]
    assert found["name"].tolist() == names


def test_a_name_that_does_not_fit_is_told_and_is_not_cut(marks: Read) -> None:
    """Where the truck stood is no tree to cut."""
    result = marks(["ns 38 pink", "truck", "ns pink"], "{species} {dbh} {paint}")

    assert result.marks["kind"].tolist() == ["cut", "unconfirmed", "unconfirmed"]
    assert result.marks["tree_id"].tolist() == ["1", "truck", "ns pink"]
    assert any(
        "2 of 3 names do not fit" in notice and '"truck", "ns pink"' in notice
        for notice in result.notices
    )


@pytest.mark.parametrize(
    ("pattern", "name"),
    [
        ("{id}-{species}-{dbh}", "17-ns-38"),
        ("{id}: {species}/{dbh}", "17:ns / 38"),
        ("no {id} {species}{dbh}", "No 17 ns38"),
    ],
)
def test_signs_and_words_of_a_pattern_stand_between_its_fields(
    marks: Read, pattern: str, name: str
) -> None:
    """Signs count with and without spaces, words in any case."""
    found = marks([name], pattern).marks

    assert found[["tree_id", "species", "dbh"]].iloc[0].tolist() == ["17", "ns", 38]


@pytest.mark.parametrize("pattern", ["ns 38", "{girth}", "{dbh} {dbh}", "{species", ""])
def test_a_pattern_without_fields_is_refused(project: Callable[..., Project], pattern: str) -> None:
    """A slip in the pattern is not read as text between fields."""
    with pytest.raises(ValidationError, match="does not say what a name holds"):
        project(marks={"name_pattern": pattern})


@pytest.mark.parametrize(
    ("names", "pattern"),
    [
        (["ns 38 pink", "sf 22 white", "be 41 pink"], "{species} {dbh} {paint}"),
        (["1_ns_38_pink", "2_ns_30_pink", "3_be_38_white"], "{id}_{species}_{dbh}_{paint}"),
        (["ns-38", "ns-41", "be-22"], "{species}-{dbh}"),
        (["001", "002", "003"], ""),
        (["tree 1", "tree 2", "tree 3"], ""),
    ],
)
def test_inspect_and_layout_propose_a_pattern(
    marks: Read, tmp_path: Path, names: list[str], pattern: str
) -> None:
    """Names that look like trees are said to, and numbers are not."""
    notices = marks(names, None).notices
    (layer,) = inspect_files([tmp_path / "m.gpx"])[0].layers

    assert any("State [marks] name_pattern" in notice for notice in notices) == bool(pattern)
    assert all(f'"{pattern}"' in notice for notice in notices if "name_pattern" in notice)
    assert layer.name_pattern == pattern
