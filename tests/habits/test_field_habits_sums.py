"""Field habits that leave amounts unknown: what must be printed, and stand in the summary."""

import io
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import pandas as pd
import pytest
import shapely
from rich.console import Console

from glademark.contracts.survey import Survey
from glademark.jobs.one_stand import lay_out_survey
from glademark.jobs.plugins import installed_limits
from glademark.judge.limits import limits_asked
from glademark.project.model import LimitSetting, Project
from glademark.report.papers.filing_figures import filing_tables
from glademark.report.terminal.layout import print_summary

Row = dict[str, object]
STAND = shapely.box(0, 0, 200, 100)  # 2 ha
LANE = shapely.LineString([(0, 50), (200, 50)])  # 4 m wide: 800 m2, 4 % of the stand
PLOTS = [{"geometry": shapely.Point(50 * n, 20), "plot": str(n), "baf_m2_ha": 4.0} for n in (1, 2)]


@dataclass(frozen=True, kw_only=True)
class Habit:
    """
    What was done in the field, and what must come of it.

    `printed` and `not_printed` are parts of the terminal's text, `filed` of the planner's page, all
    with single spaces; `summary` is by the path of its keys.
    """

    name: str
    given: Mapping[str, Any]
    volume: Mapping[str, Any] = field(default_factory=dict)
    allowance: Mapping[str, Any] = field(default_factory=dict)
    limits: Mapping[str, Any] = field(default_factory=dict)
    printed: tuple[str, ...] = ()
    not_printed: tuple[str, ...] = ()
    filed: tuple[str, ...] = ()
    summary: Mapping[str, Any] = field(default_factory=dict)


def tree(product: str = "", *, dbh_cm: float = 30.0, y: float = 20.0, **more: object) -> Row:
    """A record of a mark."""
    row = {"geometry": shapely.Point(60, y), "product": product, "dbh": dbh_cm, "dbh_cm": dbh_cm}
    return {**row, **more}


def recorded(product: str, volume: float, unit: str, **more: Any) -> Row:  # noqa: ANN401 - columns of any kind
    """A record of a mark with its volume."""
    return tree(product, volume=volume, volume_unit=unit, **more)


def on_plot(dbh_cm: float, plot: str = "1") -> Row:
    """A tree on a cruise plot."""
    return {"plot": plot, "dbh": dbh_cm, "dbh_cm": dbh_cm}


BOLTS = {"bolts": {"unit": "m3"}}
TONS = {"pulpwood": {"unit": "green ton"}}
FEET = {"sawlog": {"unit": "board foot", "rule": "doyle"}}

