"""README, guide and reference pages are held to the code."""

import json
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from glademark.jobs.layout import Outcome
from glademark.project import read_project

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def blocks(text: str, language: str) -> list[str]:
    """Fenced blocks of one language."""
    return re.findall(rf"```{language}\n(.*?)```", text, flags=re.DOTALL)


def test_reference_pages_are_current() -> None:
    """The reference pages say what the declarations say."""
    script = ROOT / "scripts" / "make_docs.py"
    code = f"import json, runpy; print(json.dumps(runpy.run_path({str(script)!r})['pages']()))"
    # in a process of its own: a command that has run answers --help in other words
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=True)  # noqa: S603
    pages = json.loads(done.stdout)

    stale = [
        name
        for name, text in pages.items()
        if (ROOT / "docs" / name).read_text(encoding="utf-8") != text
    ]

    assert not stale, "run scripts/make_docs.py"


def test_readme_opens_with_the_job() -> None:
    """The first thing that the README says is the job, in one paragraph."""
    first = README.split("\n\n")[1]

    assert "corridors" in first
    assert "opening" in first
    assert len(README.splitlines()) <= 150


def test_readme_python_runs(sample_run: Outcome) -> None:
    """The README's Python lays out the sample where it says, and knows its openings."""
    path = next(path for path in sample_run.files if path.name == "layout.gpkg")

    assert path.is_file()
    assert path.parent.parts[-2:] == ("results", "sample")
    assert len(sample_run.delivery.layout.openings) > 0


def test_readme_project_file_is_valid(tmp_path: Path) -> None:
    """The project file of the README is one that the program takes."""
    path = tmp_path / "harvest.toml"
    path.write_text(blocks(README, "toml")[0], encoding="utf-8")

    project = read_project(path)

    assert project.corridors.width_m == pytest.approx(14 * 0.3048)


@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md", "CHANGELOG.md"])
def test_links_lead_somewhere(page: str) -> None:
    """Every file that a page links to is there."""
    text = (ROOT / page).read_text(encoding="utf-8")
    links = re.findall(r"\]\(([^)#:]+)\)", text)

    missing = [link for link in links if not (ROOT / link).exists()]

    assert not missing


def test_every_dependency_has_its_reason() -> None:
    """The guide gives a reason for each package that the program needs."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    names = [re.match(r"[A-Za-z0-9_-]+", line)[0] for line in project["dependencies"]]
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split("## Dependencies")[1]

    unexplained = [name for name in names if name not in guide]

    assert not unexplained


def test_scripts_named_in_the_guide_exist() -> None:
    """Every script that README and guide name is there."""
    text = README + (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = set(re.findall(r"scripts/\w+\.py", text))

    missing = [name for name in named if not (ROOT / name).is_file()]

    assert named
    assert not missing


def test_modules_named_in_the_guide_exist() -> None:
    """Every module that the guide names is there; one without a folder somewhere in the package."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`((?:\w+/)*\w+\.py)`", text))
    package = ROOT / "src" / "glademark"
    there = {path.name for path in package.rglob("*.py")}

    missing = [
        name
        for name in named
        if not ((ROOT / name).is_file() or (package / name).is_file() or name in there)
    ]

    assert not missing
