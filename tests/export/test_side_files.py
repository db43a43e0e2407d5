"""What SQLite keeps beside a database never gets at another one of the same name."""

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path

import pytest

from glademark.errors import OutputError
from glademark.export.manifest import Replacing
from glademark.export.output import replace_output

PLAIN = Replacing()
ROWS = 5_000

# Opens a database in a journal mode, writes into it, and waits; then writes again and closes.
OTHER_PROGRAM = """
import sqlite3, sys
database = sqlite3.connect(sys.argv[1], isolation_level=None)
database.execute(f"PRAGMA journal_mode = {sys.argv[2]}")
database.execute("PRAGMA cache_size = 5")
if sys.argv[2] == "DELETE":
    database.execute("BEGIN IMMEDIATE")
database.execute("UPDATE old SET text = 'edited in another program, longer than it was'")
print("written", flush=True)
sys.stdin.readline()
try:
    database.execute("INSERT INTO old VALUES ('more')")
    database.execute("COMMIT")
except sqlite3.Error:
    pass
database.close()
"""


def make_database(path: Path, table: str) -> None:
    """A database of many pages with one table."""
    with closing(sqlite3.connect(path)) as database:
        database.execute(f"CREATE TABLE {table} (text TEXT)")
        database.executemany(f"INSERT INTO {table} VALUES (?)", [("x" * 40,)] * ROWS)  # noqa: S608 - a name from below
        database.commit()


def write_new(place: Path) -> Sequence[str]:
    """Makes a GeoPackage and a summary."""
    make_database(place / "layout.gpkg", "new")
    (place / "summary.json").write_text("{}")
    return ["layout.gpkg", "summary.json"]


def is_sound(folder: Path) -> bool:
    """Whether the database in a folder is the new one, whole, for a program that may write."""
    with closing(sqlite3.connect(folder / "layout.gpkg")) as database:
        rows = database.execute("SELECT count(*) FROM new").fetchone()
        return rows == (ROWS,) and database.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def contents(folder: Path) -> dict[str, bytes]:
    """Every file of a folder."""
    return {path.name: path.read_bytes() for path in folder.iterdir()}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """An output with a GeoPackage."""
    folder = tmp_path / "out"
    folder.mkdir()
    make_database(folder / "layout.gpkg", "old")
    return folder


Opened = Callable[[Path, str], subprocess.Popen[str]]


@pytest.fixture
def opened() -> Opened:
    """Starts another program that has written into a database and keeps it open."""

    def start(path: Path, mode: str) -> subprocess.Popen[str]:
        command = [sys.executable, "-c", OTHER_PROGRAM, str(path), mode]
        pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "text": True}
        program = subprocess.Popen(command, **pipes)  # type: ignore[call-overload] # noqa: S603 - the script above
        assert program.stdout.readline() == "written\n"
        return program

    return start


@pytest.mark.parametrize(
    ("mode", "side"), [("WAL", "layout.gpkg-wal"), ("DELETE", "layout.gpkg-journal")]
)
def test_a_database_open_in_another_program(
    folder: Path, opened: Opened, mode: str, side: str
) -> None:
    """The new one is sound at once, and after the other program wrote on and closed the old one."""
    with opened(folder / "layout.gpkg", mode) as program:
        assert (folder / side).stat().st_size > 0

        replace_output(folder, write_new, replacing=PLAIN)

        assert is_sound(folder)
        program.communicate("\n")
    assert is_sound(folder)
    assert sorted(contents(folder)) == ["layout.gpkg", "manifest.json", "summary.json"]


@pytest.mark.parametrize("mode", ["WAL", "DELETE"])
def test_what_a_killed_program_left(
    folder: Path, opened: Opened, mode: str, caplog: pytest.LogCaptureFixture
) -> None:
    """A log or a hot journal of the old database goes with it, and the run says so."""
    with opened(folder / "layout.gpkg", mode) as program:
        os.kill(program.pid, signal.SIGKILL)

    replace_output(folder, write_new, replacing=PLAIN)

    assert is_sound(folder)
    assert "removed from an earlier output: layout.gpkg-" in caplog.text


def test_a_log_left_without_its_database(folder: Path, opened: Opened, tmp_path: Path) -> None:
    """A log that was copied or stayed behind when its database was deleted does no harm either."""
    with opened(folder / "layout.gpkg", "WAL") as program:
        shutil.copy(folder / "layout.gpkg-wal", tmp_path / "log")
        program.communicate("\n")
    (folder / "layout.gpkg").unlink()
    shutil.copy(tmp_path / "log", folder / "layout.gpkg-wal")

    replace_output(folder, write_new, replacing=PLAIN)

    assert is_sound(folder)


@pytest.mark.parametrize("moment", [1, 2, 3, 4, 5, 6])
def test_a_failed_move_brings_the_side_files_back(
    folder: Path, opened: Opened, monkeypatch: pytest.MonkeyPatch, moment: int
) -> None:
    """Where a file cannot be moved, the old database and its log are what they were."""
    with opened(folder / "layout.gpkg", "WAL") as program:
        os.kill(program.pid, signal.SIGKILL)
    before = contents(folder)
    moves, move = [], Path.replace

    def fail_once(self: Path, target: Path) -> Path:
        moves.append(target)
        if len(moves) == moment:
            raise PermissionError(13, "in use")
        return move(self, target)

    monkeypatch.setattr(Path, "replace", fail_once)
    with pytest.raises(OutputError, match="no permission to write"):
        replace_output(folder, write_new, replacing=PLAIN)

    assert contents(folder) == before


def test_files_of_others_with_such_names_stay(tmp_path: Path) -> None:
    """Beside a file that is no database, such a name means nothing."""
    (tmp_path / "a.csv-journal").write_text("a diary")

    def write(place: Path) -> Sequence[str]:
        (place / "a.csv").write_text("new")
        return ["a.csv"]

    replace_output(tmp_path, write, replacing=PLAIN)

    assert (tmp_path / "a.csv-journal").read_text() == "a diary"


def test_a_new_database_that_is_damaged_is_taken_back(folder: Path) -> None:
    """A GeoPackage that does not read back whole in its place is refused, and the old is back."""
    before = contents(folder)

    def write_damaged(place: Path) -> Sequence[str]:
        names = write_new(place)
        with (place / "layout.gpkg").open("r+b") as file:
            file.seek(4096)
            file.write(b"\xff" * 4096)
        return names

    with pytest.raises(OutputError, match=r"layout\.gpkg does not read back whole .* is unchanged"):
        replace_output(folder, write_damaged, replacing=PLAIN)

    assert contents(folder) == before
