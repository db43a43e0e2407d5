"""
Structure of a stand against published tables and closed forms.

`structure_checks.csv` holds every published or computed figure of residual structure, stand
description and damage that the package works out. Left out are rules of thumb and spacings, which
nothing here computes.
"""

from collections.abc import Callable, Mapping
from types import MappingProxyType

import numpy as np
import pytest

from glademark.comparison.sample_check import ratio_estimate
from glademark.forestry import basal_area_m2, quadratic_mean_diameter_cm
from glademark.forestry.size_classes import (
    density_index_of_trees,
    fitted_q,
    percent_stocking,
    random_cover,
    relative_density,
    share_in_words,
    stand_density_index,
    stocking_type,
    target_trees,
)
from glademark.units import ACRE_M2, BASAL_AREA_M2_HA, FOOT_M, HECTARE_M2, INCH_CM

PER_ACRE = ACRE_M2 / HECTARE_M2
FT2_AC = BASAL_AREA_M2_HA["ft2/acre"]

GUIDE_IN = np.arange(6, 25, 2)
GUIDE = np.array([96.2, 76.3, 124.3, 19.5, 7.2, 4.8, 2.0, 0.9, 0.5, 0.1])
DESIRED = np.array([61, 38, 24, 15, 9, 6, 5, 2, 0, 0])
"""Actual and desired trees per acre of a marking guide, as it prints them."""

COURSE_CM = np.arange(7, 32, 4.0)
COURSE = [555.56, 255.56, 161.11, 72.22, 16.67, 5.56, 16.67]
EXAM = [543.51, 304.36, 141.31, 65.22, 36.96, 16.31]
THINNINGS = {
    "HA_4_marked": (2034, 36.3, 0.805, 0.728),
    "FC_4_marked": (2077, 34.9, 0.501, 0.480),
    "FC_8_unmarked": (2563, 34.0, 0.496, 0.462),
}
"""Trees and basal area [m2] per hectare before, and the shares of them that were cut."""


def _per_acre(lowest: int, largest: int, basal_area: float, q: float, step: int = 2) -> np.ndarray:
    """Target trees per acre of classes in inches, basal area in ft2/acre."""
    middles = np.arange(lowest, largest + 1, step) * INCH_CM
    return target_trees(middles, basal_area=basal_area * FT2_AC, q=q) * PER_ACRE


