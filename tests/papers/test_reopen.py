"""Papers made again from layout.gpkg alone: the same, byte for byte."""

import math
import shutil
import sqlite3
from contextlib import closing
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import pyogrio
import pytest
import shapely
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from glademark.contracts.layout import CorridorFigures
from glademark.errors import FileError
from glademark.export import geopackage, tables
from glademark.export.geopackage import write_geopackage
from glademark.export.handheld_files import GEOJSON, GPX, KML
from glademark.export.output import deliver
from glademark.export.reopen import rebuilt, reopen, split_name
from glademark.hosts.cli import cli
from glademark.jobs.layout import Outcome, make_papers
from glademark.project.model import Project
from glademark.report import summary
from glademark.report.delivery import MAP, Deliverable, Delivery
from glademark.report.papers import field_guide as guide
from glademark.report.papers import field_sheets, filing_figures
from glademark.report.summary import json_value, named_values, parameters_table

ALL = (
    GPX, KML, GEOJSON, MAP, guide.DELIVERABLE,
    filing_figures.DELIVERABLE, field_sheets.STUMP_CHECK, tables.WORKBOOK, summary.DELIVERABLE,
    tables.CHECKS, tables.OPENINGS, tables.VOLUME_BY_ZONE, geopackage.DELIVERABLE,
)  # fmt: skip


def reopened(delivery: Delivery, folder: Path) -> Delivery:
    """A delivery written into a GeoPackage and opened again."""
    path = folder / "layout.gpkg"
    write_geopackage(delivery, path)
    return reopen(path)


@pytest.fixture(scope="module")
def sample_again(sample: Outcome) -> Delivery:
    """The sample's delivery, out of its GeoPackage."""
    return reopen(sample.files[0].parent / "layout.gpkg")


@pytest.mark.parametrize("one", ALL, ids=lambda one: one.id)
def test_sample_papers_come_out_the_same(
    one: Deliverable, sample: Outcome, sample_again: Delivery, tmp_path: Path
) -> None:
    """Every file of the sample, made from the GeoPackage alone, equals the one of the first run."""
    one.write(sample_again, tmp_path)

    for name in one.files:
        first = sample.files[0].parent / name
        assert first.read_bytes() == (tmp_path / name).read_bytes(), name


