"""
A small made-up stand with everything around it, written in the formats that people bring.

The stand is the square from (500000, 5000000) to (500200, 5000200) of EPSG:32616.
"""

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
import shapely

from glademark.intake.read import read_survey
from glademark.project.model import Project
from glademark.survey import Survey

CRS = "EPSG:32616"
X0, Y0, SIDE = 500_000.0, 5_000_000.0, 200.0
MARKS = (
    "tree,DBH (in),spp,product,paint,x,y\n"
    "1,12.0,SM,sawlog,White,500050,5000050\n"
    "2,14.5,RM,sawlog,pink,500060,5000060\n"
    "3,8,SM,pulp,white,500070,5000070\n"
)

Make = Callable[..., Survey]


def square(x: float = X0, y: float = Y0, side: float = SIDE) -> shapely.Polygon:
    """Square with its lower left corner at x, y."""
    return shapely.box(x, y, x + side, y + side)


def layer(
    path: Path, shapes: list[Any], columns: Mapping[str, list[Any]] | None = None, **options: Any
) -> str:
    """Write features to a file in the driver of its ending, and return its name."""
    crs = options.pop("crs", CRS)
    gpd.GeoDataFrame(dict(columns or {}), geometry=shapes, crs=crs).to_file(path, **options)
    return path.name


@pytest.fixture
def survey(tmp_path: Path) -> Make:
    """Read a project made of the plain stand, plain marks and what the test adds or replaces."""

    def read(
        *, marks: Any = None, inputs: Mapping[str, Any] | None = None, **tables: Any
    ) -> Survey:
        named = dict(inputs or {})
        if "stand" not in named:
            named["stand"] = layer(tmp_path / "stand.gpkg", [square()])
        if marks is None or (isinstance(marks, str) and "\n" in marks):
            (tmp_path / "marks.csv").write_text(marks or MARKS, encoding="utf-8")
            marks = {"file": "marks.csv", "crs": CRS}
        named["marks"] = marks
        project = Project.model_validate(
            {"project": {"name": "Test"}, "inputs": named, **tables}
        )
        return read_survey(project, folder=tmp_path)

    return read
