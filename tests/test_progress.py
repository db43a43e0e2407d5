"""``--progress json``: a program that starts a run can follow it, and hears why it was refused."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from glademark.hosts.more_commands import JsonLines, _Notices, progress

PROJECT = """
project = {name = "Small"}
inputs = {stand = "stand.geojson", marks = "marks.csv"}
"""
PROCESS = (sys.executable, "-I", "-m", "glademark")
Command = Callable[..., subprocess.CompletedProcess[str]]
WORDS = ("--only", "gpkg", "--progress", "json")


def small(folder: Path) -> Path:
    """A project file over two small field files."""
    ring = [[-87, 45], [-86.99, 45], [-86.99, 45.01], [-87, 45.01], [-87, 45]]
    shape = {"type": "Polygon", "coordinates": [ring]}
    (folder / "stand.geojson").write_text(json.dumps(shape))
    trees = [f"{row},{-86.995 + row / 1e5},45.005,12" for row in range(20)]
    (folder / "marks.csv").write_text("\n".join(["id,lon,lat,dbh_in", *trees]))
    (folder / "harvest.toml").write_text(PROJECT)
    return folder / "harvest.toml"


def lines_of(text: str) -> list[dict[str, object]]:
    """Each line of standard error as an object."""
    return [json.loads(line) for line in text.splitlines()]


def test_steps_rise_to_the_end(command: Command, tmp_path: Path) -> None:
    """Done never falls, of does not change, and the last line says that all is done."""
    project = small(tmp_path)

    answer = command("layout", project, "--out", tmp_path / "out", *WORDS, "--json")

    steps = lines_of(answer.stderr)
    done = [int(str(step["done"])) for step in steps]
    assert answer.returncode == 0
    assert json.loads(answer.stdout)["provenance"]["edition"]
    assert all(set(step) == {"step", "done", "of"} for step in steps)
    assert done == sorted(done)
    assert {step["of"] for step in steps} == {done[-1]}
    assert {"GeoPackage", "Summary"} <= {step["step"] for step in steps}


def test_refusal_is_the_last_line(command: Command, tmp_path: Path) -> None:
    """What is wrong stands in one sentence with its exit code, after what went before."""
    project = small(tmp_path)
    (tmp_path / "marks.csv").unlink()

    answer = command("layout", project, "--out", tmp_path / "out", *WORDS)

    last = lines_of(answer.stderr)[-1]
    assert answer.returncode == last["code"] == 2
    assert "marks.csv" in str(last["error"])
    assert not (tmp_path / "out").exists()


def test_more_steps_than_foreseen_are_not_the_end(capsys: pytest.CaptureFixture[str]) -> None:
    """However many steps a run takes, all is done only at its end."""
    lines = JsonLines()
    with lines.running() as go_on:
        for number in range(1000):
            go_on(f"Step {number}")

    steps = lines_of(capsys.readouterr().err)
    assert [int(str(one["done"])) >= int(str(one["of"])) for one in steps] == [False] * 1001 + [
        True
    ]


def test_what_others_write_is_a_notice(capsys: pytest.CaptureFixture[str]) -> None:
    """Lines that a library writes on standard error are objects too; blank ones are left out."""
    print("one  line\n\n another", file=_Notices(JsonLines()))

    told = lines_of(capsys.readouterr().err)
    assert told == [{"notice": "one line"}, {"notice": "another"}]


def test_interrupt_leaves_nothing(tmp_path: Path) -> None:
    """A run that is asked to end does so within a second and leaves no file behind."""
    project = small(tmp_path)
    before = {path.name for path in tmp_path.iterdir()}
    asked = [*PROCESS, "layout", str(project), "--out", str(tmp_path / "out"), *WORDS]
    with subprocess.Popen(asked, stderr=subprocess.PIPE, text=True) as process:  # noqa: S603 - ours
        assert process.stderr is not None
        first = json.loads(process.stderr.readline())
        start = time.monotonic()
        os.kill(process.pid, signal.SIGTERM)
        rest = lines_of(process.stderr.read())
    took = time.monotonic() - start

    assert first["step"]
    assert (process.returncode, rest[-1]["code"]) == (130, 130)
    assert took < 5  # a second on a quiet machine
    assert {path.name for path in tmp_path.iterdir()} == before


def test_a_command_holds_text_in_the_strings_of_python() -> None:
    """Inside a job, where short columns are many, and not in the process around it."""
    with pd.option_context("mode.string_storage", "auto"):
        with progress():
            inside = pd.Series(["a"], dtype="str").dtype
        after = pd.get_option("mode.string_storage")

    assert (inside.storage, after) == ("python", "auto")
