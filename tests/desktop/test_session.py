"""Layouts started in the open desktop GIS equal those of the command (packages qgis, python3-qgis)."""

import json
import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from glademark.hosts.desktop.install import install, profile_folder

ROOT = Path(__file__).resolve().parents[2]
DESKTOP_PYTHON = Path("/usr/bin/python3")


def has_desktop() -> bool:
    """Whether the distribution's desktop GIS can be asked."""
    if not DESKTOP_PYTHON.exists() or shutil.which("qgis") is None:
        return False
    asked = [str(DESKTOP_PYTHON), "-c", "import qgis.core"]
    return subprocess.run(asked, capture_output=True, check=False).returncode == 0  # noqa: S603 - fixed words


pytestmark = pytest.mark.skipif(not has_desktop(), reason="needs the packages qgis, python3-qgis")


@pytest.fixture(scope="module")
def answer(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """What one session of the desktop found."""
    folder = tmp_path_factory.mktemp("desktop")
    plugin = install(profile_folder("default", folder / "profiles"))
    bare = {"PATH": os.environ["PATH"], "HOME": str(folder), "QT_QPA_PLATFORM": "offscreen"}
    words = [str(DESKTOP_PYTHON), str(ROOT / "tests/desktop/session.py")]
    words += [str(plugin.parent), str(ROOT / "sample_gis"), str(folder / "out")]
    done = subprocess.run(words, capture_output=True, text=True, env=bare, check=False)  # noqa: S603 - ours
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return found


def figures(answer: dict[str, Any], run: str) -> dict[str, Any]:
    """Summary of a run but for what says where its inputs were."""
    summary = json.loads((Path(answer[run]["output"]) / "summary.json").read_text())
    del summary["provenance"], summary["notices"]
    return dict(summary)


@pytest.mark.parametrize("run", ["layers", "memory"])
def test_loaded_layers_give_the_figures_of_files(answer: dict[str, Any], run: str) -> None:
    """Loaded, edited and in memory: every figure is that of the files the layers came from."""
    assert figures(answer, run) == figures(answer, "files")


def test_filter_and_setting_count(answer: dict[str, Any]) -> None:
    """A filtered layer brings what it shows, and a setting goes over the project file."""
    assert figures(answer, "filtered")["corridors"]["count"] == answer["filtered"]["rows"]
    assert answer["setting"]["exceeded"] < answer["files"]["exceeded"]


def test_refusal_is_one_sentence_and_leaves_nothing(answer: dict[str, Any]) -> None:
    """What the command refuses fails in its words, and no folder is made."""
    assert answer["refused"]["fault"].startswith("[limits] opening_area_max: 'much' is no quantity")
    assert "\n" not in answer["refused"]["fault"]
    assert not answer["refused"]["left"]


def test_layers_come_in_one_group_in_drawing_order(answer: dict[str, Any]) -> None:
    """Points above lines above areas above tables, under the name of the project."""
    ((title, names),) = answer["groups"].items()
    order = ("marks", "corridor_lines", "openings", "corridors", "stand", "zones", "checks")

    assert title == "Marrow Hollow, stand 3 (INVENTED)"
    assert sorted(order, key=names.index) == list(order)
    assert len(names) == len(set(names))  # five runs of five outputs would be five groups else
