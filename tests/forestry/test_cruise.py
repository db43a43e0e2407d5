"""Cruise plots: what each says per hectare, and what all say of the stand."""

import math
from collections.abc import Callable, Iterable

import hypothesis.strategies as st
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from scipy import stats

from glademark.errors import InputError
from glademark.forestry import (
    CruiseTrees,
    Estimate,
    PlotDesign,
    TallyScope,
    Trees,
    equation_sets,
    estimate_mean,
    estimate_strata,
    per_hectare,
    plots_needed,
    scope_differences,
)
from glademark.units import ACRE_M2, BASAL_AREA_M2_HA, HECTARE_M2, INCH_CM

Check = dict[str, str]
Reader = Callable[..., Iterable[Check]]

FT2_AC = BASAL_AREA_M2_HA["ft2/acre"]
PER_ACRE = ACRE_M2 / HECTARE_M2


def constructed_cruise(rows_of: Reader) -> pd.DataFrame:
    """Return the ten points at BAF 20 of the constructed cruise, in the units of its author."""
    rows = list(rows_of("cruise_trees"))
    dbh_cm = np.array([float(row["dbh_in"]) for row in rows]) * INCH_CM
    trees = Trees(dbh_cm=dbh_cm, logs=[float(row["logs"]) for row in rows])
    formula = equation_sets()["form-class-1986"]  # the author used it below its tables too
    board_feet = formula.volume(trees, "international-1/4")
    values = per_hectare(
        CruiseTrees(plot=[row["point"] for row in rows], dbh_cm=dbh_cm),
        plots=[str(point) for point in range(1, 11)],
        design=PlotDesign.variable_radius(20 * FT2_AC),
        amounts={"board feet": board_feet},
    )
    return pd.DataFrame(
        {
            "basal area": values["basal_area_m2"] / FT2_AC,
            "trees": values["trees"] * PER_ACRE,
            "board feet": values["board feet"] * PER_ACRE,
        }
    )


@pytest.mark.checks("cruise_points")
def test_each_point_of_the_constructed_cruise(check: Check, rows_of: Reader) -> None:
    """Each point, the empty one too, has the values that were computed elsewhere."""
    point = constructed_cruise(rows_of).loc[check["point"]]

    assert point["basal area"] == pytest.approx(float(check["basal_area_ft2_ac"]), abs=1e-9)
    assert point["trees"] == pytest.approx(float(check["trees_ac"]), abs=5.1e-5)
    assert point["board feet"] == pytest.approx(float(check["board_feet_ac"]), abs=5.1e-4)


FIGURES: dict[str, Callable[[Estimate, Estimate], float]] = {
    "mean": lambda at_95, _: at_95.mean,
    "standard deviation": lambda at_95, _: at_95.standard_deviation,
    "coefficient of variation percent": lambda at_95, _: at_95.coefficient_of_variation_pct,
    "standard error": lambda at_95, _: at_95.standard_error,
    "t, 9 df, 90 percent": lambda _, at_90: at_90.t,
    "half width 90 percent": lambda _, at_90: at_90.half_width,
    "sampling error 90 percent, percent of mean": lambda _, at_90: at_90.sampling_error_pct,
    "half width 95 percent": lambda at_95, _: at_95.half_width,
    "lower limit 95 percent": lambda at_95, _: at_95.low,
    "upper limit 95 percent": lambda at_95, _: at_95.high,
}


@pytest.mark.checks("cruise_results")
def test_results_of_the_constructed_cruise(check: Check, rows_of: Reader) -> None:
    """Mean, error and interval of the ten points are those computed in two other languages."""
    values = constructed_cruise(rows_of)[check["column"]]

    figure = FIGURES[check["quantity"]](
        estimate_mean(values), estimate_mean(values, confidence=0.90)
    )

    assert figure == pytest.approx(float(check["expected"]), abs=float(check["absolute"]) * 1.02)


def test_mean_of_twenty_points() -> None:
    """Ten points of 11 trees and ten of 13 at BAF 10 ft2/ac are 120 +- 4.80 ft2/ac (95 %)."""
    plots = [f"P{number}" for number in range(1, 21)]
    counted = CruiseTrees(plot=plots, dbh_cm=[math.nan] * 20, count=[11] * 10 + [13] * 10)

    values = per_hectare(counted, plots=plots, design=PlotDesign.variable_radius(10 * FT2_AC))
    basal_area = estimate_mean(values["basal_area_m2"] / FT2_AC)

    # s^2 = 20 * 10^2 / 19, SE = s / sqrt(20), t of 19 degrees of freedom = 2.0930
    assert basal_area.mean == pytest.approx(120)
    assert basal_area.standard_error == pytest.approx(10 / math.sqrt(19))
    assert basal_area.half_width == pytest.approx(4.80, abs=0.005)
    assert values["trees"].isna().all()


