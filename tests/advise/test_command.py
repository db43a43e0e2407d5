"""The command on files: what it prints and writes, the marks that result, what it leaves alone."""

import ctypes
import hashlib
import json
import re
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Mapping
from contextlib import closing
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from glademark.advice import program
from glademark.errors import OutputError
from glademark.jobs.advise import Advised, give_advice
from glademark.jobs.layout import lay_out

SAMPLE = Path(__file__).resolve().parents[2] / "sample_gis"
Command = Callable[..., subprocess.CompletedProcess[str]]


def digests(folder: Path) -> Mapping[str, str]:
    """SHA-256 of every file of a folder."""
    files = sorted(path for path in folder.iterdir() if path.is_file())
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


@pytest.fixture(scope="session")
def advise(command: Command) -> Command:
    """The command as a user runs it."""
    return lambda *words: command("advise", *words)


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the sample project."""
    folder = tmp_path_factory.mktemp("sample") / "project"
    shutil.copytree(SAMPLE, folder)
    return folder


@pytest.fixture(scope="module")
def before(sample: Path) -> Mapping[str, str]:
    """What its files are before any advice."""
    return digests(sample)


@pytest.fixture(scope="module")
def advised(sample: Path, before: Mapping[str, str]) -> Advised:
    """Advice on the sample, applied to a file beside it."""
    assert before
    marks = sample.parent / "mended.csv"
    return give_advice(sample / "harvest.toml", by="trees", apply=marks)


def test_the_exceeded_limits_of_the_sample_are_mended(advised: Advised) -> None:
    """The sample's opening too large, its pair too close and joined: proved smallest, and met."""
    advice = advised.stands[""].advice
    first = {"opening_area_max", "opening_spacing_min", "combined_area_max"}

    assert set(advice.exceeded["limit"]) == first
    assert not first & set(advice.still_exceeded["limit"])
    assert advice.mended
    assert {proof.words for proof in advice.proofs} == {"proved smallest"}


def test_what_has_to_give_way_is_said(advised: Advised) -> None:
    """The sample's sawlog target leaves too little room for the spacing, which is not hidden."""
    assert set(advised.stands[""].advice.still_exceeded["limit"]) == {"target"}
    assert advised.stands[""].advice.broken == ("target",)


def test_the_input_stays_as_it_is(
    advised: Advised, sample: Path, before: Mapping[str, str]
) -> None:
    """Advice applied leaves every file of the project alone, byte for byte."""
    assert advised.files

    assert digests(sample) == before


def test_the_marks_that_result_pass_when_they_are_laid_out(
    advised: Advised, sample: Path, tmp_path: Path
) -> None:
    """A project with the new marks in place of the old keeps inside the limits that were mended."""
    project = tmp_path / "again"
    shutil.copytree(sample, project, ignore=shutil.ignore_patterns("advice"))
    shutil.copy(advised.files[-1], project / "mended.csv")
    text = (project / "harvest.toml").read_text(encoding="utf-8")
    old = 'marks = ["marks_north.csv", "marks_south.csv"]'
    assert old in text
    advice = advised.stands[""].advice
    (radius,) = re.findall(r'Put (standing_crown_radius = ".*? m") under', " ".join(advice.notes))
    text = text.replace(old, 'marks = "mended.csv"').replace("[openings]", f"[openings]\n{radius}")
    (project / "harvest.toml").write_text(text, "utf-8")

    outcome = lay_out(project / "harvest.toml", out=tmp_path / "out", only=["checks"])

    exceeded = outcome.checks[outcome.checks["verdict"] == "exceeded"]
    again = advice.after
    assert set(exceeded["limit"]) == {"target"}
    assert outcome.checks["measured"].to_numpy() == pytest.approx(
        again["measured"].to_numpy(), rel=1e-6, nan_ok=True
    )


def test_the_layer_holds_the_trees(advised: Advised) -> None:
    """The GeoPackage, the table and the JSON name the same trees."""
    by_name = {path.name: path for path in advised.files}
    with closing(sqlite3.connect(by_name["advice.gpkg"])) as database:
        rows = database.execute("SELECT tree_id, marker FROM leave_standing").fetchall()
    table = pd.read_csv(by_name["advice.csv"], dtype=str)
    content = json.loads(by_name["advice.json"].read_text(encoding="utf-8"))

    assert content["project"] == advised.project.heading.name
    trees = list(
        zip(
            advised.stands[""].advice.leave_standing["tree_id"],
            advised.stands[""].advice.leave_standing["marker"],
            strict=True,
        )
    )
    assert rows == trees
    assert list(zip(table["tree_id"], table["marker"], strict=True)) == trees
    assert [(one["tree_id"], one["marker"]) for one in content["leave_standing"]] == trees


