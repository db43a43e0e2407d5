"""Damage to the trees left: shares over plots with an interval, and how its records are read."""

import math
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from scipy import stats

from glademark.comparison.questions import damage_questions
from glademark.comparison.sample_check import damage_of, share_of_clusters
from glademark.contracts.survey import Survey
from glademark.errors import InputError
from glademark.intake.comparison import AfterCutInputs, read_after_cut
from glademark.project.model import Project, Source
from glademark.report.papers.field_sheets import form_heads

STAND = shapely.box(400_000, 5_000_000, 400_200, 5_000_200)
HEAD = (
    "plot,count,damaged,wound_area_cm2,cause,root,crown,rut_depth_cm,rut_length_m,"
    "corridor_distance_m"
)

Read = Callable[..., gpd.GeoDataFrame]


@pytest.fixture
def read(
    tmp_path: Path, survey_of: Callable[..., Survey], project_of: Callable[..., Project]
) -> Read:
    """Reader of rows of damage."""

    def step(*rows: str, head: str = HEAD, **compare: object) -> gpd.GeoDataFrame:
        (tmp_path / "damage.csv").write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
        inputs = AfterCutInputs(damage=Source(file=Path("damage.csv")))
        surveys = {"": survey_of(STAND)}
        return (
            read_after_cut(inputs, surveys, project_of(compare=compare), folder=tmp_path)
            .seen[""]
            .damage
        )

    return step


def test_share_and_error_are_those_of_the_ratio_estimate() -> None:
    """The residuals of the ratio, taken as a sample of their own, give the same error."""
    damaged, trees = np.array([1, 0, 3, 2, 1]), np.array([10, 8, 15, 12, 9])
    found, low, high = share_of_clusters(damaged, trees, confidence=0.95)
    share = damaged.sum() / trees.sum()
    error = stats.sem(damaged - share * trees) / trees.mean()

    assert found.mean == pytest.approx(share)
    assert found.standard_error == pytest.approx(error)
    assert low < share < high


def test_no_damage_seen_is_no_proof_of_none() -> None:
    """None of 60 trees: up to 1 - 0.025 ** (1 / 60) may be damaged, as SciPy's exact test says."""
    found, low, high = share_of_clusters(np.zeros(6), np.full(6, 10), confidence=0.95)
    exact = stats.binomtest(0, 60).proportion_ci(0.95, method="exact")

    assert (found.mean, low) == (0.0, 0.0)
    assert high == pytest.approx(exact.high)
    assert high == pytest.approx(1 - 0.025 ** (1 / 60))


def test_trees_alike_in_their_plots_tell_less() -> None:
    """Half of the plots wholly damaged: the interval is as wide as with one tree a plot."""
    alike, one = (
        share_of_clusters(np.array([n, 0] * 10), np.full(20, n), confidence=0.95) for n in (10, 1)
    )

    assert alike[1] == pytest.approx(one[1], abs=0.02)
    assert alike[2] == pytest.approx(one[2], abs=0.02)


def test_intervals_hold_the_share_as_often_as_they_say() -> None:
    """Of 400 samples of 20 plots, whose trees are damaged together, at least 93 % hold 8 %."""
    rng = np.random.default_rng(4)
    held = 0
    for _ in range(400):
        trees = rng.poisson(9, 20) + 1
        found = rng.binomial(trees, rng.beta(0.8, 9.2, 20))
        _, low, high = share_of_clusters(found, trees, confidence=0.95)
        held += low <= 0.08 <= high

    assert held / 400 >= 0.93


def test_a_single_plot_settles_nothing(read: Read) -> None:
    """Without a spread between plots there is no interval, and no answer."""
    records = read("1,9,no,,,,,,,", "1,1,yes,,,,,,,")
    damage = damage_of(records, gpd.GeoDataFrame(geometry=[], crs=records.crs), confidence=0.95)

    assert damage is not None
    assert (damage.trees, damage.damaged) == (10, 1)
    assert math.isnan(damage.high)
    assert damage_questions(damage, limit=0.5)[0].answer == "open"
    assert damage_questions(damage, limit=None) == ()


