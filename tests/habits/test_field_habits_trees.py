"""Habits of the field that decide which trees are cut, and what a run must say of each."""

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from subprocess import CompletedProcess
from typing import Any

import geopandas as gpd
import pytest
import shapely

CRS = "EPSG:32616"
X0, Y0 = 500_000, 5_000_000
PAINTS = '[marks.paint]\nwhite = "cut"\npink = "corridor"\nblue = "leave"\n'
HEAD = "tree,x,y,dbh_cm,paint"

Run = Callable[..., CompletedProcess[str]]


@dataclass(frozen=True, kw_only=True)
class Habit:
    """What the file holds, and what must be printed and stand in the summary."""

    rows: tuple[str, ...]
    head: str = HEAD
    settings: str = PAINTS
    printed: tuple[str, ...] = ()
    summary: Mapping[str, object] = field(default_factory=dict)
    code: int = 0


def at(tree: int, rest: str, *, step: int = 10) -> str:
    """A row: trees stand in a line, by default far enough apart that their crowns are single."""
    return f"{tree},{X0 + 20 + step * tree},{Y0 + 100},{rest}"


def white(*cells: str) -> tuple[str, ...]:
    """Painted trees, the first ones with these diameters, the others from 30 to 50 cm."""
    every = [*cells, *(str(cm) for cm in range(30, 51, 2))]
    return tuple(at(tree, f"{cell},white") for tree, cell in enumerate(every, 1))


GROUP = "tree,x,y,dbh_cm,paint,group,crown_radius_m"
IN_GROUP = tuple(at(tree, "30,white,A,3") for tree in range(1, 5))  # 4 x 9 pi = 113.1 m2
LIMIT = '[limits]\nopening_area_max = "120 m2"\n'

HABITS = {
    "no paint on a tree": Habit(
        rows=(at(1, "30,white"), at(2, "40,")),
        printed=("UNCONFIRMED: 1 unconfirmed tree", "1 mark without paint: unconfirmed", ": 2."),
        summary={
            "marks.trees": 1,
            "marks.unconfirmed": 1,
            "with_unconfirmed.trees": 2,
            "with_unconfirmed.basal_area_m2": pytest.approx((0.3**2 + 0.4**2) * 3.14159265 / 4),
        },
    ),
    "a paint that nobody explained": Habit(
        rows=(at(1, "30,white"), at(2, "40,orange"), at(3, "40,blue")),
        printed=("1 mark with paint that [marks.paint] does not list (orange)",),
        summary={"marks.trees": 1, "marks.unconfirmed": 1, "marks.leave_trees": 1},
    ),
    "one colour, not always noted, and the project says so": Habit(
        rows=(at(1, "30,white"), at(2, "40,")),
        settings='[marks]\nwithout_paint = "cut"\n' + PAINTS,
        printed=("counted as cut, as [marks] without_paint says",),
        summary={"marks.trees": 2, "marks.unconfirmed": 0},
    ),
    "a kind beside the paint": Habit(
        head=HEAD + ",kind",
        rows=(at(1, "30,,cut"), at(2, "30,white,leave"), at(3, "30,,"), at(4, "30,,unconfirmed")),
        summary={"marks.trees": 1, "marks.leave_trees": 1, "marks.unconfirmed": 2},
    ),
    "paint without a key": Habit(
        rows=(at(1, "30,white"), at(2, "40,white"), at(3, "40,blue")),
        settings="",
        printed=("trees are painted white (2), blue (1)", "[marks.paint]"),
        code=2,
    ),
    "no column of paint": Habit(
        head="tree,x,y,dbh_cm",
        rows=(at(1, "30"), at(2, "40")),
        settings="",
        summary={"marks.trees": 2, "marks.unconfirmed": 0},
    ),
    "a limit that only unconfirmed trees break": Habit(
        head=GROUP,
        rows=(*IN_GROUP, at(5, "30,,A,3")),  # with the fifth 45 pi = 141.4 m2
        settings=PAINTS + LIMIT,
        printed=(
            "near area of opening 1",
            "exceeded if the unconfirmed tree is cut: 117.8 % of the limit",
            "1 opening, 0.01 ha; opening 1 0.014 ha instead of 0.011 ha",
        ),
        summary={
            "checks.near": 1,
            "checks.exceeded": 0,
            "openings.area_m2": pytest.approx(36 * 3.14159265),
            "with_unconfirmed.opening_area_m2": pytest.approx(45 * 3.14159265),
        },
    ),
    "an opening of unconfirmed trees alone": Habit(
        head=GROUP,
        rows=tuple(at(tree, "30,,B,4") for tree in range(1, 5)),  # 64 pi = 201 m2
        settings=PAINTS + LIMIT,
        printed=("near area of opening of unconfirmed trees", "0 trees to cut on the map"),
        summary={"checks.near": 1, "openings.count": 0, "with_unconfirmed.openings": 1},
    ),
    "a cruise among the marks": Habit(
        head="tree,x,y,dbh_cm,plot",
        rows=(at(1, "30,1"), at(2, "40,1")),
        printed=("looks like cruise (the columns), and its 2 records count as trees to cut",),
        summary={"marks.trees": 2},
    ),
    "diameters that cannot be read": Habit(
        rows=white("ca. 35", "3O", "-5", "4500", "0"),
        printed=(
            "the diameter of 5 marks cannot be used; counted without a diameter",
            '1 "ca. 35", 2 "3O", 3 "-5", 4 "4500", 5 "0".',
            "5 trees to cut without a diameter",
        ),
        summary={"marks.trees": 16, "marks.without_dbh": 5, "marks.rejected": 0},
    ),
    "a decimal point lost or moved": Habit(
        rows=white("3.85", "146"),  # 3.85 x 10 and 146 without its first digit are like the others
        printed=("2 diameters far from the others", "1 3.85 cm, 2 146 cm"),
        summary={"marks.trees": 13, "marks.without_dbh": 0},
    ),
    "another unit in the cell": Habit(
        rows=white("15 in", "35cm"),
        printed=("diameter of 1 mark has another unit than the column", '1 "15 in"'),
        summary={"marks.trees": 13},
    ),
}


