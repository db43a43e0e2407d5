"""Tables and GeoPackage of the sample under checkers made by others, each shown a broken file."""

import csv
import json
import re
import shutil
import sqlite3
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from glademark.contracts.layers import LAYERS
from glademark.jobs.layout import Outcome
from glademark.report.quantities import CHECKS_SHOWN, written_columns

ROOT = Path(__file__).parents[2]
HOME = ROOT / ".cache" / "geopackage_validator"
PACKAGES = (
    "argon2-cffi", "click", "click-log", "jsonschema", "minio", "pycryptodome", "pydantic",
    "semver",
)  # fmt: skip
OWN_LIST = "RQ22"  # coordinate systems of the country that the checker comes from
KINDS = {"text": "string", "integer": "integer", "real": "number", "flag": "boolean"}

Check = Callable[[Path], list[str]]


def table_faults(path: Path) -> list[str]:
    """What Table Schema says of a CSV whose fields are the declared columns."""
    from frictionless import Resource, Schema  # noqa: PLC0415 - takes a second

    layer = {**LAYERS, CHECKS_SHOWN.name: CHECKS_SHOWN}[path.stem]
    kinds = {column.name: KINDS[column.kind] for column in written_columns(layer, "us")}
    heads = next(csv.reader(path.read_text("utf-8-sig").splitlines()))
    own = [head for head in heads if head not in kinds]
    assert all(head.startswith(("volume_", "trees_without_")) for head in own), own
    truth = {"trueValues": ["1"], "falseValues": ["0"]}
    fields = [
        {"name": head, "type": kind, **(truth if kind == "boolean" else {})}
        for head in heads
        for kind in [kinds.get(head, "number")]
    ]
    schema = Schema.from_descriptor({"fields": fields})
    table = Resource(path=path.name, basepath=str(path.parent), encoding="utf-8-sig", schema=schema)
    return [str(fault) for fault in table.validate().flatten(["message"])]


def test_every_table_keeps_its_declaration(sample: Outcome, tmp_path: Path) -> None:
    """Each cell of each CSV is of the declared kind; a text among numbers is found."""
    tables = [path for path in sample.files if path.suffix == ".csv"]
    broken = tmp_path / "checks.csv"
    whole = next(path for path in tables if path.name == broken.name).read_text("utf-8-sig")
    broken.write_text(re.sub(r",\d+\.\d+,", ",some,", whole, count=1), encoding="utf-8")

    assert len(tables) > 5
    assert {path.name: found for path in tables if (found := table_faults(path))} == {}
    assert table_faults(broken) != []


@pytest.fixture(scope="module")
def geopackage_faults() -> Check:
    """A second validator of GeoPackages, which runs on the distribution's GDAL; else skipped."""
    python, command = (
        shutil.which("python3", path="/usr/bin"),
        HOME / "bin" / "geopackage-validator",
    )
    if python is None or _failed([python, "-c", "import osgeo.ogr"]):
        pytest.skip("the distribution's python3-gdal is not installed")
    if not command.is_file():
        pip = [str(HOME / "bin" / "python"), "-m", "pip", "install", "-q", "--no-compile"]
        for words in (
            [python, "-m", "venv", "--system-site-packages", str(HOME)],
            [*pip, *PACKAGES],
            [*pip, "--no-deps", "pdok-geopackage-validator>=0.14"],  # it wants GDAL built
        ):
            if _failed(words):
                pytest.skip("the second validator could not be fetched")

    def faults(path: Path) -> list[str]:
        """What it says of a file, but for its own list of coordinate systems."""
        words = [str(command), "validate", "--gpkg-path", str(path)]
        ran = subprocess.run(words, capture_output=True, check=False, timeout=60)  # noqa: S603 - our own words
        answer = json.loads(ran.stdout)
        assert len(answer["validations_executed"]) > 15
        wrong = [one for one in answer["results"] if one["validation_code"] != OWN_LIST]
        return [place for one in wrong for place in one["locations"]]

    return faults


def _failed(words: list[str]) -> bool:
    """Whether a command could not be carried out."""
    ran = subprocess.run(words, capture_output=True, check=False, timeout=180)  # noqa: S603 - our own words
    return ran.returncode != 0


def test_a_second_validator_finds_nothing_in_the_geopackage(
    sample: Outcome, geopackage_faults: Check, tmp_path: Path
) -> None:
    """Names, keys, types, order of vertices and indexes of the layers are as they should be."""
    path = next(path for path in sample.files if path.suffix == ".gpkg")
    broken = tmp_path / "broken.gpkg"
    shutil.copy(path, broken)
    with sqlite3.connect(broken) as database:
        database.execute("UPDATE gpkg_geometry_columns SET geometry_type_name = 'CURVE'")
    database.close()

    assert geopackage_faults(path) == []
    assert geopackage_faults(broken) != []