def test_what_counts_as_damage(read: Read) -> None:
    """Wounds from the stated size on, roots, crowns, and what is said to be; ruts are no trees."""
    records = read(
        "1,1,,250,,,,,,", "1,1,,40,,,,,,", "1,1,,,,yes,,,,", "1,1,,,,,x,,,", "2,8,2,,,,,,,",
        "2,5,no,,,,,,,", "3,,,,,,,15,7.5,", "4,1,,,felling,,,,,",
        wound_area_min="100 cm2",
    )  # fmt: skip

    assert records["trees"].tolist() == [1, 1, 1, 1, 8, 5, 0, 1]
    assert records["damaged"].tolist() == [1, 0, 1, 1, 2, 0, 0, 1]
    assert records["rut_length_m"].sum() == 7.5
    assert records["wound_area_m2"].iloc[0] == pytest.approx(0.025)


@pytest.mark.parametrize(
    ("row", "why"),
    [
        ("1,4,,,felling,,,,,", "how many of its trees are damaged is not said"),
        ("1,4,5,,,,,,,", "how many of its trees are damaged"),
        ("1,1,,,,perhaps,,,,", "root or crown is neither yes nor no"),
        ("1,1,,-3,,,,,,", "cannot be read"),
    ],
)
def test_records_that_do_not_say_enough_are_rejected(
    tmp_path: Path,
    survey_of: Callable[..., Survey],
    project_of: Callable[..., Project],
    row: str,
    why: str,
) -> None:
    """They are kept with the reason, and count nowhere."""
    (tmp_path / "damage.csv").write_text(f"{HEAD}\n1,9,no,,,,,,,\n{row}\n", encoding="utf-8")
    inputs = AfterCutInputs(damage=Source(file=Path("damage.csv")))
    seen = read_after_cut(inputs, {"": survey_of(STAND)}, project_of(), folder=tmp_path).seen[""]

    assert len(seen.damage) == 1
    assert why in seen.rejected["reason"].iloc[0]


def test_a_wound_without_a_unit_is_refused(read: Read) -> None:
    """A wound of 40 may be of square inches or square centimetres."""
    with pytest.raises(InputError, match="does not say its unit"):
        read("1,1,40", head="plot,count,wound_area")


def test_shares_by_distance_from_corridors(read: Read) -> None:
    """Measured distances sort trees into bands; trees of none are told apart, and all add up."""
    records = read(
        "1,4,2,,,,,,,1", "2,4,1,,,,,,,2", "1,5,no,,,,,,,20", "2,5,1,,,,,,,12", "3,6,no,,,,,,,",
    )  # fmt: skip
    lanes = gpd.GeoDataFrame(geometry=[], crs=records.crs)
    damage = damage_of(records, lanes, confidence=0.95)

    assert damage is not None
    table = damage.table.set_index(["part", "distance_from_m"])
    assert table.loc[("band", 0.0), ["trees", "damaged"]].tolist() == [8, 3]
    assert table.loc[("band", 9.0), ["trees", "damaged"]].tolist() == [10, 1]
    assert table["trees"].sum() == 2 * damage.trees == 48


@pytest.mark.parametrize(
    ("units", "wound_m2", "rut_m", "away_m"),
    [("us", 40 * 0.0254**2, 6 * 0.0254, 8 * 0.3048), ("metric", 40e-4, 0.06, 8.0)],
)
def test_the_form_has_the_columns_that_are_read(
    read: Read, units: str, wound_m2: float, rut_m: float, away_m: float
) -> None:
    """A row written under the headings of the printed form is read in the units that it names."""
    heads = form_heads(units)
    row = "P1,1,beech,yes,40,2,skidding,no,yes,6,22,12,3,8"
    (seen,) = read(row, head=",".join(heads)).to_dict("records")

    assert len(heads) == len(row.split(","))
    assert (seen["plot"], seen["trees"], seen["damaged"], seen["cause"]) == ("P1", 1, 1, "skidding")
    assert (seen["root"], seen["crown"]) == (False, True)
    assert (seen["regeneration"], seen["bent"]) == (12, 3)
    assert seen["wound_area_m2"] == pytest.approx(wound_m2)
    assert seen["rut_depth_m"] == pytest.approx(rut_m)
    assert seen["corridor_distance_m"] == pytest.approx(away_m)