@pytest.fixture
def run(tmp_path: Path, command: Run) -> Callable[[Habit], CompletedProcess[str]]:
    """Lay out a stand of 4 ha with the marks of a habit; the summary goes to `tmp_path`."""

    def call(habit: Habit) -> CompletedProcess[str]:
        square = shapely.box(X0, Y0, X0 + 200, Y0 + 200)
        gpd.GeoDataFrame(geometry=[square], crs=CRS).to_file(tmp_path / "stand.gpkg")
        (tmp_path / "marks.csv").write_text("\n".join([habit.head, *habit.rows]), encoding="utf-8")
        project = (
            '[project]\nname = "Habit"\nunits = "metric"\n'
            f'[inputs]\nstand = "stand.gpkg"\nmarks = {{file = "marks.csv", crs = "{CRS}"}}\n'
        )
        file = tmp_path / "harvest.toml"
        file.write_text(project + habit.settings, encoding="utf-8")
        return command("layout", file, "--out", tmp_path / "out", "--only", "summary")

    return call


def value(summary: Mapping[str, Any], path: str) -> object:
    """A figure by its path."""
    found: Any = summary
    for key in path.split("."):
        found = found[key]
    return found


@pytest.mark.parametrize("habit", HABITS.values(), ids=HABITS.keys())
def test_a_habit_changes_no_figure_in_silence(
    habit: Habit, run: Callable[[Habit], CompletedProcess[str]], tmp_path: Path
) -> None:
    """Which trees are cut, and which are not known to be, is said and counted."""
    done = run(habit)
    words = " ".join((done.stdout + done.stderr).split())

    assert done.returncode == habit.code, words
    assert [text for text in habit.printed if text not in words] == [], words
    if habit.summary:
        summary = json.loads((tmp_path / "out" / "summary.json").read_text("utf-8"))
        assert {path: value(summary, path) for path in habit.summary} == dict(habit.summary)
