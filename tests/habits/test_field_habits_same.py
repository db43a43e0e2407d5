"""Habits of field files by which trees were counted twice, lost, or called by another's name."""

import json
import subprocess  # noqa: TC003 - of a type that others import
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pytest
import shapely

Command = Callable[..., "subprocess.CompletedProcess[str]"]
Make = Callable[[Path], dict[str, str]]

CRS = "EPSG:32616"
X0, Y0 = 500_000.0, 5_000_000.0
HEAD = "no,species,dbh_cm,paint,kind,group,radius_m,count,x,y"


def tree(number: object, x: float, y: float, size: int = 30, **more: object) -> str:
    """A mark by its place in the stand."""
    known = {"paint": "white", "kind": "", "group": "", "radius_m": "", "count": "", **more}
    cells = [number, "beech", size, *known.values(), X0 + x, Y0 + y]
    return ",".join(map(str, cells))


DAY = [tree(n, 20 + 15 * (n % 9), 20 + 20 * (n // 9), 20 + n) for n in range(18)]
LATER = [tree(n, 20 + 15 * (n % 9), 120 + 20 * (n // 9), 45 + n) for n in range(18)]


def marks(**files: list[str]) -> Make:
    """Files of marks, each by its name."""

    def make(folder: Path) -> dict[str, str]:
        for name, rows in files.items():
            (folder / f"{name}.csv").write_text("\n".join([HEAD, *rows]) + "\n")
        sources = ", ".join(f'{{file = "{name}.csv", crs = "{CRS}"}}' for name in files)
        return {"marks": f"[{sources}]"}

    return make


def renumbered(rows: list[str], first: int) -> list[str]:
    """The same marks under other numbers."""
    return [f"{first + n},{row.split(',', 1)[1]}" for n, row in enumerate(rows)]


def with_paper(text: str, rows: list[str]) -> Make:
    """Marks beside a paper tally."""

    def make(folder: Path) -> dict[str, str]:
        (folder / "tally.csv").write_text(text)
        return {**marks(a=rows)(folder), "tally": '"tally.csv"'}

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


def with_lead(folder: Path) -> dict[str, str]:
    """Marks below two lines of comment."""
    text = "\n".join(["# receiver 7", "# crew B, 12 May", HEAD, *DAY]) + "\n"
    (folder / "a.csv").write_text(text)
    return {"marks": f'{{file = "a.csv", crs = "{CRS}"}}'}


CENTRE = tree("c", 150, 150, kind="group_centre", group="7", radius_m=12, count=11)
PAPER = "zone,group,species,dbh_cm,count\nopening,7,beech,30,9\n"


@dataclass(frozen=True, kw_only=True)
class Habit:
    """A habit, what must be printed, and what must stand in summary.json or openings.csv."""

    name: str
    make: Make
    said: str
    figures: Mapping[str, Any] = field(default_factory=dict)
    refused: bool = False
    extra: str = ""


HABITS = (
    Habit(
        name="an export of the day beside one of the week",
        make=marks(day=DAY, week=[*DAY, *LATER]),
        said="18 of 18 records of day.csv are also in week.csv",
        refused=True,
    ),
    Habit(
        name="the same, renumbered",
        make=marks(day=DAY, week=renumbered([*DAY, *LATER], 500)),
        said='leave one out, or set [marks] repeats = "keep"',
        refused=True,
    ),
    Habit(
        name="the same, kept on purpose",
        make=marks(day=DAY, week=[*DAY, *LATER]),
        extra='repeats = "keep"\n',
        said="18 of 18 records of day.csv are also in week.csv",
        figures={"trees": 54},
    ),
    Habit(
        name="a few trees measured by two crews",
        make=marks(day=DAY, week=[*DAY[:4], *LATER]),
        said="4 of 18 records of day.csv are also in week.csv",
        figures={"trees": 40},
    ),
    Habit(
        name="two files that both start at one",
        make=marks(day=DAY, week=LATER),
        said="A day.csv, B week.csv",
        figures={"trees": 36},
    ),
    Habit(
        name="a count at the centre of a group",
        make=marks(a=[*DAY, CENTRE]),
        said="11 trees counted at 1 group centre (c)",
        figures={"trees": 18, "not_located": 11, "opening": 11},
    ),
    Habit(
        name="a paper tally that names its group",
        make=with_paper(PAPER, [*DAY, CENTRE.replace(",11,", ",,")]),
        said="MARKS",
        figures={"trees": 18, "not_located": 9, "opening": 9},
    ),
    Habit(
        name="a paper tally whose group is misspelt",
        make=with_paper(PAPER.replace(",7,", ",8,"), [*DAY, CENTRE.replace(",11,", ",,")]),
        said="9 trees counted for group 8",
        figures={"not_located": 9, "opening": 0},
    ),
    Habit(
        name="a boundary with its axes swapped",
        make=with_swapped_stand,
        said="swapped.geojson: 2 of 2 other files lie outside this boundary",
        refused=True,
    ),
    Habit(
        name="comments above the header",
        make=with_lead,
        said="a.csv: the header is read from line 3",
        figures={"trees": 18},
    ),
)


@pytest.mark.parametrize("habit", HABITS, ids=lambda habit: habit.name)
def test_what_becomes_of_the_trees(habit: Habit, tmp_path: Path, command: Command) -> None:
    """Refused by the right name, or laid out with every tree once, and said."""
    gpd.GeoSeries([shapely.box(X0, Y0, X0 + 200, Y0 + 200)], crs=CRS).to_file(tmp_path / "s.gpkg")
    inputs = {"stand": '"s.gpkg"', **habit.make(tmp_path)}
    lines = [f"{key} = {value}" for key, value in inputs.items()]
    text = (
        '[project]\nname = "Invented"\nunits = "metric"\n[inputs]\n'
        + "\n".join(lines)
        + f'\n[marks]\n{habit.extra}[marks.paint]\nwhite = "cut"\n'
    )
    (tmp_path / "harvest.toml").write_text(text)

    words = ("--out", tmp_path / "out", "--only", "summary", "--only", "openings")
    done = command("layout", tmp_path / "harvest.toml", *words)

    assert done.returncode == (2 if habit.refused else 0), done.stderr
    if habit.refused:
        assert habit.said in done.stderr
        return
    summary = json.loads((tmp_path / "out" / "summary.json").read_text())
    assert habit.said in done.stdout + " ".join(summary["notices"])
    figures = {name: number for name, number in habit.figures.items() if name != "opening"}
    assert {name: summary["marks"][name] for name in figures} == figures
    if "opening" in habit.figures:
        openings = pd.read_csv(tmp_path / "out" / "openings.csv")
        assert openings["trees"].tolist() == [habit.figures["opening"]]


def test_a_danger_tree_is_not_called_like_a_tree_to_cut(tmp_path: Path, command: Command) -> None:
    """Tree 318 of one file is a danger tree, tree 318 of the other is to be cut."""
    gpd.GeoSeries([shapely.box(X0, Y0, X0 + 200, Y0 + 200)], crs=CRS).to_file(tmp_path / "s.gpkg")
    files = marks(north=[tree(318, 50, 50, kind="danger")], south=[tree(318, 120, 90, 40)])
    inputs = {"stand": '"s.gpkg"', **files(tmp_path)}
    lines = "\n".join(f"{key} = {value}" for key, value in inputs.items())
    text = f'[project]\nname = "Invented"\n[inputs]\n{lines}\n[marks.paint]\nwhite = "cut"\n'
    (tmp_path / "harvest.toml").write_text(text)

    words = ("--out", tmp_path / "out", "--only", "gpx", "--only", "kml", "--only", "geojson")
    done = command("layout", tmp_path / "harvest.toml", *words)

    assert done.returncode == 0, done.stderr
    for name in ("layout.gpx", "layout.kml", "layout.geojson"):
        content = (tmp_path / "out" / name).read_text(encoding="utf-8")
        assert "DANGER TREE A-318" in content
        assert "DANGER TREE 318" not in content
    assert '"label": "B-318"' in content.replace('"label":"', '"label": "')
