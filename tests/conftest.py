"""Surveys and projects built in memory, for tests of everything behind intake."""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import settings
from pyproj import CRS

from glademark.layout import Layout
from glademark.measure.layout import measure_layout
from glademark.project.model import Project
from glademark.survey import SET_ASIDE_COLUMNS, Survey

settings.register_profile("suite", max_examples=25, deadline=None, derandomize=True)
settings.load_profile("suite")

UTM = CRS.from_epsg(26916)

MARK = {
    "tree_id": "", "marker": "a", "count": 1, "kind": "cut", "dbh_cm": 30.0, "dbh": 30.0,
    "dbh_unit": "cm", "species": "", "product": "", "paint": "", "paint_meaning": "", "group": "",
    "height_m": np.nan, "crown_radius_m": 3.0, "volume": np.nan, "volume_unit": "",
    "defect_share": np.nan, "cull": False, "position_error_m": 4.0, "time": "", "order": np.nan,
    "radius_m": np.nan, "inside": True, "source_file": "marks.csv", "record": 0,
}  # fmt: skip
CORRIDOR = {"width_m": 4.0, "state": "new", "source_file": "corridors.gpkg", "record": 0}
TALLY = {
    "zone": "matrix", "species": "", "product": "", "dbh": 10.0, "dbh_unit": "in", "count": 1,
    "volume": np.nan, "volume_unit": "", "defect_share": np.nan, "cull": False,
    "source_file": "tally.csv", "record": 0,
}  # fmt: skip

Rows = Sequence[Mapping[str, object]]


def frame(rows: Rows, defaults: Mapping[str, object]) -> gpd.GeoDataFrame:
    """Rows with a `geometry`, missing columns filled from the defaults."""
    table = pd.DataFrame([{**defaults, **row} for row in rows], columns=[*defaults, "geometry"])
    for name, default in defaults.items():
        table[name] = table[name].astype(object if isinstance(default, str) else type(default))
    return gpd.GeoDataFrame(table, geometry="geometry", crs=UTM)


def areas(shapes: Sequence[object], **columns: object) -> gpd.GeoDataFrame:
    """Polygon rows with a name."""
    return frame(
        [{"geometry": shape, "name": f"area {i}"} for i, shape in enumerate(shapes, 1)],
        {"name": "", **columns},
    )


def build_survey(stand: object, **given: object) -> Survey:
    """A Survey in EPSG:26916 from plain rows; what is not given is empty."""
    corridors = given.get("corridors", [])
    lines = [
        {"corridor": str(i), **(row if isinstance(row, dict) else {"geometry": row})}
        for i, row in enumerate(corridors, 1)
    ]
    marks = frame(given.get("marks", []), MARK)
    marks["tree_id"] = np.where(marks["tree_id"] == "", marks.index.astype(str), marks["tree_id"])
    walked = [{"group": f"W{i}", "geometry": s} for i, s in enumerate(given.get("walked", []), 1)]
    tree = {"tree_id": "", "species": "", "dbh_cm": np.nan, "crown_radius_m": 3.0}
    setback = {"name": "", "rule": "no_cut", "minimum_m2_ha": np.nan}
    return Survey(
        crs=UTM,
        stand=areas([stand]),
        corridors=frame(lines, {"corridor": "", **CORRIDOR}),
        marks=marks,
        tally=pd.DataFrame(
            [{**TALLY, **row} for row in given.get("tally", [])], columns=list(TALLY)
        ).astype({"count": int, "dbh": float, "volume": float, "defect_share": float}),
        walked=frame(walked, {"group": ""}),
        keep_out=areas(given.get("keep_out", [])),
        landings=areas(given.get("landings", [])),
        water=areas(given.get("water", [])),
        setbacks=frame(given.get("setbacks", []), setback),
        leave_trees=frame(given.get("leave_trees", []), tree),
        covered=areas([]),
        volume_table=given.get("volume_table"),
        cruise=None,
        terrain=None,
        set_aside=pd.DataFrame(columns=list(SET_ASIDE_COLUMNS)),
        counts=(),
        notices=(),
    )


def build_project(**tables: object) -> Project:
    """A project with only what a test asks for."""
    return Project.model_validate(
        {
            "project": {"name": "Test stand (invented)", "units": "metric"},
            "inputs": {"stand": Path("stand.gpkg"), "marks": [Path("marks.csv")]},
            **tables,
        }
    )


@pytest.fixture
def survey_of() -> Callable[..., Survey]:
    """Builder of surveys."""
    return build_survey


@pytest.fixture
def project_of() -> Callable[..., Project]:
    """Builder of projects."""
    return build_project


@pytest.fixture
def layout_of() -> Callable[..., Layout]:
    """Layout of a survey built from plain rows; project tables under `project`."""

    def build(stand: object, *, project: Mapping[str, object] | None = None, **given: object) -> Layout:
        asked = build_project(**(project or {}))
        return measure_layout(build_survey(stand, **given), asked, earlier={})

    return build


def points(*positions: tuple[float, float], **columns: object) -> list[dict[str, object]]:
    """Mark rows at positions, all with the same columns."""
    return [{"geometry": shapely.Point(p), **columns} for p in positions]
