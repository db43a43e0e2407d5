"""The output folder: all or nothing, whatever happens on the way."""

import errno
import os
import signal
import stat
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from glademark.errors import OutputError, PluginError
from glademark.export import output
from glademark.export.output import deliver
from glademark.hosts.cli import INTERRUPTED, _guarded
from glademark.report.delivery import Deliverable, Delivery

FILES = ("layout.gpkg", "checks.csv", "summary.json")
OLD = {"layout.gpkg": b"old layout", "checks.csv": b"old checks", "summary.json": b"old summary",
       "notes.txt": b"the forester's own"}  # fmt: skip

# Writes three files, the first large enough to be cut in the middle, and is killed either while it
# writes, or before the n-th time that a file is moved.
KILLED_RUN = """
import os, signal, sys
from pathlib import Path
from glademark.report.delivery import Deliverable, Delivery
from glademark.export.output import deliver
from glademark.project.model import Project

folder, moment = Path(sys.argv[1]), int(sys.argv[2])

def write(delivery, place):
    with (place / "layout.gpkg").open("wb") as file:
        file.write(b"new")
        file.flush()
        if moment == 0:
            os.kill(os.getpid(), signal.SIGKILL)
        file.write(b" layout")
    (place / "checks.csv").write_bytes(b"new checks")
    (place / "summary.json").write_bytes(b"new summary")

moves = 0
move = Path.replace

def counted(self, target):
    global moves
    moves += 1
    if moves == moment:
        os.kill(os.getpid(), signal.SIGKILL)
    return move(self, target)

Path.replace = counted
project = Project.model_validate(
    {"project": {"name": "x"}, "inputs": {"stand": "s.gpkg", "marks": "m.csv"}}
)
all_of_it = Deliverable(
    id="all", title="All", files=("layout.gpkg", "checks.csv", "summary.json"), write=write
)
delivery = Delivery(project=project, survey=None, layout=None, checks=None, summary={})
deliver(delivery, folder, {"all": all_of_it})
"""


def contents(folder: Path) -> dict[str, bytes]:
    """Every file of a folder, hidden ones included."""
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def results(folder: Path) -> dict[str, bytes]:
    """Every file of a folder but the list of those that the output made."""
    return {name: data for name, data in contents(folder).items() if name != "manifest.json"}


def writing(text: bytes, *, files: tuple[str, ...] = FILES) -> Mapping[str, Deliverable]:
    """One deliverable that writes a text and the name into each of its files."""

    def write(_: Delivery, folder: Path) -> None:
        for name in files:
            (folder / name).write_bytes(text + b" " + name.encode())

    return {"all": Deliverable(id="all", title="All", files=files, write=write)}


def failing(error: BaseException) -> Mapping[str, Deliverable]:
    """A deliverable that writes half of a file and fails, after another one that went well."""

    def write(_: Delivery, folder: Path) -> None:
        (folder / "half.csv").write_bytes(b"half")
        raise error

    last = Deliverable(id="half", title="Half", files=("half.csv",), write=write)
    return {**writing(b"new"), "half": last}


@pytest.fixture
def kill_run(folder: Path, forked: Callable[..., int]) -> Callable[[int], int]:
    """Exit code of a run into the folder that is killed at a moment."""
    return lambda moment: forked(KILLED_RUN, folder, moment)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """An output folder of an earlier run, with a file of the user's own in it."""
    folder = tmp_path / "out"
    folder.mkdir()
    for name, data in OLD.items():
        (folder / name).write_bytes(data)
    return folder


def test_everything_is_written(
    delivery: Delivery, deliverables: Mapping[str, Deliverable], tmp_path: Path
) -> None:
    """A run leaves exactly the declared files, the summary being the last, and nothing beside."""
    files = deliver(delivery, tmp_path / "a" / "out", deliverables).files

    names = [path.name for path in files]
    assert names == [
        "layout.gpkg", "volume_by_zone.csv", "checks.csv", "openings.csv", "summary.json",
    ]  # fmt: skip
    assert sorted(results(tmp_path / "a" / "out")) == sorted(names)
    assert [path.name for path in (tmp_path / "a").iterdir()] == ["out"]


def test_same_input_same_files(
    delivery: Delivery, deliverables: Mapping[str, Deliverable], tmp_path: Path
) -> None:
    """Two runs on the same input write the same bytes into every file."""
    deliver(delivery, tmp_path / "a", deliverables)
    deliver(delivery, tmp_path / "b", deliverables)

    assert contents(tmp_path / "a") == contents(tmp_path / "b")


