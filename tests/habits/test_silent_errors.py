"""Faults in field files are refused, change no figure, or are named with their count."""

import importlib
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

SCRIPTS = Path(__file__).resolve().parents[2] / "scripts"
NUMBERS = (0, 4, 8, 12, *(number for number in range(15, 30) if number % 15 not in {0, 4, 8, 12}))
"""Of the 300 of ``scripts/check_silent_errors.py``: each kind once, in one project or the other."""


@pytest.fixture(scope="module")
def faults(request: pytest.FixtureRequest) -> ModuleType:
    """The module that spoils projects."""
    sys.path.insert(0, str(SCRIPTS))
    request.addfinalizer(lambda: sys.path.remove(str(SCRIPTS)))  # noqa: PT021 - undone in any case
    return importlib.import_module("silent_errors")


@pytest.fixture(scope="module")
def base(faults: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Any:  # noqa: ANN401 - results of a script
    """What each project says before anything is spoilt."""
    return faults.unspoilt(tmp_path_factory.mktemp("base"))


@pytest.mark.parametrize("number", NUMBERS)
def test_no_fault_stays_silent(
    number: int,
    faults: ModuleType,
    base: Any,  # noqa: ANN401 - as above
    tmp_path: Path,
) -> None:
    """Whatever was lost, a total does not change without a count of it in summary and terminal."""
    project, fault, verdict = faults.tried(number, base, tmp_path / "in")

    assert verdict in {"refused", "unchanged", "named"}, f"{project}: {fault}"
