"""Starting a project: the files that are written, and that they say the truth."""

import csv
import os
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import get_args

import pytest
from pydantic import BaseModel

from glademark.errors import InputError, OutputError
from glademark.hosts.cli import INTERRUPTED, _guarded
from glademark.intake.first_project import TEMPLATES, new_project
from glademark.project import Project, read_project

DESIGNED_LIMITS = {
    "canopy_cover_min",
    "crop_tree_sides_min",
    "regeneration_machine_share_max",
    "retention_trees_min",
    "species_share_min",
    "opening_area_max",
    "opening_area_min",
    "combined_area_max",
    "opening_spacing_min",
    "openings_share_max",
    "opening_width_heights_max",
    "opening_width_heights_min",
    "corridor_share_max",
    "corridors_and_landings_share_max",
    "corridor_density_max",
    "corridor_width_max",
    "corridor_spacing_min",
    "boundary_distance_min",
    "water_distance_min",
    "removal_share_max",
    "removal_basal_area_share_max",
    "residual_basal_area_min",
    "dbh_max",
    "target",
    "corridor_grade_max",
    "corridor_cross_slope_max",
    "opening_slope_max",
    "reach_max",
    "extraction_distance_max",
    "water_crossings_max",
}


def _switched_on(text: str) -> str:
    return re.sub(r"(?m)^#(?=[a-z\[])", "", text)


def _parts(annotation: object) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for inner in get_args(annotation):
        yield from _parts(inner)


def _keys(part: type[BaseModel]) -> set[str]:
    keys = set()
    for name, field in part.model_fields.items():
        keys.add(field.alias or name)
        for inner in _parts(field.annotation):
            keys |= _keys(inner)
    return keys


def test_new_folder_has_a_project_and_its_tables(tmp_path: Path) -> None:
    """Every file is named to the caller, and is there."""
    written = new_project(tmp_path / "wood" / "stand 3")

    assert [path.name for path in written[: len(TEMPLATES)]] == list(TEMPLATES)
    assert all(path.is_file() for path in written)


def test_every_input_has_a_file_to_draw_in(tmp_path: Path) -> None:
    """Each input that the project file names has a file of that name, but for the rasters."""
    names = {path.name for path in new_project(tmp_path)}
    text = (tmp_path / "harvest.toml").read_text(encoding="utf-8")
    inputs = tomllib.loads(_switched_on(text))["inputs"]

    assert set(inputs.values()) - names == {inputs["terrain"], inputs["canopy_height"]}


def test_new_project_file_is_sound(tmp_path: Path) -> None:
    """The template can be read as it is."""
    new_project(tmp_path)
    project = read_project(tmp_path / "harvest.toml")

    assert project.inputs.stand[0].file == tmp_path / "stand.gpkg"


def test_settings_that_are_off_are_sound_too(tmp_path: Path) -> None:
    """Every setting of the template can be switched on as it stands."""
    project_file, *_ = new_project(tmp_path)
    project_file.write_text(
        _switched_on(project_file.read_text(encoding="utf-8")), encoding="utf-8"
    )
    project = read_project(project_file)

    assert project.corridors.width_column == "width_m"
    assert set(project.limits) == DESIGNED_LIMITS


def test_defaults_that_are_shown_are_the_defaults(tmp_path: Path) -> None:
    """Switching on a setting that has a default changes nothing."""
    project_file, *_ = new_project(tmp_path)
    before = read_project(project_file)
    project_file.write_text(
        _switched_on(project_file.read_text(encoding="utf-8")), encoding="utf-8"
    )
    after = read_project(project_file)

    assert after.heading.units == before.heading.units
    assert after.corridors.width_m == before.corridors.width_m
    assert after.marks.diameter_at == before.marks.diameter_at
    assert after.marks.position_error_m == before.marks.position_error_m
    assert after.marks.line_trees_confirmed is before.marks.line_trees_confirmed is False
    by_stand = ("cleared_to_dbh_cm", "edge", "standing_crown_radius_m", "walked_along")
    assert after.openings.model_copy(update=dict.fromkeys(by_stand)) == before.openings
    assert after.water.setback_rule == before.water.setback_rule
    assert (before.volume.table_reading, after.volume.table_reading) == (None, "class")  # as taken
    assert after.allowance.confidence == before.allowance.confidence


