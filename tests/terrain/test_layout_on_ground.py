"""The ground in a whole layout: what is there, what is absent, and how it is handed over."""

import csv
import json
import sqlite3
from collections.abc import Callable, Mapping
from contextlib import closing
from dataclasses import fields
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapely
from rich.console import Console

from glademark.contracts.layers import LAYERS, present
from glademark.contracts.terrain import PERMIT, Elevation
from glademark.export import geopackage, tables
from glademark.export.output import deliver
from glademark.judge.checks import judge
from glademark.judge.limits import Case
from glademark.report import summary
from glademark.report.delivery import Deliverable, Delivery
from glademark.report.terminal.layout import print_summary

STAND = shapely.box(0, 0, 300, 300)
EAST = shapely.LineString([(20, 100), (280, 100)])
NORTH = shapely.LineString([(200, 100), (200, 280)])
AWAY = shapely.LineString([(20, 250), (90, 250)])
LANDING = shapely.box(0, 90, 20, 110)
WRITERS: Mapping[str, Deliverable] = {
    one.id: one
    for one in (
        geopackage.DELIVERABLE, tables.CHECKS, tables.OPENINGS, summary.DELIVERABLE,
        tables.CORRIDOR_GRADES, tables.EXTRACTION, tables.WATER_CROSSINGS,
        tables.BEYOND_REACH,
    )
}  # fmt: skip
OWN_TABLES = {"corridor_grades.csv", "extraction.csv", "water_crossings.csv", "beyond_reach.csv"}
OF_OTHERS = {"logs", "must_go", "reason", "remeasure", "uncertainty_settled"} | {
    f"chance_{zone}" for zone in ("exclusion", "landing", "corridor", "opening", "matrix")
}
OWN_LAYERS = {"corridor_grades", "extraction", "water_crossings", "corridor_stubs"}

Marks = Callable[..., list[dict[str, object]]]


@pytest.fixture(scope="module")
def full(laid_out: Callable[..., Case], plane: Callable[..., Elevation], marks_at: Marks) -> Case:
    """A slope of 20 % that rises to the east, two corridors to a landing in the west, one not."""
    return laid_out(
        STAND,
        project={
            "machine": {"reach": "20 m", "payload": "10 m3"},
            "wind": {"from": "270 deg", "tree_height": "20 m"},
            "volume": {"products": {"logs": {"unit": "m3"}}},
        },
        elevation=plane(0.2, 0.0),
        corridors=[EAST, NORTH, AWAY],
        landings=[LANDING],
        water=[shapely.box(100, 0, 104, 180)],
        walked=[shapely.box(220, 30, 260, 70)],
        marks=[
            *marks_at((70, 105), tree_id="70 m", product="logs", volume=5.0, volume_unit="m3"),
            *marks_at((205, 160), tree_id="up", product="logs", volume=15.0, volume_unit="m3"),
            *marks_at((30, 255), tree_id="lost", product="logs", volume=1.0, volume_unit="m3"),
            *marks_at((240, 50), tree_id="far", product="logs", volume=2.0, volume_unit="m3"),
        ],
    )


@pytest.fixture(scope="module")
def bare(laid_out: Callable[..., Case], marks_at: Marks) -> Case:
    """The same stand with nothing but corridors and marks."""
    return laid_out(STAND, corridors=[EAST, NORTH], marks=marks_at((70, 105)))


def handed_over(case: Case) -> Delivery:
    """The case as writers get it."""
    checks = judge(case, [])
    built = summary.build_summary(case.project, case.survey, case.layout, checks)
    return Delivery(
        project=case.project, survey=case.survey, layout=case.layout, checks=checks, summary=built
    )


def printed(delivery: Delivery) -> str:
    """What stands on the terminal."""
    console = Console(width=120, record=True, file=None, quiet=False)
    with console.capture() as capture:
        print_summary(delivery, console)
    return capture.get()


def layers_in(path: Path) -> set[str]:
    """Tables of a GeoPackage."""
    with closing(sqlite3.connect(path)) as database:
        return {row[0] for row in database.execute("SELECT table_name FROM gpkg_contents")}


