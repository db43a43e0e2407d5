"""
The general equation against measured trees.

31 felled black cherry trees of the Allegheny National Forest, Pennsylvania: diameter at 4.5 ft
[in], height [ft] and measured volume [ft3]. Ryan, Joiner and Ryan 1976, Minitab Student Handbook,
carried in many statistics packages.
"""

from collections.abc import Callable, Iterable

import numpy as np
import pytest

from glademark.forestry import Trees, equation_sets, tree_volume
from glademark.forestry.volume_equations import NationalVolumeSystem
from glademark.units import FOOT_M, INCH_CM

Reader = Callable[..., Iterable[dict[str, str]]]
BLACK_CHERRY = 762


@pytest.fixture
def measured(rows_of: Reader) -> dict[str, np.ndarray]:
    """Return the 31 trees, a column each."""
    rows = list(rows_of("black_cherry"))
    return {name: np.array([float(row[name]) for row in rows]) for name in rows[0]}


def errors(measured: dict[str, np.ndarray], part: str) -> tuple[float, float]:
    """Return error of the sum, and root mean square error a tree, both in per cent."""
    trees = Trees(
        dbh_cm=measured["dbh_in"] * INCH_CM,
        height_m=measured["height_ft"] * FOOT_M,
        species_code=BLACK_CHERRY,
    )
    volume = tree_volume(trees, equation_set=NationalVolumeSystem(), part=part).volume
    relative = volume / measured["volume_ft3"] - 1
    of_sum = volume.sum() / measured["volume_ft3"].sum() - 1
    return float(100 * of_sum), float(100 * np.sqrt(np.mean(relative**2)))


def test_data_are_the_published_ones(measured: dict[str, np.ndarray]) -> None:
    """The columns have the sums that every copy of the data has."""
    sums = [float(column.sum()) for column in measured.values()]

    assert sums == pytest.approx([410.7, 2356, 935.3])
    assert all(column.size == 31 for column in measured.values())


def test_general_equation_is_within_a_tenth_of_the_measured_sum(
    measured: dict[str, np.ndarray],
) -> None:
    """Published equations differ by a tenth and more: whole and merchantable stem stay within."""
    for part in ("total", "merchantable"):
        of_sum, per_tree = errors(measured, part)
        assert abs(of_sum) < 10
        assert per_tree < 15


def test_error_is_stated_where_users_read_it(measured: dict[str, np.ndarray]) -> None:
    """The figures in the description of the set are those of this comparison."""
    merchantable, per_tree = errors(measured, "merchantable")
    whole, _ = errors(measured, "total")

    text = " ".join((NationalVolumeSystem.__doc__ or "").split())

    assert f"{merchantable:.1f} % over in sum" in text
    assert f"{per_tree:.1f} % of root mean square error a tree" in text
    assert f"the whole stem {whole:.1f} % over" in text


def test_other_sets_stay_within_a_quarter(measured: dict[str, np.ndarray]) -> None:
    """The Canadian sets, fitted elsewhere, differ from these trees by less than a quarter."""
    trees = Trees(
        dbh_cm=measured["dbh_in"] * INCH_CM,
        height_m=measured["height_ft"] * FOOT_M,
        species_code=BLACK_CHERRY,
    )

    for name in ("honer-1983-us", "sharma-2021"):
        volume = tree_volume(trees, equation_set=equation_sets()[name]).volume / FOOT_M**3
        assert volume.sum() == pytest.approx(measured["volume_ft3"].sum(), rel=0.25)
