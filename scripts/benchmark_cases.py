"""Cases of any size for the benchmark: square stands, trees at random and in groups."""

from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import shapely

CRS = "EPSG:26916"
TREES_PER_HA = 140
GROUPED = 0.3
PROJECT = """\
[project]
name = "Benchmark (INVENTED)"
units = "metric"
stand_id = "stand_id"

[inputs]
stand = "stand.gpkg"
corridors = "corridors.gpkg"
marks = "marks.gpkg"

[marks]
dbh_unit = "cm"

[marks.paint]
pink = "corridor"
white = "cut"

[openings]
edge = "marked_crowns"

[limits]
opening_area_max = "0.5 acre"
corridor_share_max = "12 %"
"""


@dataclass(frozen=True, kw_only=True)
class Case:
    """Layers of all stands, each row with `stand_id`."""

    stand: gpd.GeoDataFrame
    corridors: gpd.GeoDataFrame
    marks: gpd.GeoDataFrame

    def write(self, folder: Path) -> Path:
        """Project file with its inputs in a folder."""
        folder.mkdir(parents=True, exist_ok=True)
        for name, frame in vars(self).items():
            frame.to_file(folder / f"{name}.gpkg", driver="GPKG")
        path = folder / "harvest.toml"
        path.write_text(PROJECT, encoding="utf-8")
        return path


def make_case(*, stands: int, marks: int, seed: int = 20251007) -> Case:
    """Stands of `marks` trees each; the same seed gives the same case."""
    rng = np.random.default_rng(seed)
    side = float(np.sqrt(marks / TREES_PER_HA * 1e4))
    columns = int(np.ceil(np.sqrt(stands)))
    number = np.arange(stands)
    west = 300_000.0 + (number % columns) * (side + 50)
    south = 4_700_000.0 + (number // columns) * (side + 50)
    names = np.char.add("S", np.char.zfill(number.astype(str), 5))
    every = np.arange(20.0, side - 5, 40.0)
    lines = shapely.linestrings(
        np.stack(
            [
                np.stack([np.repeat(west, len(every)) + np.tile(every, stands)] * 2, axis=1),
                np.stack(
                    [np.repeat(south, len(every)) - 5, np.repeat(south, len(every)) + side + 5],
                    axis=1,
                ),
            ],
            axis=2,
        )
    )
    of = np.repeat(number, marks)
    x, y = rng.uniform(0, side, (2, stands * marks))
    patch = np.floor(x / 60).astype(int) * 1000 + np.floor(y / 60).astype(int)
    grouped = rng.uniform(size=len(of)) < GROUPED
    return Case(
        stand=gpd.GeoDataFrame(
            {"stand_id": names},
            geometry=shapely.box(west, south, west + side, south + side),
            crs=CRS,
        ),
        corridors=gpd.GeoDataFrame(
            {
                "stand_id": np.repeat(names, len(every)),
                "corridor": np.tile([f"C{n}" for n in range(len(every))], stands),
                "width_m": 4.0,
            },
            geometry=lines,
            crs=CRS,
        ),
        marks=gpd.GeoDataFrame(
            {
                "stand_id": names[of],
                "tree_id": np.tile(np.arange(1, marks + 1), stands).astype(str),
                "species": rng.choice(["sugar maple", "red maple", "eastern hemlock"], len(of)),
                "product": rng.choice(["sawlog", "pulpwood"], len(of)),
                "paint": rng.choice(["pink", "white"], len(of), p=[0.2, 0.8]),
                "dbh_cm": rng.uniform(10, 60, len(of)).round(1),
                "crown_radius_m": rng.uniform(2, 4, len(of)).round(2),
                "group": np.where(grouped, patch.astype(str), ""),
            },
            geometry=shapely.points(west[of] + x, south[of] + y),
            crs=CRS,
        ),
    )
