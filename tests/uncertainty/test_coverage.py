"""What the intervals cover over synthetic stands: a small, seeded part of the published table."""

import importlib
import sys
from pathlib import Path
from types import ModuleType

import pytest

SCRIPTS = Path(__file__).resolve().parents[2] / "scripts"
STANDS = 5


@pytest.fixture(scope="module")
def script(request: pytest.FixtureRequest) -> ModuleType:
    """The script that makes the table."""
    sys.path.insert(0, str(SCRIPTS))
    request.addfinalizer(lambda: sys.path.remove(str(SCRIPTS)))  # noqa: PT021 - undone in any case
    return importlib.import_module("check_uncertainty")


def test_intervals_hold_the_truth_as_often_as_they_say(script: ModuleType) -> None:
    """Of 90 % intervals at 3 m, at least as many hold as 9 in 10 gives in all but 1 run of 1000."""
    found = script.covered(STANDS, first=100, sizes=(3.0,), processes=1)
    held = found.groupby("figure")["inside"].agg(["sum", "size"])

    # binomial, p = 0.9: 0.1 % quantiles are 2 of 5 and 5 of 10
    assert (held["sum"] >= held["size"].map({5: 2, 10: 5})).all()
    assert set(held.index) == set(script.TITLES)


def test_published_table_stands_on_the_page(script: ModuleType) -> None:
    """The page has the table that the script writes, with every figure in it."""
    page = (SCRIPTS.parent / "docs" / "uncertainty.md").read_text(encoding="utf-8")
    table = page.split(script.BEGIN)[1].split(script.END)[0]

    assert all(f"| {title} |" in table for title in script.TITLES.values())
