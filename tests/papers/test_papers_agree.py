"""Papers of one layout say the same: their numbers and verdicts are read back and compared."""

import importlib
import io
import json
import shutil
from pathlib import Path
from types import ModuleType

import pytest
from rich.console import Console

from glademark.export.output import deliver
from glademark.jobs.layout import Outcome, asked_for
from glademark.report.delivery import Delivery
from glademark.report.terminal.layout import print_summary

SCRIPTS = Path(__file__).resolve().parents[2] / "scripts"
PAPERS = (
    "field_guide", "filing", "map", "stump_check", "review", "workbook", "gpx", "kml", "geojson",
    "checks", "openings",
)  # fmt: skip


@pytest.fixture(scope="module")
def reader() -> ModuleType:
    """The script that reads papers back."""
    with pytest.MonkeyPatch.context() as monkeypatch:
        monkeypatch.syspath_prepend(str(SCRIPTS))
        return importlib.import_module("check_papers")


def on_terminal(delivery: Delivery) -> str:
    """What a run prints."""
    text = io.StringIO()
    print_summary(delivery, Console(file=text, width=100))
    return text.getvalue()


def test_papers_of_the_sample_agree(sample: Outcome, reader: ModuleType) -> None:
    """Exceeded limits, unconfirmed and danger trees, two products: one story on all papers."""
    folder = Path(sample.files[0]).parent

    assert reader.disagreements(folder, on_terminal(sample.delivery)) == []


@pytest.fixture(scope="module")
def written(small: Delivery, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Papers of the small stand, whose danger tree is in a corridor."""
    folder = tmp_path_factory.mktemp("papers")
    deliver(small, folder, asked_for(PAPERS, ()))
    return folder


def test_papers_of_a_small_stand_agree(small: Delivery, written: Path, reader: ModuleType) -> None:
    """Metric units and one product without a volume give the same story on all papers."""
    assert reader.disagreements(written, on_terminal(small)) == []


def test_papers_that_disagree_are_named(written: Path, reader: ModuleType, tmp_path: Path) -> None:
    """Numbers, verdicts, an opening and a tree that tables have otherwise are all told."""
    folder = tmp_path / "spoilt"
    shutil.copytree(written, folder)
    summary = json.loads((folder / "summary.json").read_text("utf-8"))
    summary["stand"]["area_m2"] += 10_000
    summary["checks"]["met"] += 1
    summary["marks"]["not_located"] += 5
    summary["provenance"]["edition"] = "0"
    (folder / "summary.json").write_text(json.dumps(summary), "utf-8")
    for name, old, new in (("layout.geojson", "D7", "D8"), ("openings.csv", "\n1,", "\n12,")):
        text = (folder / name).read_text("utf-8")
        assert old in text
        (folder / name).write_text(text.replace(old, new), "utf-8")
    found = " ".join(reader.disagreements(folder))

    for told in (
        "no danger trees D8", "field_guide.pdf: opening 12 has not", "stand.area_m2 is said",
        "review.html: verdicts", "layout_map.pdf: marks.not_located", "layout.gpx: no Edition 0",
    ):  # fmt: skip
        assert told in found
