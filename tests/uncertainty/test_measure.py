"""The whole step: from a survey to chances in the checks and columns in the layers."""

from collections.abc import Callable, Sequence

import numpy as np
import pytest
import shapely
from scipy.stats import norm

from glademark.contracts.layout import Layout
from glademark.contracts.survey import Survey
from glademark.jobs.layout import installed_limits
from glademark.judge.checks import judge
from glademark.judge.limits import Case, LimitAsked, limits_asked
from glademark.judge.uncertain_verdicts import uncertainty_figures, with_uncertainty
from glademark.measure.layout import measure_layout
from glademark.project.model import LimitSetting, Project
from glademark.uncertainty.measure import Uncertainty, measure_uncertainty, uncertainty_settled

STAND = shapely.box(400_000, 5_000_000, 400_200, 5_000_200)
ASKED = {"draws": 100, "line_error": "0 m", "crown_error": "0 %"}
CORRIDOR = {"geometry": shapely.LineString([(400_150, 4_999_990), (400_150, 5_000_210)])}


def square_group(west: float, south: float, name: str) -> list[dict[str, object]]:
    """Nine tagged marks 5 m apart."""
    return [
        {"geometry": shapely.Point(400_000 + west + 5 * i, 5_000_000 + south + 5 * j),
         "group": name, "position_error_m": 2.0, "tree_id": f"{name}-{3 * i + j}"}
        for i in range(3) for j in range(3)
    ]  # fmt: skip


Run = Callable[..., tuple[Layout, Survey, Project, Uncertainty]]


@pytest.fixture(scope="module")
def uncertainty_of(survey_of: Callable[..., Survey], project_of: Callable[..., Project]) -> Run:
    """Layout and uncertainty of a survey."""

    def run(
        marks: Sequence[object], *, asked: dict[str, object] | None = None, **given: object
    ) -> tuple[Layout, Survey, Project, Uncertainty]:
        survey = survey_of(STAND, marks=marks, **given)
        project = project_of(uncertainty={**ASKED, **(asked or {})})
        layout = measure_layout(survey, project, earlier={})
        uncertainty = measure_uncertainty(layout, survey, project)
        assert uncertainty is not None
        return layout, survey, project, uncertainty

    return run


@pytest.fixture(scope="module")
def two_groups(uncertainty_of: Run) -> tuple[Layout, Survey, Project, Uncertainty]:
    """Two groups 15 m apart, a lone tree in the corridor, water to the west."""
    lone = {"geometry": shapely.Point(400_150.5, 5_000_100), "position_error_m": 2.0}
    return uncertainty_of(
        [*square_group(40, 40, "1"), *square_group(71, 40, "2"), lone],
        corridors=[CORRIDOR],
        water=[shapely.box(400_000, 5_000_000, 400_010, 5_000_200)],
    )


def limits(**values: str) -> tuple[LimitAsked, ...]:
    """Limits as asked."""
    settings = {name: LimitSetting(value=value) for name, value in values.items()}
    return limits_asked(settings, known=installed_limits())


def test_project_without_the_table_has_no_uncertainty(
    survey_of: Callable[..., Survey], project_of: Callable[..., Project]
) -> None:
    """The position error is carried through only where it is asked for, and not while off."""
    survey = survey_of(STAND, marks=square_group(40, 40, "1"))

    for project in (project_of(), project_of(uncertainty={"off": True})):
        layout = measure_layout(survey, project, earlier={})
        assert measure_uncertainty(layout, survey, project) is None
        assert with_uncertainty(layout, None, judge(
            Case(layout=layout, survey=survey, project=project), ()
        )) is layout  # fmt: skip


def test_every_figure_has_its_draws(
    two_groups: tuple[Layout, Survey, Project, Uncertainty],
) -> None:
    """Areas, combined areas, spacing, distances and shares are drawn, as many as asked."""
    _, _, _, uncertainty = two_groups

    assert set(uncertainty.draws) == {
        *((name, number) for name in ("opening_area", "boundary", "water") for number in "12"),
        ("combined_area", "1"), ("combined_area", "2"), ("spacing", "1, 2"),
        ("openings_share", "all"), ("corridor_share", "all"), ("corridor_landing_share", "all"),
    }  # fmt: skip
    assert {len(drawn) for drawn in uncertainty.draws.values()} == {100}


def test_same_seed_gives_the_same_draws(uncertainty_of: Run) -> None:
    """A run can be repeated; another seed gives other draws."""
    first, again, other = (
        uncertainty_of(square_group(40, 40, "1"), asked={"seed": seed})[3] for seed in (1, 1, 2)
    )

    key = ("opening_area", "1")
    assert (first.draws[key] == again.draws[key]).all()
    assert not (first.draws[key] == other.draws[key]).any()