def test_own_files_stay(delivery: Delivery, folder: Path) -> None:
    """What the user keeps in the folder is not touched, and old results are replaced."""
    deliver(delivery, folder, writing(b"new"))

    assert results(folder) == {
        "layout.gpkg": b"new layout.gpkg",
        "checks.csv": b"new checks.csv",
        "summary.json": b"new summary.json",
        "notes.txt": b"the forester's own",
    }


@pytest.mark.parametrize(
    "error", [KeyboardInterrupt(), SystemExit(), OutputError("x"), OSError(errno.ENOSPC, "full")]
)
def test_failure_while_writing(delivery: Delivery, folder: Path, error: BaseException) -> None:
    """A run that fails or is interrupted leaves the folder as it was, and nothing beside it."""
    with pytest.raises((type(error), OutputError)):
        deliver(delivery, folder, failing(error))

    assert contents(folder) == OLD
    assert [path.name for path in folder.parent.iterdir()] == ["out"]


@pytest.mark.parametrize("moment", [1, 2, 3, 4, 5])
@pytest.mark.parametrize("error", [KeyboardInterrupt(), PermissionError(errno.EACCES, "in use")])
def test_failure_while_moving(
    delivery: Delivery,
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    moment: int,
    error: BaseException,
) -> None:
    """A failure between two moves puts back what was moved, and takes away what was not there."""
    (folder / "checks.csv").unlink()
    before = contents(folder)
    moves, move = [], Path.replace

    def fail_once(self: Path, target: Path) -> Path:
        moves.append(target)
        if len(moves) == moment:
            raise error
        return move(self, target)

    monkeypatch.setattr(Path, "replace", fail_once)

    with pytest.raises((KeyboardInterrupt, OutputError)):
        deliver(delivery, folder, writing(b"new"))

    assert contents(folder) == before
    assert [path.name for path in folder.parent.iterdir()] == ["out"]


@pytest.fixture
def interrupt_key() -> Iterator[None]:
    """The interrupt key ends a run, also where whoever started the tests had it ignored."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


def interrupted_at(monkeypatch: pytest.MonkeyPatch, *moves: int) -> None:
    """Let the interrupt key be pressed before some moves of files, counted from 1."""
    move, moved = Path.replace, []

    def interrupted(self: Path, target: Path) -> Path:
        moved.append(target)
        if len(moved) in moves:
            os.kill(os.getpid(), signal.SIGINT)
        return move(self, target)

    monkeypatch.setattr(Path, "replace", interrupted)


@pytest.mark.usefixtures("interrupt_key")
def test_an_interrupt_before_the_end_is_told_that_nothing_was_changed(
    delivery: Delivery,
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """While files are made, and where all that was moved could be put back."""
    codes = [_guarded(lambda: deliver(delivery, folder, failing(KeyboardInterrupt())))]
    interrupted_at(monkeypatch, 3)
    codes += [_guarded(lambda: deliver(delivery, folder, writing(b"new")))]

    assert codes == [INTERRUPTED, INTERRUPTED]
    assert capsys.readouterr().err == "interrupted; nothing was changed\n" * 2
    assert contents(folder) == OLD


@pytest.mark.usefixtures("interrupt_key")
def test_an_interrupt_after_the_last_move_is_told_that_all_is_written(
    delivery: Delivery,
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """While the run clears up behind it, or prints its answer, all files are there."""

    def told() -> None:
        deliver(delivery, folder, writing(b"newer"))
        os.kill(os.getpid(), signal.SIGINT)

    with monkeypatch.context() as patch:
        patch.setattr(output, "_clear", lambda _: os.kill(os.getpid(), signal.SIGINT))
        codes = [_guarded(lambda: deliver(delivery, folder, writing(b"new")))]
        after = contents(folder)
    codes += [_guarded(told)]

    assert codes == [INTERRUPTED, INTERRUPTED]
    assert capsys.readouterr().err == f"interrupted; all files had been written into {folder}\n" * 2
    assert [after[name] for name in FILES] == [b"new " + name.encode() for name in FILES]
    assert [contents(folder)[name] for name in FILES] == [b"newer " + n.encode() for n in FILES]


@pytest.mark.usefixtures("interrupt_key")
def test_an_interrupt_while_files_are_put_back_is_told(
    delivery: Delivery,
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Pressed a second time, the key leaves files of both runs, and the next run mends that."""
    with monkeypatch.context() as patch:
        interrupted_at(patch, 3, 4)
        code = _guarded(lambda: deliver(delivery, folder, writing(b"new")))
    said = capsys.readouterr().err
    deliver(delivery, folder, writing(b"next"))

    assert code == INTERRUPTED
    assert said == f"interrupted; some files of {folder} are new; run again to complete them\n"
    assert contents(folder)["checks.csv"] == b"next checks.csv"


