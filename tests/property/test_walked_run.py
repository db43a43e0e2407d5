"""One walked network through every command that writes files, and a writer that fails in a run."""

import importlib
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import distributed
import pytest

from glademark.export import handheld_files
from glademark.jobs.batch import Engine, lay_out_batch
from glademark.jobs.layout import Outcome, lay_out, make_papers

SCRIPTS = Path(__file__).resolve().parents[2] / "scripts"
SEED = 3  # a fan
PAPERS = {
    "layout.gpkg", "layout.geojson", "layout.gpx", "layout.kml", "layout_map.pdf", "layout_map.png",
    "layout_pack.zip", "summary.json",
}  # fmt: skip


@pytest.fixture(scope="module")
def scripts() -> Iterator[ModuleType]:
    """The script that tries walked networks; scripts can import one another meanwhile."""
    with pytest.MonkeyPatch.context() as monkeypatch:
        monkeypatch.syspath_prepend(str(SCRIPTS))
        yield importlib.import_module("check_walked_networks")


@pytest.fixture(scope="module")
def project(scripts: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Project file of a walked network."""
    written: Path = scripts.walked_network(SEED).write(tmp_path_factory.mktemp("walked") / "in")
    return written


@pytest.fixture(scope="module")
def outcome(project: Path) -> Outcome:
    """The network laid out, with every paper."""
    return lay_out(project, out=project.parent.parent / "out", also=("pack",))


def test_every_paper_is_written(outcome: Outcome) -> None:
    """No writer fails on a walked network."""
    assert outcome.missing == ()
    assert {path.name for path in outcome.files} >= PAPERS


def test_papers_are_made_again(outcome: Outcome, tmp_path: Path) -> None:
    """The layout in the GeoPackage gives the same handheld files again."""
    again = make_papers(outcome.files[0].parent / "layout.gpkg", out=tmp_path, only=("gpx",))

    assert again.missing == ()
    first = outcome.files[0].parent / "layout.gpx"
    assert (tmp_path / "layout.gpx").read_text().count("<trk>") == first.read_text().count("<trk>")


def test_what_was_driven_is_compared(scripts: ModuleType, project: Path, tmp_path: Path) -> None:
    """The same lines driven, a walked opening and stumps are held against the layout."""
    found = scripts.compared(scripts.walked_network(SEED), project, tmp_path)

    assert found.missing == ()
    assert found.stands[""].comparison.driven is not None


def test_a_batch_takes_walked_stands(project: Path, tmp_path: Path) -> None:
    """Layers of a walked stand are written as partitions."""
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, processes=False, dashboard_address=":0"
    ) as cluster:
        engine = Engine(scheduler=cluster.scheduler_address)
        batch = lay_out_batch([project], out=tmp_path, engine=engine)

    assert [row["outcome"] for row in batch.rows] == ["laid_out"]


def test_command_names_what_is_missing(
    command: Callable[..., Any], project: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A writer that fails ends in exit code 3 with its files named, and details where asked."""

    def fail(*_: object) -> None:
        msg = "unable to assign free hole to a shell"
        raise RuntimeError(msg)

    monkeypatch.setattr(handheld_files, "GEOJSON", replace(handheld_files.GEOJSON, write=fail))
    words = ("layout", project, "--out", tmp_path, "--only", "geojson", "--only", "gpx", "--strict")
    told = command(*words)
    first = sorted(path.name for path in tmp_path.iterdir())
    monkeypatch.setattr(handheld_files, "GPX", replace(handheld_files.GPX, write=fail))
    shown = command("-vv", *words)

    assert told.returncode == shown.returncode == 3
    assert first == ["layout.gpx", "manifest.json", "summary.json"]
    assert "glademark: missing: layout.geojson. GeoJSON" in told.stderr
    assert "(RuntimeError: unable to assign free hole to a shell)" in told.stderr
    assert "Traceback" not in told.stderr
    assert "Traceback" in shown.stderr
    assert "glademark: missing: layout.gpx. GPX" in shown.stderr
    assert sorted(path.name for path in tmp_path.iterdir()) == ["manifest.json", "summary.json"]
