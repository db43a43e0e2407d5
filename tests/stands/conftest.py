"""Many stands in the same files, each a small group-selection stand of its own numbers."""

from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from glademark.jobs.stands import StandsOutcome, lay_out_stands

CRS = "EPSG:26916"
SIDE_M = 200.0
PROJECT = """\
[project]
name = "Many (INVENTED)"
units = "metric"
{stand_id}
[inputs]
stand = "stand.gpkg"
corridors = "corridors.gpkg"
marks = {{file = "marks.csv", crs = "EPSG:26916"}}

[corridors]
width = "4 m"

[marks]
dbh_unit = "cm"

[marks.paint]
pink = "corridor"
white = "cut"

[openings]
crown_radius = "3 m"

[limits]
opening_area_max = "0.2 acre"
corridor_share_max = "8 %"
"""


@dataclass(frozen=True, kw_only=True)
class Ownership:
    """Frames of all stands, each row with `stand_id`."""

    stand: gpd.GeoDataFrame
    corridors: gpd.GeoDataFrame
    marks: pd.DataFrame

    def of(self, name: str) -> "Ownership":
        """One stand alone, without the column of the stand."""
        return Ownership(
            **{
                key: frame[frame["stand_id"] == name].drop(columns="stand_id")
                for key, frame in vars(self).items()
            }
        )

    def write(self, folder: Path, *, column: str = "") -> Path:
        """Project file and inputs in a new folder."""
        folder.mkdir()
        self.stand.to_file(folder / "stand.gpkg", driver="GPKG")
        self.corridors.to_file(folder / "corridors.gpkg", driver="GPKG")
        self.marks.to_csv(folder / "marks.csv", index=False)
        line = f'stand_id = "{column}"\n' if column else ""
        (folder / "harvest.toml").write_text(PROJECT.format(stand_id=line), encoding="utf-8")
        return folder / "harvest.toml"


def make_ownership(names: list[str], *, trees: int = 60, seed: int = 3) -> Ownership:
    """Square stands side by side that share an edge, so that crowns reach over it."""
    rng = np.random.default_rng(seed)
    stands, lines, marks = [], [], []
    for place, name in enumerate(names):
        west, south = 500_000.0 + SIDE_M * place, 4_800_000.0
        stands.append(shapely.box(west, south, west + SIDE_M, south + SIDE_M))
        x = west + rng.uniform(40, 160)
        lines.append(shapely.LineString([(x, south - 5), (x, south + SIDE_M + 5)]))
        east = west + rng.uniform(2, SIDE_M - 2, trees)
        north = south + rng.uniform(2, SIDE_M - 2, trees)
        east[:12] = west + SIDE_M - 2 - rng.uniform(0, 12, 12)  # a group at the shared edge
        north[:12] = south + 100 + rng.uniform(0, 12, 12)
        marks.append(
            pd.DataFrame(
                {
                    "id": np.arange(1, trees + 1),
                    "x": east.round(2),
                    "y": north.round(2),
                    "dbh_cm": rng.uniform(12, 50, trees).round(1),
                    "species": rng.choice(["sugar maple", "eastern hemlock"], trees),
                    "product": rng.choice(["sawlog", "pulpwood"], trees),
                    "paint": rng.choice(["pink", "white"], trees, p=[0.2, 0.8]),
                    "group": np.where(np.arange(trees) < 12, "1", ""),
                    "stand_id": name,
                }
            )
        )
    return Ownership(
        stand=gpd.GeoDataFrame({"stand_id": names}, geometry=stands, crs=CRS),
        corridors=gpd.GeoDataFrame({"stand_id": names}, geometry=lines, crs=CRS),
        marks=pd.concat(marks, ignore_index=True),
    )


@pytest.fixture(scope="session")
def ownership() -> Ownership:
    """Three stands in a row."""
    return make_ownership(["North 1", "North 2", "7"])


@pytest.fixture(scope="session")
def together(
    ownership: Ownership, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, StandsOutcome]:
    """Folder and outcome of a run over all stands."""
    folder = tmp_path_factory.mktemp("many")
    project = ownership.write(folder / "in", column="Stand_ID")
    return folder / "out", lay_out_stands(project, out=folder / "out")
