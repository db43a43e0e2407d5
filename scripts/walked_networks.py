"""
Random networks of corridors as a receiver records them: invented, seeded, a vertex every 4 m.

Fans meet at a landing, ladders branch off two main corridors, loops come back to where they began.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

KINDS = ("fan", "ladder", "loops")
NORTH_M = {"EPSG:26916": (4e6, 6e6), "EPSG:32633": (4e6, 6e6), "EPSG:32736": (7e6, 9.9e6)}
"""Northings by CRS: north and south of the equator [m]."""
STEP_M = 4.0
HALF_M = 150.0
MOST_NOISE_M = 2.0
LANDING_M = 20.0
TREES, ON_CORRIDORS = 150, 40
PROJECT = """\
[project]
name = "Walked network {name} (INVENTED)"
units = "metric"
{stand_id}
[inputs]
stand = "stand.gpkg"
corridors = "corridors.gpkg"
marks = {{file = "marks.csv", crs = "{crs}"}}
openings = "openings.gpkg"
landings = "landings.gpkg"
exclusions = "exclusions.gpkg"
water = "water.gpkg"
leave_trees = "leave_trees.gpkg"

[corridors]
width = "4 m"

[marks]
dbh_unit = "cm"

[marks.paint]
pink = "corridor"
white = "cut"
red = "danger"

[openings]
crown_radius = "3 m"
link_distance = "0.5 m"

[water]
width = "3 m"
setback = "10 m"

