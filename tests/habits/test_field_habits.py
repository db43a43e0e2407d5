"""Habits of the field that lose, double or hide something: what a run must say of each."""

import io
import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from subprocess import CompletedProcess
from typing import Any

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from rich.console import Console
from shapely.geometry.base import BaseGeometry

from glademark.contracts.survey import Survey
from glademark.jobs.layout import installed_limits, lay_out_survey
from glademark.judge.limits import limits_asked
from glademark.project.model import LimitSetting, Project
from glademark.report.papers.filing_figures import filing_tables
from glademark.report.terminal.layout import print_summary

Row = dict[str, object]
Files = Callable[[Path], dict[str, str]]
Command = Callable[..., CompletedProcess[str]]

STAND = shapely.box(0, 0, 200, 100)  # 2 ha
TEN_HECTARES = shapely.box(0, 0, 400, 250)
CRS = "EPSG:32616"
X0, Y0 = 500_000, 5_000_000
PAINTS = '[marks.paint]\nwhite = "cut"\npink = "corridor"\nblue = "leave"\n'


@dataclass(frozen=True, kw_only=True)
class Habit:
    """
    What was done in the field, and what must come of it.

    A survey is `given` for the `stand`, with `volume`, `allowance`, `limits` and `openings` of the
    project; or `files` of 4 ha are laid out by the command with its `settings`. `printed` are parts
    of the terminal's text and the notices, `not_printed` of the terminal's, `filed` of the filing
    figures, all with single spaces; `verdicts` are by limit and feature, `summary` by the path of
    its keys.
    """

    name: str
    given: Mapping[str, Any] = field(default_factory=dict)
    stand: BaseGeometry = STAND
    volume: Mapping[str, Any] = field(default_factory=dict)
    allowance: Mapping[str, Any] = field(default_factory=dict)
    limits: Mapping[str, Any] = field(default_factory=dict)
    openings: Mapping[str, Any] = field(default_factory=dict)
    files: Files | None = None
    settings: str = PAINTS
    code: int = 0
    printed: tuple[str, ...] = ()
    not_printed: tuple[str, ...] = ()
    filed: tuple[str, ...] = ()
    verdicts: Mapping[tuple[str, str], str] = field(default_factory=dict)
    summary: Mapping[str, Any] = field(default_factory=dict)
    opening_trees: Sequence[int] = ()


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What a run printed, filed, judged and summed up."""

    screen: str
    notices: str = ""
    filed: str = ""
    code: int = 0
    verdicts: Mapping[tuple[str, str], str] = field(default_factory=dict)
    summary: Mapping[str, Any] = field(default_factory=dict)
    opening_trees: Sequence[int] = ()


def record(product: str = "", *, dbh_cm: float = 30.0, y: float = 20.0, **more: object) -> Row:
    """A record of a mark."""
    row = {"geometry": shapely.Point(60, y), "product": product, "dbh": dbh_cm, "dbh_cm": dbh_cm}
    return {**row, **more}


def recorded(product: str, volume: float, unit: str, **more: Any) -> Row:  # noqa: ANN401 - columns of any kind
    """A record of a mark with its volume."""
    return record(product, volume=volume, volume_unit=unit, **more)


def cut(basal_area_m2: float, x: float, y: float, **more: object) -> Row:
    """A record of a hundred cut trees with a basal area in all."""
    dbh_cm = math.sqrt(basal_area_m2 / 100 * 40_000 / math.pi)
    return {**record(dbh_cm=dbh_cm, count=100), "geometry": shapely.Point(x, y), **more}


def on_plot(dbh_cm: float, plot: str = "1") -> Row:
    """A tree on a cruise plot."""
    return {"plot": plot, "dbh": dbh_cm, "dbh_cm": dbh_cm}


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


LANE = shapely.LineString([(0, 50), (200, 50)])  # 4 m wide: 800 m2, 4 % of the stand
LANES = [shapely.LineString([(0, y), (400, y)]) for y in (100, 108, 220)]
LANDING = shapely.box(0, 0, 100, 100)
PLOTS = [{"geometry": shapely.Point(50 * n, 20), "plot": str(n), "baf_m2_ha": 4.0} for n in (1, 2)]
TWENTY = {"standing": {"basal_area": "20 m2/ha"}}
BOLTS = {"bolts": {"unit": "m3"}}
TONS = {"pulpwood": {"unit": "green ton"}}
FEET = {"sawlog": {"unit": "board foot", "rule": "doyle"}}
SOLD = {"pulpwood": {"unit": "m3"}, "sawlog": {"unit": "m3"}}

HEAD = "tree,x,y,dbh_cm,paint"
GROUP = HEAD + ",group,crown_radius_m"
WHOLE = "no,species,dbh_cm,paint,kind,group,radius_m,count,x,y"


def at(tree: int, rest: str, *, step: int = 10) -> str:
    """A row: trees stand in a line, by default far enough apart that their crowns are single."""
    return f"{tree},{X0 + 20 + step * tree},{Y0 + 100},{rest}"


def white(*cells: str) -> tuple[str, ...]:
    """Painted trees, the first ones with these diameters, the others from 30 to 50 cm."""
    every = [*cells, *(str(cm) for cm in range(30, 51, 2))]
    return tuple(at(tree, f"{cell},white") for tree, cell in enumerate(every, 1))


def written(number: object, x: float, y: float, size: int = 30, **more: object) -> str:
    """A mark by its place in the stand."""
    known = {"paint": "white", "kind": "", "group": "", "radius_m": "", "count": "", **more}
    cells = [number, "beech", size, *known.values(), X0 + x, Y0 + y]
    return ",".join(map(str, cells))


def marks(head: str = HEAD, **files: Sequence[str]) -> Files:
    """Files of marks, each by its name."""

    def make(folder: Path) -> dict[str, str]:
        for name, rows in files.items():
            (folder / f"{name}.csv").write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
        sources = ", ".join(f'{{file = "{name}.csv", crs = "{CRS}"}}' for name in files)
        return {"marks": f"[{sources}]"}

    return make


def renumbered(rows: list[str], first: int) -> list[str]:
    """The same marks under other numbers."""
    return [f"{first + n},{row.split(',', 1)[1]}" for n, row in enumerate(rows)]


def with_paper(text: str, rows: list[str]) -> Files:
    """Marks beside a paper tally."""

    def make(folder: Path) -> dict[str, str]:
        (folder / "tally.csv").write_text(text)
        return {**marks(WHOLE, a=rows)(folder), "tally": '"tally.csv"'}

    return make


def with_swapped_stand(folder: Path) -> dict[str, str]:
    """A boundary in degrees with its axes swapped, near 10 E, 50 N, and a corridor file."""
    area = gpd.GeoSeries([shapely.box(6e5, 5.54e6, 6.002e5, 5.5402e6)], crs="EPSG:25832")
    swapped = shapely.transform(area.to_crs(4326).to_numpy(), lambda xy: xy[:, ::-1])
    gpd.GeoSeries(swapped, crs=4326).to_file(folder / "swapped.geojson")
    line = shapely.LineString([(600_020, 5_540_000), (600_020, 5_540_200)])
    gpd.GeoSeries([line], crs="EPSG:25832").to_file(folder / "lanes.gpkg")
    (folder / "m.csv").write_text("no,dbh_cm,x,y\n1,30,600050,5540050\n")
    return {
        "stand": '"swapped.geojson"',
        "corridors": '"lanes.gpkg"',
        "marks": '{file = "m.csv", crs = "EPSG:25832"}',
    }


DAY = [written(n, 20 + 15 * (n % 9), 20 + 20 * (n // 9), 20 + n) for n in range(18)]
LATER = [written(n, 20 + 15 * (n % 9), 120 + 20 * (n // 9), 45 + n) for n in range(18)]
CENTRE = written("c", 150, 150, kind="group_centre", group="7", radius_m=12, count=11)
PAPER = "zone,group,species,dbh_cm,count\nopening,7,beech,30,9\n"
IN_GROUP = tuple(at(tree, "30,white,A,3") for tree in range(1, 5))  # 4 x 9 pi = 113.1 m2
MARKED = '[openings]\nedge = "marked_crowns"\n'
LIMIT = '[limits]\nopening_area_max = "120 m2"\n'

HABITS = [
    Habit(
        name="one bank stripped, the other and a second creek untouched",
        stand=TEN_HECTARES,
        given={"marks": [cut(8.0, 200, 10)],
               "setbacks": [bank("creek, left bank", 0), bank("creek, right bank", 24),
                            bank("run, left bank", 200)]},
        allowance=TWENTY,
        printed=("EXCEEDED residual basal area in setback creek, left bank: 10.0 m2/ha",),
        verdicts={("setback", "creek, left bank"): "exceeded",
                  ("setback", "creek, right bank"): "met", ("setback", "run, left bank"): "met"},
        summary={"checks.exceeded": 1},
    ),
    Habit(
        name="boundary points taken out of order",
        stand=TEN_HECTARES,
        given={"marks": corners(0, 2, 1, 3)},
        limits={"opening_area_max": "150 m2"},
        printed=("not checked area of opening 5", "crosses itself at E 110.0, N 110.0",
                 "1 walked outline whose area is not known"),
        verdicts={("opening_area_max", "5"): "not_checked"},
        summary={"openings.area_m2": None, "openings.share": None, "checks.met": 0},
    ),
    Habit(
        name="the same points in order",
        stand=TEN_HECTARES,
        given={"marks": corners(0, 1, 2, 3)},
        limits={"opening_area_max": "150 m2"},
        openings={"walked_along": "standing_crowns"},
        printed=("EXCEEDED area of opening 5",),
        summary={"openings.area_m2": 400.0},
    ),
    Habit(
        name="two lanes 8 m apart among others far away",
        stand=TEN_HECTARES,
        given={"corridors": LANES},
        limits={"corridor_spacing_min": "20 m"},
        printed=("EXCEEDED spacing of neighbouring corridors 1, 2, centre line to centre line: 8",
                 "8.0 m, at least 20.0 m (median; the least single distance is 8.0 m)"),
        verdicts={("corridor_spacing_min", "2, 3"): "met"},
        summary={"corridors.mean_spacing_m": 250 / 3},
    ),
    Habit(
        name="a large landing beside few corridors",
        stand=TEN_HECTARES,
        given={"corridors": LANES[2:], "landings": [LANDING]},
        limits={"corridor_share_max": "2 %", "corridors_and_landings_share_max": "5 %"},
        printed=("EXCEEDED share of the stand in corridors and landings: 11.6 %, at most 5.0 %",),
        not_printed=("EXCEEDED share of the stand in corridors:",),
        verdicts={("corridor_share_max", "all"): "met"},
        summary={"corridors.share": 0.016},
    ),
    Habit(
        name="more pulpwood than may go, little basal area",
        stand=TEN_HECTARES,
        given={"marks": [cut(8.0, 50, 50, product="pulpwood", volume=9.9, volume_unit="m3")]},
        volume={"products": SOLD},
        allowance={"standing": {"basal_area": "20 m2/ha", "pulpwood": "100 m3",
                                "sawlog": "100 m3"}},
        limits={"removal_share_max": "9 %"},
        printed=("EXCEEDED share of the standing pulpwood removed: 9.9 %, at most 9.0 %",),
        verdicts={("removal_share_max", "basal_area"): "met",
                  ("removal_share_max", "sawlog"): "met"},
    ),
    Habit(
        name="twelve corridors over one brook, no permit asked for",
        stand=TEN_HECTARES,
        given={"corridors": [shapely.LineString([(9 + n, 0), (9 + n, 250)]) for n in range(12)],
               "water": [shapely.box(0, 120, 400, 124)]},
        limits={"water_distance_min": "10 m"},
        printed=("not checked corridors cross water 12 times, setbacks nowhere: 12 crossings",),
        summary={"checks.not_checked": 2},
    ),
    Habit(
        name="many openings, water not given",
        stand=TEN_HECTARES,
        given={"walked": [shapely.box(40 * n, 50, 40 * n + 20, 70) for n in range(8)]},
        limits={"water_distance_min": "10 m"},
        printed=("0 EXCEEDED, 0 near, 1 not checked, 0 met",
                 "not checked openings to the nearest bank: at least 10.0 m (no water is given"),
        summary={"checks.not_checked": 1},
    ),
    Habit(
        name="lanes routed through gaps, or not marked yet",
        stand=TEN_HECTARES,
        given={"corridors": LANES[2:], "marks": [cut(1.0, 200, 220)]},
        allowance=TWENTY,
        printed=("1.0 m2 of basal area are marked on 0.16 ha of new corridor",
                 "the standing stock would give at least 3.2 m2"),
    ),
    Habit(
        name="an opening a hair above its limit",
        stand=TEN_HECTARES,
        given={"walked": [shapely.box(100, 100, 120, 130.6)]},
        limits={"opening_area_max": "0.0611 ha"},
        printed=("EXCEEDED area of opening 1: 0.0612 ha, at most 0.0611 ha",),
    ),
    Habit(
        name="diameters and volumes left out for some pulpwood",
        given={"marks": [recorded("pulpwood", 37.0, "green ton", count=151),
                         record("pulpwood", count=36, dbh_cm=math.nan)]},
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
        given={"marks": [record("pulpwood", count=187)]},
        volume={"products": TONS},
        limits={"target": {"value": {"pulpwood": "200 green ton"}}},
        printed=("0 EXCEEDED, 0 near, 1 not checked",
                 "no volume is computed: 187 trees without one", "pulpwood, not computed"),
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
                 "standing stock of solid volume, bolts is not computed: 2 trees on plots have "),
        not_printed=("-20.0",),
        filed=("not computed: standing stock not known",),
        summary={"allowance.quantities.bolts": "absent"},
    ),
    Habit(
        name="a tree of a fixed plot whose diameter cannot be read",
        given={"marks": [recorded("bolts", 20.0, "m3")],
               "plots": [{**plot, "baf_m2_ha": math.nan, "plot_area_m2": 400.0} for plot in PLOTS],
               "plot_trees": [on_plot(30.0), on_plot(math.nan, "2")]},
        volume={"products": BOLTS},
        limits={"removal_basal_area_share_max": "25 %"},
        printed=("Standing stock of basal area, bolts: not computed",
                 "standing basal area is not computed: 1 tree on fixed plots has no diameter",
                 "the cruise gives no standing basal area: a tree of a fixed plot has no diameter"),
        filed=("not computed: standing stock not known",),
        verdicts={("removal_basal_area_share_max", ""): "not_checked"},
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
        given={"marks": [record(dbh_cm=15.0, count=42), record(dbh_cm=45.0)],
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
        given={"marks": [record(dbh_cm=45.0, count=100)],
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
        given={"marks": [record(count=3), recorded("bolts", 3.0, "m3")]},
        volume={"products": BOLTS},
        printed=("not stated: 3 of 3 trees without a volume",),
        summary={"volume.by_product.not stated.trees_without": 3,
                 "volume.by_product.bolts.trees_without": 0},
    ),
    Habit(
        name="an export of the day beside one of the week",
        files=marks(WHOLE, day=DAY, week=[*DAY, *LATER]),
        printed=("18 of 18 records of day.csv are also in week.csv",),
        code=2,
    ),
    Habit(
        name="the same, renumbered",
        files=marks(WHOLE, day=DAY, week=renumbered([*DAY, *LATER], 500)),
        printed=('leave one out, or set [marks] repeats = "keep"',),
        code=2,
    ),
    Habit(
        name="the same, kept on purpose",
        files=marks(WHOLE, day=DAY, week=[*DAY, *LATER]),
        settings='[marks]\nrepeats = "keep"\n' + PAINTS,
        printed=("18 of 18 records of day.csv are also in week.csv",),
        summary={"marks.trees": 54},
    ),
    Habit(
        name="a few trees measured by two crews",
        files=marks(WHOLE, day=DAY, week=[*DAY[:4], *LATER]),
        printed=("4 of 18 records of day.csv are also in week.csv",),
        summary={"marks.trees": 40},
    ),
    Habit(
        name="two files that both start at one",
        files=marks(WHOLE, day=DAY, week=LATER),
        printed=("A day.csv, B week.csv",),
        summary={"marks.trees": 36},
    ),
    Habit(
        name="a count at the centre of a group",
        files=marks(WHOLE, a=[*DAY, CENTRE]),
        printed=("11 trees counted at 1 group centre (c)",),
        summary={"marks.trees": 18, "marks.not_located": 11},
        opening_trees=[11],
    ),
    Habit(
        name="a paper tally that names its group",
        files=with_paper(PAPER, [*DAY, CENTRE.replace(",11,", ",,")]),
        summary={"marks.trees": 18, "marks.not_located": 9},
        opening_trees=[9],
    ),
    Habit(
        name="a paper tally whose group is misspelt",
        files=with_paper(PAPER.replace(",7,", ",8,"), [*DAY, CENTRE.replace(",11,", ",,")]),
        printed=("9 trees counted for group 8",),
        summary={"marks.not_located": 9},
        opening_trees=[0],
    ),
    Habit(
        name="a boundary with its axes swapped",
        files=with_swapped_stand,
        printed=("swapped.geojson: 2 of 2 other files lie outside this boundary",),
        code=2,
    ),
    Habit(
        name="comments above the header",
        files=marks("# receiver 7\n# crew B, 12 May\n" + WHOLE, a=DAY),
        printed=("a.csv: the header is read from line 3",),
        summary={"marks.trees": 18},
    ),
    Habit(
        name="no paint on a tree",
        files=marks(a=(at(1, "30,white"), at(2, "40,"))),
        printed=("UNCONFIRMED: 1 unconfirmed tree", "1 mark without paint: unconfirmed", ": 2."),
        summary={
            "marks.trees": 1,
            "marks.unconfirmed": 1,
            "with_unconfirmed.trees": 2,
            "with_unconfirmed.basal_area_m2": (0.3**2 + 0.4**2) * math.pi / 4,
        },
    ),
    Habit(
        name="a paint that nobody explained",
        files=marks(a=(at(1, "30,white"), at(2, "40,orange"), at(3, "40,blue"))),
        printed=("1 mark with paint that [marks.paint] does not list (orange)",),
        summary={"marks.trees": 1, "marks.unconfirmed": 1, "marks.leave_trees": 1},
    ),
    Habit(
        name="one colour, not always noted, and the project says so",
        files=marks(a=(at(1, "30,white"), at(2, "40,"))),
        settings='[marks]\nwithout_paint = "cut"\n' + PAINTS,
        printed=("counted as cut, as [marks] without_paint says",),
        summary={"marks.trees": 2, "marks.unconfirmed": 0},
    ),
    Habit(
        name="a kind beside the paint",
        files=marks(HEAD + ",kind", a=(at(1, "30,,cut"), at(2, "30,white,leave"), at(3, "30,,"),
                                       at(4, "30,,unconfirmed"))),
        summary={"marks.trees": 1, "marks.leave_trees": 1, "marks.unconfirmed": 2},
    ),
    Habit(
        name="paint without a key",
        files=marks(a=(at(1, "30,white"), at(2, "40,white"), at(3, "40,blue"))),
        settings="",
        printed=("trees are painted white (2), blue (1)", "[marks.paint]"),
        code=2,
    ),
    Habit(
        name="no column of paint",
        files=marks("tree,x,y,dbh_cm", a=(at(1, "30"), at(2, "40"))),
        settings="",
        summary={"marks.trees": 2, "marks.unconfirmed": 0},
    ),
    Habit(
        name="a limit that only unconfirmed trees break",
        files=marks(GROUP, a=(*IN_GROUP, at(5, "30,,A,3"))),  # with the fifth 45 pi = 141.4 m2
        settings=PAINTS + LIMIT + MARKED,
        printed=(
            "near area of opening 1",
            "exceeded if the unconfirmed tree is cut: 117.8 % of the limit",
            "1 opening, 0.01 ha; opening 1 0.014 ha instead of 0.011 ha",
        ),
        summary={
            "checks.near": 1,
            "checks.exceeded": 0,
            "openings.area_m2": 36 * math.pi,
            "with_unconfirmed.opening_area_m2": 45 * math.pi,
        },
    ),
    Habit(
        name="an opening of unconfirmed trees alone",
        files=marks(GROUP, a=tuple(at(tree, "30,,B,4") for tree in range(1, 5))),  # 64 pi = 201 m2
        settings=PAINTS + LIMIT,
        printed=("near area of opening of unconfirmed trees", "0 trees to cut on the map"),
        summary={"checks.near": 1, "openings.count": 0, "with_unconfirmed.openings": 1},
    ),
    Habit(
        name="a cruise among the marks",
        files=marks("tree,x,y,dbh_cm,plot", a=(at(1, "30,1"), at(2, "40,1"))),
        printed=("looks like cruise (the columns), and its 2 records count as trees to cut",),
        summary={"marks.trees": 2},
    ),
    Habit(
        name="diameters that cannot be read",
        files=marks(a=white("ca. 35", "3O", "-5", "4500", "0")),
        printed=(
            "the diameter of 5 marks cannot be used; counted without a diameter",
            '1 "ca. 35", 2 "3O", 3 "-5", 4 "4500", 5 "0".',
            "5 trees to cut without a diameter",
        ),
        summary={"marks.trees": 16, "marks.without_dbh": 5, "marks.rejected": 0},
    ),
    Habit(
        name="a decimal point lost or moved",
        # 3.85 x 10, and 146 without its first digit, are like the others
        files=marks(a=white("3.85", "146")),
        printed=("2 diameters far from the others", "1 3.85 cm, 2 146 cm"),
        summary={"marks.trees": 13, "marks.without_dbh": 0},
    ),
    Habit(
        name="another unit in the cell",
        files=marks(a=white("15 in", "35cm")),
        printed=("diameter of 1 mark has another unit than the column", '1 "15 in"'),
        summary={"marks.trees": 13},
    ),
]  # fmt: skip


@pytest.fixture
def outcome(
    tmp_path: Path,
    command: Command,
    survey_of: Callable[..., Survey],
    project_of: Callable[..., Project],
) -> Callable[[Habit], Outcome]:
    """What a habit comes to: by the command from files, or from a survey."""

    def run(habit: Habit) -> Outcome:
        if habit.files is not None:
            return _of_files(habit, habit.files, tmp_path, command)
        project = project_of(
            volume=habit.volume,
            allowance=habit.allowance,
            limits=dict(habit.limits),
            openings=dict(habit.openings),
        )
        return _of_survey(habit, survey_of(habit.stand, **habit.given), project)

    return run


def _of_survey(habit: Habit, survey: Survey, project: Project) -> Outcome:
    """What is laid out in memory."""
    limits = {name: LimitSetting.model_validate(one) for name, one in habit.limits.items()}
    asked = limits_asked(limits, known=installed_limits())
    delivery = lay_out_survey(survey, project, asked, earlier={})
    screen = io.StringIO()
    print_summary(delivery, Console(file=screen, width=400))
    filed = filing_tables(delivery)["Removed"].rows
    return Outcome(
        screen=_spaced(screen.getvalue()),
        notices=" ".join(delivery.summary["notices"]),
        filed=_spaced(" ".join(cell for row in filed for cell in row)),
        verdicts=delivery.checks.set_index(["limit", "feature"])["verdict"].to_dict(),
        summary=delivery.summary,
    )


def _of_files(habit: Habit, files: Files, folder: Path, command: Command) -> Outcome:
    """What the command prints and writes."""
    done = laid_out(files, habit.settings, folder, command, "summary", "openings")
    screen = _spaced(done.stdout + done.stderr)
    if done.returncode:
        return Outcome(screen=screen, code=done.returncode)
    summary = json.loads((folder / "out" / "summary.json").read_text("utf-8"))
    openings = pd.read_csv(folder / "out" / "openings.csv")
    return Outcome(
        screen=screen,
        notices=" ".join(summary["notices"]),
        summary=summary,
        opening_trees=openings["trees"].tolist(),
    )


def laid_out(
    files: Files, settings: str, folder: Path, command: Command, *only: str
) -> CompletedProcess[str]:
    """The command on a stand of 4 ha with some files."""
    square = shapely.box(X0, Y0, X0 + 200, Y0 + 200)
    gpd.GeoDataFrame(geometry=[square], crs=CRS).to_file(folder / "stand.gpkg")
    inputs = {"stand": '"stand.gpkg"', **files(folder)}
    lines = [f"{key} = {value}" for key, value in inputs.items()]
    text = "\n".join(['[project]\nname = "Habit"\nunits = "metric"\n[inputs]', *lines, settings])
    (folder / "harvest.toml").write_text(text, encoding="utf-8")
    words = [word for name in only for word in ("--only", name)]
    return command("layout", folder / "harvest.toml", "--out", folder / "out", *words)


def _spaced(text: str) -> str:
    """Text with single spaces."""
    return " ".join(text.split())


def _at(summary: Mapping[str, Any], path: str) -> Any:  # noqa: ANN401 - any figure
    """Figure of a summary by the path of its keys; "absent" where it has none."""
    value: Any = summary
    for key in path.split("."):
        if not isinstance(value, Mapping) or key not in value:
            return "absent"
        value = value[key]
    return value


@pytest.mark.parametrize("habit", HABITS, ids=lambda habit: habit.name)
def test_a_habit_changes_no_figure_in_silence(
    habit: Habit, outcome: Callable[[Habit], Outcome]
) -> None:
    """Which trees are cut, what limits come to and what is not known is said, or refused."""
    found = outcome(habit)

    assert found.code == habit.code, found.screen
    assert [text for text in habit.printed if text not in f"{found.screen} {found.notices}"] == []
    assert [text for text in habit.not_printed if text in found.screen] == []
    assert [text for text in habit.filed if text not in found.filed] == []
    assert {key: found.verdicts.get(key) for key in habit.verdicts} == habit.verdicts
    assert {path: _at(found.summary, path) for path in habit.summary} == {
        path: pytest.approx(value) if isinstance(value, float) else value
        for path, value in habit.summary.items()
    }
    assert habit.opening_trees in ((), found.opening_trees)


def test_a_danger_tree_is_not_called_like_a_tree_to_cut(tmp_path: Path, command: Command) -> None:
    """Tree 318 of one file is a danger tree, tree 318 of the other is to be cut."""
    north, south = written(318, 50, 50, kind="danger"), written(318, 120, 90, 40)
    files = marks(WHOLE, north=[north], south=[south])
    done = laid_out(files, PAINTS, tmp_path, command, "gpx", "kml", "geojson")

    assert done.returncode == 0, done.stderr
    for name in ("layout.gpx", "layout.kml", "layout.geojson"):
        content = (tmp_path / "out" / name).read_text(encoding="utf-8")
        assert "DANGER TREE A-318" in content
        assert "DANGER TREE 318" not in content
    assert '"label": "B-318"' in content.replace('"label":"', '"label": "')
