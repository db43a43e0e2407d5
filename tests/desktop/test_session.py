"""Layouts started in the open desktop GIS (packages qgis, python3-qgis) are the command's."""

import json
import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from glademark.hosts.desktop.install import install, profile_folder

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def answer(tmp_path_factory: pytest.TempPathFactory, desktop_python: Path) -> dict[str, Any]:
    """What one session of the desktop found."""
    folder = tmp_path_factory.mktemp("desktop")
    plugin = install(profile_folder("default", folder / "profiles"))
    bare = {"PATH": os.environ["PATH"], "HOME": str(folder), "QT_QPA_PLATFORM": "offscreen"}
    words = [str(desktop_python), str(ROOT / "tests/desktop/session.py")]
    sample = shutil.copytree(
        ROOT / "sample_gis", folder / "sample"
    )  # the desktop writes into files
    words += [str(plugin.parent), str(sample), str(folder / "out")]
    done = subprocess.run(words, capture_output=True, text=True, env=bare, check=False)  # noqa: S603 - ours
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return found


def figures(answer: dict[str, Any], run: str) -> dict[str, Any]:
    """Summary of a run but for what says where its inputs were."""
    summary = json.loads((Path(answer[run]["output"]) / "summary.json").read_text())
    del summary["provenance"], summary["notices"]
    return dict(summary)


def numbers(found: object, key: str = "") -> Iterator[tuple[str, float]]:
    """Every number of a summary by its key."""
    if isinstance(found, dict | list):
        for name, one in found.items() if isinstance(found, dict) else enumerate(found):
            yield from numbers(one, f"{key}.{name}")
    elif isinstance(found, int | float):
        yield key, float(found)


def test_loaded_layers_give_the_figures_of_files(answer: dict[str, Any]) -> None:
    """Edited, filtered, CSV and by path: every figure is that of the files they came from."""
    found, expected = (dict(numbers(figures(answer, one))) for one in ("layers", "files"))

    assert found == pytest.approx(expected, rel=1e-12, nan_ok=True)


def test_layer_in_another_crs_and_setting_count(answer: dict[str, Any]) -> None:
    """In memory, in degrees: areas are those of the file; a setting goes over the project file."""
    found, expected = (dict(numbers(figures(answer, one))) for one in ("elsewhere", "files"))
    areas = {name for name in expected if name.startswith((".zones", ".stand"))}

    assert areas
    assert {one: found[one] for one in areas} == pytest.approx(
        {one: expected[one] for one in areas}, rel=1e-6
    )
    assert answer["elsewhere"]["exceeded"] < answer["files"]["exceeded"]


def test_notices_are_told(answer: dict[str, Any]) -> None:
    """Each notice of the summary stands in the log of the toolbox."""
    notices = json.loads((Path(answer["files"]["output"]) / "summary.json").read_text())["notices"]

    assert notices
    assert [one for one in notices if one not in answer["files"]["log"]] == []


def test_equal_layers_are_one_edition(answer: dict[str, Any]) -> None:
    """The same layers sent again make the same edition, so that papers of both agree."""
    assert answer["again"]["edition"] == answer["layers"]["edition"]
    assert answer["elsewhere"]["edition"] != answer["files"]["edition"]


def test_refusal_is_one_sentence_and_leaves_nothing(answer: dict[str, Any]) -> None:
    """What the command refuses fails in its words, and no folder is made."""
    assert answer["refused"]["fault"].startswith("[limits] opening_area_max: 'much' is no quantity")
    assert "\n" not in answer["refused"]["fault"]
    assert not answer["refused"]["left"]


def test_next_layout_finds_its_libraries_loaded(answer: dict[str, Any]) -> None:
    """After layouts one process waits for the next."""
    assert answer["ready"] == [True]


def test_cancel_ends_within_two_seconds_and_leaves_nothing(answer: dict[str, Any]) -> None:
    """A run cancelled when it has begun is over at once, with no folder, draft or process of it."""
    assert answer["cancelled"]["within_s"] < 2
    assert answer["cancelled"]["waiting"] == 0
    assert answer["cancelled"]["left"] == []