def test_wood_finds_its_way_to_the_landing(full: Case) -> None:
    """
    Ways by hand: 70 - 20 = 50 m; (160 - 100) + (200 - 20) = 240 m; (240 - 20) = 220 m.

    The mean by volume is (5 x 50 + 15 x 240 + 2 x 220) / 22.
    """
    extraction = full.layout.ground.extraction
    marks = full.layout.marks.set_index("tree_id")

    assert marks["extraction_m"].to_dict() == {
        "70 m": pytest.approx(50), "up": pytest.approx(240),
        "lost": pytest.approx(np.nan, nan_ok=True), "far": pytest.approx(220),
    }  # fmt: skip
    assert extraction is not None
    assert extraction.mean_m == pytest.approx((5 * 50 + 15 * 240 + 2 * 220) / 22)
    assert (extraction.m3, extraction.m3_unreached) == (pytest.approx(22), pytest.approx(1))
    assert extraction.loads == pytest.approx(2.2)
    assert extraction.unreached == ("3",)
    assert extraction.by_landing == {"area 1": pytest.approx(22)}
    assert any("No landing is reached along corridors from 3" in n for n in full.layout.notices)


def test_the_last_stretch_is_driven_most(full: Case) -> None:
    """All wood passes next to the landing; one load is 10 m3."""
    first = full.layout.extraction.iloc[0]

    assert (first["stretch"], first["corridor"], first["trees"]) == (1, "1", 3)
    assert first["volume_m3"] == pytest.approx(22)
    assert first["loads"] == pytest.approx(2.2)
    assert first["volume"] == "logs 22.00 m3"


def test_to_the_landing_it_is_downhill(full: Case) -> None:
    """The corridor up the slope is favourable all along outside the landing, others level."""
    grades = full.layout.corridor_grades
    grade = full.layout.ground.grades
    up = grades[grades["corridor"] == "1"]

    assert set(up["direction"]) == {"favourable"}
    assert up["grade_pct"].to_numpy() == pytest.approx([-20] * 26)
    assert set(grades.loc[grades["corridor"] == "2", "direction"]) == {"level"}
    assert set(grades.loc[grades["corridor"] == "3", "direction"]) == {""}
    assert grade is not None
    assert (grade.favourable_m, grade.level_m) == (pytest.approx(260), pytest.approx(180))
    assert grade.steepest == pytest.approx((0.2, 0.2))
    assert grade.by_class["10-20 %"] == pytest.approx(260 + 70)


def test_pieces_lie_on_their_corridors(full: Case) -> None:
    """Pieces are the corridor again, end to end, each as long as it says."""
    grades = full.layout.corridor_grades
    again = shapely.line_merge(
        shapely.union_all(grades.loc[grades["corridor"] == "1"].geometry.to_numpy())
    )

    assert grades.geometry.length.to_numpy() == pytest.approx(grades["length_m"].to_numpy())
    assert shapely.equals(again, EAST)


def test_profiles_follow_the_corridors(full: Case) -> None:
    """One profile a corridor, rising 52 m over 260 m, with the way to the landing led back."""
    profile = full.layout.profiles[0]

    assert [p.corridor for p in full.layout.profiles] == ["1", "2", "3"]
    assert profile.at_m[-1] == pytest.approx(260)
    assert profile.height_m[-1] - profile.height_m[0] == pytest.approx(52)
    assert set(profile.to_landing) == {-1.0}


def test_slopes_stand_beside_openings_zones_and_marks(full: Case) -> None:
    """On the plane every slope is 20 % and faces west."""
    layout = full.layout
    terrain = layout.ground.terrain

    for frame in (layout.openings, layout.zones):
        assert frame["slope_mean_pct"].dropna().to_numpy() == pytest.approx([20] * len(frame))
        assert set(frame["aspect"]) == {"W"}
    assert layout.marks["slope_pct"].to_numpy() == pytest.approx([20] * 4)
    assert layout.marks["elevation_m"].to_list() == pytest.approx([514, 541, 506, 548])
    assert terrain is not None
    assert (terrain.slope_mean, terrain.aspect) == (pytest.approx(0.2), "W")
    assert layout.corridors["grade_long_pct"].to_list() == pytest.approx([20, 0, 20], abs=1e-9)
    assert layout.corridors["cross_slope_pct"].to_list() == pytest.approx([0, 20, 0], abs=1e-9)
    assert layout.corridors["landing"].to_list() == ["area 1", "area 1", ""]


def test_coarse_cells_are_said(
    laid_out: Callable[..., Case], plane: Callable[..., Elevation]
) -> None:
    """A grade over 10 m from cells of 30 m is smoother than the ground."""
    coarse = plane(0.1, 0.0, cell=(30.0, 30.0), shape=(30, 30))
    layout = laid_out(STAND, elevation=coarse, corridors=[EAST]).layout

    assert any("cells are 30.0 m wide, so grades over 10 m" in n for n in layout.notices)


def test_every_layer_has_its_declared_columns(full: Case) -> None:
    """What is declared is there, in order."""
    for name in [*OWN_LAYERS, "marks", "openings", "zones", "corridors"]:
        frame = getattr(full.layout, name)
        declared = present(LAYERS[name], frame.columns).names
        assert set(declared) <= set(frame.columns)
        assert len(frame)
    absent = {c.name for c in LAYERS["marks"].columns if c.name not in full.layout.marks}
    assert absent <= OF_OTHERS