def test_verdicts_follow_the_chance(
    two_groups: tuple[Layout, Survey, Project, Uncertainty],
) -> None:
    """Inside a limit, 5 of 100 make near; beyond it stays exceeded, with the chance beside it."""
    layout, survey, project, uncertainty = two_groups
    area = float(layout.openings["area_m2"].iloc[0])
    case = Case(layout=layout, survey=survey, project=project, uncertainty=uncertainty)
    drawn = uncertainty.draws["opening_area", "1"]
    middle = float(np.quantile(drawn, 0.8))
    verdicts = {}
    for limit in (middle, area - 5, area + 500):
        checks = judge(case, limits(opening_area_max=f"{limit} m2"))
        verdicts[limit] = checks.iloc[0]

    assert verdicts[area + 500]["verdict"] == "met"
    assert verdicts[area + 500]["reason"] == "over the limit in fewer than 1 of 100"
    assert verdicts[area - 5]["verdict"] == "exceeded"
    near = verdicts[middle]
    assert near["chance_exceeded"] == pytest.approx(0.2, abs=0.011)
    assert near["verdict"] == ("near" if middle >= area else "exceeded")
    assert near["reason"] == "over the limit in 20 of 100"


def test_least_limit_is_exceeded_below_it(
    two_groups: tuple[Layout, Survey, Project, Uncertainty],
) -> None:
    """For a least distance the chance is that of being under it."""
    layout, survey, project, uncertainty = two_groups
    case = Case(layout=layout, survey=survey, project=project, uncertainty=uncertainty)
    limit = float(np.quantile(uncertainty.draws["spacing", "1, 2"], 0.3))
    found = judge(case, limits(opening_spacing_min=f"{limit} m")).iloc[0]

    assert found["chance_exceeded"] == pytest.approx(0.3, abs=0.011)
    assert found["reason"] == "under the limit in 30 of 100"


def test_layers_carry_intervals_and_chances(
    two_groups: tuple[Layout, Survey, Project, Uncertainty],
) -> None:
    """Intervals stand in the openings, chances in the marks, and each mark's add up to one."""
    layout, survey, project, uncertainty = two_groups
    case = Case(layout=layout, survey=survey, project=project, uncertainty=uncertainty)
    middle = float(np.median(uncertainty.draws["opening_area", "1"]))
    checks = judge(case, limits(opening_area_max=f"{middle} m2"))
    shown = with_uncertainty(layout, uncertainty, checks)
    chances = shown.marks.filter(regex="^chance_")

    assert (shown.openings["area_low_m2"] < shown.openings["area_high_m2"]).all()
    assert (shown.openings["spacing_low_m"] < shown.openings["spacing_high_m"]).all()
    assert chances.sum(axis=1).tolist() == pytest.approx([1.0] * 19)
    assert 0.3 < chances["chance_corridor"].iloc[-1] < 1
    assert shown.marks["tree_id"].tolist() == layout.marks["tree_id"].tolist()
    figures = uncertainty_figures(shown, uncertainty, checks)
    assert figures["opening_area_m2"]["1"] == pytest.approx(
        [shown.openings["area_low_m2"].iloc[0], shown.openings["area_high_m2"].iloc[0]]
    )
    assert uncertainty_figures(layout, None, checks) == {}


def test_crown_linked_opening_has_no_interval_but_a_reason(uncertainty_of: Run) -> None:
    """Noise breaks and joins groups that crowns alone decide, so none is given."""
    marks = [{**mark, "group": ""} for mark in square_group(40, 40, "1")]
    layout, survey, project, uncertainty = uncertainty_of(marks)
    checks = judge(
        Case(layout=layout, survey=survey, project=project, uncertainty=uncertainty),
        limits(opening_area_max="1 m2"),
    )
    shown = with_uncertainty(layout, uncertainty, checks)

    assert shown.openings["basis"].tolist() == ["crowns"]
    assert np.isnan(shown.openings["area_low_m2"].iloc[0])
    assert "crowns alone decide this group" in shown.openings["no_interval"].iloc[0]
    assert np.isnan(checks["chance_exceeded"].iloc[0])
    assert checks["verdict"].iloc[0] == "exceeded"


def test_walked_and_centred_openings_are_drawn(uncertainty_of: Run) -> None:
    """A walked outline errs in its corners; a stated radius errs in its place only."""
    centre = {"geometry": shapely.Point(400_120, 5_000_100), "kind": "group_centre",
              "group": "9", "radius_m": 10.0, "position_error_m": 2.0}  # fmt: skip
    walked = {"geometry": shapely.box(400_040, 5_000_090, 400_060, 5_000_110), "group": "5"}
    layout, _, _, uncertainty = uncertainty_of(
        [centre], walked=[walked], asked={"line_error": "2 m"}
    )

    assert set(layout.openings["basis"]) == {"walked", "centre"}
    assert np.ptp(uncertainty.draws["opening_area", "9"]) == 0
    assert np.ptp(uncertainty.draws["boundary", "9"]) > 0
    assert uncertainty.draws["opening_area", "5"].mean() == pytest.approx(400, abs=15)