HABITS = [
    Habit(
        name="diameters and volumes left out for some pulpwood",
        given={"marks": [recorded("pulpwood", 37.0, "green ton", count=151),
                         tree("pulpwood", count=36, dbh_cm=math.nan)]},
        volume={"products": TONS},
        printed=("pulpwood, at least, green tons 37.0 37.0", "trees without a volume 36 36",
                 "pulpwood: 36 of 187 trees without a volume: 36 (no diameter)",
                 "Basal area leaves out 36 trees without a diameter"),
        filed=("at least 37.0 green tons; 36 of 187 trees without a volume",),
        summary={"volume.by_product.pulpwood.net": 37.0,
                 "volume.by_product.pulpwood.trees": 187,
                 "volume.by_product.pulpwood.trees_without": 36,
                 "volume.basal_area_missing_trees": 36},
    ),
    Habit(
        name="no tree of a product has a volume, and a target is set for it",
        given={"marks": [tree("pulpwood", count=187)]},
        volume={"products": TONS},
        limits={"target": {"value": {"pulpwood": "200 green ton"}}},
        printed=("0 EXCEEDED, 0 near, 1 not checked", "no volume is computed: 187 trees have none",
                 "pulpwood, not computed"),
        not_printed=(" 0.0 green tons",),
        filed=("not computed; 187 of 187 trees without a volume",),
        summary={"volume.by_product.pulpwood.net": None, "checks.exceeded": 0,
                 "checks.not_checked": 1},
    ),
    Habit(
        name="a cruise that records no product",
        given={"marks": [recorded("bolts", 20.0, "m3")],
               "plots": PLOTS, "plot_trees": [on_plot(30.0), on_plot(40.0, "2")]},
        volume={"products": BOLTS},
        allowance={"removal_share_max": "25 %"},
        printed=("Standing stock of bolts: not computed",
                 "standing stock of solid volume, bolts is not computed: 2 trees on plots are of "),
        not_printed=("-20.0",),
        filed=("not computed: standing stock not known",),
        summary={"allowance.quantities.bolts": "absent"},
    ),
    Habit(
        name="board feet without a conversion beside cords",
        given={"marks": [recorded("sawlog", 900.0, "board foot", count=9),
                         recorded("bolts", 4.0, "m3", count=8)]},
        volume={"products": {**FEET, **BOLTS}},
        printed=("No total of solid volume: not known of 9 trees",),
        not_printed=("solid volume, m3",),
        filed=("No total of solid volume: not known of 9 trees",),
        summary={"volume.m3": None, "volume.m3_missing_trees": 9},
    ),
    Habit(
        name="marks smaller than the cruise's smallest diameter",
        given={"marks": [tree(dbh_cm=15.0, count=42), tree(dbh_cm=45.0)],
               "plots": PLOTS, "plot_trees": [on_plot(30.0), on_plot(40.0, "2")]},
        volume={"size_classes": [20.0, 40.0]},
        allowance={"smallest_dbh": "20 cm"},
        printed=("what stands of under 20 cm is not known",),
        summary={"allowance.by_size_class.under 20 cm.standing_trees": None,
                 "allowance.by_size_class.under 20 cm.residual_trees": None,
                 "allowance.by_size_class.under 20 cm.marked_trees": 42.0},
    ),
    Habit(
        name="more marked than the cruise found",
        given={"marks": [tree(dbh_cm=45.0, count=100)],
               "plots": PLOTS, "plot_trees": [on_plot(40.0)]},
        volume={"size_classes": [20.0, 40.0]},
        # one tree of 40 cm at a factor of 4 m2/ha on two plots: 15.9 trees and 2 m2 a hectare
        printed=("more is marked than stands in 40 cm and up (100 marked, 32 standing)",
                 "basal area: more is marked than stands by the cruise"),
    ),
    Habit(
        name="cull tallied with its volume",
        given={"marks": [recorded("bolts", 3.0, "m3"), recorded("bolts", 2.0, "m3", cull=True)]},
        volume={"products": BOLTS},
        summary={"volume.by_product.bolts.gross": 5.0, "volume.by_product.bolts.net": 3.0,
                 "volume.by_product.bolts.trees_without": 0},
    ),
    Habit(
        name="corridors through the thick of the stand",
        given={"corridors": [LANE],
               "marks": [recorded("bolts", 5.0, "m3", paint_meaning="corridor", y=50.0)]},
        volume={"products": BOLTS},
        allowance={"removal_share_max": "25 %", "standing": {"bolts": "100 m3"}},
        printed=("share taken 5.0 %",),
        not_printed=("125.0 %",),
        summary={"allowance.quantities.bolts.share_corridor": None},
    ),
    Habit(
        name="trees of no product",
        given={"marks": [tree(count=3), recorded("bolts", 3.0, "m3")]},
        volume={"products": BOLTS},
        printed=("not stated: 3 of 3 trees without a volume",),
        summary={"volume.by_product.not stated.trees_without": 3,
                 "volume.by_product.bolts.trees_without": 0},
    ),
]  # fmt: skip


@pytest.mark.parametrize("habit", HABITS, ids=lambda habit: habit.name)
def test_what_is_not_known_is_said(
    habit: Habit, survey_of: Callable[..., Survey], project_of: Callable[..., Project]
) -> None:
    """An amount that is not known is never zero: it is counted, on every paper."""
    project = project_of(volume=habit.volume, allowance=habit.allowance)
    limits = {name: LimitSetting.model_validate(one) for name, one in habit.limits.items()}
    asked = limits_asked(limits, known=installed_limits())
    delivery = lay_out_survey(survey_of(STAND, **habit.given), project, asked, earlier={})
    screen = io.StringIO()
    print_summary(delivery, Console(file=screen, width=400))
    text = " ".join(screen.getvalue().split())
    paper = " ".join(cell for row in filing_tables(delivery)["Removed"].rows for cell in row)
    said = pd.Series(delivery.summary["notices"], dtype=object).str.cat(sep=" ")

    assert [words for words in habit.printed if words not in f"{text} {said}"] == []
    assert [words for words in habit.not_printed if words in text] == []
    assert [words for words in habit.filed if words not in paper] == []
    assert {path: _at(delivery.summary, path) for path in habit.summary} == habit.summary


def _at(summary: Mapping[str, Any], path: str) -> Any:  # noqa: ANN401 - any figure
    """Figure of a summary by the path of its keys; "absent" where it has none."""
    value: Any = summary
    for key in path.split("."):
        if not isinstance(value, Mapping) or key not in value:
            return "absent"
        value = value[key]
    return value
