"""
Runs killed at moments spread over their life: what stood there stays whole, the next succeeds.

The ordinary suite kills 10 runs over a small stand. With ``GLADEMARK_KILLS=100`` in the environment
100 runs over the sample are killed.
"""

import json
import os
import signal
import sqlite3
import subprocess
import sys
from collections import Counter
from contextlib import closing
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
KILLS = int(os.environ.get("GLADEMARK_KILLS", "10"))
LARGE = KILLS >= 100
HELPER = """
import json, os, shutil, signal, sys, time
from pathlib import Path
from glademark.jobs import layout

measure, measured = layout.lay_out_survey, {}

def once(survey, project, asked, *, earlier):
    name = project.heading.name
    if name not in measured:
        measured[name] = measure(survey, project, asked, earlier=earlier)
    return measured[name]

layout.lay_out_survey = once  # it touches no file, and takes the moments of those who do

def run(project, out, kill_after=None):
    child = os.fork()  # this process has one thread, and all that is heavy is loaded
    if child == 0:
        try:
            layout.lay_out(project, out=out, only=only)
        except BaseException as error:
            print(repr(error), file=sys.stderr, flush=True)
            os._exit(1)
        os._exit(0)
    if kill_after is not None:
        time.sleep(kill_after)
        os.kill(child, signal.SIGKILL)
    return os.waitpid(child, 0)[1]

home, first, second = map(Path, sys.argv[1:4])
kills, only = int(sys.argv[4]), sys.argv[5:]
layout.lay_out(first, out=home / "first", only=only)
layout.lay_out(second, out=home / "second", only=only)

def timed(out):
    start = time.perf_counter()
    return run(second, out), time.perf_counter() - start

_, life = timed(home / "timed")
ends = []
for number in range(kills):
    out = home / f"run{number}" / "out"
    shutil.copytree(home / "first", out)
    ends.append([run(second, out, (number + 0.5) / kills * life)])
    shutil.copytree(out, home / f"killed{number}")
    end, life = timed(out)  # anew each time: the machine may have other things to do
    ends[-1].append(end)
print(json.dumps(ends))
"""
SMALL_PROJECT = """
project = {name = "NAME"}
inputs = {stand = "stand.geojson", marks = {file = "marks.csv", crs = "EPSG:26916"}}
openings = {min_area = "10 m2"}
"""


def projects(folder: Path) -> tuple[Path, Path]:
    """Two project files over the same field files, with outputs that differ."""
    square = [[400000, 4500000], [400200, 4500000], [400200, 4500200], [400000, 4500200]]
    ring = [*square, square[0]]
    stand = {
        "type": "FeatureCollection",
        "crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::26916"}},
        "features": [
            {
                "type": "Feature",
                "properties": {},
                "geometry": {"type": "Polygon", "coordinates": [ring]},
            }
        ],
    }
    (folder / "stand.geojson").write_text(json.dumps(stand), encoding="utf-8")
    rows = [f"{n},{400010 + 4 * (n % 8)},{4500010 + 4 * (n // 8)},30" for n in range(64)]
    (folder / "marks.csv").write_text("\n".join(["id,x,y,dbh_cm", *rows]), encoding="utf-8")
    made = []
    for name in ("first", "second"):
        text = SMALL_PROJECT.replace("NAME", name)
        if LARGE:
            text = (ROOT / "sample_gis" / "harvest.toml").read_text(encoding="utf-8")
            text = text.replace('"Marrow Hollow', f'"{name}')
            for field_file in (ROOT / "sample_gis").glob("*.*"):
                (folder / field_file.name).write_bytes(field_file.read_bytes())
        made.append(folder / f"{name}.toml")
        made[-1].write_text(text, encoding="utf-8")
    return made[0], made[1]


@pytest.fixture(scope="module")
def killed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[list[int]]]:
    """Folder of all runs, and how each killed run and the one after it ended."""
    home = tmp_path_factory.mktemp("killed")
    first, second = projects(home)
    only = ["gpkg", "checks", "openings", "volume_by_zone"] if LARGE else ["gpkg"]
    command = [sys.executable, "-c", HELPER, str(home), str(first), str(second), str(KILLS), *only]
    done = subprocess.run(command, capture_output=True, text=True, check=False)  # noqa: S603 - the script above
    assert done.returncode == 0, done.stderr
    return home, json.loads(done.stdout.splitlines()[-1])


def contents(folder: Path) -> dict[str, bytes]:
    """Every file of a folder."""
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_most_runs_were_really_killed(killed: tuple[Path, list[list[int]]]) -> None:
    """The moments lie within the life of a run: hardly one had ended before it was killed."""
    ends = Counter(first for first, _ in killed[1])

    assert ends[signal.SIGKILL] >= 0.7 * KILLS
    assert set(ends) <= {0, signal.SIGKILL}


@pytest.mark.parametrize("number", range(KILLS))
def test_a_killed_run_leaves_every_file_whole(
    killed: tuple[Path, list[list[int]]], number: int
) -> None:
    """Each file is that of the earlier run or the new one, byte for byte, and none is missing."""
    home, _ = killed
    first, second = contents(home / "first"), contents(home / "second")

    left = contents(home / f"killed{number}")

    assert set(left) == set(first)
    assert all(left[name] in {first[name], second[name]} for name in left)
    with closing(sqlite3.connect(home / f"killed{number}" / "layout.gpkg")) as database:
        assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)


@pytest.mark.parametrize("number", range(KILLS))
def test_the_run_after_a_killed_one_succeeds(
    killed: tuple[Path, list[list[int]]], number: int
) -> None:
    """It writes all files, and clears away what the killed one left beside them."""
    home, ends = killed

    assert ends[number][1] == 0
    assert contents(home / f"run{number}" / "out") == contents(home / "second")
    assert [path.name for path in (home / f"run{number}").iterdir()] == ["out"]
