"""GeoPackage, Shapefile and GeoJSON: what they can hide, and that none of it is lost."""

import json
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import pytest
import shapely

from glademark.contracts.survey import Survey
from glademark.errors import FileError, InputError
from glademark.intake.formats.files import Snapshots
from glademark.intake.formats.vector import DRIVERS
from glademark.intake.formats.vector_faults import salvaged

Read = Callable[..., Survey]
Layer = Callable[..., str]
COLUMNS = {"tree": ["1", "2", "3"], "dbh_in": [12.0, 13.0, 14.0]}


@pytest.fixture
def points(at: Callable) -> list[shapely.Point]:
    """Three marks in the stand."""
    return [at(50, 50), at(60, 60), at(70, 70)]


@pytest.fixture(autouse=True)
def copies(tmp_path: Path) -> None:
    """Folder for private copies."""
    (tmp_path / "copies").mkdir()


def noticed(survey: Survey, part: str) -> bool:
    """Whether a notice holds a text."""
    return any(part in notice for notice in survey.notices)


@pytest.mark.parametrize("name", ["m.gpkg", "m.shp", "m.geojson", "M A R K S.shp", "mé.shp"])
def test_a_layer_of_marks_is_read(survey: Read, layer: Layer, points: list, name: str) -> None:
    """Whatever the format and the name of the file."""
    options = {"crs": "EPSG:4326"} if name.endswith("json") else {}
    shapes = gpd.GeoSeries(points, crs=32616).to_crs(options.get("crs", "EPSG:32616"))
    marks = survey(layer(name, list(shapes), COLUMNS, **options)).marks

    assert marks["tree_id"].tolist() == ["1", "2", "3"]
    assert marks["dbh"].tolist() == [12, 13, 14]
    assert shapely.distance(marks.geometry.to_numpy(), points).max() < 1e-6


def test_signs_that_the_library_takes_for_its_own_are_part_of_a_name(
    survey: Read, layer: Layer, points: list, tmp_path: Path
) -> None:
    """It would look for another file behind the exclamation mark."""
    layer("m.gpkg", points, COLUMNS)
    (tmp_path / "m.gpkg").rename(tmp_path / "a!b #1?.gpkg")

    assert len(survey("a!b #1?.gpkg").marks) == 3


def test_rows_in_a_write_ahead_log_are_read_and_left_there(
    survey: Read, layer: Layer, points: list, tmp_path: Path
) -> None:
    """A layer that is open in the office holds its newest rows beside the file."""
    name = layer("m.gpkg", points[:2], {key: values[:2] for key, values in COLUMNS.items()})
    with closing(sqlite3.connect(tmp_path / name)) as database:
        for (trigger,) in database.execute("SELECT name FROM sqlite_master WHERE type='trigger'"):
            database.execute(f'DROP TRIGGER "{trigger}"')
        database.execute("PRAGMA journal_mode=WAL")
        database.execute("INSERT INTO m (geom, tree, dbh_in) SELECT geom, '3', 14 FROM m LIMIT 1")
        database.commit()
        before = {path.name: path.read_bytes() for path in tmp_path.glob("m.gpkg*")}
        marks = survey(name).marks
        after = {path.name: path.read_bytes() for path in tmp_path.glob("m.gpkg*")}

    assert "m.gpkg-wal" in before
    assert marks["tree_id"].tolist() == ["1", "2", "3"]
    assert after == before


def test_a_log_that_was_left_behind_is_told(
    survey: Read, layer: Layer, points: list, tmp_path: Path
) -> None:
    """A copy of an open GeoPackage may miss its newest rows."""
    name = layer("m.gpkg", points, COLUMNS)
    with closing(sqlite3.connect(tmp_path / name)) as database:
        database.execute("PRAGMA journal_mode=WAL")

    assert noticed(survey(name), "m.gpkg: it was open in another program when it was copied")


def test_text_in_a_column_of_numbers_is_no_zero(
    survey: Read, layer: Layer, points: list, tmp_path: Path
) -> None:
    """SQLite keeps any text there; the library would read it as 0."""
    name = layer("m.gpkg", points, COLUMNS)
    with closing(sqlite3.connect(tmp_path / name)) as database:
        for (trigger,) in database.execute("SELECT name FROM sqlite_master WHERE type='trigger'"):
            database.execute(f'DROP TRIGGER "{trigger}"')
        database.execute("UPDATE m SET dbh_in = 'see photo' WHERE tree = '2'")
        database.commit()
    result = survey(name)

    assert result.marks["dbh_flag"].tolist() == ["", "unreadable", ""]
    assert result.marks["dbh_cm"].isna().tolist() == [False, True, False]


