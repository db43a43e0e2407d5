"""The GeoPackage, read back by other hands: pyogrio, fiona, sqlite3, the standard's validator."""

import json
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import fiona
import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from pyproj import CRS

from glademark.contracts.frames import of_declared_type
from glademark.contracts.layers import LAYERS
from glademark.errors import OutputError
from glademark.export.geopackage import write_geopackage
from glademark.report.delivery import Delivery
from glademark.report.quantities import written_columns

ACRE_M2 = 4046.8564224  # 43,560 ft2 of 0.3048 m a side


@pytest.fixture(scope="module")
def written(make_in: Callable[..., Delivery], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The invented layout as a GeoPackage, to be read only."""
    path = tmp_path_factory.mktemp("written") / "layout.gpkg"
    write_geopackage(make_in(path.parent), path)
    return path


@pytest.fixture
def path(written: Path, tmp_path: Path) -> Path:
    """A copy of that GeoPackage."""
    return Path(shutil.copy(written, tmp_path))


def rows(path: Path, query: str, *values: object) -> list[tuple[object, ...]]:
    """Answer of a query, straight from the database."""
    with closing(sqlite3.connect(path)) as database:
        return database.execute(query, values).fetchall()


def test_layers_in_order(path: Path) -> None:
    """Layers stand in the declared order with the declared types; those not given are left out."""
    layers = pyogrio.list_layers(path)

    assert layers.tolist() == [
        ["stand", "MultiPolygon"],
        ["zones", "MultiPolygon"],
        ["corridors", "MultiPolygon"],
        ["corridor_lines", "MultiLineString"],
        ["openings", "MultiPolygon"],
        ["combined_openings", "MultiPolygon"],
        ["incidental_openings", "MultiPolygon"],
        ["marks", "Point"],
        ["exclusions", "MultiPolygon"],
        ["volume_by_zone", None],
        ["checks", None],
        ["rejected", None],
        ["parameters", None],
        ["layer_styles", None],
    ]


def test_acres_beside_square_metres(path: Path) -> None:
    """The user's unit stands right behind the SI unit and says the same."""
    openings = gpd.read_file(path, layer="openings")

    names = list(openings.columns)
    assert names[names.index("area_m2") + 1] == "area_ac"
    assert openings["area_ac"].tolist() == pytest.approx([1600 / ACRE_M2] * 2 + [2500 / ACRE_M2])
    assert openings["spacing_ft"].iloc[0] == pytest.approx(6 / 0.3048)


def test_hectares_beside_square_metres(make_in: Callable[..., Delivery], tmp_path: Path) -> None:
    """A metric project has hectares beside square metres, and no feet."""
    write_geopackage(make_in(tmp_path, units="metric"), tmp_path / "layout.gpkg")

    openings = gpd.read_file(tmp_path / "layout.gpkg", layer="openings")

    assert openings["area_ha"].tolist() == pytest.approx([0.16, 0.16, 0.25])
    assert not [name for name in openings.columns if name.endswith(("_ft", "_ac"))]


def test_marks_keep_what_came_in(path: Path) -> None:
    """Columns of the field file are kept, under another name where theirs is taken."""
    marks = gpd.read_file(path, layer="marks")

    assert list(marks.columns)[-6:] == [
        "fid_recorded", "geom_recorded", "dbh_in_recorded", "remark", "remark_recorded", "geometry",
    ]  # fmt: skip
    assert marks["fid_recorded"].tolist() == ["a", "b", "c", "d"]
    assert marks["remark_recorded"].tolist() == ["p", "q", "r", "s"]
    assert marks["tree_id"].iloc[3] == '=HYPERLINK("x")'
    assert marks["dbh_in"].iloc[1] == pytest.approx(10)


def test_missing_is_null(path: Path) -> None:
    """A mark outside all openings has no opening number, and no diameter is no zero."""
    answer = rows(path, "SELECT opening, dbh_cm FROM marks WHERE record = 5")

    assert answer == [(None, None)]


def test_empty_layer_has_its_columns(path: Path) -> None:
    """A layout without incidental openings has the layer, empty, with every column."""
    incidental = pyogrio.read_info(path, layer="incidental_openings")

    expected = [column.name for column in written_columns(LAYERS["incidental_openings"], "us")]
    assert incidental["features"] == 0
    assert incidental["fields"].tolist() == expected


def test_every_column_is_explained(path: Path) -> None:
    """The data dictionary has title and meaning of every column of every table."""
    tables = [name for (name,) in rows(path, "SELECT table_name FROM gpkg_contents")]
    tables.remove("layer_styles")  # read by programs, not by people
    columns = {
        (table, column)
        for table in tables
        for (column,) in rows(path, "SELECT name FROM pragma_table_info(?)", table)
    }

    explained = rows(
        path,
        "SELECT table_name, column_name FROM gpkg_data_columns "
        "WHERE length(title) > 0 AND length(description) > 0",
    )

    assert set(explained) == columns


def test_titles_have_units(path: Path) -> None:
    """A title tells the unit of its column."""
    answer = rows(
        path,
        "SELECT title FROM gpkg_data_columns WHERE table_name = 'openings' "
        "AND column_name IN ('area_m2', 'area_ac', 'trees') ORDER BY title",
    )

    assert answer == [("Area [ac]",), ("Area [m2]",), ("Trees",)]


def test_layers_are_explained(path: Path) -> None:
    """Every layer and table says in the contents what it is."""
    answer = rows(path, "SELECT table_name, identifier, description FROM gpkg_contents")
    answer = [row for row in answer if row[0] != "layer_styles"]

    assert answer == [(name, LAYERS[name].title, LAYERS[name].meaning) for name, _, _ in answer]


def test_schema_extension_is_registered(path: Path) -> None:
    """The extension is declared as the standard asks (OGC 12-128, annex F.9)."""
    answer = rows(
        path,
        "SELECT table_name, column_name, scope FROM gpkg_extensions "
        "WHERE extension_name = 'gpkg_schema' ORDER BY table_name",
    )

    assert answer == [
        ("gpkg_data_column_constraints", None, "read-write"),
        ("gpkg_data_columns", None, "read-write"),
    ]


def test_header(path: Path) -> None:
    """The file is a GeoPackage 1.3 in one piece (OGC 12-128, requirements 1, 2 and 6)."""
    assert path.read_bytes()[:16] == b"SQLite format 3\0"
    assert rows(path, "PRAGMA application_id") == [(0x47504B47,)]
    assert rows(path, "PRAGMA user_version") == [(10300,)]
    assert rows(path, "PRAGMA integrity_check") == [("ok",)]
    assert rows(path, "PRAGMA foreign_key_check") == []
    assert rows(path, "PRAGMA journal_mode") == [("delete",)]
    assert [each.name for each in path.parent.iterdir()] == [path.name]


def test_every_layer_is_indexed(path: Path) -> None:
    """Every layer has a spatial index that holds what has a shape."""
    indexed = rows(
        path, "SELECT table_name FROM gpkg_extensions WHERE extension_name = 'gpkg_rtree_index'"
    )

    layers = rows(path, "SELECT table_name FROM gpkg_geometry_columns")
    assert sorted(indexed) == sorted(layers)
    assert rows(path, "SELECT count(*) FROM rtree_marks_geom") == [(4,)]


def test_validator_passes(path: Path) -> None:
    """The validator of the standard finds nothing."""
    validator = pytest.importorskip("osgeo_utils.samples.validate_gpkg")

    assert validator.check(str(path)) == []


def test_validator_can_fail(path: Path) -> None:
    """The same validator finds a column that the data dictionary makes up."""
    validator = pytest.importorskip("osgeo_utils.samples.validate_gpkg")
    with closing(sqlite3.connect(path)) as database, database:
        database.execute(
            "UPDATE gpkg_data_columns SET column_name = 'acres' WHERE column_name = 'area_ac'"
        )

    with pytest.raises(Exception, match=r"column_name = acres in gpkg_data_columns refer"):
        validator.check(str(path), abort_at_first_error=True)


def test_older_library_reads_it(path: Path) -> None:
    """Another GDAL, that of fiona, reads shapes and coordinate system."""
    with fiona.open(path, layer="corridor_lines") as lines:
        shapes = [shapely.geometry.shape(line["geometry"]) for line in lines]
        crs = CRS.from_wkt(lines.crs_wkt)

    assert [shape.length for shape in shapes] == [200, 200]
    assert crs.to_epsg() == 26916


def test_parameters_can_be_read(path: Path, tmp_path: Path) -> None:
    """Settings and figures stand as JSON in SI units, and no folder of this machine with them."""
    values = dict(rows(path, "SELECT name, value FROM parameters"))

    assert json.loads(values["corridors.width_m"]) == 4.0
    assert json.loads(values["project.name"]) == "Test Forty (invented)"
    assert json.loads(values["inputs.stand"])[0]["file"] == "stand.gpkg"
    assert json.loads(values["summary.stand.area_m2"]) == 40_000
    assert not [value for value in values.values() if str(tmp_path) in value]


def test_same_input_same_bytes(delivery: Delivery, tmp_path: Path) -> None:
    """The same layout is written into the same bytes."""
    write_geopackage(delivery, tmp_path / "a.gpkg")
    write_geopackage(delivery, tmp_path / "b.gpkg")

    assert (tmp_path / "a.gpkg").read_bytes() == (tmp_path / "b.gpkg").read_bytes()


def test_folder_with_an_exclamation_mark(delivery: Delivery, tmp_path: Path) -> None:
    """A folder name may hold an exclamation mark, at which the library would split it."""
    folder = tmp_path / "north!east"
    folder.mkdir()

    write_geopackage(delivery, folder / "layout.gpkg")

    copy = shutil.copy(folder / "layout.gpkg", tmp_path)
    assert len(pyogrio.list_layers(copy)) == 14
    assert [each.name for each in folder.iterdir()] == ["layout.gpkg"]


def test_own_coordinate_system(delivery: Delivery, tmp_path: Path) -> None:
    """A working CRS that is in no register is kept."""
    local = CRS.from_proj4("+proj=tmerc +lat_0=0 +lon_0=-87.25 +k=1 +x_0=5e5 +datum=NAD83 +units=m")
    stand = delivery.layout.stand.set_crs(local, allow_override=True)
    delivery = replace(delivery, layout=replace(delivery.layout, stand=stand))

    write_geopackage(delivery, tmp_path / "layout.gpkg")

    read = gpd.read_file(tmp_path / "layout.gpkg", layer="stand")
    meridian = next(
        each.value for each in read.crs.coordinate_operation.params if each.code == "8802"
    )
    assert meridian == -87.25  # EPSG parameter 8802 is the longitude of natural origin


def test_file_in_the_way(delivery: Delivery, path: Path) -> None:
    """A file that is there already is an error, not a merge."""
    with pytest.raises(OutputError, match=r"layout\.gpkg exists already; expected a new file"):
        write_geopackage(delivery, path)


def test_no_room(delivery: Delivery, tmp_path: Path) -> None:
    """Where the system lets no file grow to its size, the message says what to look at."""
    resource = pytest.importorskip("resource")
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, before[1]))

    try:
        with pytest.raises(OutputError, match=r"layout\.gpkg cannot be written, with .* MB free"):
            write_geopackage(delivery, tmp_path / "layout.gpkg")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def test_parts_of_other_dimension_are_dropped() -> None:
    """A polygon that a clip left with a stray line keeps its polygon only."""
    mixed = shapely.GeometryCollection(
        [shapely.box(0, 0, 2, 1), shapely.LineString([(2, 0), (3, 0)])]
    )

    shapes = of_declared_type(np.array([mixed, None, shapely.Point(0, 0)]), "MultiPolygon")

    assert shapely.get_type_id(shapes).tolist() == [6, 6, 6]  # 6: MultiPolygon
    assert shapely.area(shapes).tolist() == [2, 0, 0]


@given(
    sides=st.lists(
        st.lists(st.integers(min_value=1, max_value=50), min_size=0, max_size=3), max_size=5
    )
)
def test_shapes_keep_their_area(sides: list[list[int]]) -> None:
    """Whatever the number of parts, a shape has the sum of their areas, ring by ring."""
    many = np.array(
        [
            shapely.MultiPolygon(
                [shapely.box(100 * n, 0, 100 * n + s, s) for n, s in enumerate(row)]
            )
            for row in sides
        ],
        dtype=object,
    )

    shapes = of_declared_type(many, "MultiPolygon")

    assert shapely.area(shapes).tolist() == [sum(s * s for s in row) for row in sides]
    rings = shapely.get_exterior_ring(shapely.get_parts(shapes))
    assert shapely.is_ccw(rings).all()


def test_frames_are_left_alone(delivery: Delivery, tmp_path: Path) -> None:
    """Writing changes no frame of the layout."""
    before = delivery.layout.marks.copy()

    write_geopackage(delivery, tmp_path / "layout.gpkg")

    pd.testing.assert_frame_equal(pd.DataFrame(delivery.layout.marks), pd.DataFrame(before))
