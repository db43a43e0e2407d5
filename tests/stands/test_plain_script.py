"""The package beside a plain script of the same job, which shares no code with it."""

import runpy
import sys
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest

from glademark.pipeline_stands import lay_out_stands

SCRIPTS = Path(__file__).resolve().parents[2] / "scripts"


def test_areas_and_counts_are_those_of_a_plain_script(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Buffers, dissolves and overlays by hand give the same areas and the same trees by zone."""
    monkeypatch.setattr(sys, "path", [str(SCRIPTS), *sys.path])
    case = runpy.run_path(str(SCRIPTS / "benchmark_cases.py"))["make_case"](stands=3, marks=150)
    plainly = runpy.run_path(str(SCRIPTS / "benchmark.py"))["plainly"]

    lay_out_stands(case.write(tmp_path / "in"), out=tmp_path / "out")

    stands = pd.read_csv(tmp_path / "out" / "stands.csv").set_index("stand_id")
    openings = gpd.read_file(tmp_path / "out" / "layout.gpkg", layer="openings")
    zones = gpd.read_file(tmp_path / "out" / "layout.gpkg", layer="zones")
    marks = gpd.read_file(tmp_path / "out" / "layout.gpkg", layer="marks")
    for name in stands.index:
        plain = plainly(case, name)
        mine = zones[zones["stand_id"] == name].set_index("zone")["area_m2"]
        assert stands["corridor_m2"][name] == pytest.approx(plain.corridor_m2, rel=1e-9)
        assert mine[list(plain.zone_m2.index)].tolist() == pytest.approx(
            plain.zone_m2.tolist(), rel=1e-9
        )
        assert sorted(openings[openings["stand_id"] == name]["area_m2"]) == pytest.approx(
            sorted(plain.opening_m2), rel=1e-9
        )
        counted = marks[marks["stand_id"] == name]["zone"].value_counts()
        assert counted.to_dict() == plain.trees.to_dict()
