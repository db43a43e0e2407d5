"""The standard streams and the exit code, when the world around a run is not as usual."""

import os
import shlex
import subprocess
import sys
from collections.abc import Callable
from importlib.metadata import entry_points
from pathlib import Path

import pytest

from glademark import process
from glademark.errors import OutputError
from glademark.hosts import cli
from glademark.jobs.layout import installed_limits

Command = Callable[..., subprocess.CompletedProcess[str]]


def shell(line: str, folder: Path, **env: str) -> subprocess.CompletedProcess[str]:
    """A line of the shell in which ``glademark`` is the command line."""
    call = f'glademark() {{ {shlex.quote(sys.executable)} -m glademark "$@"; }}; {line}'
    return subprocess.run(  # noqa: S603 - our own lines
        ["/bin/bash", "-o", "pipefail", "-c", call],
        capture_output=True, text=True, check=False, cwd=folder, env={**os.environ, **env},
    )  # fmt: skip


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
@pytest.mark.parametrize(
    ("line", "code", "said"),
    [
        ("glademark --help > /dev/full", 3, "could not be printed: no space left on device"),
        ("glademark --help >&-", 0, ""),
        ("glademark inspect nowhere.csv >&- 2>&-", 2, ""),
        ("glademark layout nowhere.toml 2> /dev/full", 2, ""),
        ("glademark --help | head -1", 0, ""),
        ("glademark inspect nowhere.csv | true", 2, ""),
    ],
)
def test_where_the_answer_goes_changes_no_more_than_it_must(
    tmp_path: Path, line: str, code: int, said: str
) -> None:
    """A full disk is told; a stream that is closed, or a reader who leaves, is their own affair."""
    done = shell(line, tmp_path)

    assert done.returncode == code
    assert said in done.stderr
    assert done.stderr.count("\n") == (1 if said else 0)


def test_letters_that_the_terminal_lacks_are_written_out(tmp_path: Path) -> None:
    """A name in letters that the output's encoding lacks comes out as their numbers."""
    (tmp_path / "trees.csv").write_text("id,lon,lat\n林,-87,45\n林,-87,45\n", encoding="utf-8")

    done = shell("glademark inspect trees.csv", tmp_path, PYTHONIOENCODING="ascii")

    assert (done.returncode, done.stderr) == (0, "")
    assert r"\u6797" in done.stdout


def raising(fault: BaseException) -> Callable[[], None]:
    """A run that fails."""

    def run() -> None:
        raise fault

    return run


@pytest.mark.parametrize("fault", [KeyError("a", 1), RecursionError(), SystemExit(0)])
def test_what_nobody_thought_of_is_one_sentence(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    fault: BaseException,
) -> None:  # fmt: skip
    """A fault of the program has an exit code of its own, and its details are kept in a file."""
    monkeypatch.setattr(cli.tempfile, "tempdir", str(tmp_path))

    code = cli._guarded(raising(fault))  # noqa: SLF001 - what main() does with a run

    said = capsys.readouterr().err
    (kept,) = tmp_path.iterdir()
    assert code == cli.FAULT
    assert said.startswith(f"glademark: unexpected fault ({type(fault).__name__}")
    assert str(kept) in said
    assert said.count("\n") == 1
    assert "Traceback" in kept.read_text(encoding="utf-8")


def test_a_fault_on_a_full_disk_is_told_all_the_same(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where no file can be written the details follow the sentence."""
    monkeypatch.setattr(cli.tempfile, "tempdir", str(tmp_path / "nowhere"))

    code = cli._guarded(raising(ValueError("odd")))  # noqa: SLF001 - as above

    assert code == cli.FAULT
    assert "Traceback" in capsys.readouterr().err


def test_errors_on_purpose_keep_their_codes() -> None:
    """Output that could not be written is told apart from a fault."""
    assert cli._guarded(raising(OutputError("full"))) == cli.NOT_WRITTEN  # noqa: SLF001 - as above


def test_a_name_too_long_for_the_disk_is_refused(command: Command, tmp_path: Path) -> None:
    """Paths of 5,000 characters end in a sentence, wherever they are given."""
    long = tmp_path / ("a" * 5000)

    codes = [
        command(*words).returncode
        for words in (
            ("layout", long, "-o", tmp_path / "out"),
            ("inspect", long),
            ("inspect", f"{long}.parquet"),
            ("new", long),
            ("new", tmp_path / "new", "--from", long),
            ("papers", long, "-o", tmp_path / "out"),
        )
    ]

    assert codes == [2, 2, 2, 3, 2, 2]


@pytest.mark.parametrize("fault", ["SystemExit", "ValueError('no licence')"])
def test_a_plug_in_that_does_not_load_is_named_and_left_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, fault: str
) -> None:
    """However a plug-in fails, it and its package are named, and the rest goes on."""
    (tmp_path / "broken_limits.py").write_text(f"raise {fault}\n", encoding="utf-8")
    place = tmp_path / "broken_limits-1.0.dist-info"
    place.mkdir()
    (place / "METADATA").write_text("Metadata-Version: 2.1\nName: broken-limits\nVersion: 1.0\n")
    (place / "entry_points.txt").write_text("[glademark.limits]\nodd = broken_limits:LIMIT\n")
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.setattr(process, "_every", entry_points)  # what was looked up before is not used

    found = installed_limits()

    assert "opening_area_max" in found
    assert "plug-in odd of broken-limits does not load" in caplog.text