@pytest.mark.parametrize("name", ["small", "many", "bare"])
def test_small_stands_come_out_the_same(
    name: str, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    """What a stand lacks, it lacks again: its GeoPackage, reopened and written, has equal bytes."""
    delivery = request.getfixturevalue(name)
    again = tmp_path / "again.gpkg"
    write_geopackage(reopened(delivery, tmp_path), again)

    assert again.read_bytes() == (tmp_path / "layout.gpkg").read_bytes()


def test_project_and_figures_come_back(small: Delivery, tmp_path: Path) -> None:
    """Settings in SI, product names with dots, limits and figures are as they were."""
    again = reopened(small, tmp_path)

    assert json_value(again.project) == json_value(small.project)
    assert json_value(again.layout.figures) == json_value(small.layout.figures)
    assert again.summary == small.summary
    assert again.project.openings.cleared_to_dbh_cm == 5.0
    assert again.project.volume.products["no. 2 saw"].unit == "m3"


def test_recorded_columns_of_marks_come_back(sample: Outcome, sample_again: Delivery) -> None:
    """Columns that came in with the marks are kept, those in the user's units are not doubled."""
    again = sample_again.layout.marks

    assert set(again.columns) == set(sample.delivery.layout.marks.columns)
    assert again.columns.is_unique


def test_words_of_the_data_dictionary_are_no_data(small: Delivery, tmp_path: Path) -> None:
    """Columns that came in are known by their entry, whatever the dictionary says of them."""
    marks = small.layout.marks.assign(**{"Höhe (m)": "12", "fid": "a"})
    given = replace(small, layout=replace(small.layout, marks=marks))
    write_geopackage(given, tmp_path / "layout.gpkg")
    with closing(sqlite3.connect(tmp_path / "layout.gpkg")) as database, database:
        database.execute("UPDATE gpkg_data_columns SET title = 'T', description = 'Other words.'")

    again = reopen(tmp_path / "layout.gpkg").layout.marks

    assert set(again.columns) == set(marks.columns)
    assert again["Höhe (m)"].eq("12").all()
    assert again["fid"].eq("a").all()


@given(st.lists(st.text(max_size=6), min_size=1, max_size=4))
def test_any_keys_are_found_again(keys: list[str]) -> None:
    """Keys with dots, quotes and blanks are taken apart as they were put together."""
    values: dict[str, Any] = {keys[-1]: 1}
    for key in reversed(keys[:-1]):
        values = {key: values}

    [(name, _)] = named_values(values)

    assert split_name(name) == keys


def test_parameter_names_are_keys_of_a_project_file(small: Delivery) -> None:
    """A key with other letters than a bare one stands in quotes, as in TOML 1.0."""
    names = parameters_table(small)["name"].tolist()

    assert 'volume.products."no. 2 saw".unit' in names
    assert "openings.cleared_to_dbh_cm" in names


def test_missing_numbers_come_back_as_missing() -> None:
    """JSON has no NaN: null becomes NaN where a number belongs, and None where none may be."""
    numbers = dict.fromkeys((field.name for field in fields(CorridorFigures)), 0.5)
    again = rebuilt(CorridorFigures, {**numbers, "mean_spacing_m": None})

    assert math.isnan(again.mean_spacing_m)
    assert again.length_m == 0.5
    assert rebuilt(float | None, None) is None


def test_what_another_version_wrote_besides_is_passed_over() -> None:
    """Unknown settings are left alone, missing ones take their defaults."""
    project: Project = rebuilt(
        Project,
        {"heading": {"name": "A", "motto": "none"}, "inputs": {"marks": [{"file": "m.csv"}]}},
    )

    assert project.heading.name == "A"
    assert project.heading.units == "us"
    assert project.inputs.marks[0].file == Path("m.csv")
    assert project.marks.line_trees_confirmed is False


def test_foreign_geopackage_is_refused(tmp_path: Path) -> None:
    """A GeoPackage that the package did not write is named, with what it lacks."""
    path = tmp_path / "other.gpkg"
    frame = gpd.GeoDataFrame({"a": [1]}, geometry=[shapely.Point(0, 0)], crs="EPSG:26916")
    pyogrio.write_dataframe(frame, path, layer="stand")

    with pytest.raises(FileError, match="has no table parameters, checks, rejected; expected a"):
        reopen(path)


def test_no_geopackage_is_refused(tmp_path: Path) -> None:
    """A file that is none, or is not there, is refused in one sentence."""
    path = tmp_path / "layout.gpkg"
    path.write_text("no database")

    with pytest.raises(FileError, match=r"expected a layout.gpkg"):
        reopen(path)


def test_parameters_without_settings_are_refused(sample: Outcome, tmp_path: Path) -> None:
    """A table of parameters that was emptied is not guessed at."""
    path = tmp_path / "layout.gpkg"
    shutil.copy(sample.files[0].parent / "layout.gpkg", path)
    with closing(sqlite3.connect(path)) as database, database:
        database.execute("DELETE FROM parameters")

    with pytest.raises(FileError, match="lacks the settings"):
        reopen(path)


def test_papers_leave_the_geopackage_alone(sample: Outcome, tmp_path: Path) -> None:
    """The GeoPackage is read, not written again, and the papers asked for are there."""
    gpkg = sample.files[0].parent / "layout.gpkg"
    before = gpkg.read_bytes()

    made = make_papers(gpkg, out=tmp_path, only=("checks", "openings"))

    assert [path.name for path in made.files] == ["checks.csv", "openings.csv", "summary.json"]
    assert gpkg.read_bytes() == before


def test_papers_command_names_its_files(sample: Outcome, tmp_path: Path) -> None:
    """The command prints the path of every file that it made."""
    gpkg = sample.files[0].parent / "layout.gpkg"

    done = CliRunner().invoke(
        cli, ["papers", str(gpkg), "--out", str(tmp_path), "--only", "checks"]
    )

    assert done.exit_code == 0
    assert [Path(line).name for line in done.stdout.split()] == ["checks.csv", "summary.json"]


def test_each_title_is_told_before_it_is_made(small: Delivery, tmp_path: Path) -> None:
    """What a terminal shows as progress is the title of what is being made."""
    told: list[str] = []
    known = {one.id: one for one in (GPX, summary.DELIVERABLE)}

    deliver(small, tmp_path / "out", known, on_each=told.append)

    assert told == ["GPX for receivers", "Summary"]
