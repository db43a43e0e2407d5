"""A process that waits for its words runs them, and ends where none come."""

import json
import subprocess
import sys

from glademark import __version__

WAITING = [sys.executable, "-I", "-m", "glademark.hosts.desktop.waiting"]


def test_words_are_run_once_and_no_words_are_no_run() -> None:
    """The first line is run as the command would; an end of the input ends the process."""
    lines = (json.dumps(["--version"]) + "\n", "")
    pipe = subprocess.PIPE
    started = [subprocess.Popen(WAITING, stdin=pipe, stdout=pipe, text=True) for _ in lines]  # noqa: S603 - ours

    printed = [one.communicate(line)[0] for one, line in zip(started, lines, strict=True)]

    assert printed == [f"glademark, version {__version__}\n", ""]
    assert [one.returncode for one in started] == [0, 0]
