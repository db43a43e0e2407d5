"""
Faults put into projects at random places, seeded, that can be noticed in principle.

Each says how many records it spoils. A run must refuse the file by name, keep every figure, or name
what was lost: the count in ``summary.json`` and in words on the terminal. All data is INVENTED.
"""

import io
import re
import shutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from rich.console import Console

from glademark.errors import GlademarkError
from glademark.jobs.layout import lay_out
from glademark.report.delivery import Delivery
from glademark.report.terminal.layout import print_summary

ROOT = Path(__file__).resolve().parent.parent
CRS = "EPSG:25832"
NEVER = "no such words"
NOT_LISTED = (
    r"notice ^(?:marks|day)\w*\.csv: ([\d,]+) records? of products that \[volume\.products\]"
)
NO_PAINT = r"notice ([\d,]+) marks? counted as cut, since the file has no column of paint"
BROOK = """\
[project]
name = "Rill slope (INVENTED)"
units = "metric"

[inputs]
stand = "stand.gpkg"
corridors = "lanes.gpkg"
marks = [{file = "day1.csv", crs = "EPSG:25832"}, {file = "day2.csv", crs = "EPSG:25832"}]
tally = "tally.csv"
cruise = {file = "plots.csv", crs = "EPSG:25832"}

[corridors]
width = "4 m"

[marks]
dbh_unit = "cm"

[marks.paint]
pink = "corridor"
white = "cut"

[openings]
crown_radius = "3 m"

[volume]
table = "tariff.csv"
table_reading = "class"
table_class_width = "4 cm"
size_classes = "4 cm"

[volume.products.stem]
unit = "m3"

[volume.products.fuel]
unit = "m3"

[limits]
opening_area_max = "0.2 ha"
removal_share_max = "30 %"
"""


@dataclass(frozen=True, kw_only=True)
class Fault:
    """
    A fault that was put into a project.

    `lost` are the counts that must rise in the summary, by the path of their keys, one mapping or
    another; `said` is a pattern for the terminal, `refused` one for a refusal.
    """

    kind: str
    where: str
    lost: tuple[Mapping[str, int], ...]
    said: str
    refused: str = NEVER


@dataclass(frozen=True, kw_only=True)
class Result:
    """What a run says: its refusal, or the layout with summary and terminal."""

    refusal: str
    summary: Mapping[str, Any]
    terminal: str
    delivery: Delivery | None = None


def write_sample(folder: Path) -> None:
    """The sample project, without the settings that only take time."""
    shutil.copytree(ROOT / "sample_gis", folder)
    project = folder / "harvest.toml"
    text = re.sub(r"(?m)^(terrain|water) = .*\n", "", project.read_text(encoding="utf-8"))
    text = re.sub(r"(?m)^water_distance_min.*\n", "", text)
    project.write_text(text, encoding="utf-8")


def write_brook(folder: Path) -> None:
    """A second project: metric, semicolons and decimal commas, two days, a tariff by species."""
    rng = np.random.default_rng(7)
    folder.mkdir(parents=True)
    west, south = 500_000.0, 5_300_000.0
    stand = shapely.box(west, south, west + 300, south + 200)
    lanes = [
        shapely.LineString([(west, south + y), (west + 300, south + y)]) for y in (40, 100, 160)
    ]
    for name, shapes in (("stand", [stand]), ("lanes", lanes)):
        frame = gpd.GeoDataFrame({"name": range(len(shapes))}, geometry=shapes, crs=CRS)
        frame.to_file(folder / f"{name}.gpkg", driver="GPKG")
    for number, day in enumerate(("day1", "day2")):
        size = 60
        y = rng.uniform(5, 195, size)
        lane = np.isin(np.arange(size) % 5, [0])
        y[lane] = rng.choice([40, 100, 160], lane.sum()) + rng.uniform(-1.5, 1.5, lane.sum())
        columns = {
            "no": np.arange(1, size + 1) + 1000 * number,
            "x": west + rng.uniform(5, 295, size),
            "y": south + y,
            "species": rng.choice(["beech", "fir"], size),
            "dbh": rng.uniform(14, 50, size).round(1),
            "product": rng.choice(["stem", "fuel"], size),
            "paint": np.where(lane, "pink", "white"),
        }
        pd.DataFrame(columns).round(2).to_csv(
            folder / f"{day}.csv", sep=";", decimal=",", index=False
        )
    table = [
        {"species": name, "dbh_cm": dbh, "volume_m3": round(0.0009 * dbh**2, 3)}
        for name in ("beech", "fir")
        for dbh in range(10, 60, 4)
    ]
    pd.DataFrame(table).to_csv(folder / "tariff.csv", index=False)
    paper = {
        "zone": ["matrix", "matrix", "opening"],
        "species": ["beech", "fir", "fir"],
        "product": ["fuel", "fuel", "stem"],
        "dbh_cm": [14, 18, 30],
        "count": [12, 9, 4],
    }
    pd.DataFrame(paper).to_csv(folder / "tally.csv", index=False)
    plots = {
        "plot": np.repeat(np.arange(1, 9), 6),
        "x": np.repeat(west + rng.uniform(20, 280, 8), 6).round(1),
        "y": np.repeat(south + rng.uniform(20, 180, 8), 6).round(1),
        "plot_area_m2": 500,
        "species": rng.choice(["beech", "fir"], 48),
        "product": rng.choice(["stem", "fuel"], 48),
        "dbh_cm": rng.uniform(14, 50, 48).round(1),
    }
    pd.DataFrame(plots).to_csv(folder / "plots.csv", index=False)
    (folder / "harvest.toml").write_text(BROOK, encoding="utf-8")