@pytest.mark.usefixtures("interrupt_key")
def test_an_interrupt_is_told_what_was_completed_of_an_earlier_run(
    delivery: Delivery,
    folder: Path,
    kill_run: Callable[[int], int],
    capsys: pytest.CaptureFixture[str],
) -> None:
    """What a killed run had begun to move is moved first: then something was changed."""
    kill_run(4)

    code = _guarded(lambda: deliver(delivery, folder, failing(KeyboardInterrupt())))

    assert code == INTERRUPTED
    assert capsys.readouterr().err == (
        f"interrupted; what an earlier run had left half written in {folder} was completed\n"
    )
    assert contents(folder)["summary.json"] == b"new summary"


@pytest.mark.parametrize(("moment", "moved"), [(0, 0), (1, 0), (2, 0), (3, 1), (5, 3)])
def test_killed_run(
    delivery: Delivery, folder: Path, kill_run: Callable[[int], int], moment: int, moved: int
) -> None:
    """After a kill each file is whole, old or new, and the next run writes all and clears up."""
    code = kill_run(moment)
    after = contents(folder)

    deliver(delivery, folder, writing(b"next"))

    assert code == -signal.SIGKILL
    for place, name in enumerate(FILES):
        assert after[name] == (OLD[name].replace(b"old", b"new") if place < moved else OLD[name])
    assert contents(folder)["summary.json"] == b"next summary.json"
    assert [path.name for path in folder.parent.iterdir()] == ["out"]


def test_killed_while_moving_is_completed(
    delivery: Delivery, folder: Path, kill_run: Callable[[int], int]
) -> None:
    """What a killed run had begun to move is completed by the next, even if that one fails."""
    kill_run(3)

    with pytest.raises(OutputError, match="disk is full"):
        deliver(delivery, folder, failing(OSError(errno.ENOSPC, "full")))

    assert results(folder) == {
        "layout.gpkg": b"new layout",
        "checks.csv": b"new checks",
        "summary.json": b"new summary",
        "notes.txt": b"the forester's own",
    }
    assert [path.name for path in folder.parent.iterdir()] == ["out"]


def test_folders_of_others_stay(delivery: Delivery, folder: Path) -> None:
    """A folder that looks like an unfinished one but does not carry our marker is left alone."""
    other = folder.parent / ".out-unfinished-mine"
    other.mkdir()
    (other / "diary.txt").write_text("mine")

    deliver(delivery, folder, writing(b"new"))

    assert (other / "diary.txt").read_text() == "mine"


def test_unfinished_folder_of_another_output_stays(delivery: Delivery, tmp_path: Path) -> None:
    """Two outputs with long names that begin alike do not take each other's unfinished files."""
    long = "n" * 60
    place = tmp_path / f".{long}-unfinished-abc"
    (place / "new").mkdir(parents=True)
    (place / "glademark-unfinished").write_text(f"{long}-other")

    deliver(delivery, tmp_path / long, writing(b"new"))

    assert place.is_dir()


def test_failed_first_run_leaves_no_folder(delivery: Delivery, tmp_path: Path) -> None:
    """Where there was no output folder, a failed run leaves none."""
    with pytest.raises(OutputError, match="disk is full"):
        deliver(delivery, tmp_path / "a" / "out", failing(OSError(errno.ENOSPC, "full")))

    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENOSPC, r"the disk is full\. Free some space"),
        (errno.EDQUOT, r"the disk quota is used up\. Free"),
        (errno.EROFS, r"the disk is read-only\. Choose another folder"),
        (errno.EACCES, r"there is no permission to write\. Choose"),
        (errno.EFBIG, r"a file grew beyond the size allowed"),
        (errno.EIO, r"Input/output error\. Choose another folder"),
    ],
)
def test_troubles_in_plain_words(delivery: Delivery, folder: Path, number: int, words: str) -> None:
    """The message names the folder, the trouble, the mend, and says that nothing has changed."""
    error = OSError(number, os.strerror(number))

    with pytest.raises(OutputError, match=rf"out cannot be written: {words}.*is unchanged"):
        deliver(delivery, folder, failing(error))


