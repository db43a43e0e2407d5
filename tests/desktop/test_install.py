"""The desktop's plug-in: written into a profile, taken out again, and a complete archive."""

import ast
import configparser
import json
import re
import sys
import zipfile
from pathlib import Path

import pytest

from glademark.errors import InputError, OutputError
from glademark.hosts.cli import cli
from glademark.hosts.desktop.install import (
    FOLDER,
    install,
    plugin_files,
    profile_folder,
    remove,
    write_archive,
)
from glademark.hosts.made_project import write_project
from glademark.project.read import read_project

NEEDED = {  # what a repository of plug-ins asks for, and what the toolbox looks at
    "name", "qgisMinimumVersion", "qgisMaximumVersion", "description", "about", "version", "author",
    "email", "homepage", "repository", "tracker", "license", "icon", "hasProcessingProvider",
}  # fmt: skip


def sources() -> dict[str, ast.Module]:
    """Every Python file of the plug-in, parsed as Python 3.9 reads it."""
    return {
        name: ast.parse(content.decode(), feature_version=(3, 9))
        for name, content in plugin_files().items()
        if name.endswith(".py")
    }


def imported(tree: ast.Module) -> set[str]:
    """Modules that a file imports from outside."""
    plain = [n.name for node in ast.walk(tree) if isinstance(node, ast.Import) for n in node.names]
    named = [
        node.module or ""
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and not node.level
    ]
    return {*plain, *named}


def test_written_into_a_profile_and_enabled(tmp_path: Path) -> None:
    """The folder holds the plug-in and its interpreter; the profile's other settings stay."""
    profile = profile_folder("forest", tmp_path)
    settings = profile / "QGIS/QGIS3.ini"
    settings.parent.mkdir(parents=True)
    settings.write_text("[locale]\nuserLocale=de\n\n[PythonPlugins]\nother=true\n")

    folder = install(profile)
    install(profile)  # once more, over itself

    assert folder == profile / "python/plugins" / FOLDER
    assert (folder / "interpreter.txt").read_text().strip() == sys.executable
    found = configparser.ConfigParser()
    found.read(settings)
    assert dict(found["PythonPlugins"]) == {FOLDER: "true", "other": "true"}
    assert found["locale"]["userLocale"] == "de"
    assert sorted(path.name for path in folder.parent.iterdir()) == [FOLDER]

    remove(profile)
    found.clear()
    found.read(settings)
    assert not folder.exists()
    assert FOLDER not in found["PythonPlugins"]
    with pytest.raises(InputError, match="not there"):
        remove(profile)


def test_folder_of_another_is_left(tmp_path: Path) -> None:
    """A folder of the same name that holds something else is not written over."""
    other = profile_folder("default", tmp_path) / "python/plugins" / FOLDER
    other.mkdir(parents=True)
    (other / "work.txt").write_text("mine")

    with pytest.raises(OutputError, match="holds something else"):
        install(profile_folder("default", tmp_path))

    assert [path.name for path in other.iterdir()] == ["work.txt"]


def test_archive_is_small_and_complete(tmp_path: Path) -> None:
    """One top folder, metadata and licence, no path of this machine, equal bytes each time."""
    path = write_archive(tmp_path / "plugin.zip")
    first = path.read_bytes()
    with zipfile.ZipFile(path) as archive:
        names = archive.namelist()
        metadata = configparser.ConfigParser()
        metadata.read_string(archive.read(f"{FOLDER}/metadata.txt").decode())
        licence = archive.read(f"{FOLDER}/LICENSE").decode()
    write_archive(path)

    assert path.read_bytes() == first
    assert len(first) < 100_000
    assert {name.split("/")[0] for name in names} == {FOLDER}
    assert f"{FOLDER}/interpreter.txt" not in names
    assert {Path(name).suffix for name in names} <= {".py", ".txt", ".svg", ""}
    assert {name.lower() for name in NEEDED} <= set(metadata["general"])
    assert all(metadata["general"].values())
    assert licence.startswith("MIT License")