def test_share_of_the_stand() -> None:
    """1,150 ft2 marked of 120 +- 4.80 ft2/ac on 50 acres is 19.2 %, between 18.4 and 20.0 %."""
    stand = estimate_mean([110] * 10 + [130] * 10).times(50)

    shares = [100 * 1150 / total for total in (stand.mean, stand.high, stand.low)]

    assert 0.35 * stand.mean == pytest.approx(2100)
    assert shares == pytest.approx([19.2, 18.4, 20.0], abs=0.05)


def test_empty_plot_is_a_zero() -> None:
    """Five trees on two plots, the second empty, are half as many a hectare as on one."""
    counted = CruiseTrees(plot=["A"] * 5, dbh_cm=[30.0] * 5)
    design = PlotDesign.fixed_area(500)

    values = per_hectare(counted, plots=["A", "B"], design=design)

    assert values["trees"].tolist() == [100, 0]
    assert estimate_mean(values["trees"]).mean == 50


def test_walkthrough_tree_counts_twice() -> None:
    """A tree that the walkthrough method doubles brings its basal area factor twice."""
    counted = CruiseTrees(plot=["A", "A"], dbh_cm=[30.0, 40.0], times=[1, 2])

    values = per_hectare(counted, plots=["A"], design=PlotDesign.variable_radius(4))

    assert values["basal_area_m2"].tolist() == [12]


def test_half_a_plot_is_scaled_up_and_counts_half() -> None:
    """Three trees on half a plot are six on a whole one, with half the say in the mean."""
    counted = CruiseTrees(plot=["A"] * 3 + ["B"] * 3, dbh_cm=[30.0] * 6)
    weights = [0.5, 1.0]

    values = per_hectare(
        counted, plots=["A", "B"], design=PlotDesign.fixed_area(1000), weights=weights
    )
    mean = estimate_mean(values["trees"], weights=weights).mean

    assert values["trees"].tolist() == [60, 30]
    assert mean == pytest.approx(6 * 10 / 1.5)  # trees found over plots tallied


def test_products_stay_apart() -> None:
    """Each product has a column of its own; a tree without it adds nothing, known or not."""
    counted = CruiseTrees(plot=["A", "A"], dbh_cm=[40.0, math.nan])

    values = per_hectare(
        counted,
        plots=["A"],
        design=PlotDesign.variable_radius(2),
        amounts={"sawlog": [200.0, 0.0], "pulpwood": [0.0, 0.3]},
    )

    # 2 m2/ha over 0.125664 m2 is 15.9155 trees/ha of 200
    assert values["sawlog"].tolist() == pytest.approx([200 * 2 / (math.pi * 0.04)])
    assert values["pulpwood"].isna().all()


@given(st.lists(st.floats(5, 80), min_size=1, max_size=30))
def test_fixed_plot_basal_area_is_that_of_its_trees(dbh_cm: list[float]) -> None:
    """On a plot of one hectare the values are sums over its trees."""
    counted = CruiseTrees(plot=["A"] * len(dbh_cm), dbh_cm=dbh_cm)

    values = per_hectare(counted, plots=["A"], design=PlotDesign.fixed_area(HECTARE_M2))

    by_hand = sum(math.pi / 4 * (size / 100) ** 2 for size in dbh_cm)
    assert values.loc["A", "basal_area_m2"] == pytest.approx(by_hand)
    assert values.loc["A", "trees"] == len(dbh_cm)


@given(st.lists(st.floats(0, 1e4), min_size=2, max_size=40), st.sampled_from([0.8, 0.9, 0.95]))
def test_interval_is_that_of_a_statistics_library(values: list[float], confidence: float) -> None:
    """Standard error and t interval are those of a general statistics library."""
    estimate = estimate_mean(values, confidence=confidence)

    error = float(stats.sem(values))
    assert estimate.standard_error == pytest.approx(error, abs=1e-9)
    t = float(stats.t.ppf((1 + confidence) / 2, len(values) - 1))
    assert estimate.half_width == pytest.approx(t * error, abs=1e-6)


def test_single_plot_has_no_error() -> None:
    """One plot has a mean and no error that could be told."""
    estimate = estimate_mean([5.0])

    assert estimate.mean == 5
    assert math.isnan(estimate.half_width)
    assert math.isnan(estimate.sampling_error_pct)


def test_empty_stand_has_no_percentages() -> None:
    """Where nothing stands, an error in per cent of it says nothing."""
    estimate = estimate_mean([0.0, 0.0])

    assert estimate.half_width == 0
    assert math.isnan(estimate.sampling_error_pct)
    assert math.isnan(estimate.coefficient_of_variation_pct)


def test_all_plots_of_a_stand_leave_no_error() -> None:
    """A stand of which every plot was taken is known."""
    assert estimate_mean([1.0, 2.0, 3.0], plots_in_stand=3).standard_error == 0


