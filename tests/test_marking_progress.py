"""Marking progress at the end of a day, from field files on, every figure by hand."""

import json
import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import pytest
import shapely

from glademark.contracts.layout import Layout
from glademark.jobs.layout import Outcome, lay_out
from glademark.report.map_sheets.tables import tables
from glademark.report.review_page.page import facts
from glademark.report.summary import marking_progress

ACRE_M2 = 43_560 * 0.3048**2
FT2_M2 = 0.3048**2
FT2_AC_M2_HA = FT2_M2 / ACRE_M2 * 10_000
WEST, SOUTH = 400_000.0, 4_500_000.0
HEIGHT_M = 400.0

PROJECT = """
[project]
name = "Progress (invented)"
units = "us"
[inputs]
stand = "stand.geojson"
marks = {file = "marks.csv", crs = "EPSG:26916"}
marked_ground = "marked_ground.geojson"
cruise = {file = "cruise.csv", crs = "EPSG:26916"}
[marks]
dbh_unit = "in"
[marks.paint]
white = "cut"
[allowance]
removal_share_max = "35 %"
[limits]
removal_basal_area_share_max = "19.5 %"
residual_basal_area_min = "100 ft2/acre"
"""


def rectangle(width_m: float) -> str:
    """GeoJSON of a rectangle of fixed height from the corner of the stand."""
    east, north = WEST + width_m, SOUTH + HEIGHT_M
    ring = [[WEST, SOUTH], [east, SOUTH], [east, north], [WEST, north], [WEST, SOUTH]]
    return json.dumps(
        {
            "type": "FeatureCollection",
            "crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::26916"}},
            "features": [
                {
                    "type": "Feature",
                    "properties": {},
                    "geometry": {"type": "Polygon", "coordinates": [ring]},
                }
            ],
        }
    )


def cruise_rows(counts: Sequence[int]) -> str:
    """Twenty points at BAF 10 ft2/ac, one row a counted tree."""
    lines = ["plot,x,y,baf_ft2_ac,species,dbh_in"]
    for i, count in enumerate(counts):
        x, y = WEST + 50 + 20 * i, SOUTH + 200
        lines += [f"{i + 1},{x},{y},10,sugar maple,12"] * count
    return "\n".join(lines) + "\n"


def mark_rows(basal_area_ft2: float, trees: int) -> str:
    """Trees of one diameter whose basal area adds up to what is asked."""
    dbh = math.sqrt(basal_area_ft2 / trees * 576 / math.pi)
    lines = ["id,x,y,dbh,paint"]
    lines += [
        f"{i},{WEST + 10 + 6 * (i % 30)},{SOUTH + 10 + 6 * (i // 30)},{dbh:.12f},white"
        for i in range(trees)
    ]
    return "\n".join(lines) + "\n"


