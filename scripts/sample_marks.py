"""The marks of the sample stand: what two markers painted and wrote down in the field."""

import csv
from io import StringIO
from pathlib import Path

import numpy as np
import pandas as pd
import sample_stand as stand
import shapely
from numpy.typing import NDArray
from pyproj import Transformer

SPECIES = {
    "sugar maple": 0.42,
    "eastern hemlock": 0.22,
    "yellow birch": 0.12,
    "red maple": 0.12,
    "basswood": 0.07,
    "American beech": 0.05,
}
"""Invented composition of a northern hardwood and hemlock stand."""

TALLIED = {
    "sugar maple": {6: 46, 8: 31, 10: 12},
    "red maple": {6: 28, 8: 17, 10: 6},
    "eastern hemlock": {6: 22, 8: 14},
}
"""Small pulpwood of the matrix that was counted on paper, by species and diameter [in]."""

SAWLOG_FROM_IN = {"eastern hemlock": 9.0}
_HARDWOOD_SAWLOG_FROM_IN = 11.0
_SAWLOG_CHANCE = 0.75

SINGLES = 130
CORRIDOR_TREES = 84
NORTH_OF_M = 206.0
"""The two markers met here; group 1 and all north of it belong to the first."""

HEADERS = {
    "north": (
        "Tree No", "DBH_in", "Spp", "Prod ", "Paint", "Grp", "Count", "Ht_ft", "Time", "Lon", "Lat",
        "Remarks",
    ),
    "south": (
        "ID", "DBH", "Species", "Product", "Paint", "Group", "Count", "Height_ft", "Date_Time",
        "Longitude", "Latitude", "Notes",
    ),
}  # fmt: skip
_FIRST_FIX = {"north": "2025-10-06T08:04", "south": "2025-10-07T07:51"}
_COLUMNS = ("dbh", "species", "product", "paint", "group", "count", "height")
_TO_DEGREES = Transformer.from_crs(stand.CRS, "EPSG:4326", always_xy=True)


def trees(xy: NDArray[np.float64], rng: np.random.Generator, *, mean_in: float) -> pd.DataFrame:
    """Trees with species, diameter [in] and product."""
    count = len(xy)
    species = rng.choice(list(SPECIES), size=count, p=list(SPECIES.values()))
    dbh = np.clip(rng.normal(mean_in, 3, count), 5.2, 23.4).round(1)
    sawlog_from = pd.Series(species).map(SAWLOG_FROM_IN).fillna(_HARDWOOD_SAWLOG_FROM_IN)
    sound = rng.random(count) < _SAWLOG_CHANCE
    product = np.where((dbh >= sawlog_from) & sound, "sawlog", "pulpwood")
    found = {"x": xy[:, 0], "y": xy[:, 1], "dbh": dbh, "species": species, "product": product}
    return pd.DataFrame(found).assign(paint="white", group="", count=1, height="", remark="")