[limits]
opening_area_max = "0.2 ha"
corridor_share_max = "12 %"
opening_spacing_min = "20 m"
corridor_spacing_min = "15 m"
water_distance_min = "10 m"
"""

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Network:
    """Field data of one stand; each frame goes into a file of its name."""

    name: str
    crs: str
    layers: dict[str, gpd.GeoDataFrame]
    marks: pd.DataFrame

    def write(self, folder: Path, *, column: str = "") -> Path:
        """Project file and inputs in a new folder; with a column, as a project of many stands."""
        folder.mkdir(parents=True)
        for layer, frame in self.layers.items():
            frame.assign(**{column: self.name} if column else {}).to_file(
                folder / f"{layer}.gpkg", driver="GPKG"
            )
        marks = self.marks.assign(**{column: self.name} if column else {})
        marks.to_csv(folder / "marks.csv", index=False)
        line = f'stand_id = "{column}"\n' if column else ""
        text = PROJECT.format(name=self.name, crs=self.crs, stand_id=line)
        (folder / "harvest.toml").write_text(text, encoding="utf-8")
        return folder / "harvest.toml"


def walked_network(seed: int, *, crs: str = "") -> Network:
    """One network: kind, corridors, noise, place and, where not given, CRS by the seed."""
    rng = np.random.default_rng([16, seed])
    kind, noise = KINDS[seed % len(KINDS)], rng.uniform(0, MOST_NOISE_M)
    crs = crs or list(NORTH_M)[seed // len(KINDS) % len(NORTH_M)]
    middle = np.array([rng.uniform(3e5, 7e5), rng.uniform(*NORTH_M[crs])]).round(2)
    true = {"fan": _fan, "ladder": _ladder, "loops": _loops}[kind](rng)
    lines = [walked(line + middle, noise, rng) for line in true]
    return Network(
        name=f"{seed} ({kind}, {len(lines)} lines, {noise:.2f} m)",
        crs=crs,
        layers=_layers(middle, lines, noise, rng, crs),
        marks=_marks(middle, true, rng),
    )


def walked(line: Floats, noise_m: float, rng: np.random.Generator) -> shapely.LineString:
    """A line as recorded: a vertex every 4 m, each off on its own; one in three with a stop."""
    along = np.arange(0, (true := shapely.LineString(line)).length, STEP_M)
    places = shapely.get_coordinates(shapely.line_interpolate_point(true, along))
    if rng.random() < 1 / 3:
        stop = rng.integers(len(places))
        places = np.insert(places, [stop] * 6, places[stop], axis=0)
    return shapely.LineString(places + rng.normal(0, noise_m, places.shape))


def _fan(rng: np.random.Generator) -> list[Floats]:
    """Corridors that meet at a landing."""
    count, hub = int(rng.integers(3, 16)), rng.uniform(-60, 60, 2)
    turns = np.linspace(0, 2 * np.pi, count, endpoint=False) + rng.uniform(-0.1, 0.1, count)
    ends = hub + rng.uniform(80, 200, (count, 1)) * np.column_stack([np.cos(turns), np.sin(turns)])
    return [np.array([hub, end] if rng.random() < 1 / 2 else [end, hub]) for end in ends]


def _ladder(rng: np.random.Generator) -> list[Floats]:
    """Two main corridors with branches between them."""
    turn, half = rng.uniform(0, np.pi), rng.uniform(30, 80)
    across = np.linspace(-120, 120, int(rng.integers(3, 12)))
    lines = [np.array([[-160, side], [160, side]]) for side in (-half, half)]
    lines += [np.array([[x, -half], [x + rng.uniform(-20, 20), half]]) for x in across]
    way = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    return [line @ way for line in lines]


def _loops(rng: np.random.Generator) -> list[Floats]:
    """Corridors that come back to where they began, over one another, and one across them."""
    round_ = np.linspace(0, 2 * np.pi, 60)
    loops = [
        rng.uniform(-60, 60, 2)
        + rng.uniform(25, 90, 2) * np.column_stack([np.cos(round_), np.sin(round_)])
        for _ in range(int(rng.integers(1, 6)))
    ]
    return [*loops, np.array([[-160, rng.uniform(-50, 50)], [160, rng.uniform(-50, 50)]])]


def _layers(
    middle: Floats,
    lines: list[shapely.LineString],
    noise: float,
    rng: np.random.Generator,
    crs: str,
) -> dict[str, gpd.GeoDataFrame]:
    """Every layer but the marks."""
    round_ = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    edge = np.column_stack([np.cos(round_), np.sin(round_)]) * rng.uniform(12, 25)
    walk = edge + rng.uniform(-80, 80, 2) + middle
    low, high = middle - HALF_M, middle + HALF_M
    brook = walked(middle + np.array([[-170, 70], [0, 95], [170, 80]]), noise, rng)
    spots = middle + rng.uniform(-90, 90, (8, 2))
    shapes: dict[str, list[Any]] = {
        "stand": [shapely.box(*low, *high)],
        "corridors": lines,
        "openings": [shapely.Polygon(walk + rng.normal(0, min(noise, 1.0), walk.shape))],
        "landings": [shapely.Point(lines[0].coords[0]).buffer(LANDING_M / 2)],
        "exclusions": [shapely.Point(spots[0]).buffer(rng.uniform(5, 20))],
        "water": [brook],
        "leave_trees": list(shapely.points(spots)),
    }
    return {name: gpd.GeoDataFrame(geometry=found, crs=crs) for name, found in shapes.items()}


def _marks(middle: Floats, true: list[Floats], rng: np.random.Generator) -> pd.DataFrame:
    """Trees along corridors, in two tagged groups and all over the stand."""
    places = middle + rng.uniform(-HALF_M + 5, HALF_M - 5, (TREES, 2))
    where = rng.integers(len(true), size=ON_CORRIDORS)
    straight = shapely.linestrings([line[[0, -1]] for line in true])[where]
    spots = shapely.line_interpolate_point(straight, rng.random(ON_CORRIDORS), normalized=True)
    places[:ON_CORRIDORS] = middle + shapely.get_coordinates(spots)
    group = np.full(TREES, "", dtype=object)
    for number, start in enumerate((ON_CORRIDORS, ON_CORRIDORS + 15), 1):
        group[start : start + 15] = str(number)
        centre = middle + rng.uniform(-100, 100, 2)
        places[start : start + 15] = centre + rng.normal(0, 7, (15, 2))
    return pd.DataFrame(
        {
            "id": np.arange(1, TREES + 1),
            "x": places[:, 0].round(2),
            "y": places[:, 1].round(2),
            "dbh_cm": rng.uniform(12, 50, TREES).round(1),
            "species": rng.choice(["sugar maple", "eastern hemlock"], TREES),
            "product": rng.choice(["sawlog", "pulpwood"], TREES),
            "paint": ["pink"] * ON_CORRIDORS + ["white"] * (TREES - ON_CORRIDORS - 1) + ["red"],
            "group": group,
        }
    )
