"""A project of an invented stand of 1 ha with every tree mapped, as files."""

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from glademark.jobs.layout import Outcome, lay_out

CRS = "EPSG:32616"
X0, Y0 = 500_000.0, 5_000_000.0
PROJECT = """
[project]
name = "Residual stand (invented)"
units = "metric"
[inputs]
stand = "stand.gpkg"
corridors = "corridors.gpkg"
marks = {file = "marks.csv", crs = "EPSG:32616"}
standing = {file = "standing.csv", crs = "EPSG:32616"}
crop_trees = {file = "crop.csv", crs = "EPSG:32616"}
leave_trees = {file = "leave.csv", crs = "EPSG:32616"}
regeneration = "regeneration.gpkg"
[target_structure]
basal_area = "3 m2/ha"
dbh_max = "45 cm"
q = 1.3
class_width = "10 cm"
[reasons]
risk = "broken or decayed"
[retention]
cavity = "woodpecker or rot cavity"
[stability]
height_diameter_max = 80
[limits]
canopy_cover_min = "70 %"
crop_tree_sides_min = 3
regeneration_machine_share_max = "15 %"
retention_trees_min = [{value = "1 per ha", kinds = ["cavity"], dbh_min = "40 cm"}, "4 per ha"]
species_share_min = {value = "60 %", species = "sugar maple"}
"""


def mapped_trees() -> pd.DataFrame:
    """A hundred trees, 10 m apart, of two species and four sizes in turn."""
    place = np.arange(100)
    return pd.DataFrame(
        {
            "tree_id": [f"T{i}" for i in place],
            "x": X0 + 5 + 10 * (place % 10),
            "y": Y0 + 5 + 10 * (place // 10),
            "species": np.where(place % 5 == 0, "red oak", "sugar maple"),
            "dbh_cm": np.array([12.0, 22.0, 32.0, 42.0])[place % 4],
            "height_m": 25.0,
            "crown_radius_m": 4.5,
        }
    )


def write_mapped(folder: Path) -> Path:
    """The field files and the project file, in a folder."""
    trees = mapped_trees()
    trees.to_csv(folder / "standing.csv", index=False)
    marks = trees.iloc[::4].assign(x=lambda t: t["x"] + 0.3)
    marks = marks.assign(reason=np.where(np.arange(len(marks)) % 2, "risk", ""))
    marks.to_csv(folder / "marks.csv", index=False)
    trees.iloc[[55]].assign(tree_id="C1").to_csv(folder / "crop.csv", index=False)
    leave = trees.iloc[[11, 12]].assign(tree_id=["L1", "L2"], retention=["cavity", "snag"])
    leave.to_csv(folder / "leave.csv", index=False)
    shapes = {
        "stand": shapely.box(X0, Y0, X0 + 100, Y0 + 100),
        "corridors": shapely.LineString([(X0 + 50, Y0 - 5), (X0 + 50, Y0 + 105)]),
        "regeneration": shapely.box(X0 + 40, Y0 + 40, X0 + 60, Y0 + 60),
    }
    for name, shape in shapes.items():
        frame = gpd.GeoDataFrame({"name": ["one"]}, geometry=[shape], crs=CRS)
        frame.to_file(folder / f"{name}.gpkg")
    path = folder / "harvest.toml"
    path.write_text(PROJECT, encoding="utf-8")
    return path


DELIVERED = ("gpkg", "summary", "tables", "residual", "review", "workbook", "filing")


@pytest.fixture(scope="package")
def mapped(tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    """The mapped stand laid out once, with its tables and papers in `out`."""
    folder = tmp_path_factory.mktemp("mapped")
    return lay_out(write_mapped(folder), out=folder / "out", only=DELIVERED)
