"""Reasons, young growth, retained trees, exposed edges and the limits on them."""

import math
from collections.abc import Callable

import numpy as np
import pytest
import shapely

from glademark.contracts.layout import Layout
from glademark.errors import InputError
from glademark.jobs.layout import Outcome, installed_limits
from glademark.judge.limits import limits_asked
from glademark.measure.residual.around import farthest
from glademark.measure.residual.standing_trees import matched_trees
from glademark.project.model import LimitSetting
from tests.conftest import frame

HECTARE = shapely.box(0, 0, 100, 100)
Build = Callable[..., Layout]


def _mark(x: float, y: float, name: str, **more: object) -> dict[str, object]:
    """A mark of 20 cm."""
    return {
        "geometry": shapely.Point(x, y), "tree_id": name, "label": name, "dbh": 20.0,
        "dbh_cm": 20.0, "position_error_m": 1.0, **more,
    }  # fmt: skip


def test_removals_add_up_by_main_reason_and_count_who_names_it(layout_of: Build) -> None:
    """Each tree counts once under its main reason, and once under each that it names."""
    marks = [
        _mark(10, 10, "1", reason="risk+defect", product="sawlog"),
        _mark(30, 10, "2", reason="defect", product="sawlog"),
        _mark(50, 10, "3", reason="", product="pulp", count=3),
    ]
    tally = [{"zone": "corridor", "count": 2, "reason": "risk", "dbh": 20.0, "dbh_unit": "cm"}]
    layout = layout_of(HECTARE, marks=marks, tally=tally)
    table = layout.removals_by_reason
    by = table[table["row"] == "reason"].set_index("reason")

    assert by["trees"].to_dict() == {"defect": 1, "not_stated": 3, "risk": 3}
    assert by["trees_naming"].to_dict() == {"defect": 2, "not_stated": 3, "risk": 3}
    for row in ("cell", "reason", "zone", "total"):
        assert table.loc[table["row"] == row, "trees"].sum() == 7, row
    assert layout.residual["reasons"] == {"defect": 1, "risk": 3}
    assert layout.residual["trees_without_reason"] == 3


def test_an_opening_tells_the_reasons_of_its_trees(layout_of: Build) -> None:
    """The most frequent comes first, and trees without a reason are counted."""
    reasons = ["risk", "risk+defect", "defect", ""]
    marks = [
        _mark(50 + 3 * i, 50, str(i), reason=reason, group="G") for i, reason in enumerate(reasons)
    ]
    layout = layout_of(HECTARE, marks=marks)

    assert layout.openings["reasons"].tolist() == ["risk 2, defect 1, not_stated 1"]


def test_marks_without_any_reason_make_no_table(layout_of: Build) -> None:
    """An absent input leaves an absent table and no column of openings."""
    layout = layout_of(HECTARE, marks=[_mark(50 + 3 * i, 50, str(i), group="G") for i in range(4)])

    assert layout.removals_by_reason.empty
    assert "reasons" not in layout.openings
    assert layout.residual == {}


def test_young_growth_is_released_by_openings_and_driven_over_by_machines(
    layout_of: Build,
) -> None:
    """A patch half under an opening, crossed by 4 m of corridor and touching a landing."""
    layout = layout_of(
        HECTARE,
        regeneration=[shapely.box(40, 40, 60, 60), shapely.box(0, 90, 10, 100)],
        corridors=[{"geometry": shapely.LineString([(50, -5), (50, 105)]), "corridor": "A"}],
        landings=[shapely.box(56, 40, 60, 60)],
        walked=[{"geometry": shapely.box(20, 30, 50, 70), "group": "G"}],
        marks=[_mark(30, 50, "1", group="G")],
        project={"openings": {"edge": "standing_crowns"}},
    )
    patch, other = layout.regeneration.to_dict("records")

    assert patch["machine_m2"] == pytest.approx(4 * 20 + 4 * 20)
    assert patch["machine_share"] == pytest.approx(0.4)
    assert patch["released_m2"] == pytest.approx(200)
    assert patch["corridors"] == "A"
    assert (other["released_m2"], other["machine_m2"], other["corridors"]) == (0, 0, "")
    assert layout.residual["regeneration"] == {"patches": 2, "released": 1, "crossed": 1}


