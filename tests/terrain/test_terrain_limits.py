"""Limits of the ground, held against layouts whose figures are known by hand."""

from collections.abc import Callable

import pandas as pd
import pytest
import shapely

from glademark.contracts.terrain import Elevation
from glademark.errors import InputError, UnitError
from glademark.judge import terrain
from glademark.judge.limits import Case, Limit, limits_asked, stated_grades
from glademark.project.model import LimitSetting

STAND = shapely.box(0, 0, 200, 200)
EAST = shapely.LineString([(20, 100), (180, 100)])
NORTH = shapely.LineString([(100, 20), (100, 180)])
LIMITS = {
    limit.id: limit
    for limit in (
        terrain.GRADE_MAX, terrain.CROSS_SLOPE_MAX, terrain.OPENING_SLOPE_MAX,
        terrain.REACH_MAX, terrain.EXTRACTION_DISTANCE_MAX, terrain.WATER_CROSSINGS_MAX,
    )
}  # fmt: skip

Marks = Callable[..., list[dict[str, object]]]


def held(case: Case, limit: Limit, value: str) -> pd.DataFrame:
    """Rows of one limit."""
    setting = LimitSetting.model_validate(value)
    (asked,) = limits_asked({limit.id: setting}, known=LIMITS)
    return limit.judge(case, asked.value)


@pytest.mark.parametrize(
    ("limit", "verdicts"),
    [
        ("25 %", ["met", "met"]),
        ("20.5 %", ["near", "met"]),
        ("15 % over 30 m", ["exceeded", "met"]),
        ("25 % over 10 m, 15 % over 50 ft", ["met", "met", "exceeded", "met"]),
    ],
)
def test_grade_of_corridors(
    laid_out: Callable[..., Case],
    plane: Callable[..., Elevation],
    limit: str,
    verdicts: list[str],
) -> None:
    """Up a slope of 20 % the corridor has 20 %, along it none, over any length."""
    case = laid_out(STAND, elevation=plane(0.2, 0.0), corridors=[EAST, NORTH])
    rows = held(case, terrain.GRADE_MAX, limit)

    assert rows["verdict"].to_list() == verdicts
    assert rows["measured"].to_list()[:2] == pytest.approx([0.2, 0.0], abs=1e-9)


def test_cross_slope_of_corridors(
    laid_out: Callable[..., Case], plane: Callable[..., Elevation]
) -> None:
    """What is grade for the one is cross-slope for the other."""
    case = laid_out(STAND, elevation=plane(0.2, 0.0), corridors=[EAST, NORTH])
    rows = held(case, terrain.CROSS_SLOPE_MAX, "10 %")

    assert rows["measured"].to_list() == pytest.approx([0.0, 0.2], abs=1e-9)
    assert rows["verdict"].to_list() == ["met", "exceeded"]


def test_slope_of_openings(
    laid_out: Callable[..., Case], plane: Callable[..., Elevation], marks_at: Marks
) -> None:
    """On a plane of 3-4-5 an opening has a slope of 50 %."""
    case = laid_out(
        STAND,
        elevation=plane(0.3, 0.4),
        walked=[shapely.box(50, 50, 90, 90)],
        marks=marks_at((60, 60), (70, 70)),
    )
    rows = held(case, terrain.OPENING_SLOPE_MAX, "35 %")

    assert rows[["measured", "verdict"]].to_numpy().tolist() == [[pytest.approx(0.5), "exceeded"]]


def test_reach_names_the_trees_beyond_and_the_way_out(
    laid_out: Callable[..., Case], marks_at: Marks
) -> None:
    """A tree 40 m from the edge, 10 m allowed: 30 m of new corridor would do."""
    marks = [
        *marks_at((100, 142), tree_id="far", position_error_m=1.0),
        *marks_at((60, 105), tree_id="near", position_error_m=1.0),
    ]
    case = laid_out(STAND, corridors=[EAST], marks=marks)
    row = held(case, terrain.REACH_MAX, "10 m").iloc[0]
    met = held(case, terrain.REACH_MAX, "45 m").iloc[0]
    near = held(case, terrain.REACH_MAX, "40.5 m").iloc[0]

    assert (row["verdict"], row["feature"], row["measured"]) == ("exceeded", "far", 40)
    assert row["reason"] == (
        "trees beyond: 1; "
        "new stubs of corridor that would bring them within reach: 1, 30.0 m in all"
    )
    assert (met["verdict"], near["verdict"]) == ("met", "near")


SMALL, LARGE, BARE = ({"dbh": dbh, "dbh_cm": dbh} for dbh in (20.0, 40.0, float("nan")))
BOLT = {"product": "bolts", "volume": 3.0, "volume_unit": "m3"}


