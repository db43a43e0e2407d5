"""One test for each row of a file of check values, by ``@pytest.mark.checks("file")``."""

import csv
from collections.abc import Iterator
from pathlib import Path

import pytest

HERE = Path(__file__).parent


def pytest_configure(config: pytest.Config) -> None:
    """Make the marker known."""
    config.addinivalue_line("markers", "checks(file, **kept): a test for each kept row of a file")


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Hand the rows of the marked file to the test, one by one, as `check`."""
    marker = metafunc.definition.get_closest_marker("checks")
    if marker is None:
        return
    rows = list(kept_rows(*marker.args, **marker.kwargs))
    names = [row.get("check") or "-".join(list(row.values())[:4]) for row in rows]
    metafunc.parametrize("check", rows, ids=names)


def kept_rows(file: str, **kept: str) -> Iterator[dict[str, str]]:
    """Rows of a file whose columns have the given values."""
    with (HERE / f"{file}.csv").open(encoding="utf-8", newline="") as lines:
        for row in csv.DictReader(lines):
            if all(row[column] == value for column, value in kept.items()):
                yield row


@pytest.fixture
def rows_of() -> object:
    """Return the reader of check files, for tests that need a whole file."""
    return kept_rows