def test_the_one_tree_that_matters_comes_first(
    two_groups: tuple[Layout, Survey, Project, Uncertainty],
) -> None:
    """Where a figure hangs on one mark's position alone, that mark settles it."""
    _, _, _, uncertainty = two_groups
    figure = uncertainty.shifts[:, 4, 0] - uncertainty.shifts[:, 4, 1]
    made = Uncertainty(
        settings=uncertainty.settings,
        draws={("spacing", "made"): figure},
        reasons={},
        shifts=uncertainty.shifts,
        zones=uncertainty.zones,
    )
    settled = uncertainty_settled(made, [(("spacing", "made"), 0.5)])

    assert int(settled.argmax()) == 4
    assert settled[4] == pytest.approx(0.25, abs=0.01)
    assert settled[-1] == 0


def beside_exclusion(away_m: float) -> dict[str, object]:
    """A mark so far outside an exclusion that ends at 100 m east; 2 m of error, 1.414 m an axis."""
    place = shapely.Point(400_100 + away_m, 5_000_100)
    return {"geometry": place, "position_error_m": 2.0, "tree_id": f"at {away_m}"}


EXCLUSIONS = [shapely.box(400_000, 5_000_000, 400_100, 5_000_200)]


@pytest.mark.parametrize("away_m", [0.5, 1.5, 2.5])
def test_chance_that_a_tree_stands_in_an_exclusion(uncertainty_of: Run, away_m: float) -> None:
    """A lone tree d outside a straight edge stands inside by the normal distribution of -d/s."""
    *_, uncertainty = uncertainty_of(
        [beside_exclusion(away_m)], exclusions=EXCLUSIONS, asked={"draws": 2000}
    )
    drawn = uncertainty.draws["trees_in_exclusion", "area 1"]

    assert set(drawn) == {0.0, 1.0}
    assert drawn.mean() == pytest.approx(norm.cdf(-away_m / 2**0.5), abs=0.05)


def test_verdict_on_an_exclusion_follows_the_chance(uncertainty_of: Run) -> None:
    """Near the edge is near, far from it met, inside exceeded; each with its chance in words."""
    found = {}
    for away_m in (-0.5, 1.0, 7.0):
        layout, survey, project, uncertainty = uncertainty_of(
            [beside_exclusion(away_m)], exclusions=EXCLUSIONS, asked={"draws": 400}
        )
        checks = judge(
            Case(layout=layout, survey=survey, project=project, uncertainty=uncertainty), ()
        )
        found[away_m] = checks[checks["unit"] == "trees"].iloc[0]

    assert [found[at]["verdict"] for at in (-0.5, 1.0, 7.0)] == ["exceeded", "near", "met"]
    assert found[7.0]["reason"] == "a cut tree inside in fewer than 1 of 100"
    assert found[1.0]["chance_exceeded"] == pytest.approx(norm.cdf(-1 / 2**0.5), abs=0.1)
    assert found[-0.5]["chance_exceeded"] > 0.5


def test_trees_of_a_no_cut_setback_are_drawn_and_those_of_others_are_not(
    uncertainty_of: Run,
) -> None:
    """Only where nothing may be cut is a tree inside a broken rule."""
    area = shapely.box(400_000, 5_000_000, 400_100, 5_000_200)
    *_, uncertainty = uncertainty_of(
        [beside_exclusion(1.0)],
        setbacks=[
            {"geometry": area, "name": "brook", "rule": "no_cut"},
            {"geometry": area, "name": "road", "rule": "no_machine"},
        ],
    )

    assert {key for key in uncertainty.draws if key[0].startswith("trees")} == {
        ("trees_in_setbacks", "brook")
    }


def test_trees_inside_are_neither_too_many_nor_too_few(uncertainty_of: Run) -> None:
    """
    Over 8 stands with trees on both sides, dense outside, the draws' mean is the truth.

    Counting where the records plot would be too high by what strays in from the dense side.
    """
    rng = np.random.default_rng(12)
    strip = shapely.box(400_000, 5_000_000, 400_010, 5_000_200)
    drawn, true, plotted = [], [], []
    for _ in range(8):
        inside = rng.uniform([2, 10], [10, 190], (3, 2))
        outside = rng.uniform([10, 10], [40, 190], (60, 2))
        places = np.vstack([inside, outside]) + rng.normal(0, 2.0, (63, 2))
        marks = [
            {"geometry": shapely.Point(400_000 + x, 5_000_000 + y), "position_error_m": 8**0.5}
            for x, y in places
        ]
        *_, uncertainty = uncertainty_of(marks, exclusions=[strip], asked={"shared": "0 %"})
        drawn.append(uncertainty.draws["trees_in_exclusion", "area 1"].mean())
        true.append(len(inside))
        plotted.append(int((places[:, 0] < 10).sum()))

    error = np.std(drawn) / len(drawn) ** 0.5
    assert np.mean(drawn) == pytest.approx(np.mean(true), abs=3 * error + 0.3)
    assert np.mean(plotted) > np.mean(true) + 1