def _kept(x: float, y: float, name: str, kinds: str, dbh: float = 50.0) -> dict[str, object]:
    """A retained tree."""
    return {
        "geometry": shapely.Point(x, y), "tree_id": name, "label": name, "dbh_cm": dbh,
        "retention": kinds,
    }  # fmt: skip


def test_retained_trees_count_by_kind_and_leave_a_farthest_point(layout_of: Build) -> None:
    """Of four in the corners of a square inside a hectare, its middle and corners are farthest."""
    places = [(25, 25), (75, 25), (25, 75), (75, 75)]
    leave = [
        _kept(x, y, f"L{i}", "cavity" if i else "cavity+snag") for i, (x, y) in enumerate(places)
    ]
    layout = layout_of(HECTARE, leave_trees=leave, marks=[_mark(50, 10, "1")])
    table = layout.retention.set_index("kind")

    assert table["trees"].to_dict() == {"all": 4, "cavity": 4, "snag": 1}
    assert table.loc["all", "farthest_m"] == pytest.approx(np.hypot(25, 25))
    assert table.loc["snag", "farthest_m"] == pytest.approx(np.hypot(75, 75))
    assert table.loc["all", "basal_area_m2"] == pytest.approx(4 * np.pi / 40_000 * 50**2)


def test_farthest_points_are_those_of_a_fine_grid() -> None:
    """Voronoi corners, edges at the outline and corners of the ground against 0.25 m points."""
    rng = np.random.default_rng(4)
    ground = shapely.Polygon([(0, 0), (40, 5), (35, 30), (20, 18), (2, 28)])
    points = shapely.points(rng.uniform(2, 28, (7, 2)))
    x, y = np.meshgrid(np.arange(0, 41, 0.25), np.arange(0, 31, 0.25))
    grid = shapely.points(x.ravel(), y.ravel())
    grid = grid[shapely.covers(ground, grid)]
    away = shapely.distance(grid[:, None], points[None]).min(axis=1).max()

    assert 0 <= farthest(points, ground) - away < 0.4


def test_a_retained_tree_that_is_marked_is_named_and_not_counted(
    mapped: Outcome,
) -> None:
    """The check is exceeded, and the tree is not retained."""
    checks = mapped.checks
    (row,) = checks[checks["limit"] == "retention_tree_marked"].to_dict("records")

    assert (row["verdict"], row["feature"]) == ("exceeded", "L2")
    table = mapped.delivery.layout.retention.set_index("kind")
    assert table["trees"].to_dict() == {"all": 1, "cavity": 1, "snag": 0}


def test_limits_on_trees_that_stay_are_judged(mapped: Outcome) -> None:
    """Crop trees, young growth, retained trees of two rules and the share of a species."""
    checks = mapped.checks
    found = checks.groupby("limit")["verdict"].agg(list).to_dict()

    assert found["crop_tree_sides_min"] == ["exceeded"]
    assert found["regeneration_machine_share_max"] == ["exceeded"]
    assert found["retention_trees_min"] == ["near", "exceeded"]
    assert found["species_share_min"] == ["met"]
    share = checks.loc[checks["limit"] == "species_share_min", "measured"].iloc[0]
    assert share == pytest.approx(0.8, abs=0.05)


def test_canopy_cover_is_that_of_the_crowns_that_stay(mapped: Outcome) -> None:
    """Crowns of 4.5 m, 10 m apart, cover the sum of their circles, which is held to the limit."""
    table, checks = mapped.delivery.layout.residual_by_class, mapped.checks
    (row,) = checks[checks["limit"] == "canopy_cover_min"].to_dict("records")
    trees = int(table.iloc[-1]["residual_trees"])

    assert 0 < trees < 100
    assert row["measured"] == pytest.approx(trees * math.pi * 4.5**2 / 10_000, rel=1e-6)
    assert row["verdict"] == "exceeded"
    assert "mapped crowns" in row["reason"]


def test_a_marked_crop_tree_is_a_contradiction(layout_of: Build) -> None:
    """It is not released, whatever the marks free around it."""
    crop = {
        "geometry": shapely.Point(50, 50),
        "tree_id": "C1",
        "species": "",
        "crown_radius_m": 3.0,
    }
    layout = layout_of(HECTARE, crop_trees=[crop], marks=[_mark(50.2, 50, "9")])

    assert layout.crop_trees["marked"].tolist() == [True]