@pytest.mark.parametrize(
    ("near", "far", "mean_m", "weight"),
    [
        ({**SMALL, **BOLT}, {**LARGE, **BOLT, "volume": 6.0}, 80, "volume"),  # 3 x 40 + 6 x 100
        ({**SMALL, **BOLT}, LARGE, 88, "basal area"),  # 1 x 40 + 4 x 100, over 5
        ({**SMALL, **BOLT}, BARE, 70, "trees"),
    ],
)
def test_extraction_distance_is_weighted_by_what_every_tree_has(
    laid_out: Callable[..., Case],
    marks_at: Marks,
    near: dict[str, object],
    far: dict[str, object],
    mean_m: float,
    weight: str,
) -> None:
    """Trees 40 and 100 m from the landing: by volume, else by basal area, else by trees."""
    case = laid_out(
        STAND,
        project={
            "volume": {"products": {"bolts": {"unit": "m3"}}},
            "machine": {"payload": "3 m3"},
        },
        corridors=[EAST],
        landings=[shapely.box(10, 90, 20, 110)],
        marks=[*marks_at((60, 105), **near), *marks_at((120, 95), **far)],
    )
    extraction = case.layout.ground.extraction
    rows = held(case, terrain.EXTRACTION_DISTANCE_MAX, "60 m")

    assert extraction is not None
    assert extraction.loads == (pytest.approx(3) if weight == "volume" else None)
    assert rows["measured"].tolist() == pytest.approx([mean_m])
    assert f"weighted by {weight}" in rows["subject"].iloc[0]


def test_extraction_distance_is_held_against_its_limit(
    laid_out: Callable[..., Case], marks_at: Marks
) -> None:
    """Equal trees 40 and 100 m from the landing along the corridor: 70 m."""
    case = laid_out(
        STAND,
        corridors=[EAST],
        landings=[shapely.box(10, 90, 20, 110)],
        marks=marks_at((60, 105), (120, 95)),
    )
    rows = held(case, terrain.EXTRACTION_DISTANCE_MAX, "60 m")

    assert rows[["measured", "margin", "verdict"]].to_numpy().tolist() == [
        [pytest.approx(70), pytest.approx(-10), "exceeded"]
    ]


@pytest.mark.parametrize(("most", "verdict"), [("0", "exceeded"), ("1", "met"), ("2", "met")])
def test_crossings_are_counted(laid_out: Callable[..., Case], most: str, verdict: str) -> None:
    """One corridor over the brook: one crossing; as many as allowed is met."""
    brook = shapely.box(50, 0, 54, 200)
    case = laid_out(STAND, corridors=[EAST, NORTH], water=[brook])
    rows = held(case, terrain.WATER_CROSSINGS_MAX, most)

    assert rows[["measured", "verdict"]].to_numpy().tolist() == [[1, verdict]]


@pytest.mark.parametrize(
    ("limit", "value", "reason"),
    [
        (terrain.GRADE_MAX, "20 % over 30 m, 25 % over 10 m", terrain.NO_TERRAIN),
        (terrain.CROSS_SLOPE_MAX, "10 %", terrain.NO_TERRAIN),
        (terrain.OPENING_SLOPE_MAX, "35 %", terrain.NO_TERRAIN),
        (terrain.EXTRACTION_DISTANCE_MAX, "300 m", terrain.NO_LANDING),
        (terrain.WATER_CROSSINGS_MAX, "0", terrain.NO_WATER),
    ],
)
def test_what_is_not_given_is_not_checked(
    laid_out: Callable[..., Case], limit: Limit, value: str, reason: str
) -> None:
    """A limit without what it needs says what to bring, once, however much it would look at."""
    openings = [shapely.box(20, 20, 60, 60), shapely.box(20, 120, 60, 160)]
    rows = held(laid_out(STAND, corridors=[EAST, NORTH], walked=openings), limit, value)

    assert rows[["verdict", "reason"]].to_numpy().tolist() == [["not_checked", reason]]


def test_a_corridor_beyond_the_raster_is_not_checked(
    laid_out: Callable[..., Case], plane: Callable[..., Elevation]
) -> None:
    """Terrain that ends before the corridor says so."""
    case = laid_out(STAND, elevation=plane(0.2, 0.0, shape=(60, 10)), corridors=[NORTH, EAST])
    rows = held(case, terrain.GRADE_MAX, "25 %")

    assert set(rows["verdict"]) == {"not_checked"}
    assert set(rows["reason"]) == {"the terrain has no heights there"}


def test_line_trees_count_only_once_confirmed(
    laid_out: Callable[..., Case], marks_at: Marks
) -> None:
    """An unconfirmed line tree is not to be reached."""
    marks = [*marks_at((100, 180), kind="line_tree"), *marks_at((60, 105))]
    case = laid_out(STAND, corridors=[EAST], marks=marks)

    assert held(case, terrain.REACH_MAX, "10 m")["measured"].iloc[0] == pytest.approx(3)


@pytest.mark.parametrize("text", ["20 over 30 m", "20 % over 30", "20 % over 30 m, 15 % over 30 m"])
def test_a_grade_that_cannot_be_read_is_refused(text: str) -> None:
    """A grade needs its per cent sign, its length a unit, and each length one grade."""
    with pytest.raises(UnitError, match=r"per cent sign|no unit|a length of its own"):
        stated_grades(text)


def test_a_grade_over_no_length_is_refused() -> None:
    """0 m is no length to take a grade over."""
    with pytest.raises(UnitError, match="a length of its own, above 0"):
        stated_grades("20 % over 0 m")


def test_a_count_has_no_unit() -> None:
    """Crossings are counted in whole numbers."""
    setting = LimitSetting.model_validate("2.5")

    with pytest.raises(InputError, match="expected a whole number without a unit"):
        limits_asked({"water_crossings_max": setting}, known=LIMITS)