@pytest.mark.parametrize(
    ("name", "wrong"),
    [("marks_north.csv", "is an input"), ("harvest.toml", "written as"), ("x.xlsx", "written as")],
)
def test_no_input_is_written_over(sample: Path, name: str, wrong: str) -> None:
    """The marks that result never take the place of an input, or of a format nobody reads."""
    with pytest.raises(OutputError, match=wrong):
        give_advice(sample / "harvest.toml", by="trees", apply=sample / name)


def small_project(folder: Path, limit: str, must_go: str = "", groups: str = "free") -> Path:
    """Six trees in a row in a square stand, with a limit on the opening that they make."""
    ring = [[0, 0], [0.003, 0], [0.003, 0.003], [0, 0.003], [0, 0]]
    stand = {"type": "Feature", "properties": {}, "geometry": {"type": "Polygon"}}
    stand["geometry"] = {"type": "Polygon", "coordinates": [[[x - 88, y + 46] for x, y in ring]]}
    layer = {"type": "FeatureCollection", "features": [stand]}
    (folder / "stand.geojson").write_text(json.dumps(layer), encoding="utf-8")
    lines = [f"{i},30,-{87.999 - 0.00004 * i:.6f},46.001,3,1,{must_go}" for i in range(6)]
    head = "Tree,DBH_cm,lon,lat,Crown_Radius_m,Group,Must go"
    (folder / "marks.csv").write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
    (folder / "harvest.toml").write_text(
        '[project]\nname = "Row (invented)"\nunits = "metric"\n'
        '[inputs]\nstand = "stand.geojson"\nmarks = "marks.csv"\n'
        f'[marks.columns]\ncrown_radius = "Crown_Radius_m"\n[advise]\ngroups = "{groups}"\n'
        f"[limits]\n{limit}\n",
        encoding="utf-8",
    )
    return folder / "harvest.toml"


@pytest.mark.parametrize("name", ["mended.csv", "mended.gpkg", "mended.geojson"])
def test_marks_are_written_in_formats_that_are_read(tmp_path: Path, name: str) -> None:
    """Each format gives the same limits when the marks are read again."""
    project = small_project(tmp_path, 'opening_area_max = "85 m2"')

    advised = give_advice(project, by="volume", apply=tmp_path / name)

    assert len(advised.stands[""].advice.spared) == 2
    assert advised.stands[""].advice.passes
    assert (tmp_path / name).is_file()


def test_only_its_own_marks_file_is_replaced(advise: Command, tmp_path: Path) -> None:
    """Advice writes again over what it wrote, but not over a change to it, nor another file."""
    project = small_project(tmp_path, 'opening_area_max = "85 m2"')
    marks, layout = tmp_path / "mended.csv", tmp_path / "layout.gpkg"
    layout.write_bytes(b"an earlier layout")
    long = tmp_path / ("m" * 5000 + ".csv")

    first, again = (advise(project, "--apply", marks) for _ in range(2))
    ours = marks.read_bytes()
    marks.write_bytes(ours + b"\n")
    changed, other, endless = (advise(project, "--apply", path) for path in (marks, layout, long))

    assert (first.returncode, again.returncode) == (0, 0), first.stderr + again.stderr
    assert [done.returncode for done in (changed, other, endless)] == [3, 3, 3]
    assert "mended.csv is there already, and is not as an earlier --apply" in changed.stderr
    assert marks.read_bytes() == ours + b"\n"
    assert layout.read_bytes() == b"an earlier layout"


def test_a_tree_that_must_go_is_read_from_its_column(advise: Command, tmp_path: Path) -> None:
    """Where every mark says that it must go, no advice is possible, and the trees are named."""
    project = small_project(tmp_path, 'opening_area_max = "85 m2"', must_go="yes")

    result = advise(project, "--out", str(tmp_path / "out"))

    assert result.returncode == 0
    assert "standing mends none of the limits" in result.stdout
    assert "0, 1, 2, 3, 4, 5" in " ".join(result.stdout.split())


