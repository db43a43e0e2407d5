"""Files of an earlier output: replaced or removed with it, and no other file ever."""

import hashlib
import json
import os
import signal
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from glademark.errors import OutputError
from glademark.export.manifest import Listed, Replacing
from glademark.export.output import replace_output

LEADING_OUT = json.dumps(
    {
        "program": "glademark",
        "outputs": {
            "layout": {"made_from": "", "files": {"../notes.txt": {"size": 3, "sha256": "x"}}}
        },
    }
)
PLAIN = Replacing()

# Replaces the output a.csv, gone.csv, summary.json by a.csv, new.csv, summary.json, and is killed
# before the n-th move of a file; where it should fail, before the n-th move after a refused one.
KILLED_RUN = """
import os, signal, sys
from pathlib import Path
from glademark.export.manifest import Replacing
from glademark.export.output import replace_output

folder, moment, refused = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
moves, move = 0, Path.replace

def counted(self, target):
    global moves
    moves += 1
    if moves == refused:
        raise PermissionError(13, "in use")
    if moves == refused + moment:
        os.kill(os.getpid(), signal.SIGKILL)
    return move(self, target)

def write(place):
    for name in ("a.csv", "new.csv", "summary.json"):
        (place / name).write_text("new " + name)
    return ["a.csv", "new.csv", "summary.json"]

Path.replace = counted
replace_output(folder, write, replacing=Replacing())
"""


def writing(text: str, names: Sequence[str]) -> Callable[[Path], Sequence[str]]:
    """Writes a text and the name into each file."""

    def write(place: Path) -> Sequence[str]:
        for name in names:
            (place / name).parent.mkdir(parents=True, exist_ok=True)
            (place / name).write_text(f"{text} {name}")
        return names

    return write


def put(folder: Path, text: str, *names: str, replacing: Replacing = PLAIN) -> None:
    """A run that makes some files."""
    replace_output(folder, writing(text, names), replacing=replacing)


def contents(folder: Path) -> dict[str, str]:
    """Every file of a folder, those in folders within it included."""
    files = (path for path in folder.rglob("*") if path.is_file())
    return {path.relative_to(folder).as_posix(): path.read_text() for path in files}


def names(folder: Path) -> set[str]:
    """Names of every file but the manifest."""
    return set(contents(folder)) - {"manifest.json"}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """An output of three files, and one of the user's own."""
    folder = tmp_path / "out"
    put(folder, "old", "a.csv", "gone.csv", "summary.json")
    (folder / "notes.txt").write_text("the forester's own")
    return folder


def test_the_manifest_lists_exactly_what_was_written(folder: Path) -> None:
    """Size and SHA-256 of each file of the output stand in it, and no other file."""
    listed = json.loads((folder / "manifest.json").read_text())["outputs"]["layout"]["files"]

    assert listed == {
        name: {"size": 4 + len(name), "sha256": hashlib.sha256(f"old {name}".encode()).hexdigest()}
        for name in ("a.csv", "gone.csv", "summary.json")
    }


def test_a_file_no_longer_made_is_removed(folder: Path, caplog: pytest.LogCaptureFixture) -> None:
    """A run with fewer files removes those of the one before, says which, and touches no other."""
    put(folder, "new", "a.csv", "summary.json")

    assert names(folder) == {"a.csv", "summary.json", "notes.txt"}
    assert caplog.messages == ["removed from an earlier output: gone.csv"]


def test_a_file_changed_since_is_kept(folder: Path, caplog: pytest.LogCaptureFixture) -> None:
    """What a user changed is not removed; it is named, and is the user's from then on."""
    (folder / "gone.csv").write_text("with remarks")
    put(folder, "new", "a.csv", "summary.json")
    put(folder, "newer", "a.csv", "summary.json")

    assert contents(folder)["gone.csv"] == "with remarks"
    assert caplog.messages == [
        "kept, though of an earlier output, since changed after it was written: gone.csv"
    ]


