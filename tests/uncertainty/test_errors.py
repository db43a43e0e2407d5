"""Position errors: as stated, and as drawn."""

import numpy as np
import pandas as pd
import pytest

from glademark.project.model import MarkSettings
from glademark.project.text_values import stated_error_m
from glademark.uncertainty.errors import line_shifts, position_errors, shared_draws


def marks(times: list[str], files: list[str]) -> pd.DataFrame:
    """Marks with an error of 4 m."""
    return pd.DataFrame({"position_error_m": 4.0, "time": times, "source_file": files})


@pytest.mark.parametrize(
    ("stated", "error_m"),
    [
        ("4 m", 4.0),
        ("4 m RMSE", 4.0),
        ("1.7308 m 95 %", 1.0),  # FGDC-STD-007.3-1998, appendix 3-A: Accuracy_r = 1.7308 RMSE_r
        ("1.7308 m NSSDA", 1.0),
        ("1.5174 m CE90", 1.0),  # root of -ln 0.1, by hand
        ("0.8326 m CEP", 1.0),  # root of ln 2, by hand
        ("10 ft", 3.048),
    ],
)
def test_stated_errors_come_to_the_root_mean_square(stated: str, error_m: float) -> None:
    """RMSE, 95 per cent, CE90 and CEP are four names of one circular normal error."""
    assert stated_error_m(stated) == pytest.approx(error_m, rel=1e-4)


def test_project_file_takes_a_statement_per_file() -> None:
    """A file may have an error of its own, in a measure of its own."""
    settings = MarkSettings.model_validate(
        {"position_error": "3 m", "position_error_by_file": {"north.csv": "1.7308 m 95 %"}}
    )

    assert settings.position_error_by_file_m["north.csv"] == pytest.approx(1.0, rel=1e-4)


def test_error_without_unit_is_refused() -> None:
    """A bare number is no position error."""
    with pytest.raises(ValueError, match="expected one of"):
        MarkSettings.model_validate({"position_error": "4 95 %"})


def test_parts_of_the_error_add_up_in_squares() -> None:
    """Shared and own part together are the stated error, over the root of 2 on each axis."""
    found = position_errors(
        marks(["", ""], ["a", "b"]), shared_share=0.3, together="day", minutes=30
    )

    assert found.total_m.tolist() == pytest.approx([4 / 2**0.5] * 2)
    assert (found.shared_m**2 / found.total_m**2).tolist() == pytest.approx([0.3] * 2)


@pytest.mark.parametrize(
    ("together", "alike"),
    [("day", [0, 0, 1, 2]), ("file", [0, 0, 0, 1]), ("time", [0, 1, 2, 3])],
)
def test_fixes_taken_together_err_together(together: str, alike: list[int]) -> None:
    """Fixes share by day, by file or by stretch of time; without a time, with their file."""
    times = ["2025-10-06 08:05", "2025-10-06 11:00", "2025-10-07 08:05", ""]
    found = position_errors(
        marks(times, ["a", "a", "a", "b"]),
        shared_share=0.5,
        together=together,  # type: ignore[arg-type] # one of its three words
        minutes=30,
    )

    assert found.together.tolist() == alike


def test_shared_draws_move_a_set_as_one() -> None:
    """Two fixes of a day have the same shared error in every draw, of the stated size."""
    found = position_errors(
        marks(["2025-10-06", "2025-10-06", "2025-10-07"], ["a"] * 3),
        shared_share=0.5,
        together="day",
        minutes=30,
    )
    drawn = shared_draws(found, 4000, np.random.default_rng(1))

    assert (drawn[:, 0] == drawn[:, 1]).all()
    assert not (drawn[:, 0] == drawn[:, 2]).any()
    assert drawn.std(axis=(0, 2)).tolist() == pytest.approx([2.0] * 3, rel=0.05)


def test_vertices_close_together_err_together() -> None:
    """Correlation of line vertices is exp(-(d / length)^2 / 2): 0.607 at one length."""
    at = np.array([[0.0, 0.0], [20.0, 0.0], [200.0, 0.0], [0.0, 0.0]])
    drawn = line_shifts(at, error_m=2**0.5, length_m=20, count=6000, rng=np.random.default_rng(2))
    alike = np.corrcoef(drawn[:, :, 0].T)

    assert alike[0, 1] == pytest.approx(np.exp(-0.5), abs=0.04)
    assert alike[0, 2] == pytest.approx(0.0, abs=0.04)
    assert (drawn[:, 0] == drawn[:, 3]).all()
    assert drawn.std() == pytest.approx(1.0, rel=0.03)