def test_every_key_is_explained(tmp_path: Path) -> None:
    """Every key that the program reads stands in the template, below a line of explanation."""
    project_file, *_ = new_project(tmp_path)
    text = project_file.read_text(encoding="utf-8")
    missing = {key for key in _keys(Project) if not re.search(rf"\b{key}\b", text)}
    table = tomllib.loads(_switched_on(text))

    assert missing == set()
    assert set(table) == {field.alias or name for name, field in Project.model_fields.items()}


def test_template_defers_to_law_and_licence(tmp_path: Path) -> None:
    """Who starts from the template reads that its numbers are no advice."""
    project_file, *_ = new_project(tmp_path)
    text = project_file.read_text(encoding="utf-8")

    assert "The numbers here are no advice." in text
    assert "licensed" in text


@pytest.mark.parametrize(
    ("name", "needed"),
    [
        (
            "marks.csv",
            {"tree_id", "lon", "lat", "dbh_in", "species", "product", "paint", "group", "count"},
        ),
        ("tally.csv", {"zone", "species", "product", "dbh_in", "count"}),
        ("volume_table.csv", {"product", "species", "dbh_in", "volume", "unit"}),
    ],
)
def test_tables_are_headings_only(tmp_path: Path, name: str, needed: set[str]) -> None:
    """The tables hold their headings and wait for rows."""
    new_project(tmp_path)
    with (tmp_path / name).open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))

    assert len(rows) == 1
    assert needed <= set(rows[0])


def test_project_is_never_overwritten(tmp_path: Path) -> None:
    """A project file that exists is refused and keeps every byte."""
    (tmp_path / "harvest.toml").write_bytes(b"mine")

    with pytest.raises(InputError, match="this project file exists and was left as it is"):
        new_project(tmp_path)
    assert [(path.name, path.read_bytes()) for path in tmp_path.iterdir()] == [
        ("harvest.toml", b"mine")
    ]


def test_marks_that_are_there_stay(tmp_path: Path) -> None:
    """A folder with the day's marks gets the rest around them."""
    (tmp_path / "marks.csv").write_bytes(b"Tree No,DBH\n1,12\n")
    written = new_project(tmp_path)

    assert "marks.csv" not in [path.name for path in written]
    assert (tmp_path / "marks.csv").read_bytes() == b"Tree No,DBH\n1,12\n"


def test_file_in_place_of_the_folder_is_refused(tmp_path: Path) -> None:
    """A name that a file has already cannot become a folder."""
    (tmp_path / "stand").write_bytes(b"")

    with pytest.raises(InputError, match="this is a file; expected the name of a folder"):
        new_project(tmp_path / "stand")


def test_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    """A folder inside a file cannot be written, and the reason is said."""
    (tmp_path / "file").write_bytes(b"")

    with pytest.raises(OutputError, match="a file cannot be written"):
        new_project(tmp_path / "file" / "stand")


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write anywhere"
)
def test_folder_without_permission_is_told(tmp_path: Path) -> None:
    """A folder that may not be written to is an output error."""
    tmp_path.chmod(0o500)

    with pytest.raises(OutputError, match="a file cannot be written"):
        new_project(tmp_path)


def test_an_interrupted_start_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Interrupted between two files, the command does not say that nothing was changed."""
    opened = Path.open

    def interrupt(self: Path, *words: str, **more: str) -> object:
        if self == tmp_path / "tally.csv":
            raise KeyboardInterrupt
        return opened(self, *words, **more)

    monkeypatch.setattr(Path, "open", interrupt)

    assert _guarded(lambda: new_project(tmp_path)) == INTERRUPTED
    assert capsys.readouterr().err == (
        f"interrupted; {tmp_path} may hold some files of the new project: remove them first\n"
    )