def test_file_instead_of_folder(delivery: Delivery, tmp_path: Path) -> None:
    """An output that is a file is refused, and so is one below a file."""
    (tmp_path / "out").write_text("a letter")

    with pytest.raises(OutputError, match="out is a file, not a folder"):
        deliver(delivery, tmp_path / "out", writing(b"new"))
    with pytest.raises(OutputError, match="a part of its path is a file"):
        deliver(delivery, tmp_path / "out" / "deeper", writing(b"new"))

    assert (tmp_path / "out").read_text() == "a letter"


def test_folder_in_the_place_of_a_file(delivery: Delivery, folder: Path) -> None:
    """A folder named as one of the files is not removed."""
    (folder / "checks.csv").unlink()
    (folder / "checks.csv").mkdir()

    with pytest.raises(OutputError, match=r"checks\.csv is no file, so it cannot be replaced"):
        deliver(delivery, folder, writing(b"new"))

    assert (folder / "layout.gpkg").read_bytes() == b"old layout"


@pytest.mark.parametrize("linked", [False, True])
def test_inputs_are_never_overwritten(
    make_in: Callable[..., Delivery], tmp_path: Path, *, linked: bool
) -> None:
    """A file that is an input of the project is refused as an output, also by another name."""
    delivery = make_in(tmp_path)
    (tmp_path / "stand.gpkg").write_bytes(b"boundary")
    if linked:
        (tmp_path / "layout.gpkg").symlink_to(tmp_path / "stand.gpkg")
    files = ("layout.gpkg",) if linked else ("stand.gpkg",)

    with pytest.raises(OutputError, match=r"is an input of this project"):
        deliver(delivery, tmp_path, writing(b"new", files=files))

    assert (tmp_path / "stand.gpkg").read_bytes() == b"boundary"


def test_two_runs_at_once(delivery: Delivery, folder: Path) -> None:
    """While one run writes into a folder another is refused."""
    fcntl = pytest.importorskip("fcntl")
    handle = os.open(folder, os.O_RDONLY)
    fcntl.flock(handle, fcntl.LOCK_EX)

    with pytest.raises(OutputError, match="another run is writing into"):
        deliver(delivery, folder, writing(b"new"))

    os.close(handle)
    assert contents(folder) == OLD


def test_link_to_a_folder(delivery: Delivery, folder: Path) -> None:
    """An output folder that is reached by a link is written where it lies."""
    (folder.parent / "link").symlink_to(folder)

    deliver(delivery, folder.parent / "link", writing(b"new"))

    assert contents(folder)["layout.gpkg"] == b"new layout.gpkg"
    assert (folder.parent / "link").is_symlink()


def test_files_can_be_shared(delivery: Delivery, folder: Path) -> None:
    """Results have the rights that any new file has, not those of a private one."""
    deliver(delivery, folder, writing(b"new"))

    (folder / "plain").write_bytes(b"")
    rights = stat.S_IMODE((folder / "plain").stat().st_mode)
    assert stat.S_IMODE((folder / "layout.gpkg").stat().st_mode) == rights


def test_the_list_of_files_is_not_for_plug_ins(delivery: Delivery, folder: Path) -> None:
    """A plug-in that would write over the list of the output's files is refused."""
    with pytest.raises(PluginError, match=r"manifest\.json is the list of all files"):
        deliver(delivery, folder, writing(b"new", files=("manifest.json",)))


@pytest.mark.parametrize("name", ["../away.csv", "a/b.csv", "", ".."])
def test_names_with_folders_are_refused(delivery: Delivery, folder: Path, name: str) -> None:
    """A plug-in cannot write outside the output folder."""
    with pytest.raises(PluginError, match=r"is no plain file name; expected one"):
        deliver(delivery, folder, writing(b"new", files=(name,)))


def test_one_file_of_two_writers(delivery: Delivery, folder: Path) -> None:
    """Two plug-ins that write the same file are refused before anything is written."""
    twice = {**writing(b"new"), "again": replace(writing(b"new")["all"], id="again")}

    with pytest.raises(PluginError, match=r"again: layout\.gpkg is written by another one as well"):
        deliver(delivery, folder, twice)

    assert contents(folder) == OLD
