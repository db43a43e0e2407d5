"""The command line: answers, streams, exit codes, time."""

import json
import resource
import shutil
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from glademark.hosts.cli import EXCEEDED, REFUSED
from glademark.jobs.layout import Outcome

ROOT = Path(__file__).resolve().parent.parent
SAMPLE = ROOT / "sample_gis" / "harvest.toml"
Run = Callable[..., subprocess.CompletedProcess[str]]
Shared = Callable[[str, Callable[[Path], Any]], Any]


@pytest.fixture(scope="session")
def process() -> Run:
    """Run the command line as a user would, in a process of its own."""

    def call(*words: str | Path) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "glademark", *map(str, words)]
        return subprocess.run(command, capture_output=True, text=True, check=False)  # noqa: S603

    return call


@pytest.fixture(scope="session")
def run(command: Run) -> Run:
    """Run the command line in this process, which has loaded all that it needs."""
    return command


@dataclass(frozen=True, kw_only=True)
class Sample:
    """A run over the sample: where it wrote, what it said, and the inputs on both sides of it."""

    out: Path
    said: str
    before: dict[Path, bytes]
    after: dict[Path, bytes]


@pytest.fixture(scope="session")
def sample(process: Run, shared: Shared) -> Sample:
    """The sample laid out as a user would."""

    def make(folder: Path) -> Sample:
        before = every_file(SAMPLE.parent)
        done = process("layout", SAMPLE, "--out", folder / "layout")
        assert done.returncode == 0, done.stderr
        after = every_file(SAMPLE.parent)
        return Sample(out=folder / "layout", said=done.stdout, before=before, after=after)

    made: Sample = shared("command", make)
    return made


@dataclass(frozen=True, kw_only=True)
class Repeated:
    """Two runs over a small stand whose marks grew by a row in between."""

    first: subprocess.CompletedProcess[str]
    second: subprocess.CompletedProcess[str]
    summary: str
    written: list[str]


@pytest.fixture(scope="session")
def repeated(run: Run, shared: Shared) -> Repeated:
    """Both runs: the first prints JSON, the second is strict."""

    def make(home: Path) -> Repeated:
        project, out = small_project(home), home / "out"
        with project.open("a", encoding="utf-8") as file:
            file.write('[limits]\nopening_area_max = "20 m2"\n')
        mark_rows(home, SOUTH)
        words = ("layout", project, "--out", out, "--only", "gpkg")
        first = run(*words, "--json")
        summary = (out / "summary.json").read_text(encoding="utf-8")
        mark_rows(home, [*SOUTH, "s5,400120,4500100,30,white"])
        second = run(*words, "--strict")
        return Repeated(first=first, second=second, summary=summary, written=every_name(out))

    made: Repeated = shared("repeated", make)
    return made


SOUTH = [f"s{i},{400100 + 4 * i},4500100,30,white" for i in range(5)]


def small_project(folder: Path) -> Path:
    """Project file of a square stand, invented, without its marks."""
    square = [[400000, 4500000], [400400, 4500000], [400400, 4500400], [400000, 4500400]]
    stand = {
        "type": "FeatureCollection",
        "crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::26916"}},
        "features": [
            {
                "type": "Feature",
                "properties": {},
                "geometry": {"type": "Polygon", "coordinates": [[*square, square[0]]]},
            }
        ],
    }
    (folder / "stand.geojson").write_text(json.dumps(stand), encoding="utf-8")
    (folder / "harvest.toml").write_text(
        '[project]\nname = "invented"\nunits = "metric"\n'
        '[inputs]\nstand = "stand.geojson"\n'
        'marks = {file = "marks.csv", crs = "EPSG:26916"}\n'
        '[marks.paint]\nwhite = "cut"\n[openings]\nmin_area = "10 m2"\n',
        encoding="utf-8",
    )
    return folder / "harvest.toml"