@dataclass(frozen=True, kw_only=True)
class Habits:
    """How the files of a project are called and written."""

    write: Callable[[Path], None]
    marks: tuple[str, str]
    heads: Mapping[str, tuple[str, ...]]
    sep: str
    table: str
    cruise: str
    class_width: float
    listed: tuple[str, ...]
    sold: tuple[str, str]


PROJECTS: Mapping[str, Habits] = {
    "sample": Habits(
        write=write_sample,
        marks=("marks_north.csv", "marks_south.csv"),
        heads={
            "paint": ("Paint",),
            "species": ("Spp", "Species"),
            "dbh": ("DBH_in", "DBH"),
            "product": ("Prod ", "Product"),
            "count": ("Count",),
            "group": ("Grp", "Group"),
            "lon": ("Lon", "Longitude"),
        },
        sep=",",
        table="volume_table.csv",
        cruise="cruise.csv",
        class_width=2.0,
        listed=("white", "pink"),
        sold=("sawlog", "pulpwood"),
    ),
    "slope": Habits(
        write=write_brook,
        marks=("day1.csv", "day2.csv"),
        heads={
            "paint": ("paint",),
            "species": ("species",),
            "dbh": ("dbh",),
            "product": ("product",),
            "count": (),
            "group": (),
            "lon": ("x",),
        },
        sep=";",
        table="tariff.csv",
        cruise="plots.csv",
        class_width=4.0,
        listed=("white", "pink"),
        sold=("stem", "fuel"),
    ),
}


def result_of(folder: Path) -> Result:
    """Lay out a project, as the command does."""
    try:
        outcome = lay_out(folder / "harvest.toml", out=folder / "out", only=["checks"])
    except GlademarkError as error:
        return Result(refusal=str(error), summary={}, terminal="")
    screen = io.StringIO()
    print_summary(outcome.delivery, Console(file=screen, width=200), files=())
    return Result(
        refusal="",
        summary=outcome.delivery.summary,
        terminal=" ".join(screen.getvalue().split()),
        delivery=outcome.delivery,
    )


def figures(summary: Mapping[str, Any]) -> dict[str, Any]:
    """Every figure that a total or a verdict rests on."""
    return {
        "products": {
            name: (one["net"], one["trees"], one["trees_without"])
            for name, one in summary["volume"]["by_product"].items()
        },
        "basal_area": summary["volume"]["basal_area_m2"],
        "trees": summary["marks"]["trees"] + summary["marks"]["not_located"],
        "openings": summary["openings"],
        "corridors": summary["corridors"],
        "allowance": summary["allowance"],
        "checks": summary["checks"],
    }


def counted(summary: Mapping[str, Any], path: str) -> int:
    """A count of the summary; of trees without a volume, of records rejected, or in a notice."""
    if path.startswith("notice "):
        told = re.compile(path.removeprefix("notice "))
        found = [told.search(notice) for notice in summary["notices"]]
        return sum(int(one[1].replace(",", "")) for one in found if one)
    if path == "rejected":
        return sum(int(one["rejected"]) for one in summary["provenance"]["inputs"])
    if path == "trees_without":
        products = summary["volume"]["by_product"].values()
        return sum(int(one["trees_without"]) for one in products)
    value: Any = summary
    for key in path.split("."):
        value = value.get(key, {}) if isinstance(value, Mapping) else value
    return int(value or 0)


