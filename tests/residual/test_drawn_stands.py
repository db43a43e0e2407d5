"""A small sample of the drawn stands whose every tree is known."""

import importlib.util
from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd
import pytest

from glademark.forestry import SizeClasses
from glademark.measure.residual.target import quotient_error

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


def test_the_error_of_few_trees_is_that_of_their_logarithm() -> None:
    """
    Two plots of 0 and 2 trees have a mean of 1 with a relative error of 1: ln varies by ln 2.

    Slope weights of the classes 10, 20, 30 cm are -10, 0 and 10 over 200; q is of 10 cm.
    """
    classes = SizeClasses.from_edges([5, 15, 25, 35], "cm")
    names = list(classes.labels[1:-1])
    plots = pd.DataFrame([[0.0, 1.0, 1.0], [2.0, 1.0, 1.0]], columns=names)
    found = quotient_error(plots, pd.Series(1.0, index=names), classes, None)

    assert found == pytest.approx([-0.5, np.sqrt(np.log(2)) - 0.5])
