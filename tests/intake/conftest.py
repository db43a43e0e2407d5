"""
A small made-up stand with everything around it, written in the formats that people bring.

The stand is the square from (500000, 5000000) to (500200, 5000200) of EPSG:32616, whose central
meridian is 87 degrees west: x = 500000 lies on it.
"""

from collections.abc import Callable, Mapping
from pathlib import Path

import geopandas as gpd
import pytest
import shapely

from glademark.contracts.survey import Survey
from glademark.intake.read import read_survey
from glademark.project.model import Project

CRS = "EPSG:32616"
X0, Y0, SIDE = 500_000.0, 5_000_000.0, 200.0
MARKS = (
    "tree,DBH (in),spp,product,paint,x,y\n"
    "1,12.0,SM,sawlog,White,500050,5000050\n"
    "2,14.5,RM,sawlog,pink,500060,5000060\n"
    "3,8,SM,pulp,white,500070,5000070\n"
)
PAINT = {"white": "cut", "pink": "corridor", "blue": "leave"}

Read = Callable[..., Survey]
Layer = Callable[..., str]


def _square(x: float = 0, y: float = 0, side: float = SIDE) -> shapely.Polygon:
    return shapely.box(X0 + x, Y0 + y, X0 + x + side, Y0 + y + side)


@pytest.fixture
def square() -> Callable[..., shapely.Polygon]:
    """Square by its lower left corner, counted from that of the stand [m]."""
    return _square


@pytest.fixture
def at() -> Callable[[float, float], shapely.Point]:
    """Point counted from the lower left corner of the stand [m]."""
    return lambda x, y: shapely.Point(X0 + x, Y0 + y)


@pytest.fixture
def line() -> Callable[..., shapely.LineString]:
    """Line through points counted from the lower left corner of the stand [m]."""
    return lambda *points: shapely.LineString([(X0 + x, Y0 + y) for x, y in points])


@pytest.fixture
def layer(tmp_path: Path) -> Layer:
    """Write features to a file in the format of its ending; its name comes back."""

    def write(
        name: str,
        shapes: list[object],
        columns: Mapping[str, list[object]] | None = None,
        **options: object,
    ) -> str:
        crs = options.pop("crs", CRS)
        frame = gpd.GeoDataFrame(dict(columns or {}), geometry=shapes, crs=crs)
        frame.to_file(tmp_path / name, **options)
        return name

    return write


@pytest.fixture
def text(tmp_path: Path) -> Callable[..., str]:
    """Write a text file; its name comes back."""

    def write(name: str, content: str | bytes, encoding: str = "utf-8") -> str:
        data = content if isinstance(content, bytes) else content.encode(encoding)
        (tmp_path / name).write_bytes(data)
        return name

    return write


@pytest.fixture(scope="session")
def plain_stand(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Content of a file of the square, as `layer` writes it."""
    path = tmp_path_factory.mktemp("plain") / "stand.gpkg"
    gpd.GeoDataFrame(geometry=[_square()], crs=CRS).to_file(path)
    return path.read_bytes()


@pytest.fixture
def project(tmp_path: Path, plain_stand: bytes) -> Callable[..., Project]:
    """Project with the plain stand and plain marks, and what the test adds or replaces."""

    def make(
        given: object = None, *, inputs: Mapping[str, object] | None = None, **tables: object
    ) -> Project:
        named = dict(inputs or {})
        if "stand" not in named:
            (tmp_path / "stand.gpkg").write_bytes(plain_stand)
            named["stand"] = "stand.gpkg"
        if given is None or (isinstance(given, str) and "\n" in given):
            (tmp_path / "marks.csv").write_text(str(given or MARKS), encoding="utf-8")
            given = {"file": "marks.csv", "crs": CRS}
        named["marks"] = given
        marks = tables.get("marks", {})
        assert isinstance(marks, dict)
        tables["marks"] = {"paint": PAINT, **marks}
        return Project.model_validate({"project": {"name": "Test"}, "inputs": named, **tables})

    return make


@pytest.fixture
def survey(tmp_path: Path, project: Callable[..., Project]) -> Read:
    """Survey of such a project."""
    return lambda *given, **parts: read_survey(project(*given, **parts), folder=tmp_path)