def _of_guide(size: int) -> float:
    """Desired trees of a class of the guide, whose basal area is that of 6 in and more."""
    every = _per_acre(2, 20, 80, 1.6)
    every *= _per_acre(6, 20, 80, 1.6)[-1] / every[-1]
    return float(every[size // 2 - 1])


def _surplus(size: int) -> float:
    """Actual less desired trees of a class of the guide."""
    return float((GUIDE - DESIRED)[size // 2 - 3])


def _means(key: str) -> list[float]:
    """Mean diameters before a thinning, of what was cut and after it, and cut over before."""
    trees, basal, cut_trees, cut_basal = THINNINGS[key]
    before, cut, after = (
        float(quadratic_mean_diameter_cm(basal * of_basal, trees * of_trees))
        for of_trees, of_basal in ((1, 1), (cut_trees, cut_basal), (1 - cut_trees, 1 - cut_basal))
    )
    return [before, cut, after, cut / before]


def _q_by_width(q: float, width_cm: float) -> float:
    """A quotient of 2-inch classes for classes of another width."""
    middles = np.arange(6, 21, 2) * INCH_CM
    return fitted_q(middles, q ** -np.arange(8.0), width_cm=width_cm)


def _of_maximum(trees: int, mean_in: float) -> float:
    """Density index in percent of 530 trees an acre."""
    trees_per_ha = trees / PER_ACRE
    basal = trees_per_ha * float(basal_area_m2(mean_in * INCH_CM))
    return 100 * stand_density_index(trees_per_ha, basal) * PER_ACRE / 530


def _stocking(kind: str) -> float:
    """Percent stocking of 100 ft2 and 200 trees an acre."""
    return percent_stocking(200 / PER_ACRE, 100 * FT2_AC, kind)


def _kept() -> np.ndarray:
    """58 % of the exam's basal area with its own q."""
    q = fitted_q(COURSE_CM[:6], EXAM, width_cm=4)
    whole = float(basal_area_m2(COURSE_CM[:6]) @ EXAM)
    return target_trees(COURSE_CM[:6], basal_area=0.58 * whole, q=q)


_B30 = target_trees(np.arange(5, 50, 4.0), basal_area=30.0, q=1.3)
_LARGEST_17 = target_trees([10, 14], basal_area=1, q=1.7)[1]
_SHARES = np.linspace(0.4, 0.46, 601)
_EXAMPLE = 100 * np.pi * 10**2 / 43_560
_DAMAGE = ratio_estimate([2, 0, 3, 1, 4], [14, 11, 20, 9, 16])

CHECKS: Mapping[str, Callable[[], float]] = MappingProxyType(
    {f"marking guide: {size} in": lambda size=size: _of_guide(size) for size in range(2, 21, 2)}
    | {
        f"marking guide: {words} of {size} in": lambda size=size: _surplus(size)
        for size in range(6, 21, 2)
        for words in ("surplus", "deficit")
    }
    | {
        f"marking guide: share to mark of {size} in": lambda size=size: (
            100 * _surplus(size) / GUIDE[size // 2 - 3]
        )
        for size in (6, 8, 10, 12)
    }
    | {
        f"thinning {key}: mean diameter, {words}": lambda key=key, place=place: _means(key)[place]
        for key in THINNINGS
        for place, words in enumerate(("before", "cut", "after", "cut over before"))
    }
    | {
        f"exam: {size:.0f} cm kept at the same q": lambda place=place: _kept()[place]
        for place, size in enumerate(COURSE_CM[:6])
    }
    | {
        f"percent stocking: {kind}": lambda kind=kind: _stocking(kind)
        for kind in ("sugar maple", "black walnut", "cottonwood and silver maple")
    }
    | {
        f"cover of crowns of {share} percent": lambda share=share: 100 * random_cover(share / 100)
        for share in (30, 100, 150)
    }
    | {
        "marking guide: 18 in as q gives it": lambda: _of_guide(18),
        "marking guide: largest class": lambda: _of_guide(20),
        "marking guide: largest class, all classes in B": lambda: _per_acre(2, 20, 80, 1.6)[-1],
        "marking guide: basal area before": lambda: (
            basal_area_m2(GUIDE_IN * INCH_CM) @ GUIDE / FOOT_M**2
        ),
        "marking guide: marked of 12 in on 40 acres": lambda: 40 * _surplus(12),
        "marking guide: all surplus": lambda: np.maximum(GUIDE - DESIRED, 0).sum(),
        "marking guide: q of the printed table": lambda: fitted_q(
            GUIDE_IN[:8], DESIRED[:8], width_cm=2
        ),
        "k of 4-cm classes, q 1.3": lambda: 30 / _B30[-1],
        "largest class of B 30, q 1.3": lambda: _B30[-1],
        "trees of B 30, D 49, q 1.3": _B30.sum,
        "trees of B 60, D 21, q 1.2": lambda: _per_acre(4, 21, 60, 1.2, step=1).sum(),
        "largest class of B 80, D 20, q 1.3": lambda: _per_acre(6, 20, 80, 1.3)[-1],
        "largest class of B 70, D 24, q 1.5": lambda: _per_acre(6, 24, 70, 1.5)[-1],
        "trees of B 70, D 24, q 1.5": lambda: _per_acre(6, 24, 70, 1.5).sum(),
        "trees of B 60, D 18, q 2.0": lambda: _per_acre(6, 18, 60, 2.0).sum(),
        "course: slope": lambda: -np.log(fitted_q(COURSE_CM, COURSE, width_cm=1)),
        "course: q": lambda: fitted_q(COURSE_CM, COURSE, width_cm=4),
        "exam: basal area": lambda: basal_area_m2(COURSE_CM[:6]) @ EXAM,
        "stand density index of 494.1 trees of 31 cm": lambda: stand_density_index(
            494.1, 494.1 * float(basal_area_m2(31))
        ),
        "summed index of the marking guide": lambda: (
            density_index_of_trees(GUIDE_IN * INCH_CM) @ GUIDE
        ),
        "mean diameter of the marking guide": lambda: (
            float(
                quadratic_mean_diameter_cm(basal_area_m2(GUIDE_IN * INCH_CM) @ GUIDE, GUIDE.sum())
            )
            / INCH_CM
        ),
        "relative density of 280 ft2/ac, 14.5 in": lambda: relative_density(
            280 * FT2_AC / float(basal_area_m2(14.5 * INCH_CM)), 280 * FT2_AC
        ),
        "density of 97 trees of a maximum of 530": lambda: _of_maximum(97, 23.3),
        "density of 17 trees of a maximum of 530": lambda: _of_maximum(17, 34.9),
        "density of 357 trees of a maximum of 530": lambda: _of_maximum(357, 14.0),
        "basal area of 357 trees": lambda: 357 * basal_area_m2(14 * INCH_CM) / FOOT_M**2,
        "basal area of 42 trees": lambda: 42 * basal_area_m2(21.3 * INCH_CM) / FOOT_M**2,
        "crowns of a cover of 35 percent": lambda: np.interp(
            0.35, [random_cover(share) for share in _SHARES], 100 * _SHARES
        ),
        "cover of 100 crowns of 20 ft an acre": lambda: 100 * random_cover(_EXAMPLE),
        "cover of crowns of 80 percent at random": lambda: 100 * random_cover(0.8),
        "more trees a class with q 1.7": lambda: (
            100 * (target_trees([10, 14], basal_area=1, q=1.7)[0] / _LARGEST_17 - 1)
        ),
        "q 1.3 of 2 in, for 1 in": lambda: _q_by_width(1.3, INCH_CM),
        "q 1.6 of 2 in, for 4 cm": lambda: _q_by_width(1.6, 4.0),
        "damaged share of 5 plots": lambda: 100 * _DAMAGE.mean,
        "damaged share of 5 plots, standard error": lambda: 100 * _DAMAGE.standard_error,
    }
)


@pytest.mark.checks("structure_checks")
def test_published_figures_of_structure_come_out(check: dict[str, str]) -> None:
    """Each figure is that of its source, within the digits printed."""
    value = CHECKS[check["check"]]()

    expected = pytest.approx(float(check["expected"]), abs=float(check["absolute"]), rel=0)
    assert float(value) == expected, check["source"]


def test_which_classes_the_basal_area_covers_moves_the_largest_trees() -> None:
    """With the 2- and 4-inch classes in the 80 ft2 there are 13 % fewer trees of 20 inches."""
    some, every = _per_acre(6, 20, 80, 1.6)[-1], _per_acre(2, 20, 80, 1.6)[-1]

    assert 1 - every / some == pytest.approx(0.13, abs=0.005)


@pytest.mark.parametrize("trees", [[10.0, 5.0], [10.0, 0.0, 5.0], [10.0, np.nan, 5.0, 2.0]])
def test_too_few_classes_have_no_quotient(trees: list[float]) -> None:
    """A line through two classes always fits, and one that is not known is not left out."""
    assert np.isnan(fitted_q(np.arange(len(trees)) + 1.0, trees, width_cm=1))


@pytest.mark.parametrize(
    ("shares", "kind"),
    [
        ({"sugar maple": 0.8, "red oak": 0.2}, "sugar maple"),
        ({"silver maple": 0.5, "eastern cottonwood": 0.3}, "cottonwood and silver maple"),
        ({"sugar maple": 0.79, "black walnut": 0.21}, ""),
        ({"sugar maple": np.nan}, ""),
    ],
)
def test_only_pure_stands_of_published_types_have_a_stocking(
    shares: dict[str, float], kind: str
) -> None:
    """Four fifths of the basal area make a pure stand; no coefficients, no number."""
    assert stocking_type(shares) == kind
    assert np.isnan(percent_stocking(200.0, 20.0, kind)) == (kind == "")


@pytest.mark.parametrize(
    ("surplus", "of", "words"),
    [
        (35.2, 96.2, "3 of 8"),
        (38.3, 76.3, "1 of 2"),
        (100.3, 124.3, "4 of 5"),
        (0, 10, "none"),
        (10, 10, "all"),
        (95, 100, "more than 9 of 10"),
        (4, 100, "fewer than 1 of 10"),
    ],
)
def test_marking_ratios_are_told_as_fractions(surplus: float, of: float, words: str) -> None:
    """Ratios of the marking guide's classes, and what no fraction of ten can say."""
    assert share_in_words(surplus / of) == words