def test_a_link_or_folder_under_a_listed_name_is_kept(folder: Path) -> None:
    """Where a user put something else in the place of a file, it stays, and so does its content."""
    put(folder, "old", "a.csv", "gone.csv", "b.csv", "summary.json")
    (folder / "gone.csv").unlink()
    (folder / "gone.csv").symlink_to(folder / "notes.txt")
    (folder / "b.csv").unlink()
    (folder / "b.csv").mkdir()

    put(folder, "new", "a.csv", "summary.json")

    assert (folder / "gone.csv").is_symlink()
    assert (folder / "b.csv").is_dir()
    assert contents(folder)["notes.txt"] == "the forester's own"


def test_inputs_are_not_removed(folder: Path) -> None:
    """A file of an earlier output that has become an input, itself or in a folder, stays."""
    put(folder, "old", "a.csv", "gone.csv", "parts/b.csv", "summary.json")

    inputs = (folder / "gone.csv", folder / "parts")
    put(folder, "new", "a.csv", "summary.json", replacing=Replacing(inputs=inputs))

    assert {"gone.csv", "parts/b.csv"} < names(folder)


def test_other_jobs_in_the_folder_keep_their_files(folder: Path) -> None:
    """A comparison written beside a layout removes nothing of it, nor the layout of it."""
    put(folder, "new", "compare.json", replacing=Replacing(job="compare"))
    put(folder, "new", "a.csv", "summary.json")

    assert names(folder) == {"a.csv", "summary.json", "notes.txt", "compare.json"}
    put(folder, "newer", "findings.csv", replacing=Replacing(job="compare"))
    assert names(folder) == {"a.csv", "summary.json", "notes.txt", "findings.csv"}


def test_a_file_that_another_job_has_written_over_is_its(folder: Path) -> None:
    """The earlier job no longer removes it."""
    put(folder, "new", "gone.csv", replacing=Replacing(job="batch"))
    put(folder, "new", "a.csv", "summary.json")

    assert contents(folder)["gone.csv"] == "new gone.csv"


@pytest.mark.parametrize(
    "text",
    [
        '{"name": "a page of the web"}',
        '{"program": "other", "outputs": {}}',
        '{"program": "glademark", "outputs": {"layout": {"made_from": "", "fil',
        LEADING_OUT,
        "[1]",
        "",
    ],
)
def test_a_manifest_of_others_is_not_written_over(tmp_path: Path, text: str) -> None:
    """A file of that name that is another program's, damaged or leads elsewhere stops the run."""
    (tmp_path / "manifest.json").write_text(text)
    began: list[Path] = []

    with pytest.raises(OutputError, match=r"manifest\.json is no list of files that this program"):
        replace_output(tmp_path, lambda place: began.append(place) or [], replacing=PLAIN)

    assert contents(tmp_path) == {"manifest.json": text}
    assert not began


def test_without_a_manifest_no_file_is_ours(tmp_path: Path) -> None:
    """Files under no manifest stay, whatever they are called: nothing says who made them."""
    (tmp_path / "gone.csv").write_text("old")

    put(tmp_path, "new", "a.csv", "summary.json")

    assert names(tmp_path) == {"a.csv", "summary.json", "gone.csv"}


def test_papers_of_a_geopackage_join_its_output(tmp_path: Path) -> None:
    """Files made again from the GeoPackage of a folder stand beside all that the first run made."""
    put(tmp_path, "old", "layout.gpkg", "a.csv", "summary.json")
    papers = Replacing(made_from=tmp_path / "layout.gpkg", inputs=(tmp_path / "layout.gpkg",))

    put(tmp_path, "new", "b.csv", "summary.json", replacing=papers)

    assert names(tmp_path) == {"layout.gpkg", "a.csv", "b.csv", "summary.json"}
    put(tmp_path, "newer", "a.csv", "summary.json")
    assert names(tmp_path) == {"a.csv", "summary.json"}


