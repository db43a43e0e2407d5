"""Field habits that make a limit look met: what must be printed, and stand in the summary."""

import io
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import pytest
import shapely
from rich.console import Console

from glademark.contracts.survey import Survey
from glademark.jobs.one_stand import lay_out_survey
from glademark.jobs.plugins import installed_limits
from glademark.judge.limits import limits_asked
from glademark.project.model import LimitSetting, Project
from glademark.report.delivery import Delivery
from glademark.report.terminal.layout import print_summary

Row = dict[str, object]
STAND = shapely.box(0, 0, 400, 250)  # 10 ha
TWENTY = {"allowance": {"standing": {"basal_area": "20 m2/ha"}}}
SOLD = {"volume": {"products": {"pulpwood": {"unit": "m3"}, "sawlog": {"unit": "m3"}}}}
LANES = [shapely.LineString([(0, y), (400, y)]) for y in (100, 108, 220)]
LANDING = shapely.box(0, 0, 100, 100)


@dataclass(frozen=True, kw_only=True)
class Habit:
    """
    What was done in the field, and what must come of it.

    `printed` and `not_printed` are parts of the terminal's text with single spaces, `verdicts` are
    of the checks by limit and feature, `summary` is by the path of its keys.
    """

    name: str
    given: Mapping[str, Any]
    project: Mapping[str, Any] = field(default_factory=dict)
    limits: Mapping[str, Any] = field(default_factory=dict)
    printed: tuple[str, ...] = ()
    not_printed: tuple[str, ...] = ()
    verdicts: Mapping[tuple[str, str], str] = field(default_factory=dict)
    summary: Mapping[str, Any] = field(default_factory=dict)


def cut(basal_area_m2: float, x: float, y: float, **more: object) -> Row:
    """A record of a hundred cut trees with a basal area in all."""
    dbh_cm = math.sqrt(basal_area_m2 / 100 * 40_000 / math.pi)
    row = {"geometry": shapely.Point(x, y), "dbh": dbh_cm, "dbh_cm": dbh_cm, "count": 100}
    return {**row, **more}


def bank(name: str, south: float) -> Row:
    """A strip of 400 x 20 m in which 15 m2/ha must stay."""
    return {"geometry": shapely.box(0, south, 400, south + 20), "name": name,
            "rule": "residual_basal_area", "minimum_m2_ha": 15.0}  # fmt: skip


def corners(*order: int) -> list[Row]:
    """Boundary points of a square of 20 m in some order."""
    square = [(100, 100), (120, 100), (120, 120), (100, 120)]
    return [
        {"geometry": shapely.Point(square[corner]), "kind": "group_boundary", "group": "5",
         "order": float(place)}
        for place, corner in enumerate(order)
    ]  # fmt: skip


