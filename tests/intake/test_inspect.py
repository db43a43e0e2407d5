"""A look at field files before there is a project, and a project file filled in from them."""

import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pyogrio
import pytest
import shapely

from glademark.contracts.survey import LayerSeen
from glademark.errors import InputError
from glademark.intake.first_project import CRS_TO_FILL, new_project_from
from glademark.intake.inspect import inspect_files
from glademark.intake.read import read_survey
from glademark.project import read_project
from glademark.report.terminal.jobs import inspection_lines

SAMPLE = Path(__file__).resolve().parents[2] / "sample_gis"
FILES = sorted(path for path in SAMPLE.iterdir() if path.suffix in {".gpkg", ".csv", ".tif"})
MARKS = (
    "Tree,DBH,Spp,Paint,x,y\n1,12,suger maple,Pink,500050,5000050\n2,9,RM,white,500060,5000060\n"
)


def seen(path: Path) -> LayerSeen:
    """The only layer of a file."""
    (file,) = inspect_files([path])
    (layer,) = file.layers
    return layer


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_every_file_of_the_sample_is_told_for_what_it_is(path: Path) -> None:
    """The sample's files are called after the inputs that they are."""
    expected = path.stem.removesuffix("_north").removesuffix("_south")

    assert seen(path).input == {"stem_map": "standing"}.get(expected, expected)


def test_a_table_is_told_with_what_its_columns_mean(tmp_path: Path) -> None:
    """Meaning and unit of each column, the paints that occur, and what has to be stated."""
    (tmp_path / "monday.csv").write_text(MARKS, encoding="utf-8")

    layer = seen(tmp_path / "monday.csv")

    assert [(one.header, one.meaning) for one in layer.columns] == [
        ("Tree", "id"), ("DBH", "dbh"), ("Spp", "species"), ("Paint", "paint"), ("x", "x"),
        ("y", "y"),
    ]  # fmt: skip
    assert layer.paints == (("pink", 1), ("white", 1))
    assert layer.input == "marks"
    assert layer.crs_needed
    assert layer.dbh_unit_needed
    assert any("'suger maple' (nearest: sugar maple" in text for text in layer.problems)


def test_the_square_is_about_200_m(tmp_path: Path, layer: Callable, square: Callable) -> None:
    """Extent in metres and the middle in degrees: pyproj gives 45.154377 N, 86.998728 W."""
    name = layer("boundary.gpkg", [square()])

    found = seen(tmp_path / name)

    # common practice: a grid line of UTM is within 0.04 % of its length on the ground
    wide, high = (int(found.bounds.split()[at]) for at in (1, 8))
    assert wide == pytest.approx(200, abs=1)
    assert high == pytest.approx(200, abs=1)
    assert found.bounds.endswith("at 45.15438 N, 86.99873 W")
    assert found.crs == "EPSG:32616 (WGS 84 / UTM zone 16N)"


def test_all_layers_of_a_file_are_told(tmp_path: Path, layer: Callable, at: Callable) -> None:
    """A file with several layers is no riddle."""
    for name in ("leave trees", "tuesday"):
        layer("all.gpkg", [at(50, 50)], layer=name)

    (file,) = inspect_files([tmp_path / "all.gpkg"])

    assert [(one.name, one.input) for one in file.layers] == [
        ("leave trees", "leave_trees"),
        ("tuesday", ""),
    ]


@pytest.mark.parametrize(
    ("name", "shape"),
    [
        ("curve", "lines"),
        ("curvepolygon", "areas"),
        ("line_zm", "lines"),
        ("multisurface", "areas"),
        ("test_gpkg_nulls", "points"),
    ],
)
def test_curves_heights_and_measures_are_read_as_plain_shapes(name: str, shape: str) -> None:
    """Files that came with a general library hold one of each odd type."""
    fixtures = Path(pyogrio.__file__).parent / "tests" / "fixtures"
    if not fixtures.is_dir():
        pytest.skip("the library came without its test files")

    assert seen(fixtures / f"{name}.gpkg").shape == shape


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("a.gpkg", b"<html>log in</html>", "this is a web page"),
        ("b.csv", b"", "is empty"),
        ("c.zip", b"PK\x03\x04 cut", "the archive is damaged or cut off"),
        ("d.xlsx", b"PK\x03\x04 cut", "the workbook is damaged or cut off"),
        ("e.kml", b"<kml><Document>", "the document is damaged"),
        ("g.csv", b"dbh,dbh,x,y\n1,2,3,4\n", "two columns are called 'dbh', 'dbh'"),
        ("f.tif", b"II*\x00 cut", "the raster is damaged"),
    ],
)
def test_what_cannot_be_read_is_told(tmp_path: Path, name: str, content: bytes, words: str) -> None:
    """A damaged file gives a sentence, never a traceback."""
    (tmp_path / name).write_bytes(content)

    (file,) = inspect_files([tmp_path / name])

    assert words in " ".join(inspection_lines(file))


