"""Private folders go with their run, and those of killed runs with the next one."""

import signal
import subprocess
import sys
from pathlib import Path

import pytest

from glademark.process import PREFIX, temporary_folder

pytest.importorskip("fcntl")

WAITING = """
import sys
from pathlib import Path
from glademark.process import temporary_folder

with temporary_folder(Path(sys.argv[1])) as folder:
    (folder / "stand.gpkg").write_text("a copy of a boundary")
    print(folder, flush=True)
    sys.stdin.readline()
"""


def started(home: Path) -> tuple[subprocess.Popen[str], Path]:
    """A process with a private folder in another, and the folder."""
    process = subprocess.Popen(  # noqa: S603 - the script above
        [sys.executable, "-c", WAITING, str(home)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stdout is not None
    return process, Path(process.stdout.readline().strip())


def test_a_folder_goes_with_its_block(tmp_path: Path) -> None:
    """Whatever happens inside, nothing is left."""

    def fail() -> None:
        with temporary_folder(tmp_path) as folder:
            (folder / "a.csv").write_text("a")
            raise KeyError

    with pytest.raises(KeyError):
        fail()

    assert list(tmp_path.iterdir()) == []


def test_only_folders_of_killed_runs_are_removed(tmp_path: Path) -> None:
    """That of a killed run goes; those of a live one and of anybody else stay."""
    killed, left = started(tmp_path)
    killed.send_signal(signal.SIGKILL)
    killed.communicate()
    foreign = tmp_path / f"{PREFIX}mine"
    foreign.mkdir()
    (foreign / "diary.txt").write_text("mine")
    (tmp_path / f"{PREFIX}link").symlink_to(left.parent, target_is_directory=True)
    live, used = started(tmp_path)
    gone_by_then = not left.exists()

    with temporary_folder(tmp_path):
        assert (used / "stand.gpkg").read_text() == "a copy of a boundary"

    assert gone_by_then
    assert (foreign / "diary.txt").read_text() == "mine"
    live.communicate("\n")
    assert sorted(path.name for path in tmp_path.iterdir()) == [f"{PREFIX}link", f"{PREFIX}mine"]


def test_another_prefix_is_another_matter(tmp_path: Path) -> None:
    """Folders of one purpose do not clear those of another."""
    killed, left = started(tmp_path)
    killed.send_signal(signal.SIGKILL)
    killed.communicate()

    with temporary_folder(tmp_path, prefix=".marks-"):
        assert left.exists()