def test_names_of_columns_are_data(survey: Read, layer: Layer, points: list) -> None:
    """A quote in a name is part of the name."""
    odd = 'a"b; DROP TABLE m; --'
    marks = survey(layer("m.gpkg", points, {**COLUMNS, odd: [1.5, 2.5, 3.5]})).marks

    assert marks[odd].tolist() == ["1.5", "2.5", "3.5"]


def test_of_several_layers_one_must_be_named(
    survey: Read, layer: Layer, points: list, square: Callable
) -> None:
    """The library would take the first."""
    layer("all.gpkg", points, COLUMNS, layer="marks")
    layer("all.gpkg", [square()], layer="stand")

    with pytest.raises(InputError, match=r"all\.gpkg: there are 2 layers: 'marks', 'stand'.*Say"):
        survey("all.gpkg")
    named = {"file": "all.gpkg", "layer": "marks"}
    assert len(survey(named, inputs={"stand": {"file": "all.gpkg", "layer": "stand"}}).marks) == 3
    with pytest.raises(InputError, match="there is no layer 'trees'; there are 'marks', 'stand'"):
        survey({"file": "all.gpkg", "layer": "trees"})


def test_an_empty_layer_is_refused(survey: Read, layer: Layer) -> None:
    """Zero records are no result."""
    with pytest.raises(InputError, match=r"m\.gpkg: there are no features in the layer 'm'"):
        survey(layer("m.gpkg", [], {"tree": []}))


@pytest.mark.parametrize("keep", [0.3, 0.7, 0.98])
def test_a_cut_off_geopackage_is_refused(
    survey: Read, layer: Layer, points: list, tmp_path: Path, keep: float
) -> None:
    """A copy that was broken off is told as such."""
    name = layer("m.gpkg", points, COLUMNS)
    content = (tmp_path / name).read_bytes()
    (tmp_path / name).write_bytes(content[: int(len(content) * keep)])

    with pytest.raises(InputError, match=r"m\.gpkg: the GeoPackage is damaged or cut off"):
        survey(name)


@pytest.mark.parametrize("ending", [".shx", ".dbf"])
def test_a_shapefile_without_a_part_is_refused(
    survey: Read, layer: Layer, points: list, tmp_path: Path, ending: str
) -> None:
    """Which part is missing is said."""
    name = layer("m.shp", points, COLUMNS)
    (tmp_path / "m").with_suffix(ending).unlink()

    with pytest.raises(InputError, match=rf"m\.shp: its \{ending} file is missing"):
        survey(name)


def test_a_shapefile_without_a_coordinate_system_asks_for_it(
    survey: Read, layer: Layer, points: list, tmp_path: Path
) -> None:
    """It is stated in the project file, and never guessed."""
    name = layer("m.shp", points, COLUMNS)
    (tmp_path / "m.prj").unlink()

    with pytest.raises(InputError, match=r"m\.shp: it does not say its coordinate system.*EPSG:…"):
        survey(name)
    assert len(survey({"file": name, "crs": "EPSG:32616"}).marks) == 3


@pytest.mark.parametrize("ending", [".shp", ".shx", ".dbf"])
def test_a_cut_off_shapefile_is_refused(
    survey: Read, layer: Layer, points: list, tmp_path: Path, ending: str
) -> None:
    """The library would give empty shapes instead."""
    name = layer("m.shp", points, COLUMNS)
    part = (tmp_path / name).with_suffix(ending)
    part.write_bytes(part.read_bytes()[:-20])

    with pytest.raises(InputError, match=rf"its \{ending} file is cut off"):
        survey(name)


def test_parts_of_two_shapefiles_are_refused(
    survey: Read, layer: Layer, points: list, tmp_path: Path
) -> None:
    """Else diameters would go to the wrong trees."""
    name = layer("m.shp", points, COLUMNS)
    layer("other.shp", points[:1], {"tree": ["9"]})
    shutil.copy(tmp_path / "other.dbf", tmp_path / "m.dbf")

    with pytest.raises(InputError, match="3 shapes but 1 rows of attributes"):
        survey(name)