def test_a_project_file_from_the_sample_lays_out_once_the_questions_are_answered(
    tmp_path: Path,
) -> None:
    """It is accepted as it stands, and reads all inputs when the unit that nobody said is given."""
    shutil.copytree(SAMPLE, tmp_path / "brought home")
    (tmp_path / "brought home" / "harvest.toml").unlink()
    files = sorted((tmp_path / "brought home").iterdir())

    (path,) = new_project_from(tmp_path / "stand 3", files)
    project = read_project(path)

    assert project.heading.name == "stand 3"
    assert [source.file.name for source in project.inputs.marks] == [
        "marks_north.csv",
        "marks_south.csv",
    ]
    assert project.inputs.terrain is not None
    assert project.volume.table is not None
    text = path.read_text(encoding="utf-8")
    assert '#"white" = "FILL IN"   # 551 records' in text  # 270 and 281, counted with grep -c
    assert "# FILL IN: the diameters do not say their unit.\n#dbh_unit" in text
    assert "# FILL IN: the water is given as lines.\n#width" in text
    answered = text.replace('#dbh_unit = "in"', 'dbh_unit = "in"')
    answered = re.sub(r'#(".*") = "FILL IN"', r'\1 = "cut"', answered)
    marked, _, water = answered.partition("\n[water]\n")
    answered = f"{marked}\n[water]\n{water.replace('#width', 'width', 1)}"
    answered = answered.replace("EPSG:…", "EPSG:26916")  # of the stem map, whose file has none
    path.write_text(answered, encoding="utf-8")
    survey = read_survey(read_project(path), folder=path.parent)
    assert len(survey.marks) == 340 + 318 - 2  # rows of both files, two rejected as its page says


def test_what_is_not_known_is_left_to_fill_in(tmp_path: Path) -> None:
    """A coordinate system that no file says has a place that no program takes for one."""
    (tmp_path / "monday.csv").write_text(MARKS, encoding="utf-8")

    (path,) = new_project_from(tmp_path, [tmp_path / "monday.csv"])

    assert read_project(path).inputs.marks[0].crs == CRS_TO_FILL
    with pytest.raises(InputError, match=r"'EPSG:…' is no coordinate system"):
        read_survey(read_project(path), folder=tmp_path)


def test_text_from_a_file_does_not_leave_its_comment(tmp_path: Path) -> None:
    """A column whose name holds line breaks and quotes cannot write settings."""
    head = '"a\n[limits]\nx = ""1"""'
    (tmp_path / "marks.csv").write_text(f"{head},x,y\nb,1,2\n", encoding="utf-8")

    (path,) = new_project_from(tmp_path, [tmp_path / "marks.csv"])

    assert read_project(path).limits == {}


def test_a_project_file_that_exists_is_left_alone(tmp_path: Path) -> None:
    """What the user wrote is not written over."""
    (tmp_path / "monday.csv").write_text(MARKS, encoding="utf-8")
    (tmp_path / "harvest.toml").write_text("mine", encoding="utf-8")

    with pytest.raises(InputError, match="this project file exists"):
        new_project_from(tmp_path, [tmp_path / "monday.csv"])
    assert (tmp_path / "harvest.toml").read_text(encoding="utf-8") == "mine"


def test_no_readable_file_is_a_refusal(tmp_path: Path) -> None:
    """A project file from nothing would only look like one."""
    with pytest.raises(InputError, match="no such file"):
        new_project_from(tmp_path / "new", [tmp_path / "nowhere.gpkg"])
    assert not (tmp_path / "new").exists()


def test_lines_and_points_of_one_document_are_two_layers(tmp_path: Path) -> None:
    """A walk with a receiver holds waypoints and tracks."""
    line = shapely.LineString([(-87, 45.15), (-86.999, 45.151)])
    track = "".join(f'<trkpt lat="{y}" lon="{x}"/>' for x, y in line.coords)
    (tmp_path / "walk.gpx").write_text(
        f'<gpx><wpt lat="45.15" lon="-87"/><trk><trkseg>{track}</trkseg></trk></gpx>',
        encoding="utf-8",
    )

    (file,) = inspect_files([tmp_path / "walk.gpx"])

    assert [(one.shape, one.input) for one in file.layers] == [
        ("points", ""),
        ("lines", ""),
    ]


@pytest.mark.parametrize(
    ("name", "head", "expected"),
    [
        ("c1.csv", "Plot,Lon,Lat,Plot_acres,Spp,Prod,DBH_in", "cruise"),
        ("day2.csv", "plot,x,y,baf_m2_ha,species,dbh_cm,paint", "cruise"),
        ("habitat trees.csv", "no,x,y,species,dbh_cm", "leave_trees"),
        ("leave.csv", "no,x,y,species,paint", "leave_trees"),
        ("monday.csv", "no,x,y,species,dbh_cm,paint", "marks"),
        ("monday.csv", "no,x,y,species,dbh_cm,kind", "marks"),
        ("marks monday.csv", "no,x,y,species,dbh_cm", "marks"),
        ("trees.csv", "no,x,y,species,dbh_cm,product", ""),
        ("marks.csv", "no,x,y,remark", ""),
        ("waypoints.csv", "name,lon,lat", ""),
    ],
)
def test_a_file_is_of_marks_only_where_it_says_so(
    tmp_path: Path, name: str, head: str, expected: str
) -> None:
    """Trees on plots, trees that stay and trees of which nobody says so are not trees to cut."""
    (tmp_path / name).write_text(f"{head}\n{','.join('1' * len(head.split(',')))}\n", "utf-8")

    assert seen(tmp_path / name).input == expected