def mark_rows(folder: Path, rows: Sequence[str]) -> None:
    """The marks of that project."""
    text = "\n".join(["id,x,y,dbh_cm,paint", *rows, ""])
    (folder / "marks.csv").write_text(text, encoding="utf-8")


def every_file(folder: Path) -> dict[Path, bytes]:
    """Content of every file below a folder."""
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_help_is_light() -> None:
    """Help answers without loading the heavy libraries."""
    code = (
        "import sys\nfrom glademark.hosts.cli import cli\n"
        "cli(['--help'], standalone_mode=False)\n"
        "heavy = {'geopandas', 'pandas', 'numpy', 'shapely', 'rasterio', 'rich', 'pydantic'}\n"
        "sys.exit(sorted(heavy & set(sys.modules)) and 1 or 0)\n"
    )

    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=False)  # noqa: S603

    assert done.returncode == 0


def test_help_answers_at_once(process: Run) -> None:
    """Help takes less than 0.3 s of processor time."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    process("--help")
    after = resource.getrusage(resource.RUSAGE_CHILDREN)

    assert after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime < 0.3


def test_sample_tells_what_is_wrong(sample: Sample) -> None:
    """The sample's faults on purpose are what the summary shows as exceeded."""
    checks = pd.read_csv(sample.out / "checks.csv")

    exceeded = checks[checks["verdict"] == "exceeded"]

    assert sorted(zip(exceeded["limit"], exceeded["feature"].astype(str), strict=True)) == [
        ("combined_area_max", "3, 4"),
        ("opening_area_max", "1"),
        ("opening_spacing_min", "3, 4"),
    ]


def test_every_record_of_the_sample_is_accounted_for(sample: Sample) -> None:
    """Two cannot be used; six trees without paint and one without a diameter are told apart."""
    marks = json.loads((sample.out / "summary.json").read_text(encoding="utf-8"))["marks"]

    assert marks["rejected"] == 2
    assert marks["unconfirmed"] == 6
    assert marks["without_dbh"] == 1
    assert marks["read"] == marks["used"] + marks["rejected"]


def test_terminal_names_the_files(sample: Sample) -> None:
    """The summary on the terminal ends with the cautions and where the results are."""
    assert "EXCEEDED" in sample.said
    assert "the paint on the tree governs" in " ".join(sample.said.split())
    assert "layout.gpkg" in sample.said
    assert sample.out.name in sample.said


def test_json_is_the_summary(repeated: Repeated) -> None:
    """With --json nothing but the summary stands on standard output."""
    assert repeated.first.returncode == 0
    assert repeated.first.stdout == repeated.summary


def test_same_input_same_output(sample: Sample, sample_run: Outcome) -> None:
    """Two runs over the same files, in processes of their own, write the same bytes."""
    again = sample_run.files[0].parent

    assert every_name(again) == every_name(sample.out)
    different = [
        path.name
        for path in sorted(sample.out.iterdir())
        if path.read_bytes() != (again / path.name).read_bytes()
    ]
    assert not different


def every_name(folder: Path) -> list[str]:
    """Names of all files of a folder."""
    return sorted(path.name for path in folder.iterdir())


def test_strict_exits_with_one(repeated: Repeated) -> None:
    """With --strict an exceeded limit shows in the exit code, and the files are there."""
    assert repeated.second.returncode == EXCEEDED
    assert repeated.written == ["layout.gpkg", "manifest.json", "summary.json"]


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('stand = "stand.gpkg"', 'stand = "nowhere.gpkg"', "nowhere.gpkg"),
        ("opening_area_max", "opening_aera_max", "opening_aera_max: no such limit"),
        ('"12 %"', '"12 ft"', "corridor_share_max: '12 ft' has no per cent sign"),
        ('dbh_unit = "in"', 'dbh_unti = "in"', "dbh_unti"),
    ],
)
def test_refusals_name_the_mend(run: Run, tmp_path: Path, old: str, new: str, message: str) -> None:
    """A wrong project file is refused with exit code 2, one sentence, and no output."""
    folder = tmp_path / "project"
    shutil.copytree(ROOT / "sample_gis", folder)
    text = (folder / "harvest.toml").read_text(encoding="utf-8")
    (folder / "harvest.toml").write_text(text.replace(old, new), encoding="utf-8")

    done = run("layout", folder / "harvest.toml", "--out", tmp_path / "out")

    assert done.returncode == REFUSED
    assert message in done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout == ""
    assert not (tmp_path / "out").exists()


