"""Two editions of papers in one folder are told apart, and the older one is named."""

import json
from pathlib import Path

import geopandas as gpd
import shapely

from glademark.jobs.layout import lay_out

PROJECT = """
[project]
name = "Edition (invented)"
units = "metric"
[inputs]
stand = "stand.gpkg"
marks = {file = "marks.csv", crs = "EPSG:26916"}
[marks]
dbh_unit = "cm"
"""


def edition(folder: Path, out: Path) -> tuple[str, str]:
    """Lay out, and read the edition and the line of it on GPX."""
    lay_out(folder / "harvest.toml", out=out, only=["summary", "gpx"])
    found = json.loads((out / "summary.json").read_text("utf-8"))["provenance"]["edition"]
    return found, (out / "layout.gpx").read_text("utf-8")


def test_the_edition_before_is_named_where_the_folder_knew_it(tmp_path: Path) -> None:
    """A mark more makes another edition; made again it is the same, byte for byte."""
    stand = gpd.GeoDataFrame(geometry=[shapely.box(4e5, 5.1e6, 4e5 + 200, 5.1e6 + 100)], crs=26916)
    stand.to_file(tmp_path / "stand.gpkg")
    (tmp_path / "harvest.toml").write_text(PROJECT, "utf-8")
    marks = "id,x,y,dbh\n1,400050,5100050,30\n"
    (tmp_path / "marks.csv").write_text(marks, "utf-8")
    first, paper = edition(tmp_path, tmp_path / "out")

    assert f"Edition {first}." in paper
    assert edition(tmp_path, tmp_path / "out") == (first, paper)
    (tmp_path / "marks.csv").write_text(f"{marks}2,400150,5100050,30\n", "utf-8")
    second, changed = edition(tmp_path, tmp_path / "out")
    assert second != first
    assert f"Edition {second} (replaces {first})." in changed
    assert edition(tmp_path, tmp_path / "out") == (second, changed)