def marks(rng: np.random.Generator) -> pd.DataFrame:
    """Every mark in the order in which it was painted, with local coordinates."""
    singles = trees(stand.scattered_stems(SINGLES, rng), rng, mean_in=12.5)
    singles.loc[singles.index[::23], "paint"] = ""
    loose = [trees(stand.stems_in(area, rng), rng, mean_in=10.5) for area in stand.LOOSE_CLUSTERS]
    parts = pd.concat(
        [*(_group(name, rng) for name in stand.GROUPS), singles, *loose, _corridor_trees(rng)],
        ignore_index=True,
    )
    habits = _with_habits(parts, rng)
    strip = (habits["x"] // 60).astype(int)
    walked = habits["y"].where(strip % 2 == 0, -habits["y"])
    inner = habits.assign(strip=strip, walked=walked).sort_values(["strip", "walked"])
    return pd.concat([inner, _walked_perimeter("8"), *_special_trees(rng)], ignore_index=True)


def _group(name: str, rng: np.random.Generator) -> pd.DataFrame:
    """Trees of one group; those facing the neighbour on the corridor have crowns of about 3 m."""
    xy = stand.stems_in(stand.GROUPS[name], rng)
    group = trees(xy, rng, mean_in=10.5)
    if name in stand.PAIR_ON_CORRIDOR:
        facing = trees(stand.facing_trees(name), rng, mean_in=10)
        group = pd.concat(
            [facing.assign(dbh=[9.6, 10.2], species="sugar maple", product="pulpwood"), group]
        )
    return group.assign(group=name)


def _corridor_trees(rng: np.random.Generator) -> pd.DataFrame:
    """Trees painted for the corridors, among them those whose paint and place disagree."""
    painted = trees(stand.corridor_stems(CORRIDOR_TREES, rng), rng, mean_in=8.5).assign(
        paint="pink"
    )
    inside = trees(
        stand.stems_beside_corridors(4, inside_m=0.6, clear_m=8), rng, mean_in=11
    )  # white, but plotted within a strip
    far = trees(np.array([[112.0, 301.0], [462.0, 258.0]]), rng, mean_in=9).assign(paint="pink")
    return pd.concat([painted, inside, far])


def _with_habits(frame: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """What people add and vary in the field: clumps, heights, remarks."""
    pulp = frame.index[(frame["product"] == "pulpwood") & (frame["group"] == "")]
    clumps = rng.choice(pulp, size=7, replace=False)
    measured = rng.choice(frame.index, size=44, replace=False)
    height = 32 + 3.1 * frame.loc[measured, "dbh"] + rng.normal(0, 4, len(measured))
    frame.loc[clumps, "count"] = rng.choice([2, 3], size=len(clumps))
    frame.loc[clumps, "remark"] = "clump"
    frame.loc[measured, "height"] = height.round().astype(int).astype(str)
    return frame


def _walked_perimeter(group: str) -> pd.DataFrame:
    """Points walked around a group, in order; no trees."""
    edge = stand.GROUPS[group].buffer(3).exterior
    xy = shapely.get_coordinates(edge.interpolate(np.arange(12) / 12, normalized=True)).round(2)
    points = pd.DataFrame({"x": xy[:, 0], "y": xy[:, 1], "dbh": "", "species": "", "product": ""})
    return points.assign(paint="orange", group=group, count=1, height="", remark="perimeter")


def _special_trees(rng: np.random.Generator) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Two trees on the property line, and one that threatens people."""
    edge = stand.STAND.exterior
    on_line = shapely.get_coordinates(edge.interpolate([0.07, 0.62], normalized=True))
    line_trees = trees(on_line, rng, mean_in=14).assign(paint="yellow", remark="on the line, ask")
    danger = trees(np.array([[328.0, 107.0]]), rng, mean_in=15)
    return line_trees, danger.assign(paint="red", remark="dead top, leaning to the corridor")


def field_file(frame: pd.DataFrame, *, marker: str, rng: np.random.Generator) -> str:
    """CSV text of one marker, numbered from 1, written the way people write in the woods."""
    lon, lat = _TO_DEGREES.transform(frame["x"] + stand.ORIGIN[0], frame["y"] + stand.ORIGIN[1])
    minutes = np.cumsum(rng.integers(1, 3, len(frame)))
    time = np.datetime64(_FIRST_FIX[marker]) + minutes.astype("timedelta64[m]")
    cells = frame.loc[:, list(_COLUMNS)].astype(str)
    cells["count"] = cells["count"].replace("1", "")
    cells.insert(0, "number", [str(i) for i in range(1, len(frame) + 1)])
    cells["time"] = np.datetime_as_string(time, unit="m")
    cells["time"] = cells["time"].str.replace("T", " ")
    cells["lon"], cells["lat"] = (
        pd.Series(v, cells.index).map("{:.7f}".format) for v in (lon, lat)
    )
    cells["remark"] = frame["remark"]
    rows = _faults(_scrawl(cells).to_numpy().tolist(), marker=marker)
    text = StringIO()
    csv.writer(text, lineterminator="\n").writerows([HEADERS[marker], *rows])
    return text.getvalue()


def _scrawl(cells: pd.DataFrame) -> pd.DataFrame:
    """Same content, uneven hand: capitals, trailing spaces, whole inches without a point."""
    place = np.arange(len(cells))
    cells["dbh"] = cells["dbh"].str.removesuffix(".0")
    for column, every, change in (
        ("paint", 7, str.title),
        ("paint", 31, str.upper),
        ("species", 9, str.capitalize),
        ("product", 11, str.capitalize),
        ("product", 13, "{} ".format),
        ("species", 17, "{}  ".format),
    ):
        chosen = (place % every == every - 1) & (cells[column] != "")
        cells.loc[chosen, column] = cells.loc[chosen, column].map(change)
    return cells


def _faults(rows: list[list[str]], *, marker: str) -> list[list[str]]:
    """Two records that nobody can use, a diameter that nobody can read, and a blank row."""
    single = [i for i, row in enumerate(rows) if row[5] == "" and row[4].strip().lower() == "white"]
    if marker == "north":
        rows[single[4]][1] = "see photo"
        rows.insert(single[20] + 3, list(rows[single[20]]))
    else:
        rows[single[9]][9:11] = ["0", "0"]
    rows.insert(61, [""] * len(HEADERS[marker]))
    return rows


def write_marks(folder: Path, rng: np.random.Generator) -> None:
    """Both markers' files: one in plain UTF-8, one as a spreadsheet saves it."""
    every = marks(rng)
    north = every["y"] > NORTH_OF_M
    text = field_file(every[north], marker="north", rng=rng)
    (folder / "marks_north.csv").write_bytes(text.encode())
    text = field_file(every[~north], marker="south", rng=rng)
    (folder / "marks_south.csv").write_bytes(text.replace("\n", "\r\n").encode("utf-8-sig"))
