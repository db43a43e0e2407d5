"""Files: told by their first bytes, never followed elsewhere, never changed."""

import os
import socket
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path

import pytest

from glademark.errors import FileError, counted, listed, quoted, shown
from glademark.intake.formats.files import Snapshots


def take(folder: Path, name: str) -> object:
    """One file, taken as marks."""
    temporary = folder / "temporary"
    temporary.mkdir(exist_ok=True)
    return Snapshots(temporary).take("marks", Path(name), folder=folder)


@pytest.mark.parametrize(
    ("content", "what"),
    [
        (b"\xd0\xcf\x11\xe0 rest", "an old workbook"),
        (b"%PDF-1.7", "a PDF document"),
        (b"\x89PNG\r\n", "a picture"),
        (b"\n<!DOCTYPE html><html>", "a web page, perhaps a log-in page"),
        (b"<OGRVRTDataSource><OGRVRTLayer>", "a virtual data set"),
    ],
)
def test_a_file_is_told_by_its_first_bytes(tmp_path: Path, content: bytes, what: str) -> None:
    """A log-in page saved under the name of a layer is told for what it is."""
    (tmp_path / "marks.gpkg").write_bytes(content)

    with pytest.raises(FileError, match=rf"marks\.gpkg: this is {what}"):
        take(tmp_path, "marks.gpkg")


def test_an_unknown_format_is_refused_with_those_known(tmp_path: Path) -> None:
    """What would be read is said."""
    (tmp_path / "marks.dat").write_bytes(b"something else")

    with pytest.raises(
        FileError, match=r"the format is not known\. Expected GeoPackage, Shapefile"
    ):
        take(tmp_path, "marks.dat")


@pytest.mark.parametrize(
    ("name", "what"),
    [
        ("missing.csv", "no such file"),
        (".", "is a folder"),
        ("empty.csv", "is empty"),
        ("https://example.org/marks.csv", "only local files are read"),
        ("/vsicurl/marks.csv", "only local files are read"),
        ("loop.csv", "the file cannot be read"),
        ("pipe.csv", "is no plain file"),
        ("socket.csv", "is no plain file"),
        ("zero\x00byte.csv", "not a path to a file"),
    ],
)
def test_what_is_no_file_is_refused_at_once(tmp_path: Path, name: str, what: str) -> None:
    """A pipe would be waited for and a network address fetched; neither is opened."""
    (tmp_path / "empty.csv").touch()
    (tmp_path / "loop.csv").symlink_to(tmp_path / "loop.csv")
    os.mkfifo(tmp_path / "pipe.csv")
    with socket.socket(socket.AF_UNIX) as listener:
        folder = Path.cwd()
        os.chdir(tmp_path)  # the path of a socket must be short
        listener.bind("socket.csv")
        os.chdir(folder)

        with pytest.raises(FileError, match=what):
            take(tmp_path, name)


def test_a_file_beyond_reason_is_refused_unread(tmp_path: Path) -> None:
    """The limit is named; a sparse file of that size takes no room."""
    with (tmp_path / "huge.csv").open("wb") as file:
        file.truncate(513 * 2**20)

    with pytest.raises(FileError, match="is larger than 512 MiB"):
        take(tmp_path, "huge.csv")


def test_a_link_is_followed(tmp_path: Path) -> None:
    """A link to a file is that file."""
    (tmp_path / "real.csv").write_text("a,b\n1,2\n")
    (tmp_path / "link.csv").symlink_to(tmp_path / "real.csv")

    assert take(tmp_path, "link.csv").path == (tmp_path / "real.csv").resolve()


def test_a_file_is_named_as_the_user_knows_it(tmp_path: Path) -> None:
    """A path below the project file is told relative to it."""
    (tmp_path / "field").mkdir()
    (tmp_path / "field" / "marks.csv").write_text("a,b\n1,2\n")

    assert take(tmp_path, "field/marks.csv").name == "field/marks.csv"
    assert take(tmp_path, str(tmp_path / "field" / "marks.csv")).name == "field/marks.csv"


def test_a_file_keeps_its_name_behind_a_linked_folder(tmp_path: Path) -> None:
    """A project folder that is reached through a link gives no path of this machine away."""
    (tmp_path / "real").mkdir()
    (tmp_path / "real" / "marks.csv").write_text("a,b\n1,2\n")
    (tmp_path / "link").symlink_to(tmp_path / "real")

    assert take(tmp_path / "link", str(tmp_path / "real" / "marks.csv")).name == "marks.csv"


def test_the_digest_is_that_of_the_bytes(tmp_path: Path) -> None:
    """Anyone can check it with the tools of the system."""
    (tmp_path / "marks.csv").write_bytes(b"a,b\n1,2\n")

    assert take(tmp_path, "marks.csv").sha256 == sha256(b"a,b\n1,2\n").hexdigest()


def test_the_digest_covers_all_parts(tmp_path: Path, layer: Callable, at: Callable) -> None:
    """A Shapefile with other attributes is another input."""
    layer("marks.shp", [at(1, 1)], {"tree": ["1"]})
    before = take(tmp_path, "marks.shp").sha256
    layer("marks.shp", [at(1, 1)], {"tree": ["2"]})

    assert take(tmp_path, "marks.shp").sha256 != before


def test_side_files_are_found_in_any_letter_case(
    tmp_path: Path, layer: Callable, at: Callable
) -> None:
    """Some receivers write capitals."""
    layer("marks.shp", [at(1, 1)], {"tree": ["1"]})
    for part in tmp_path.glob("marks.*"):
        part.rename(tmp_path / part.name.upper())
    taken = take(tmp_path, "MARKS.SHP")

    assert {part.suffix for part in taken.copy.parent.iterdir()} >= {".shp", ".shx", ".dbf", ".prj"}


def test_text_from_a_file_cannot_steer_a_terminal() -> None:
    """Control and direction characters are shown, and long text is cut."""
    text = shown("a\x1b[2Jb\u202ec\x00" + "x" * 100)

    assert text.startswith("a\\x1b[2Jb\\u202ec\\x00")
    assert len(text) == 80
    assert text.endswith("…")


def test_up_to_ten_names_are_listed() -> None:
    """The rest is counted."""
    assert listed(range(10)) == "0, 1, 2, 3, 4, 5, 6, 7, 8, 9"
    assert listed(range(1200)).endswith("8, 9 and 1,190 more")
    assert counted(2, "mark") == "2 marks"
    assert quoted([]) == "none"