def verdict(before: Result, after: Result, fault: Fault) -> str:
    """refused, unchanged or named, which are right; silent and untold are not."""
    if after.refusal:
        return "refused" if re.search(fault.refused, after.refusal) else f"refused: {after.refusal}"
    if figures(before.summary) == figures(after.summary):
        return "unchanged"
    rose = [
        {path: counted(after.summary, path) - counted(before.summary, path) for path in one}
        for one in fault.lost
    ]
    if not any(one == dict(wanted) for one, wanted in zip(rose, fault.lost, strict=True)):
        return f"silent: {rose}, not {fault.lost}"
    if not re.search(fault.said, after.terminal):
        return f"untold: {fault.said}"
    return "named"


class Changes:
    """A project that faults are put into."""

    def __init__(
        self, folder: Path, habits: Habits, rng: np.random.Generator, base: Delivery
    ) -> None:
        self.folder, self.habits, self.rng, self.base = folder, habits, rng, base
        self.file = str(rng.choice(habits.marks))

    def read(self, name: str, *, sep: str = "") -> pd.DataFrame:
        """A table as text."""
        sign = sep or (self.habits.sep if name in self.habits.marks else ",")
        return pd.read_csv(
            self.folder / name, sep=sign, dtype=str, keep_default_na=False, encoding="utf-8-sig"
        )

    def write(self, table: pd.DataFrame, name: str, *, like_marks: bool = False) -> None:
        """A table in the habits of its project."""
        sign = self.habits.sep if like_marks or name in self.habits.marks else ","
        table.to_csv(self.folder / name, sep=sign, index=False)

    def edit_project(self, pattern: str, text: str) -> None:
        """Put other words in the place of some in the project file."""
        path = self.folder / "harvest.toml"
        before = path.read_text(encoding="utf-8")
        after = re.sub(pattern, text, before)
        if after == before:
            raise LookupError(pattern)
        path.write_text(after, encoding="utf-8")

    def head(self, meaning: str, table: pd.DataFrame) -> str:
        """Heading of a meaning in a table; nothing where it has no such column."""
        return next((head for head in self.habits.heads[meaning] if head in table), "")

    def column(self, meaning: str, table: pd.DataFrame) -> pd.Series:
        """Cells of a meaning, blank where there is no such column."""
        head = self.head(meaning, table)
        return table[head].str.strip() if head else pd.Series("", index=table.index)

    def to_cut(self, marks: pd.DataFrame) -> pd.DataFrame:
        """Single trees that are painted to be cut, with a diameter."""
        size = pd.to_numeric(self.column("dbh", marks).str.replace(",", "."), errors="coerce")
        painted = self.column("paint", marks).str.casefold().isin(self.habits.listed)
        single = self.column("count", marks).isin(["", "1"])
        return marks[painted & (size > 0) & single & (self.column("group", marks) == "")]

    def cell(self, meaning: str, value: str) -> str:
        """Overwrite one cell of a tree to be cut; returns where."""
        marks = self.read(self.file)
        row = int(self.rng.choice(self.to_cut(marks).index))
        marks.loc[row, self.head(meaning, marks)] = value
        self.write(marks, self.file)
        return f"{self.file} row {row + 2}"


def paint_blank(project: Changes) -> Fault:
    """A tree without paint."""
    where = project.cell("paint", "")
    return Fault(
        kind="paint blank", where=where, lost=({"marks.unconfirmed": 1},), said="UNCONFIRMED"
    )


def paint_unknown(project: Changes) -> Fault:
    """A tree with a paint that the project file does not list."""
    where = project.cell("paint", "violet")
    return Fault(
        kind="paint unknown", where=where, lost=({"marks.unconfirmed": 1},), said="UNCONFIRMED"
    )


def diameter_unreadable(project: Changes) -> Fault:
    """A tree whose diameter is no number."""
    where = project.cell("dbh", str(project.rng.choice(["ca. 35", "3O", "-5", "?"])))
    return Fault(
        kind="diameter unreadable",
        where=where,
        lost=({"marks.without_dbh": 1},),
        said=r"trees? to cut without a diameter",
    )


def species_unknown(project: Changes) -> Fault:
    """A tree of a species that nobody knows."""
    where = project.cell("species", "zzqx")
    return Fault(
        kind="species unknown",
        where=where,
        lost=({"trees_without": 1},),
        said=r"\d of [\d,]+ trees without a volume",
    )