def test_nothing_exceeded_is_said(advise: Command, tmp_path: Path) -> None:
    """A layout inside its limits: the command says so and ends well."""
    project = small_project(tmp_path, 'opening_area_max = "1 ha"')

    result = advise(project, "--apply", str(tmp_path / "m.csv"))

    assert result.returncode == 0
    assert "No limit is exceeded" in result.stdout
    assert not (tmp_path / "m.csv").exists()


def test_an_interrupt_after_the_marks_is_told(
    advise: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Interrupted while the marks file is read again, the command says that it is there."""
    project = small_project(tmp_path, 'opening_area_max = "85 m2"')

    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("glademark.jobs.advise._check_applied", interrupt)
    result = advise(project, "--apply", str(tmp_path / "m.csv"))

    assert (result.returncode, result.stdout) == (130, "")
    said = f"interrupted; all files had been written, {tmp_path / 'm.csv'} among them"
    assert result.stderr.strip() == said  # click ends the line of the key first
    assert (tmp_path / "m.csv").is_file()


def test_the_answer_as_json(advise: Command, tmp_path: Path) -> None:
    """With --json the command prints the advice for programs, and nothing else."""
    project = small_project(tmp_path, 'opening_area_max = "85 m2"')

    result = advise(project, "--json")

    content = json.loads(result.stdout)
    assert content["run_again"] == {"mended": True, "still_exceeded": []}
    assert content["proof"][0]["proof"] == "proved smallest"


def print_while_solving() -> None:
    """Let the solver print past its options, as HiGHS does where it mends a solution."""
    library, solve = ctypes.CDLL(None), program.milp

    def milp(*given: Any, **options: Any) -> Any:  # noqa: ANN401 - as it has them
        library.puts(b"HighsMipSolverData::transformNewIntegerFeasibleSolution tmpSolver.run();")
        return solve(*given, **options)

    program.milp = milp


@pytest.mark.skipif(sys.platform == "win32", reason="the C library is found by another name")
def test_a_solver_that_prints_does_not_break_the_json(
    forked_command: Command, tmp_path: Path
) -> None:
    """What the solver writes to standard output by itself does not get into the answer."""
    project = small_project(tmp_path, 'opening_area_max = "85 m2"')

    done = forked_command("advise", project, "--json", before=print_while_solving)

    assert json.loads(done.stdout)["run_again"]["mended"]


def test_a_group_that_stays_whole_is_one_line(advise: Command, tmp_path: Path) -> None:
    """The terminal names a whole group once, what edge trees would need, and the warning."""
    project = small_project(tmp_path, 'opening_area_max = "85 m2"', groups="whole")

    result = advise(project, "--out", tmp_path / "out")

    said = " ".join(result.stdout.split())
    assert "Opening 1 as a whole, all 6 trees of it: 0, 1, 2, 3, 4, 5. Mends" in said
    assert "with these trees standing: every limit is met." in said
    assert "WITH TREES ON THE EDGES OF GROUPS" in said
    assert "lose the neighbours they leaned on" in said
    content = json.loads((tmp_path / "out" / "advice.json").read_text(encoding="utf-8"))
    assert (content["groups"], len(content["leave_standing"])) == ("whole", 6)
    assert content["edge_trees"]["trees"] == 2
    assert content["edge_trees"]["run_again"] == {"mended": True, "still_exceeded": []}


def test_a_row_of_limits_keeps_to_one_unit(advise: Command, tmp_path: Path) -> None:
    """An opening of 0.01 ha mended to fewer square metres: one unit, digits that tell."""
    project = small_project(tmp_path, 'opening_area_max = "110 m2"')

    result = advise(project, "--out", tmp_path / "out")

    said = " ".join(result.stdout.split())
    assert "not stated: 1 tree, volume" in said
    assert "opening_area_max 1: 1 tree, proved smallest" in said
    (row,) = re.findall(r"area of opening 1 (.*?) near", said)
    shown = re.findall(r"(\d[\d.]*) (\w+)", row)
    assert [unit for _, unit in shown] == ["ha"] * 3
    before, limit, after = (float(number) for number, _ in shown)
    assert after < limit < before