def test_trees_at_new_edges_beyond_a_threshold_are_listed(layout_of: Build) -> None:
    """A slender tree 6 m from a corridor is, one of 60 to 1, one 20 m away and one inside not.

    80 ft and 12.5 in are 76.8 (Smith, Miller and Lamson 1994, cherry-maple stands).
    """
    tree = {"species": "", "dbh": 20.0, "dbh_cm": 20.0, "crown_radius_m": 2.0}
    tall = {"dbh": 31.75, "dbh_cm": 31.75, "height_m": 24.384}
    standing = [
        {**tree, "geometry": shapely.Point(58, 20), "tree_id": "slender", **tall},
        {**tree, "geometry": shapely.Point(58, 40), "tree_id": "stout", "height_m": 12.0},
        {**tree, "geometry": shapely.Point(72, 60), "tree_id": "far", "height_m": 18.0},
        {**tree, "geometry": shapely.Point(51, 80), "tree_id": "inside", "height_m": 18.0},
        {**tree, "geometry": shapely.Point(58, 90), "tree_id": "unmeasured"},
    ]
    layout = layout_of(
        HECTARE,
        standing=standing,
        marks=[_mark(10, 10, "1")],
        corridors=[{"geometry": shapely.LineString([(50, -5), (50, 105)]), "corridor": "A"}],
        project={"stability": {"height_diameter_max": 76}},
    )

    assert layout.exposed_edges["tree_id"].tolist() == ["slender"]
    assert layout.exposed_edges["edge"].tolist() == ["corridor A"]
    assert layout.exposed_edges["height_diameter"].tolist() == pytest.approx([76.8])
    assert layout.residual["stability"] == {"trees_measured": 2, "trees_beyond": 1}


def _trees(*rows: tuple[float, float, str, str]) -> object:
    """Trees by position, number and species."""
    table = [
        {"geometry": shapely.Point(x, y), "tree_id": name, "species": species, "stand": 0}
        for x, y, name, species in rows
    ]
    return frame(table, {"tree_id": "", "species": "", "stand": 0})


def test_marks_are_the_nearest_trees_of_their_species() -> None:
    """A number wins, then the nearest free tree of the species; a blank species is any."""
    trees = _trees((0, 0, "7", "oak"), (1, 0, "8", "beech"), (0, 2, "", "oak"), (9, 9, "9", "oak"))
    marks = _trees((0.4, 0, "", "beech"), (0, 1, "", ""), (0, 0.2, "", "oak"), (5, 5, "9", "oak"))

    found = matched_trees(marks, trees, within_m=np.array([2.0, 2.0, 2.0, 1.0]))

    assert found.tolist() == [1, 2, 0, 3]


def test_no_tree_is_two_marks_and_none_is_a_tree_of_another_stand() -> None:
    """Of two marks beside one tree the nearer is it; the same spot in another stand is not."""
    trees = _trees((0, 0, "", "oak"))
    marks = _trees((0.5, 0, "", "oak"), (0.2, 0, "", "oak"), (0, 0, "", "oak"))
    marks["stand"] = [0, 0, 1]

    assert matched_trees(marks, trees, within_m=np.full(3, 2.0)).tolist() == [-1, 0, -1]


@pytest.mark.parametrize(
    ("name", "value", "match"),
    [
        ("species_share_min", "10 %", "names no species"),
        ("retention_trees_min", "5 m", "expected one of per ha, per acre"),
        ("dbh_max", {"value": "40 cm", "kinds": ["snag"]}, "kinds cannot be said of this limit"),
        ("dbh_max", ["40 cm", "50 cm"], "a list cannot be said of this limit"),
        ("opening_area_max", 3, "expected one of m2"),
    ],
)
def test_limits_of_trees_are_refused_where_they_make_no_sense(
    name: str, value: object, match: str
) -> None:
    """A limit says which trees it is of, and others take one value."""
    asked = {name: LimitSetting.model_validate(value)}

    with pytest.raises(InputError, match=match):
        limits_asked(asked, known=installed_limits())


def test_five_per_acre_is_more_than_five_per_hectare() -> None:
    """5 per acre are 12.355 per hectare."""
    (asked,) = limits_asked(
        {"retention_trees_min": LimitSetting.model_validate("5 per ac")}, known=installed_limits()
    )

    assert asked.value.value == pytest.approx(12.355, abs=1e-3)  # type: ignore[union-attr]
