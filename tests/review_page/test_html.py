"""The page before a checker of HTML from outside; skipped where that or Java is not there."""

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

CHECKER = (
    Path(__file__).parents[2] / ".cache/vnu/node_modules/vnu-jar/build/dist/vnu.jar"
)  # npm install --prefix .cache/vnu vnu-jar


@pytest.fixture
def checked() -> Callable[[Path], str]:
    """What the checker says of a file; nothing where that is valid."""
    java = shutil.which("java")
    if java is None or not CHECKER.is_file():
        pytest.skip("the checker of HTML (npm package vnu-jar) or Java is not installed")

    def check(page: Path) -> str:
        command = [java, "-Xss4m", "-jar", str(CHECKER), "--errors-only", str(page)]
        return subprocess.run(command, capture_output=True, check=False, text=True).stderr  # noqa: S603 - our own words

    return check


def test_the_page_is_valid_html(checked: Callable[[Path], str], page_file: Path) -> None:
    """Nothing is said of the page, and something of one whose element is left open."""
    broken = page_file.with_name("broken.html")
    broken.write_text(page_file.read_text("utf-8").replace("</table>", "", 1), "utf-8")

    assert checked(page_file) == ""
    assert "error" in checked(broken)
