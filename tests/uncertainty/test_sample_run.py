"""The sample stand run with the position error carried through, and its papers made again."""

import io
import json
import re
import shutil
import time
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from glademark.jobs.layout import Outcome, lay_out, make_papers
from glademark.measure.layout import measure_layout
from glademark.report.terminal.layout import print_summary
from glademark.uncertainty.measure import measure_uncertainty

SAMPLE = Path(__file__).resolve().parents[2] / "sample_gis"
ASKED = '\n[uncertainty]\ndraws = 100\nshared = "30 %"\n'


@pytest.fixture(scope="module")
def project_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample project with its limit of size close to an opening's area."""
    folder = tmp_path_factory.mktemp("uncertainty") / "sample"
    shutil.copytree(SAMPLE, folder)
    path = folder / "harvest.toml"
    text = path.read_text(encoding="utf-8").replace('{value = "0.5 acre"', '{value = "0.455 acre"')
    text = re.sub(r"(?m)^(terrain|cruise) = .*\n", "", text)  # no chance rests on them
    path.write_text(text + ASKED, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def outcome(project_file: Path) -> Outcome:
    """What the run gave."""
    return lay_out(project_file, out=project_file.parent / "out", only=["gpkg", "summary"])


def test_checks_say_their_chance(outcome: Outcome) -> None:
    """Limits of openings and corridors and trees on barred ground have a chance; the rest none."""
    known = outcome.checks.loc[outcome.checks["chance_exceeded"].notna(), "limit"]

    assert set(known) == {
        "opening_area_max", "opening_area_min", "combined_area_max", "opening_spacing_min",
        "corridor_share_max", "water_distance_min", "exclusion", "setback",
    }  # fmt: skip
    assert outcome.checks["chance_exceeded"].dropna().between(0, 1).all()


def test_summary_has_intervals_and_marks_to_measure_again(
    outcome: Outcome, project_file: Path
) -> None:
    """Every opening has an interval, and with a uncertain verdict marks are named."""
    text = (project_file.parent / "out" / "summary.json").read_text(encoding="utf-8")
    found = json.loads(text)["uncertainty"]

    assert set(found["opening_area_m2"]) == set(
        outcome.delivery.layout.openings["opening"].astype(str)
    )
    assert found["limits_uncertain"] >= 1
    assert 1 <= len(found["remeasure"]) <= 5
    assert found["no_interval"] == {}


def test_terminal_says_the_uncertainty_in_words(outcome: Outcome) -> None:
    """Chances stand behind limits; intervals and marks to measure again, in their own section."""
    text = io.StringIO()
    print_summary(outcome.delivery, Console(file=text, width=100))
    words = " ".join(text.getvalue().split())

    assert "of 100" in words
    assert (
        "UNCERTAINTY Position error 4.9 ft carried through; 90% of 100 draws lie in each" in words
    )
    assert "Measure again first, for the verdicts:" in words


def test_papers_are_made_again_with_the_uncertainty(outcome: Outcome, project_file: Path) -> None:
    """The GeoPackage holds chances, intervals and settings; nothing is drawn a second time."""
    folder = project_file.parent
    again = make_papers(folder / "out" / "layout.gpkg", out=folder / "again", only=["summary"])
    layout, before = again.delivery.layout, outcome.delivery.layout

    assert again.delivery.project.uncertainty == outcome.delivery.project.uncertainty
    assert again.checks["chance_exceeded"].tolist() == pytest.approx(
        outcome.checks["chance_exceeded"].tolist(), nan_ok=True
    )
    assert np.allclose(layout.openings["area_high_m2"], before.openings["area_high_m2"])
    assert np.allclose(layout.marks["chance_matrix"], before.marks["chance_matrix"], equal_nan=True)


def test_draws_are_cheaper_than_measuring_as_often(outcome: Outcome) -> None:
    """40 draws take less than 20 runs of the measuring step."""
    survey, project = outcome.delivery.survey, outcome.delivery.project
    assert project.uncertainty is not None
    settings = project.uncertainty.model_copy(update={"draws": 40})
    asked = project.model_copy(update={"uncertainty": settings})
    start = time.process_time()
    layout = measure_layout(survey, project, earlier={})
    measuring = time.process_time() - start

    start = time.process_time()
    measure_uncertainty(layout, survey, asked)
    drawing = time.process_time() - start

    assert drawing < 20 * measuring