def product_unknown(project: Changes) -> Fault:
    """A tree of a product that has no unit."""
    where = project.cell("product", "veneer")
    return Fault(
        kind="product without unit",
        where=where,
        lost=({"trees_without": 1}, {NOT_LISTED: 1}),
        said=r"veneer: 1 of 1 trees? without a volume|does not list: veneer",
    )


def position_lost(project: Changes) -> Fault:
    """A tree without a position."""
    where = project.cell("lon", "")
    return Fault(
        kind="position lost",
        where=where,
        lost=({"marks.rejected": 1},),
        said=r"\d+ records? could not be used",
    )


def file_doubled(project: Changes) -> Fault:
    """The same file under a second name."""
    _add(project, project.read(project.file), "copy.csv")
    return Fault(kind="file doubled", where=project.file, lost=(), said="", refused=r"copy\.csv")


def file_cumulated(project: Changes) -> Fault:
    """An export of two days beside that of one: the trees renumbered."""
    marks = project.read(project.file)
    other = project.read(next(name for name in project.habits.marks if name != project.file))
    every = pd.concat([marks, other.head(20)], ignore_index=True)
    every[every.columns[0]] = [str(9000 + number) for number in range(len(every))]
    _add(project, every, "week.csv")
    return Fault(kind="file cumulated", where=project.file, lost=(), said="", refused=r"week\.csv")


def _add(project: Changes, marks: pd.DataFrame, name: str) -> None:
    """One more file of marks."""
    project.write(marks, name, like_marks=True)
    crs = f'{{file = "{name}", crs = "{CRS}"}}' if "x" in marks else f'"{name}"'
    project.edit_project(r"(?m)^marks = \[", f"marks = [{crs}, ")


def table_row_removed(project: Changes) -> Fault:
    """A row of the volume table that some trees need."""
    name, habits = project.habits.table, project.habits
    table = project.read(name)
    trees = trees_of(project)
    column = next(head for head in table if head.startswith("dbh"))
    sizes = table[column].astype(float)
    fitting = [trees[_matches(trees, table.loc[row], sizes[row], habits)] for row in table.index]
    row = int(project.rng.choice([row for row, rows in enumerate(fitting) if len(rows)]))
    lost = int(fitting[row]["count"].sum())
    bare = int(fitting[row].loc[fitting[row]["height_m"].isna(), "count"].sum())
    project.write(table.drop(index=row), name)
    return Fault(
        kind="table row removed",
        where=f"{name} row {row + 2}",
        lost=({"trees_without": lost}, {"trees_without": bare}),  # with a height: by an equation
        said=rf"\b{lost}\b|\d+ of [\d,]+ trees without a volume",
        refused=re.escape(name),
    )


def trees_of(project: Changes) -> pd.DataFrame:
    """Trees to be cut of an unspoilt project, those on paper too: species, product, dbh, count."""
    base = project.base
    is_cut = (base.layout.marks["kind"] == "cut").to_numpy()
    sources = base.layout.marks["volume_source"].astype("str")
    cut = base.survey.marks[is_cut]
    cut = cut.assign(by_table=sources[is_cut].str.startswith("volume table").to_numpy())
    columns = ["species", "product", "dbh", "count", "by_table", "height_m"]
    return pd.concat(
        [cut[columns], base.survey.tally.assign(by_table=True, height_m=np.nan)[columns]],
        ignore_index=True,
    )


def _matches(trees: pd.DataFrame, row: pd.Series, size: float, habits: Habits) -> "pd.Series[bool]":
    """Trees whose volume is in a row of the table."""
    half = habits.class_width / 2
    fits = trees["by_table"] & (trees["dbh"] >= size - half) & (trees["dbh"] < size + half)
    for name in ("species", "product"):
        if name in row:
            fits &= trees[name].str.casefold() == str(row[name]).casefold()
    return fits


def plots_emptied(project: Changes) -> Fault:
    """A file of plots with its heading only."""
    name = project.habits.cruise
    project.write(project.read(name).head(0), name)
    return Fault(kind="plots emptied", where=name, lost=(), said="", refused=re.escape(name))


