"""What comes from the field stays data, and nothing that the user has is harmed."""

import csv
import os
import re
import shutil
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from time import process_time

import geopandas as gpd
import openpyxl
import pytest
import shapely
from lxml import html

from glademark.errors import FileError
from glademark.export.reopen import reopen
from glademark.export.tables import FORMULA_STARTS
from glademark.jobs.layout import Outcome, installed_deliverables, lay_out

Command = Callable[..., subprocess.CompletedProcess[str]]
X0, Y0 = 500_000.0, 5_000_000.0
UTM = "EPSG:32616"
EVIL = (
    '=HYPERLINK("http://x","y")', "+1+1", "-2+3", "@SUM(A1)", "\tx", "\uff1d1+1",
    "<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "\x1b[2J\x1b]0;x\x07",
    "\u202eeert", "'; DROP TABLE marks; --", '"; DROP TABLE marks; --', "$\\frac", "{{7*7}}",
    "</script><b>", "]]><x/>",
)  # fmt: skip
HARMLESS = tuple(f"text {number}" for number in range(len(EVIL)))


def field_files(folder: Path, texts: tuple[str, ...]) -> Path:
    """A small project in which every text that can come from the field is one of these."""
    folder.mkdir()
    square = shapely.box(X0, Y0, X0 + 200, Y0 + 200)
    gpd.GeoDataFrame({"name": [texts[6]]}, geometry=[square], crs=UTM).to_file(
        folder / "stand.gpkg", layer=f'a" {texts[11]}'
    )
    line = shapely.LineString([(X0 + 20, Y0), (X0 + 20, Y0 + 200)])
    gpd.GeoDataFrame({"name": [texts[7]]}, geometry=[line], crs=UTM).to_file(
        folder / "corridors.shp"
    )
    hole = shapely.box(X0 + 150, Y0 + 150, X0 + 170, Y0 + 170)
    gpd.GeoDataFrame({"name": [texts[0]]}, geometry=[hole], crs=UTM).to_file(folder / "keep.gpkg")
    with (folder / "marks.csv").open("w", encoding="utf-8", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(
            ["tree", "dbh_cm", "species", "product", "paint", "group", "x", "y", texts[0]]
        )
        for n, text in enumerate(texts):
            at = X0 + 60 + 3 * (n % 4), Y0 + 60 + 3 * (n // 4)
            rows.writerow([text, 30 + n, text, text, text, texts[n % 3], *at, text])
        rows.writerow(["far", 30, "", "", "", "", X0 + 900, Y0, texts[8]])
    (folder / "harvest.toml").write_text(
        f'project = {{name = "Safety (invented)"}}\n[inputs]\nstand = "stand.gpkg"\n'
        f'corridors = "corridors.shp"\nexclusions = "keep.gpkg"\n'
        f'marks = {{file = "marks.csv", crs = "{UTM}"}}\n'
        '[marks]\nwithout_paint = "cut"\n[marks.paint]\nwhite = "cut"\n',
        encoding="utf-8",
    )
    return folder / "harvest.toml"


def outcome(home: Path, texts: tuple[str, ...], ending: str = "") -> Outcome:
    """The project laid out, everything made that can be made, or all files of an ending."""
    every = [
        name
        for name, one in installed_deliverables().items()
        if any(file.endswith(ending) for file in one.files)
    ]
    return lay_out(field_files(home / "project", texts), out=home / "out", only=tuple(every))


@pytest.fixture(scope="module")
def evil(tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    """Layout of a stand whose texts were written to do harm."""
    return outcome(tmp_path_factory.mktemp("evil"), EVIL)


@pytest.fixture(scope="module")
def harmless(tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    """Pages of the same with plain texts."""
    return outcome(tmp_path_factory.mktemp("harmless"), HARMLESS, ".html")


def written(made: Outcome, ending: str) -> list[Path]:
    """Files of an output with an ending."""
    return [path for path in made.files if path.suffix == ending]


def test_no_cell_of_a_table_is_a_formula(evil: Outcome) -> None:
    """A spreadsheet that opens the tables runs nothing, and the texts are still there."""
    cells = [
        cell
        for path in written(evil, ".csv")
        for row in csv.reader(path.read_text(encoding="utf-8").splitlines())
        for cell in row
    ]

    numbers = re.compile(r"-?\d+(\.\d+)?(e-?\d+)?")
    assert not [c for c in cells if c.startswith(FORMULA_STARTS) and not numbers.fullmatch(c)]
    assert any(cell.startswith("'=HYPERLINK") for cell in cells)


def test_no_cell_of_a_workbook_is_a_formula(evil: Outcome) -> None:
    """Text stays text where workbooks are made."""
    books = written(evil, ".xlsx")
    if not books:
        pytest.skip("no deliverable that is installed makes a workbook")
    kinds = {
        cell.data_type
        for path in books
        for sheet in openpyxl.load_workbook(path).worksheets
        for row in sheet.iter_rows()
        for cell in row
        if isinstance(cell.value, str) and "HYPERLINK" in cell.value
    }

    assert kinds == {"s"}


def test_no_text_becomes_markup(evil: Outcome, harmless: Outcome) -> None:
    """A page holds the same elements whatever the trees are called, and no handler of an event."""

    def elements(made: Outcome) -> list[str]:
        pages = [html.fromstring(path.read_bytes()) for path in written(made, ".html")]
        tags = (str(one.tag) for page in pages for one in page.iter() if isinstance(one.tag, str))
        return sorted(set(tags))

    page = html.fromstring(written(evil, ".html")[0].read_bytes())

    assert elements(evil) == elements(harmless)
    assert len(page.xpath("//script")) == len(
        html.fromstring(written(harmless, ".html")[0].read_bytes()).xpath("//script")
    )
    assert not page.xpath("//@onerror")
    assert not page.xpath("//b[not(text())]")


def test_no_text_becomes_sql(evil: Outcome) -> None:
    """All marks are in the GeoPackage, whatever their names ask the database to do."""
    path = next(path for path in evil.files if path.name == "layout.gpkg")

    marks = gpd.read_file(path, layer="marks")

    assert set(marks["tree_id"]) >= {EVIL[10], EVIL[11]}


@pytest.mark.parametrize("words", [("layout",), ("inspect",), ("-vv", "layout")])
def test_no_text_steers_the_terminal(
    command: Command, tmp_path: Path, words: tuple[str, ...]
) -> None:
    """Control codes and signs that turn the line come out as something to read."""
    project = field_files(tmp_path / "project", EVIL)
    bad = tmp_path / "project" / "marks\x1b[2J.csv"
    bad.write_bytes(b"\x1b[2J,\x9b2J\n1,2\n")
    ends = [project, "-o", tmp_path / "out", "--only", "summary"]
    if words == ("inspect",):
        ends = [tmp_path / "project" / "marks.csv", bad, tmp_path / "project" / "stand.gpkg"]

    done = command(*words, *ends)

    said = done.stdout + done.stderr
    assert "Traceback" not in said
    assert said
    assert not re.search("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e]", said)


def tree(folder: Path) -> dict[str, tuple[bytes, int]]:
    """Bytes and time of change of every file, and the names of folders."""
    return {
        str(path.relative_to(folder)): (
            path.read_bytes() if path.is_file() else b"",
            path.stat().st_mtime_ns,
        )
        for path in folder.rglob("*")
    }


def test_inputs_and_their_side_files_stay(command: Command, tmp_path: Path) -> None:
    """A run changes no byte of an input's folder and adds no file to it, be it with side files."""
    project = field_files(tmp_path / "project", HARMLESS)
    before = tree(tmp_path / "project")

    done = command("layout", project, "-o", tmp_path / "out", "--only", "gpkg")

    assert done.returncode == 0, done.stderr
    assert tree(tmp_path / "project") == before


IN_A_SPACE_OF_ITS_OWN = """
set -e
mount -t tmpfs -o size=$1 tmpfs "$2"
mkdir "$2/out"
echo earlier > "$2/out/summary.json"
cp "$2/out/summary.json" "$2/out/checks.csv"
if [ "$1" = 64m ]; then mount -o remount,ro "$2"; fi
set +e
"$3" -m glademark layout "$4" -o "$2/out" --only gpkg --only checks
echo "exit $?"
cd "$2"; find . | sort; cat out/*
"""


@pytest.mark.skipif(shutil.which("unshare") is None, reason="needs a system with name spaces")
@pytest.mark.parametrize(
    ("size", "words"), [("400k", "on its disk"), ("64m", "the disk is read-only")]
)
def test_a_full_or_read_only_disk_changes_nothing(tmp_path: Path, size: str, words: str) -> None:
    """The run ends with exit code 3 and a plain sentence, and the earlier output is what it was."""
    project = field_files(tmp_path / "project", HARMLESS)
    (tmp_path / "disk").mkdir()
    shell = ["unshare", "-rm", "sh", "-c", IN_A_SPACE_OF_ITS_OWN, "sh", size]
    ends = [str(tmp_path / "disk"), sys.executable, str(project)]

    done = subprocess.run([*shell, *ends], capture_output=True, text=True, check=False)  # noqa: S603 - the script above

    if "exit" not in done.stdout:
        pytest.skip(f"no disk can be mounted here: {done.stderr[:80]}")
    assert "exit 3" in done.stdout, done.stderr
    assert done.stdout.split("exit 3\n")[1] == (
        ".\n./out\n./out/checks.csv\n./out/summary.json\nearlier\nearlier\n"
    )
    assert words in done.stderr or "the disk is full" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.fixture
def open_elsewhere(command: Command, tmp_path: Path) -> Iterator[Path]:
    """An earlier output whose GeoPackage another program has open and locked for writing."""
    import sqlite3  # noqa: PLC0415 - only here

    project = field_files(tmp_path / "project", HARMLESS)
    assert command("layout", project, "-o", tmp_path / "out", "--only", "gpkg").returncode == 0
    database = sqlite3.connect(tmp_path / "out" / "layout.gpkg")
    database.execute("BEGIN EXCLUSIVE")
    yield project
    database.close()


def test_a_layer_open_elsewhere_is_replaced(
    open_elsewhere: Path, forked_command: Command, tmp_path: Path
) -> None:
    """A map program that shows the earlier layout does not keep the new one from being written."""
    done = forked_command("layout", open_elsewhere, "-o", tmp_path / "out", "--only", "gpkg")

    assert done.returncode == 0, done.stderr
    assert len(gpd.read_file(tmp_path / "out" / "layout.gpkg", layer="stand")) == 1


def test_an_output_is_that_of_one_run(command: Command, tmp_path: Path) -> None:
    """Papers of the GeoPackage join its output; a run with fewer files removes the others."""
    project, out = field_files(tmp_path / "project", HARMLESS), tmp_path / "out"
    first = command("layout", project, "-o", out, "--only", "gpkg", "--only", "checks")
    (out / "notes.txt").write_text("mine")

    papers = command("papers", out / "layout.gpkg", "-o", out, "--only", "openings")
    after_papers = {path.name for path in out.iterdir()}
    done = command("layout", project, "-o", out, "--only", "checks")

    kept = {"checks.csv", "summary.json", "manifest.json", "notes.txt"}
    assert [first.returncode, papers.returncode, done.returncode] == [0, 0, 0], done.stderr
    assert after_papers == kept | {"layout.gpkg", "openings.csv"}
    assert "removed" not in papers.stderr
    assert "removed from an earlier output: layout.gpkg, openings.csv\n" in done.stderr
    assert {path.name for path in out.iterdir()} == kept


def test_an_input_locked_elsewhere_is_read(forked_command: Command, tmp_path: Path) -> None:
    """A layer that another program holds is read from a copy, without waiting for it."""
    import sqlite3  # noqa: PLC0415 - only here

    project = field_files(tmp_path / "project", HARMLESS)
    with closing(sqlite3.connect(tmp_path / "project" / "stand.gpkg")) as database:
        database.execute("BEGIN EXCLUSIVE")
        done = forked_command("layout", project, "-o", tmp_path / "out", "--only", "checks")
        database.rollback()

    assert done.returncode == 0, done.stderr


def test_a_pipe_is_not_waited_for(forked_command: Command, tmp_path: Path) -> None:
    """A named pipe among the inputs is refused at once; reading it would wait for ever."""
    project = field_files(tmp_path / "project", HARMLESS)
    (tmp_path / "project" / "marks.csv").unlink()
    os.mkfifo(tmp_path / "project" / "marks.csv")
    said: list[subprocess.CompletedProcess[str]] = []
    run = threading.Thread(
        target=lambda: said.append(forked_command("inspect", project.parent / "marks.csv"))
    )

    run.start()
    run.join(timeout=30)

    assert said
    assert "is no plain file" in said[0].stdout


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("wide.csv", ",".join(f"c{n}" for n in range(200_000)) + "\n1\n", "200,000 columns"),
        (
            "wide.geojson",
            '{"type": "FeatureCollection", "features": [{"type": "Feature", "geometry": null, '
            '"properties": {' + ", ".join(f'"c{n}": 1' for n in range(200_000)) + "}}]}",
            "200,000 columns",
        ),
        ("digits.geojson", '{"type": "FeatureCollection", "a": ' + "1" * 40_000 + "}", "numbers"),
        ("marks.csv", "id,dbh_cm\n1," + "1" * 40_000 + "\n", "without a diameter"),
        ("marks.csv", "id,species\n1," + "0" * 40_000 + "x\n", "not known"),
        ("note.gpx", f"<gpx><wpt><desc>{'a ' * 40_000}!</desc></wpt></gpx>", "without a position"),
    ],
)
def test_odd_input_costs_no_time(
    command: Command, tmp_path: Path, name: str, content: str, words: str
) -> None:
    """Cells, lines and tables of absurd length are told within seconds of computing."""
    (tmp_path / name).write_text(content, encoding="utf-8")
    before = process_time()

    done = command("inspect", tmp_path / name)

    assert process_time() - before < 10
    assert words in done.stdout


@pytest.mark.parametrize(
    "text",
    [
        "[marks.paint]\n" + "\n".join(f'w{n} = "cut"' for n in range(50_000)),
        "[marks.paint]\n" + "\n".join(f'w{n} = "cut"' for n in range(300)),
        "".join(f"[t{n}]\n" for n in range(100_000)),
        "[" + ".".join(["a"] * 5000) + "]",
        ".".join(["a"] * 400_000) + " = 1",
        'position_error = "1' + " " * 40_000 + 'x"',
    ],
)
def test_an_odd_project_file_costs_no_time(command: Command, tmp_path: Path, text: str) -> None:
    """Thousands of keys, and keys of thousands of parts, are refused in few sentences."""
    (tmp_path / "harvest.toml").write_text(
        f"{text}\n".replace("position", "[marks]\nposition"), encoding="utf-8"
    )
    before = process_time()

    done = command("layout", tmp_path / "harvest.toml", "-o", tmp_path / "out")

    assert process_time() - before < 10
    assert done.returncode == 2
    assert 0 < done.stderr.count("\n") < 10


def test_papers_wait_for_no_pipe(tmp_path: Path) -> None:
    """A named pipe in the place of a layout is refused at once; so is what is no GeoPackage."""
    os.mkfifo(tmp_path / "layout.gpkg")
    (tmp_path / "link.gpkg").write_text('{"type": "Feature"}', encoding="utf-8")

    for name in ("layout.gpkg", "link.gpkg"):
        with pytest.raises(FileError, match="this is no GeoPackage; expected a layout"):
            reopen(tmp_path / name)