def test_unknown_deliverable(run: Run, tmp_path: Path) -> None:
    """An unknown deliverable is refused, and the known ones are named."""
    done = run("layout", SAMPLE, "--out", tmp_path / "out", "--only", "mpa")

    assert done.returncode == REFUSED
    assert "no deliverable is called mpa" in done.stderr


def test_new_project(run: Run, tmp_path: Path) -> None:
    """A new project names its files, and is not written twice."""
    first = run("new", tmp_path / "stand")
    second = run("new", tmp_path / "stand")

    assert first.returncode == 0
    assert "harvest.toml" in first.stdout
    assert second.returncode == REFUSED


def test_inputs_stay_as_they_are(sample: Sample) -> None:
    """A run leaves every file of the project byte for byte as it was, and adds none."""
    assert len(sample.before) > 10
    assert sample.after == sample.before


def test_openings_keep_their_numbers(run: Run, tmp_path: Path) -> None:
    """An opening found by its crowns keeps its number when a new one is marked north of it."""
    project = small_project(tmp_path)
    north = [f"n{i},{400100 + 4 * i},4500300,30,white" for i in range(5)]
    numbers = []
    for rows in (SOUTH, [*north, *SOUTH]):
        mark_rows(tmp_path, rows)
        words = ("--only", "gpkg", "--only", "openings")
        done = run("layout", project, "--out", tmp_path / "out", *words)
        assert done.returncode == 0, done.stderr
        table = pd.read_csv(tmp_path / "out" / "openings.csv")
        numbers.append(dict(zip(table["opening"], table["boundary_m"].round(), strict=True)))

    assert numbers[0][1] == numbers[1][1]
    assert sorted(numbers[1]) == [1, 2]


def test_inspect_tells_what_a_file_is(run: Run) -> None:
    """A file is told with the input that it looks like and what its columns mean."""
    done = run("inspect", ROOT / "sample_gis" / "marks_north.csv")

    assert done.returncode == 0, done.stderr
    assert "looks like   [inputs] marks" in done.stdout
    assert 'dbh [in]; 328 filled, such as "12"' in done.stdout


def test_inspect_of_nothing_readable_is_a_refusal(run: Run, tmp_path: Path) -> None:
    """What is no field data is told as such, with exit code 2."""
    done = run("inspect", tmp_path / "nowhere.gpkg")

    assert done.returncode == REFUSED
    assert "no such file" in done.stdout
    assert "Traceback" not in done.stderr


def test_new_project_from_files(run: Run, tmp_path: Path) -> None:
    """Every name behind --from is a file to start from."""
    files = [ROOT / "sample_gis" / name for name in ("stand.gpkg", "marks_north.csv")]

    done = run("new", tmp_path / "stand", "--from", *files)
    extra = run("new", tmp_path / "other", *files)

    assert done.returncode == 0, done.stderr
    assert sorted(path.name for path in (tmp_path / "stand").iterdir()) == ["harvest.toml"]
    assert extra.returncode == REFUSED
    assert "unexpected extra argument" in extra.stderr


def test_changed_inputs_are_told(repeated: Repeated) -> None:
    """A second run into the same folder says on standard error which inputs are others now."""
    said = repeated.second.stderr

    assert "since the last output" not in repeated.first.stderr
    assert "marks.csv (marks) has changed since the last output in this folder." in said
    assert "stand.geojson (stand)" not in said