def test_papers_of_a_changed_geopackage_replace_the_others(tmp_path: Path) -> None:
    """What was made from the GeoPackage as it was goes; the GeoPackage is an input and stays."""
    put(tmp_path, "old", "layout.gpkg", "a.csv", "summary.json")
    (tmp_path / "layout.gpkg").write_text("changed")
    papers = Replacing(made_from=tmp_path / "layout.gpkg", inputs=(tmp_path / "layout.gpkg",))

    put(tmp_path, "new", "b.csv", "summary.json", replacing=papers)
    put(tmp_path, "new", "c.csv", "summary.json", replacing=papers)

    assert names(tmp_path) == {"layout.gpkg", "b.csv", "c.csv", "summary.json"}


def test_files_in_folders_that_stay_or_go(tmp_path: Path) -> None:
    """Parts named as staying are listed and stay; others go, with the folders that they leave."""
    put(tmp_path, "old", "zones/stand=1/part.csv", "zones/stand=2/part.csv", "stands.csv")
    part = tmp_path / "zones" / "stand=1" / "part.csv"
    staying = Replacing(staying={"zones/stand=1/part.csv": Listed.of(part)})

    put(tmp_path, "new", "stands.csv", replacing=staying)

    assert names(tmp_path) == {"zones/stand=1/part.csv", "stands.csv"}
    assert not (tmp_path / "zones" / "stand=2").exists()
    put(tmp_path, "newer", "stands.csv")
    assert [path.name for path in tmp_path.iterdir() if path.is_dir()] == []


@pytest.fixture
def kill_run(folder: Path, forked: Callable[..., int]) -> Callable[..., int]:
    """Exit code of a run into the folder that is killed at a moment."""
    return lambda moment, refused=0: forked(KILLED_RUN, folder, moment, refused)


def finish(folder: Path) -> None:
    """A run that fails once it has completed what an earlier one left."""

    def fail(_: Path) -> Sequence[str]:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        replace_output(folder, fail, replacing=PLAIN)


@pytest.mark.parametrize("moment", range(1, 7))
def test_killed_while_replacing(folder: Path, kill_run: Callable[..., int], moment: int) -> None:
    """After a kill at any move the next run finds the old output whole, or completes the new."""
    old = contents(folder)

    code = kill_run(moment)
    (folder / "more.txt").write_text("written between the runs")
    finish(folder)

    left = contents(folder)
    assert code == -signal.SIGKILL
    assert left.pop("more.txt") == "written between the runs"
    if moment == 1:  # before the new files were known to be whole
        assert left == old
    else:
        assert set(left) == {"a.csv", "new.csv", "summary.json", "notes.txt", "manifest.json"}
        assert left["a.csv"] == "new a.csv"
    assert [path.name for path in folder.parent.iterdir()] == ["out"]


@pytest.mark.parametrize("moment", range(1, 4))
def test_killed_while_putting_back(folder: Path, kill_run: Callable[..., int], moment: int) -> None:
    """A run that fails at its last move and is killed while it puts things back leaves the old."""
    old = contents(folder)

    code = kill_run(moment, refused=6)
    finish(folder)

    left = contents(folder)
    assert code == -signal.SIGKILL
    if moment == 1:  # not yet said that things are to be put back
        assert set(left) == {"a.csv", "new.csv", "summary.json", "notes.txt", "manifest.json"}
    else:
        assert left == old
    assert [path.name for path in folder.parent.iterdir()] == ["out"]


def test_a_file_written_again_after_a_kill_is_not_removed(
    folder: Path, kill_run: Callable[..., int]
) -> None:
    """What a user puts where a killed run had removed a file is no part of the earlier output."""
    kill_run(5)
    assert not os.path.lexists(folder / "gone.csv")
    (folder / "gone.csv").write_text("mine")

    finish(folder)

    assert contents(folder)["gone.csv"] == "mine"