HABITS = [
    Habit(
        name="one bank stripped, the other and a second creek untouched",
        given={"marks": [cut(8.0, 200, 10)],
               "setbacks": [bank("creek, left bank", 0), bank("creek, right bank", 24),
                            bank("run, left bank", 200)]},
        project=TWENTY,
        printed=("EXCEEDED residual basal area in setback creek, left bank: 10.0 m2/ha",),
        verdicts={("setback", "creek, left bank"): "exceeded",
                  ("setback", "creek, right bank"): "met", ("setback", "run, left bank"): "met"},
        summary={"checks.exceeded": 1},
    ),
    Habit(
        name="boundary points taken out of order",
        given={"marks": corners(0, 2, 1, 3)},
        limits={"opening_area_max": "150 m2"},
        printed=("not checked area of opening 5", "crosses itself at E 110.0, N 110.0",
                 "1 walked outline whose area is not known"),
        verdicts={("opening_area_max", "5"): "not_checked"},
        summary={"openings.area_m2": None, "openings.share": None, "checks.met": 0},
    ),
    Habit(
        name="the same points in order",
        given={"marks": corners(0, 1, 2, 3)},
        limits={"opening_area_max": "150 m2"},
        printed=("EXCEEDED area of opening 5",),
        summary={"openings.area_m2": 400.0},
    ),
    Habit(
        name="two lanes 8 m apart among others far away",
        given={"corridors": LANES},
        limits={"corridor_spacing_min": "20 m"},
        printed=("EXCEEDED spacing of neighbouring corridors 1, 2, centre line to centre line: 8",
                 "8.0 m, at least 20.0 m (median; the least single distance is 8.0 m)"),
        verdicts={("corridor_spacing_min", "2, 3"): "met"},
        summary={"corridors.mean_spacing_m": 250 / 3},
    ),
    Habit(
        name="a large landing beside few corridors",
        given={"corridors": LANES[2:], "landings": [LANDING]},
        limits={"corridor_share_max": "2 %", "corridors_and_landings_share_max": "5 %"},
        printed=("EXCEEDED share of the stand in corridors and landings: 11.6 %, at most 5.0 %",),
        not_printed=("EXCEEDED share of the stand in corridors:",),
        verdicts={("corridor_share_max", "all"): "met"},
        summary={"corridors.share": 0.016},
    ),
    Habit(
        name="more pulpwood than may go, little basal area",
        given={"marks": [cut(8.0, 50, 50, product="pulpwood", volume=9.9, volume_unit="m3")]},
        project={**SOLD, "allowance": {"standing": {"basal_area": "20 m2/ha", "pulpwood": "100 m3",
                                                    "sawlog": "100 m3"}}},
        limits={"removal_share_max": "9 %"},
        printed=("EXCEEDED share of the standing pulpwood removed: 9.9 %, at most 9.0 %",),
        verdicts={("removal_share_max", "basal_area"): "met",
                  ("removal_share_max", "sawlog"): "met"},
    ),
    Habit(
        name="twelve corridors over one brook, no permit asked for",
        given={"corridors": [shapely.LineString([(9 + n, 0), (9 + n, 250)]) for n in range(12)],
               "water": [shapely.box(0, 120, 400, 124)]},
        limits={"water_distance_min": "10 m"},
        printed=("not checked corridors cross water 12 times, setbacks nowhere: 12 crossings",),
        summary={"checks.not_checked": 2},
    ),
    Habit(
        name="many openings, water not given",
        given={"walked": [shapely.box(40 * n, 50, 40 * n + 20, 70) for n in range(8)]},
        limits={"water_distance_min": "10 m"},
        printed=("0 EXCEEDED, 0 near, 1 not checked, 0 met",
                 "not checked openings to the nearest bank: at least 10.0 m (no water is given"),
        summary={"checks.not_checked": 1},
    ),
    Habit(
        name="lanes routed through gaps, or not marked yet",
        given={"corridors": LANES[2:], "marks": [cut(1.0, 200, 220)]},
        project=TWENTY,
        printed=("1.0 m2 of basal area are marked on 0.16 ha of new corridor",
                 "the standing stock would give at least 3.2 m2"),
    ),
    Habit(
        name="an opening a hair above its limit",
        given={"walked": [shapely.box(100, 100, 120, 130.6)]},
        limits={"opening_area_max": "0.0611 ha"},
        printed=("EXCEEDED area of opening 1: 0.0612 ha, at most 0.0611 ha",),
    ),
]  # fmt: skip


@pytest.fixture
def delivered(
    survey_of: Callable[..., Survey], project_of: Callable[..., Project]
) -> Callable[[Habit], Delivery]:
    """What a habit comes to."""

    def run(habit: Habit) -> Delivery:
        limits = {name: LimitSetting.model_validate(text) for name, text in habit.limits.items()}
        project = project_of(**{**habit.project, "limits": habit.limits})
        asked = limits_asked(limits, known=installed_limits())
        return lay_out_survey(survey_of(STAND, **habit.given), project, asked, earlier={})

    return run


@pytest.mark.parametrize("habit", HABITS, ids=lambda habit: habit.name)
def test_no_limit_looks_met_that_is_not(
    habit: Habit, delivered: Callable[[Habit], Delivery]
) -> None:
    """Whatever the habit, terminal and summary say what is beyond, and what is not known."""
    delivery = delivered(habit)
    said = io.StringIO()
    print_summary(delivery, Console(file=said, width=400))
    text = " ".join(said.getvalue().split())
    checks = delivery.checks.set_index(["limit", "feature"])["verdict"].to_dict()

    assert [part for part in habit.printed if part not in text] == []
    assert [part for part in habit.not_printed if part in text] == []
    assert {key: checks.get(key) for key in habit.verdicts} == habit.verdicts
    for path, expected in habit.summary.items():
        value: Any = delivery.summary
        for key in path.split("."):
            value = value[key]
        assert value == (expected if expected is None else pytest.approx(expected)), path