def test_what_a_file_is_that_says_nothing_is_asked(
    tmp_path: Path, layer: Callable, line: Callable, square: Callable
) -> None:
    """A project from a week's folder takes no tree for cut, no stream for a corridor by guess."""
    shapes = {"a.gpkg": line((0, 0), (90, 90)), "b.gpkg": square(0, 0, 5), "c.gpkg": square()}
    names = [layer(name, [shape]) for name, shape in shapes.items()]
    tables = {
        "habitat.csv": "no,x,y,species,dbh_cm\n1,2,3,be,60\n",
        "cruise.csv": "Plot,x,y,Spp,Prod,DBH_in\n1,2,3,lob,pulp,9\n",
        "day1.csv": "no,x,y,species,dbh_cm,paint\n1,2,3,be,40,pink\n",
        "more.csv": "no,x,y,species,dbh_cm\n1,2,3,be,40\n",
    }
    for name, content in tables.items():
        (tmp_path / name).write_text(content, encoding="utf-8")

    (path,) = new_project_from(tmp_path, [tmp_path / name for name in (*names, *tables)])
    inputs, text = read_project(path).inputs, path.read_text(encoding="utf-8")

    assert [source.file.name for source in inputs.marks] == ["day1.csv"]
    assert inputs.leave_trees is not None
    assert inputs.cruise is not None
    assert inputs.corridors is None
    assert 'FILL IN: which input is "a.gpkg"? It may be corridors or stand or water' in text
    assert 'FILL IN: one of "b.gpkg" and "c.gpkg"' in text
    assert (
        'FILL IN: which input is "more.csv"? It may be leave_trees or cruise or marks or '
        "standing or crop_trees, or none" in text
    )


def test_names_that_hold_trees_are_read_and_their_paints_asked(tmp_path: Path) -> None:
    """What waypoints are called stands in the project file as a pattern to confirm."""
    points = "".join(
        f'<wpt lat="45" lon="-87"><name>{name}</name></wpt>'
        for name in ("ns 38 pink", "be 22 pink", "ns 41 blue")
    )
    (tmp_path / "phone.gpx").write_text(f"<gpx>{points}</gpx>", encoding="utf-8")

    (path,) = new_project_from(tmp_path, [tmp_path / "phone.gpx"])
    text = path.read_text(encoding="utf-8")

    assert read_project(path).marks.name_pattern == "{species} {dbh} {paint}"
    assert '#"pink" = "FILL IN"   # 2 records' in text
    assert "# FILL IN: the diameters do not say their unit." in text


def test_species_of_a_volume_table_among_the_files_are_known(tmp_path: Path) -> None:
    """A local name is no slip where the price list or tariff has it."""
    (tmp_path / "monday.csv").write_text(MARKS.replace("RM", "Weisstanne"), encoding="utf-8")
    (tmp_path / "volume.csv").write_text("species,dbh_in,volume_m3\nWEISSTANNE,12,0.8\n")

    alone = " ".join(seen(tmp_path / "monday.csv").problems)
    first, _ = inspect_files([tmp_path / "monday.csv", tmp_path / "volume.csv"])

    assert "2 records of species that are not known: 'suger maple'" in alone
    assert "'Weisstanne'" in alone
    told = " ".join(first.layers[0].problems)
    assert "1 record of species that are not known: 'suger maple' (nearest: sugar maple" in told
    assert "Weisstanne" not in told


def test_species_of_a_project_are_known_where_it_is_named(
    tmp_path: Path, command: Callable[..., subprocess.CompletedProcess[str]]
) -> None:
    """Files for a project that exists are looked at with its own names of species."""
    shutil.copytree(SAMPLE, tmp_path / "sample")
    file = tmp_path / "sample" / "harvest.toml"
    with file.open("a", encoding="utf-8") as text:
        text.write('\n[species.bu]\nname = "Rotbuche"\nvolume_as = "American beech"\n')
    (tmp_path / "monday.csv").write_text(MARKS.replace("RM", "Rotbuche"), encoding="utf-8")

    plain = command("inspect", tmp_path / "monday.csv").stdout
    known = command("inspect", "--project", file, tmp_path / "monday.csv").stdout

    assert "'Rotbuche'" in plain
    assert "'Rotbuche'" not in known
    assert "'suger maple'" in known


def test_unknown_species_are_asked_about_in_a_new_project(tmp_path: Path) -> None:
    """The project file shows where a local name gets its equations."""
    (tmp_path / "monday.csv").write_text(MARKS.replace("RM", "Weisstanne"), encoding="utf-8")

    (written,) = new_project_from(tmp_path / "new", [tmp_path / "monday.csv"])

    text = written.read_text(encoding="utf-8")
    assert '#[species."Weisstanne"]   # FILL IN: not known, 1 record' in text