def test_strata_are_weighted_by_area() -> None:
    """Three quarters at 10 +- 2 and one quarter at 20 +- 2: SE^2 = 9/16 4 + 1/16 4."""
    low, high = estimate_mean([8, 12]), estimate_mean([18, 22])

    whole = estimate_strata([low, high], [30, 10])

    assert whole.mean == 12.5
    assert whole.standard_error == pytest.approx(math.sqrt(9 / 16 * 4 + 1 / 16 * 4))
    # by the approximation of Satterthwaite, each stratum with one degree of freedom
    assert whole.degrees_of_freedom == pytest.approx(2.5**2 / (2.25**2 + 0.25**2))
    assert whole.plots == 4


def test_strata_without_variance_keep_their_freedom() -> None:
    """Strata whose plots do not differ have no error together either."""
    flat = estimate_mean([3.0, 3.0])

    whole = estimate_strata([flat, flat], [1, 1])

    assert (whole.standard_error, whole.degrees_of_freedom) == (0, 2)


@given(variation=st.floats(1, 150), error=st.floats(1, 30))
def test_plots_needed_are_just_enough(variation: float, error: float) -> None:
    """With the plots that are asked for the error is kept; with one less it is not."""
    number = plots_needed(variation, error)

    def reached(plots: int) -> float:
        """Sampling error that so many plots reach."""
        return float(stats.t.ppf(0.975, plots - 1)) * variation / math.sqrt(plots)

    assert number >= 2
    assert reached(number) <= error * (1 + 1e-9)
    assert number == 2 or reached(number - 1) > error * (1 - 1e-9)


def test_cruise_and_tally_that_differ_are_told() -> None:
    """Another smallest tree, another product and another top are three differences."""
    cruise = TallyScope(smallest_dbh_cm=12.7, products=frozenset({"pulpwood"}), top="4-in top")
    tally = TallyScope(
        smallest_dbh_cm=15.24, products=frozenset({"pulpwood", "veneer"}), top="6-in top"
    )

    assert scope_differences(cruise, tally) == (
        "the cruise starts at 12.7 cm (5.0 in) DBH, the tally at 15.2 cm (6.0 in)",
        "the cruise has no veneer",
        "the cruise goes to a 4-in top, the tally to a 6-in top",
    )
    assert scope_differences(cruise, cruise) == ()
    assert scope_differences(TallyScope(), tally) == ()


@pytest.mark.parametrize(
    "fields", [{}, {"area_m2": 0}, {"area_m2": 1, "basal_area_factor_m2_ha": 1}]
)
def test_design_is_one_of_two(fields: dict[str, float]) -> None:
    """A plot has a factor or an area, above zero."""
    with pytest.raises(InputError, match="expected one of them, above zero"):
        PlotDesign(**fields)


def test_plots_are_listed_once() -> None:
    """Two plots of one name cannot be told apart."""
    with pytest.raises(InputError, match="the plots A are listed twice"):
        per_hectare(
            CruiseTrees(plot=["A"], dbh_cm=[1.0]),
            plots=["A", "A"],
            design=PlotDesign.fixed_area(1),
        )


def test_trees_stand_on_listed_plots() -> None:
    """A tree on a plot that is not listed would be lost."""
    with pytest.raises(InputError, match=r"1 records are of plots that are not listed \(B\)"):
        per_hectare(
            CruiseTrees(plot=["B"], dbh_cm=[1.0]), plots=["A"], design=PlotDesign.fixed_area(1)
        )


def test_weight_of_a_plot_is_a_share() -> None:
    """A plot lies in the stand with no more than all of itself."""
    with pytest.raises(InputError, match="weight is not within 0 to 1"):
        per_hectare(
            CruiseTrees(plot=["A"], dbh_cm=[1.0]),
            plots=["A"],
            design=PlotDesign.fixed_area(1),
            weights=[1.5],
        )


@pytest.mark.parametrize(
    ("values", "options", "message"),
    [
        ([], {}, "0 plots, 0 without a value"),
        ([1.0, math.nan], {}, "2 plots, 1 without a value"),
        ([1.0], {"weights": [0.0]}, "no weight above zero"),
        ([1.0], {"confidence": 95}, "the confidence is 95; expected a share"),
        ([1.0, 2.0], {"plots_in_stand": 1}, "2 plots in a stand with room for 1"),
    ],
)
def test_sample_that_says_nothing_is_refused(
    values: list[float], options: dict[str, object], message: str
) -> None:
    """A mean is not made of nothing."""
    with pytest.raises(InputError, match=message):
        estimate_mean(values, **options)  # type: ignore[arg-type] # parametrised


def test_every_stratum_has_an_area() -> None:
    """Strata of unequal area are never pooled."""
    with pytest.raises(InputError, match="Give every stratum its area"):
        estimate_strata([estimate_mean([1, 2])], [1, 2])


def test_plots_needed_for_no_error_are_refused() -> None:
    """No number of plots has no error."""
    with pytest.raises(InputError, match="expected numbers above zero"):
        plots_needed(50, 0)