@pytest.mark.parametrize(
    "case",
    [
        ("UTF-8", "utf-8", ""),
        (None, "utf-8", "its text declares no encoding; read as UTF-8"),
        (None, "cp1252", "its text declares no encoding; read as Windows-1252"),
        ("UTF-8", "cp1252", "its text is not in the encoding that it declares; read as Windows"),
    ],
)
def test_the_encoding_of_a_shapefile_is_found(
    survey: Read,
    layer: Layer,
    points: list,
    tmp_path: Path,
    case: tuple[str | None, str, str],
) -> None:
    """What is declared counts where it fits; any other choice is told."""
    declared, written, notice = case
    columns = {**COLUMNS, "species": ["hêtre"] * 3}
    name = layer("m.shp", points, columns, encoding="utf-8" if written == "utf-8" else "cp1252")
    (tmp_path / "m.cpg").unlink(missing_ok=True)
    table = bytearray((tmp_path / "m.dbf").read_bytes())
    table[29] = 0
    (tmp_path / "m.dbf").write_bytes(table)
    if declared:
        (tmp_path / "m.cpg").write_text(declared)
    result = survey(name)

    assert result.marks["species"].tolist() == ["hêtre"] * 3
    assert noticed(result, notice) if notice else not noticed(result, "encod")


def test_geojson_is_in_degrees_unless_it_or_the_project_says_otherwise(
    survey: Read, text: Callable[..., str]
) -> None:
    """A plain document has no place for a coordinate system; the old member for it counts."""
    feature = {
        "type": "Feature",
        "properties": {"tree": "1", "dbh_in": 12},
        "geometry": {"type": "Point", "coordinates": [500050, 5000050]},
    }
    plain = {"type": "FeatureCollection", "features": [feature]}
    member = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32616"}}
    name = text("plain.geojson", json.dumps(plain))
    stated = text("old.geojson", json.dumps({**plain, "crs": member}))

    with pytest.raises(InputError, match="cannot be degrees, but the coordinate system is EPSG:43"):
        survey(name)
    assert survey({"file": name, "crs": "EPSG:32616"}).marks.geometry.x.item() == 500050
    assert survey(stated).marks.geometry.x.item() == 500050


@pytest.mark.parametrize(
    ("content", "what"),
    [
        ('{"type": "FeatureCollection", "features": [', "no complete GeoJSON document .see line 1"),
        ('{"tree": 1}', "this is JSON, but not GeoJSON"),
        ("[" * 100_000, "no complete GeoJSON document"),
        (b'{"type": "\xff"}', "GeoJSON must be UTF-8"),
        ('{"type": "Topology", "objects": {}, "arcs": []}', r"m\.geojson: "),
        ('{"type": "FeatureCollection", "features": []}', "no features|no layer"),
    ],
)
def test_a_broken_geojson_document_is_refused(
    survey: Read, text: Callable[..., str], content: str | bytes, what: str
) -> None:
    """The place of the damage is said where it is known."""
    with pytest.raises(InputError, match=what):
        survey(text("m.geojson", content))


def test_entries_that_are_no_features_are_refused(survey: Read, text: Callable[..., str]) -> None:
    """The library would leave them out without a word."""
    name = text("m.geojson", '{"type": "FeatureCollection", "features": [null]}')

    with pytest.raises(InputError, match="some entries among its features are no features"):
        survey(name)


def test_a_coordinate_that_is_no_number_is_rejected(survey: Read, text: Callable[..., str]) -> None:
    """NaN is in no stand, and not outside it either."""
    feature = '{"type":"Feature","properties":{"tree":"%s","dbh_in":12},"geometry":%s}'
    point = '{"type":"Point","coordinates":[%s]}'
    both = [feature % ("1", point % "NaN, 45.15"), feature % ("2", point % "-86.9994, 45.1535")]
    content = f'{{"type":"FeatureCollection","features":[{",".join(both)}]}}'
    result = survey(text("m.geojson", content))

    assert result.marks["tree_id"].tolist() == ["2"]
    assert result.rejected["reason"].item().startswith("a coordinate is no finite number")


def test_text_that_is_no_utf8_does_not_spoil_the_rest(
    survey: Read, layer: Layer, points: list, tmp_path: Path
) -> None:
    """One cell of another encoding is read as Windows-1252, the others stay what they are."""
    name = layer("m.gpkg", points, {**COLUMNS, "species": ["hêtre", "x", "é"]})
    with closing(sqlite3.connect(tmp_path / name)) as database:
        for (trigger,) in database.execute("SELECT name FROM sqlite_master WHERE type='trigger'"):
            database.execute(f'DROP TRIGGER "{trigger}"')
        database.execute("UPDATE m SET species = CAST(x'62EA' AS TEXT) WHERE tree = '2'")
        database.commit()
    result = survey(name)

    assert result.marks["species"].tolist() == ["hêtre", "bê", "é"]
    assert noticed(result, "some text is not UTF-8; read as Windows-1252")