def test_parameters_are_those_of_the_project_file() -> None:
    """Inputs and settings come from the schema, each setting under the name of table and key."""
    names = sources()["settings.py"].body[1:]
    inputs, settings = (ast.literal_eval(node.value) for node in names)

    assert {"stand", "marks", "standing", "hazards"} <= set(inputs)
    names_of_settings = {name for name, *_ in settings}
    assert {"CORRIDORS_WIDTH", "OPENINGS_EDGE", "LIMITS_OPENING_AREA_MAX", "MARKS_PAINT"} <= (
        names_of_settings
    )
    assert not {"VOLUME_TABLE", "INPUTS_STAND"} & names_of_settings  # these are layers
    assert all(name == f"{table}_{key}".upper() for name, table, key, _ in settings)


@pytest.mark.parametrize("name", sorted(sources()))
def test_runs_under_both_toolkits(name: str) -> None:
    """The toolkit comes through the desktop only, enumerations are scoped, nothing of ours."""
    tree = sources()[name]
    unscoped = [
        ast.unparse(node)
        for node in ast.walk(tree)
        if isinstance(node, ast.Attribute)
        and re.fullmatch(r"(Qt|Q[A-Z]\w+)\.[A-Z]\w+", ast.unparse(node))
        and not re.search(r"\.(Flag|SourceType|WriterError|ActionType|SaveVectorOptions)$|"
                          r"\.(DockWidgetArea|EditTrigger|SelectionBehavior|ProviderOptions)$",
                          ast.unparse(node))
    ]  # fmt: skip

    assert not unscoped
    roots = {module.split(".")[0] for module in imported(tree)}
    assert roots <= {"qgis", *sys.stdlib_module_names}
    assert not [module for module in imported(tree) if "PyQt5" in module or "PyQt6" in module]


def test_project_is_made_of_layers_and_settings(tmp_path: Path) -> None:
    """Layers stand for a project file's inputs, settings for its keys; the rest stays."""
    (tmp_path / "plan").mkdir()
    base = tmp_path / "plan/harvest.toml"
    base.write_text(
        'project = {name = "North"}\n'
        'inputs = {stand = "stand.gpkg", marks = ["a.csv", {file = "b.csv", crs = "EPSG:26916"}]}\n'
        'limits = {opening_area_max = "0.5 acre", opening_spacing_min = "100 ft"}\n'
    )
    request, target = tmp_path / "request.json", tmp_path / "out.toml"
    asked = {
        "project": str(base),
        "inputs": {"stand": {"file": "/x/stand.gpkg", "layer": "stand"}},
        "settings": {
            "limits": {"opening_area_max": "0.7 acre"},
            "marks": {"paint": '{pink = "corridor"}'},
            "openings": {"min_trees": "5"},
            "terrain": {"grade_lengths": '["20 m", "100 ft"]'},
        },
    }
    request.write_text(json.dumps(asked))

    write_project(request, target)

    made = read_project(target)
    assert made.heading.name == "North"
    assert str(made.inputs.stand[0].file) == "/x/stand.gpkg"
    assert [one.file for one in made.inputs.marks] == [
        tmp_path / "plan/a.csv",
        tmp_path / "plan/b.csv",
    ]
    assert made.openings.min_trees == 5
    assert dict(made.marks.paint) == {"pink": "corridor"}
    assert made.terrain.grade_lengths_m == pytest.approx((20, 30.48))
    assert made.limits["opening_area_max"].value == "0.7 acre"
    assert made.limits["opening_spacing_min"].value == "100 ft"


@pytest.mark.parametrize(("given", "missing"), [("marks", "stand"), ("stand", "marks")])
def test_missing_layers_are_named(tmp_path: Path, given: str, missing: str) -> None:
    """Without a project file stand and marks are needed, and the command that makes one says so."""
    request = tmp_path / "request.json"
    asked = {"project": None, "inputs": {given: {"file": "layer.gpkg"}}, "settings": {}}
    request.write_text(json.dumps(asked))
    words = ["layout", tmp_path / "made.toml", "--out", tmp_path / "out", "--request", request]

    with pytest.raises(InputError, match=f"{missing}: no layer is given"):
        cli(list(map(str, words)), standalone_mode=False)
