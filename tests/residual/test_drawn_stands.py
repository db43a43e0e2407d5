"""A small sample of the drawn stands whose every tree is known."""

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest

SCRIPT = Path(__file__).resolve().parents[2] / "scripts" / "check_residual.py"


@pytest.fixture(scope="module")
def script() -> ModuleType:
    """The script of the full count."""
    spec = importlib.util.spec_from_file_location("check_residual", SCRIPT)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_intervals_of_drawn_stands_hold_the_truth(script: ModuleType) -> None:
    """Of 36 intervals of 95 % in 6 stands 28 or fewer hold by chance once in 3,000 samples.

    Binomial: P(X <= 28; 36, 0.95) = 3.3e-4. They are no wider than 25 plots make them.
    """
    layout, truth = script.laid_out("falling by q", 6, 1)
    found = script.covered(layout, truth)
    total = layout.residual_by_class[layout.residual_by_class["row"] == "total"]
    width = total["residual_trees_high"] - total["residual_trees_low"]

    assert len(found) == 36
    assert found["held"].sum() > 28
    assert (width / total["standing_trees"]).between(0.1, 0.5).all()