def column_renamed(project: Changes) -> Fault:
    """A column of marks under a heading that says nothing."""
    marks = project.read(project.file)
    chosen = str(project.rng.choice(["dbh", "paint", "product"]))
    project.write(marks.rename(columns={project.head(chosen, marks): "col_9"}), project.file)
    survey = project.base.survey.marks
    of_file = survey[survey["source_file"] == project.file]
    to_cut = int(of_file.loc[of_file["kind"] == "cut", "count"].sum())
    without = of_file.loc[(of_file["kind"] == "cut") & of_file["dbh_cm"].isna(), "count"]
    rejected = project.base.survey.rejected
    repeated = int((rejected["file"] == project.file).sum())  # told of before they are left out
    lost = {
        "dbh": ({"marks.without_dbh": to_cut - int(without.sum())},),
        "paint": ({NO_PAINT: len(of_file)}, {NO_PAINT: len(of_file) + repeated}),
        "product": ({"volume.by_product.not stated.trees": to_cut},),
    }
    return Fault(
        kind=f"column of {chosen} renamed",
        where=project.file,
        lost=lost[chosen],
        said="without a diameter|no column of paint|not stated",
        refused=re.escape(project.file),
    )


def unit_left_out(project: Changes) -> Fault:
    """Diameters of which nobody says the unit."""
    marks = project.read(project.file)
    project.write(marks.rename(columns={project.head("dbh", marks): "DBH"}), project.file)
    project.edit_project(r"(?m)^dbh_unit = .*\n", "")
    return Fault(kind="unit left out", where="dbh_unit", lost=(), said="", refused="unit")


def crs_left_out(project: Changes) -> Fault:
    """Eastings and northings of an unknown system; for longitude and latitude nothing is lost."""
    if ", crs = " not in (project.folder / "harvest.toml").read_text(encoding="utf-8"):
        project.edit_project(r"(?m)^working_crs = .*\n", "")
        return Fault(kind="CRS left out", where="working_crs", lost=(), said="")
    project.edit_project(r'\{file = "(day1|plots)\.csv", crs = "EPSG:25832"\}', r'"\1.csv"')
    return Fault(kind="CRS left out", where="marks", lost=(), said="", refused="coordinate system")


def product_unit_left_out(project: Changes) -> Fault:
    """A product without a sale unit in the project file."""
    name = str(project.rng.choice(project.habits.sold))
    project.edit_project(rf"\[volume\.products\.{name}\]\n(?:\w+ = .*\n)+", "")
    marks = project.base.survey.marks
    records = int((marks["product"].str.casefold() == name).sum())
    reasons = project.base.survey.rejected["reason"]
    repeated = int(reasons.str.contains("counted once").sum())  # told of before they are left out
    trees = trees_of(project)
    lost = int(trees.loc[trees["product"].str.casefold() == name, "count"].sum())
    return Fault(
        kind="product without unit",
        where=name,
        lost=({"trees_without": lost}, {NOT_LISTED: records}, {NOT_LISTED: records + repeated}),
        said=rf"{name}: {lost:,} of {lost:,} trees without a volume|does not list: {name}",
        refused=name,
    )


def tally_without_zone(project: Changes) -> Fault:
    """A line of the paper tally that does not say where."""
    tally = project.read("tally.csv")
    row = int(project.rng.integers(len(tally)))
    tally.loc[row, "zone"] = ""
    project.write(tally, "tally.csv")
    return Fault(
        kind="tally line without zone",
        where=f"tally.csv row {row + 2}",
        lost=({"rejected": 1},),
        said=r"\d+ records? could not be used",
        refused=r"tally\.csv",
    )


FAULTS: tuple[Callable[[Changes], Fault], ...] = (
    table_row_removed,
    paint_blank,
    paint_unknown,
    file_doubled,
    file_cumulated,
    species_unknown,
    unit_left_out,
    plots_emptied,
    column_renamed,
    diameter_unreadable,
    crs_left_out,
    product_unknown,
    product_unit_left_out,
    tally_without_zone,
    position_lost,
)
"""Every kind of fault that is tried."""


def tried(number: int, base: Mapping[str, Result], folder: Path) -> tuple[str, Fault, str]:
    """Project, fault and verdict of one trial; the same number gives the same trial."""
    rng = np.random.default_rng(number)
    kinds = len(FAULTS)
    name = "sample" if number // kinds % 4 == 0 else "slope"  # the second is laid out sooner
    habits = PROJECTS[name]
    habits.write(folder)
    before = base[name].delivery
    if before is None:
        raise LookupError(base[name].refusal)
    fault = FAULTS[number % kinds](Changes(folder, habits, rng, before))
    return name, fault, verdict(base[name], result_of(folder), fault)


def unspoilt(folder: Path) -> dict[str, Result]:
    """What each project says before anything is spoilt."""
    found = {}
    for name, habits in PROJECTS.items():
        habits.write(folder / name)
        found[name] = result_of(folder / name)
    return found
