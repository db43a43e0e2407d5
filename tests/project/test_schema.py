"""The JSON schema of project files: it takes what the model takes, and refuses what it refuses."""

import json
import re
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from click.testing import CliRunner

from glademark.errors import ProjectError
from glademark.hosts.cli import cli
from glademark.intake.first_project import template_text
from glademark.jobs.layout import installed_limits
from glademark.project import Project, read_project
from glademark.units import _SPELLINGS, AREA_M2, BASAL_AREA_M2_HA, LENGTH_M, SOLID_M3, unit_name

ROOT = Path(__file__).resolve().parents[2]
LEAST = "[project]\nname = 'A'\n[inputs]\nstand = 'stand.gpkg'\nmarks = 'marks.csv'\n"


@pytest.fixture(scope="module")
def schema() -> jsonschema.Draft202012Validator:
    """The schema as the command prints it."""
    done = CliRunner().invoke(cli, ["new", "--schema"])
    assert done.exit_code == 0
    printed = json.loads(done.stdout)
    jsonschema.Draft202012Validator.check_schema(printed)
    return jsonschema.Draft202012Validator(printed)


def test_template_and_sample_fit(schema: jsonschema.Draft202012Validator) -> None:
    """The template as it is, with every setting switched on, and the sample's files are taken."""
    text = template_text()
    samples = [path.read_text(encoding="utf-8") for path in ROOT.glob("sample_gis/**/harvest.toml")]

    assert samples
    for one in (text, re.sub(r"(?m)^#(?=[a-z\[])", "", text), *samples):
        assert not list(schema.iter_errors(tomllib.loads(one)))


def test_limits_are_offered_by_name(schema: jsonschema.Draft202012Validator) -> None:
    """An editor completes the key of each installed limit and marks a misspelt one."""
    offered = schema.schema["properties"]["limits"]["properties"]
    titles = {name: limit.title for name, limit in installed_limits().items()}

    assert {name: one["description"] for name, one in offered.items()} == titles
    assert schema.is_valid(tomllib.loads(LEAST + "[limits]\nopening_area_max = '1 acre'"))
    assert not schema.is_valid(tomllib.loads(LEAST + "[limits]\nopning_area_max = '1 acre'"))


@pytest.mark.parametrize(
    "more",
    [
        "[corridors]\nwidth = 14",
        "[corridors]\nwidth = '14'",
        "[corridors]\nwidth = '2 ha'",
        "[corridors]\nwidth_unit = 'yd'",
        "[corridors]\nwidht = '4 m'",
        "[zzz]",
        "[openings]\nmin_area = '5 m'",
        "[openings]\nmin_trees = 0",
        "[openings]\nmin_trees = 'few'",
        "[marks]\nposition_error = '4 95 %'",
        "[marks]\nposition_error_by_file = {'marks.csv' = 4}",
        "[marks.paint]\npink = 'coridor'",
        "[wind]\nfrom = 'up'",
        "[terrain]\ngrade_lengths = ['10 m', 30]",
        "[terrain]\ncovered_min = '0.5'",
        "[volume]\nsize_classes = 5",
        "[volume]\ntable = {layer = 'x'}",
        "[volume.products.sawlog]\nrule = 'doyle'",
        "[species.bu]\ngroup = 'hardwood'",
        "[limits]\nopening_area_max = 0.5",
        "[limits]\nopening_area_max = {value = '1 acre', authorty = 'law'}",
    ],
)
def test_wrong_files_are_refused_by_both(
    schema: jsonschema.Draft202012Validator, tmp_path: Path, more: str
) -> None:
    """A wrong unit, a number without one, an unknown key or choice: schema and model refuse it."""
    path = tmp_path / "harvest.toml"
    path.write_text(LEAST + more, encoding="utf-8")

    with pytest.raises(ProjectError):
        read_project(path)
    assert not schema.is_valid(tomllib.loads(LEAST + more))


@pytest.mark.parametrize("inputs", ["marks = []", "marks = 7", "marks = {layer = 'x'}"])
def test_marks_are_a_path_a_table_or_a_list_of_these(
    schema: jsonschema.Draft202012Validator, inputs: str
) -> None:
    """No file, a number and a table without a path are no marks."""
    asked = tomllib.loads(LEAST.replace("marks = 'marks.csv'", inputs))

    assert not schema.is_valid(asked)
    for marks in ("a.csv", {"file": "a.csv", "crs": "EPSG:4326"}, ["a.csv", {"file": "b.csv"}]):
        assert schema.is_valid({**asked, "inputs": {"stand": "stand.gpkg", "marks": marks}})


@pytest.mark.parametrize(
    ("table", "key", "units"),
    [
        ("corridors", "width", LENGTH_M),
        ("openings", "min_area", AREA_M2),
        ("machine", "payload", SOLID_M3),
        ("water", "setback_minimum", BASAL_AREA_M2_HA),
    ],
)
def test_every_spelling_of_a_unit_that_is_read_fits(
    schema: jsonschema.Draft202012Validator, table: str, key: str, units: dict[str, float]
) -> None:
    """Units in words, signs and capital letters fit where they are read, and nowhere else."""
    spelt = {*units, *_SPELLINGS, *(word.upper() for word in _SPELLINGS)}

    for word in spelt:
        asked = {**tomllib.loads(LEAST), table: {key: f"1.5 {word}"}}
        assert schema.is_valid(asked) is (unit_name(word) in units), word


def _defaults(part: dict[str, Any]) -> dict[str, Any]:
    return {key: one["default"] for key, one in part["properties"].items() if "default" in one}


def test_defaults_that_are_told_are_the_defaults() -> None:
    """A default in the schema, written into a project file, changes nothing."""
    schema = Project.model_json_schema()
    tables = {
        name: _defaults(schema["$defs"][one["$ref"].rpartition("/")[2]])
        for name, one in schema["properties"].items()
        if "$ref" in one and name not in {"project", "inputs", "target_structure", "uncertainty"}
    }
    least = tomllib.loads(LEAST)

    written = Project.model_validate({**least, **tables}).model_dump()

    assert tables["corridors"] == {"width": "4 m"}
    assert written == Project.model_validate(least).model_dump()


def test_bounds_are_said_in_the_unit() -> None:
    """A text has no minimum that an editor could check: what it may be is said in words."""
    width = Project.model_json_schema()["$defs"]["CorridorSettings"]["properties"]["width"]

    assert width["type"] == "string"
    assert "more than 0 m, at most 100 m" in width["description"]
    assert not {"minimum", "maximum", "exclusiveMinimum", "gt", "le"} & width.keys()