@pytest.fixture(scope="module")
def outcome(tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    """50 acres, of which 20 are done and 1,150 ft2 marked."""
    folder = tmp_path_factory.mktemp("progress")
    (folder / "harvest.toml").write_text(PROJECT, encoding="utf-8")
    for name, acres in (("stand", 50), ("marked_ground", 20)):
        text = rectangle(acres * ACRE_M2 / HEIGHT_M)
        (folder / f"{name}.geojson").write_text(text, encoding="utf-8")
    (folder / "cruise.csv").write_text(cruise_rows([11, 13] * 10), encoding="utf-8")
    (folder / "marks.csv").write_text(mark_rows(1150.0, 900), encoding="utf-8")
    return lay_out(folder / "harvest.toml", out=folder / "out", only=["gpkg"])


@pytest.fixture(scope="module")
def summary(outcome: Outcome) -> dict[str, object]:
    """Its summary."""
    checks = outcome.checks.set_index("limit")["verdict"]
    return {**outcome.delivery.summary, "verdicts": checks.to_dict()}


@pytest.fixture(scope="module")
def basal_area(summary: dict) -> dict[str, float]:
    """The allowance in basal area."""
    return dict(summary["allowance"]["quantities"]["basal_area"])


def test_standing_basal_area(basal_area: dict[str, float]) -> None:
    """Ten points with 11 trees and ten with 13 at BAF 10 give 120 ± 4.80 ft2/ac (95 %)."""
    per_acre = {name: basal_area[name] / FT2_M2 / 50 for name in ("standing", "standing_low")}

    assert per_acre["standing"] == pytest.approx(120.0, rel=1e-9)
    # t(19, 0.975) = 2.0930, standard deviation sqrt(20/19 x 100), common practice
    assert per_acre["standing"] - per_acre["standing_low"] == pytest.approx(4.80, abs=0.005)


def test_cap(basal_area: dict[str, float]) -> None:
    """35 % of 6,000 ft2 are 2,100 ft2."""
    assert basal_area["allowable"] / FT2_M2 == pytest.approx(2100.0, rel=1e-9)


def test_share_taken(basal_area: dict[str, float]) -> None:
    """1,150 ft2 are 19.2 % of the stand's basal area, 18.4 to 20.0 %."""
    shares = [100 * basal_area[name] for name in ("share", "share_low", "share_high")]

    assert shares == pytest.approx([19.2, 18.4, 20.0], abs=0.05)


def test_share_on_marked_ground(basal_area: dict[str, float]) -> None:
    """On the 20 acres marked, 1,150 of 2,400 ft2 are 47.9 %."""
    assert 100 * basal_area["share_on_marked_ground"] == pytest.approx(47.9, abs=0.05)


def test_what_is_left(basal_area: dict[str, float]) -> None:
    """950 ft2 are left, 31.67 ft2/ac on the other 30 acres."""
    assert basal_area["remaining"] / FT2_M2 == pytest.approx(950.0, rel=1e-6)
    assert basal_area["remaining_per_ha_elsewhere"] / FT2_AC_M2_HA == pytest.approx(
        31.67, abs=0.005
    )


def test_what_stays(summary: dict) -> None:
    """6,000 less 1,150 ft2 on 50 acres leave 97 ft2/ac."""
    left = summary["allowance"]["residual"]["basal_area_m2_ha"]

    assert left / FT2_AC_M2_HA == pytest.approx(97.0, rel=1e-6)


def test_verdicts_know_the_interval(summary: dict) -> None:
    """19.2 % is near a limit of 19.5 % that its interval spans."""
    assert summary["verdicts"] == {
        "removal_basal_area_share_max": "near",
        "residual_basal_area_min": "exceeded",
    }


def test_marking_progress(outcome: Outcome) -> None:
    """20 of 50 acres are 40 %; 47.9 % taken there, 19.2 % in all; 32 ft2/acre on 30 acres left."""
    progress = marking_progress(outcome.delivery.layout, "us")

    assert progress is not None
    assert progress.marked_ground == "40.0 % of the operable area, 20.00 acres of 50.00 acres"
    assert progress.taken == "47.9 % of the basal area there, 19.2 % of that of the stand"
    assert progress.remaining == "32 ft2/acre on the 30.00 acres not marked so far"


def test_marking_progress_stands_on_page_and_paper(outcome: Outcome) -> None:
    """The review page and the sheet of tables say what is marked and what remains."""
    (fact,) = [fact for fact in facts(outcome.delivery) if fact.name == "Marked so far"]
    (table,) = [table for table in tables(outcome.delivery) if table.title == "Allowance"]

    assert fact.value == "40.0 %"
    assert "20.00 acres of 50.00 acres; taken 47.9 %" in fact.beside
    assert "32 ft²/acre on the 30.00 acres" in fact.beside
    assert "Marked so far 40.0 % of the operable area" in table.notes[-1]


def test_no_progress_without_marked_ground(outcome: Outcome) -> None:
    """Where no marked ground was given, all of it is: there is nothing to say of the rest."""
    layout = outcome.delivery.layout
    whole = layout.allowance.assign(
        share_on_marked_ground=math.nan, remaining_per_ha_elsewhere=math.nan
    )

    assert marking_progress(replace(layout, allowance=whole), "us") is None


@pytest.mark.parametrize(
    ("remaining", "words"), [(-1.0, "nothing: the allowance is used up"), (math.nan, "")]
)
def test_marking_progress_says_when_nothing_remains(
    outcome: Outcome, remaining: float, words: str
) -> None:
    """Beyond the limit no allowance remains; without one nothing is said of it."""
    layout = outcome.delivery.layout
    table = layout.allowance.assign(remaining=remaining)

    progress = marking_progress(replace(layout, allowance=table), "us")

    assert progress is not None
    assert progress.remaining == words


@pytest.mark.parametrize(
    ("bare", "taken", "remaining"),
    [
        (0, "5.0 % of the basal area there, 5.0 % of that of the stand", "6 m2"),
        (3, "at least 5.0 % of the basal area there, at least 5.0 %", "at most 6 m2"),
    ],
)
def test_ground_that_is_all_marked(
    layout_of: Callable[..., Layout], bare: int, taken: str, remaining: str
) -> None:
    """Of 20 m2 on a hectare 1 is marked and 7 may go: 6 remain, less with unmeasured trees."""
    hectare = shapely.box(0, 0, 100, 100)
    stem = {"geometry": shapely.Point(50, 50), "dbh": 25.231325220201602, "count": 20}  # 500 cm2
    layout = layout_of(
        hectare,
        marks=[
            {**stem, "dbh_cm": stem["dbh"]},
            *[{**stem, "dbh": math.nan, "dbh_cm": math.nan, "count": 1}] * bare,
        ],
        marked_ground=[hectare],
        project={
            "allowance": {"removal_share_max": "35 %", "standing": {"basal_area": "20 m2/ha"}}
        },
    )
    progress = marking_progress(layout, "metric")

    assert progress is not None
    assert progress.taken.startswith(taken)
    assert progress.remaining == remaining