def test_handed_over_are_layers_tables_and_figures(full: Case, tmp_path: Path) -> None:
    """Layers in the GeoPackage, CSV tables, and the summary's ground."""
    delivery = handed_over(full)
    files = deliver(delivery, tmp_path / "out", WRITERS).files
    found = json.loads((tmp_path / "out/summary.json").read_text())["ground"]
    with (tmp_path / "out/beyond_reach.csv").open(encoding="utf-8-sig", newline="") as lines:
        beyond = [row["tree_id"] for row in csv.DictReader(lines)]
    with (tmp_path / "out/openings.csv").open(encoding="utf-8-sig", newline="") as lines:
        opening = next(csv.DictReader(lines))

    assert {path.name for path in files} >= OWN_TABLES
    assert layers_in(tmp_path / "out/layout.gpkg") >= OWN_LAYERS
    assert set(found) == {"terrain", "grades", "extraction", "reach", "crossings", "light"}
    assert found["extraction"]["unreached"] == ["3"]
    assert beyond == ["far"]
    assert float(opening["slope_mean_pct"]) == pytest.approx(20)
    assert float(opening["windward_edge_m"]) == pytest.approx(40)


def test_the_terminal_tells_the_ground(full: Case) -> None:
    """Slope, grade, extraction, reach and crossings in words, with the word about permits."""
    text = " ".join(printed(handed_over(full)).split())

    for words in (
        "GROUND", "slope 20.0 % on average", "steepest 20.0 % over 10.0 m, 20.0 % over 30.0 m",
        "260 m downhill (favourable)", "2.2 loads of 10.0 m3",
        "CHECK no landing is reached from corridors 3", "1 beyond", PERMIT, "facing the wind",
    ):  # fmt: skip
        assert words in text


def test_without_terrain_landing_and_settings_all_of_it_is_absent(
    bare: Case, tmp_path: Path
) -> None:
    """No layer, column, table, section or complaint."""
    delivery = handed_over(bare)
    files = deliver(delivery, tmp_path / "out", WRITERS).files
    layout = bare.layout
    optional = {column.name for column in LAYERS["marks"].columns if column.optional}

    assert not any(getattr(layout.ground, part.name) for part in fields(layout.ground))
    assert not OWN_TABLES & {path.name for path in files}
    assert not OWN_LAYERS & layers_in(tmp_path / "out/layout.gpkg")
    assert not optional & set(layout.marks.columns)
    assert "ground" not in json.loads((tmp_path / "out/summary.json").read_text())
    assert "GROUND" not in printed(delivery)
    assert not [n for n in layout.notices if "landing" in n or "terrain" in n or "permit" in n]


def test_every_setting_moves_its_own_figure_only(
    laid_out: Callable[..., Case], marks_at: Marks
) -> None:
    """A stated reach brings reach, and nothing else."""
    case = laid_out(
        STAND,
        project={"machine": {"reach": "20 m"}},
        corridors=[EAST],
        marks=marks_at((70, 105)),
    )
    given = {part.name for part in fields(case.layout.ground)}
    found = {name for name in given if getattr(case.layout.ground, name) is not None}

    assert found == {"reach"}


def test_a_stand_without_marks_is_laid_on_the_ground_too(
    laid_out: Callable[..., Case], plane: Callable[..., Elevation]
) -> None:
    """Corridors alone: grades and a network without wood."""
    case = laid_out(
        STAND,
        project={"machine": {"reach": "20 m"}},
        elevation=plane(0.1, 0.1),
        corridors=[EAST],
        landings=[LANDING],
    )
    extraction = case.layout.ground.extraction

    assert extraction is not None
    assert (extraction.trees, extraction.m3) == (0, None)
    assert np.isnan(extraction.mean_m)
    assert isinstance(case.layout.corridor_grades, pd.DataFrame)


def test_a_stand_without_corridors_has_slopes_and_no_reach(
    laid_out: Callable[..., Case], plane: Callable[..., Elevation], marks_at: Marks
) -> None:
    """Without corridors every tree is beyond reach, and no stub is made up."""
    case = laid_out(
        STAND,
        project={"machine": {"reach": "20 m"}},
        elevation=plane(0.1, 0.0),
        landings=[LANDING],
        marks=marks_at((70, 105), (90, 200)),
    )
    reach = case.layout.ground.reach

    assert reach is not None
    assert (reach.trees_within, reach.trees_beyond, reach.stubs, reach.trees_left) == (0, 2, 0, 2)
    assert case.layout.ground.extraction is None