@pytest.mark.parametrize("damage", ["PROJCS[", "not a coordinate system", ""])
def test_a_damaged_coordinate_system_is_refused(
    survey: Read, layer: Layer, points: list, tmp_path: Path, damage: str
) -> None:
    """It is stated in the project file instead."""
    name = layer("m.shp", points, COLUMNS)
    (tmp_path / "m.prj").write_text(damage)

    with pytest.raises(InputError, match=r"m\.shp: (its|it does not say its) coordinate system"):
        survey(name)


def test_an_open_ring_is_closed_and_told(survey: Read, text: Callable[..., str]) -> None:
    """Four corners without the first one again are still four corners."""
    ring = "[-87,45.153],[-86.99,45.153],[-86.99,45.16],[-87,45.16]"
    content = f'{{"type":"Polygon","coordinates":[[{ring}]]}}'
    marks = "tree,dbh_in,lon,lat\n1,12,-86.995,45.155123\n2,12,-86.9951234,45.1556789\n"
    result = survey(text("m.csv", marks), inputs={"stand": text("s.geojson", content)})

    assert result.stand.area.item() > 0
    assert noticed(result, "s.geojson: 1 open ring closed")


@pytest.mark.parametrize(("name", "first"), [("m.gpkg", 1), ("m.shp", 0), ("m.geojson", 0)])
def test_records_are_salvaged_one_by_one_under_their_numbers(
    layer: Layer, points: list, tmp_path: Path, name: str, first: int
) -> None:
    """The slow way finds what the fast way finds."""
    layer(name, points, COLUMNS)
    file = Snapshots(tmp_path / "copies").take("marks", Path(name), folder=tmp_path)
    own = "m" if name == "m.gpkg" else file.copy.stem
    salvage = salvaged(file, own if name != "m.geojson" else "m", driver=DRIVERS[file.format])

    assert salvage.numbers == [first, first + 1, first + 2]
    assert [row["tree"] for row in salvage.rows] == ["1", "2", "3"]
    assert salvage.shapes == points
    assert salvage.lost == []


def test_a_file_of_which_nothing_can_be_read_is_refused(
    layer: Layer, points: list, tmp_path: Path
) -> None:
    """Salvaging has an end."""
    layer("m.gpkg", points, COLUMNS)
    file = Snapshots(tmp_path / "copies").take("marks", Path("m.gpkg"), folder=tmp_path)
    file.copy.write_bytes(file.copy.read_bytes()[:3000])

    with pytest.raises(FileError, match=r"m\.gpkg: the GeoPackage file is damaged"):
        salvaged(file, "m", driver="GPKG")


def test_a_missing_shape_is_rejected(survey: Read, layer: Layer, at: Callable) -> None:
    """A record without a shape is counted and named."""
    shapes = [at(50, 50), None, shapely.Point(), at(70, 70)]
    columns = {"tree": ["1", "2", "3", "4"], "dbh_in": [12.0] * 4}
    result = survey(layer("m.gpkg", shapes, columns))

    assert result.marks["tree_id"].tolist() == ["1", "4"]
    assert noticed(result, "2 records rejected, without a position: 2, 3")


def test_heights_of_points_are_dropped(survey: Read, layer: Layer) -> None:
    """The ground plan is what counts."""
    marks = survey(layer("m.gpkg", [shapely.Point(500050, 5000050, 300)], {"dbh_in": [12.0]})).marks

    assert not marks.geometry.has_z.any()


def test_a_virtual_data_set_is_not_followed(survey: Read, text: Callable[..., str]) -> None:
    """It could read any file of the machine, under any name."""
    content = '<OGRVRTDataSource><OGRVRTLayer name="m"><SrcDataSource>/etc/passwd</SrcDataSource>'

    with pytest.raises(InputError, match="this is a virtual data set"):
        survey(text("m.geojson", content))


def test_the_drivers_for_virtual_data_sets_are_off() -> None:
    """Whatever slips through the look at the first bytes finds no driver in a run."""
    code = "import glademark.jobs.layout, pyogrio; print(*pyogrio.list_drivers())"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)  # noqa: S603

    assert "GPKG" in done.stdout.split()
    assert "OGR_VRT" not in done.stdout.split()
