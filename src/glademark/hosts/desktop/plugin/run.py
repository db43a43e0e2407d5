"""The command as a process of its own interpreter: progress, cancel, and its one sentence."""

import contextlib
import json
import os
import queue
import shutil
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

from qgis.core import QgsProcessingException, QgsSettings

_FOREIGN = (  # what the desktop sets for itself and would break another interpreter
    "PYTHON", "QT_", "QGIS", "GDAL_", "PROJ_", "LD_LIBRARY_PATH", "LD_PRELOAD", "OSGEO", "GRASS",
    "VIRTUAL_ENV", "SPATIALITE",
)  # fmt: skip
_ENDS_WITHIN_S = 1.5
_LOOKS_EVERY_S = 0.1
LASTING = threading.Event()  # set where there is a window, so that a next layout is likely
READY = []  # at most one process that has loaded its libraries and waits for its words


def command():
    """First words of the command: an interpreter with the package, or the command on the path."""
    stated = Path(__file__).parent / "interpreter.txt"
    found = [
        QgsSettings().value("glademark/python", "", type=str),
        os.environ.get("GLADEMARK_PYTHON", ""),
        stated.read_text(encoding="utf-8").strip() if stated.is_file() else "",
    ]
    for python in filter(None, found):
        if not Path(python).is_file():
            raise QgsProcessingException(
                f"{python}: there is no such interpreter. Set glademark/python in the desktop's "
                "advanced settings, or run 'glademark desktop --install' again"
            )
        return [python, "-I", "-m", "glademark"]
    on_path = shutil.which("glademark")
    if on_path:
        return [on_path]
    raise QgsProcessingException(
        "the command 'glademark' was not found. Install the package, then run "
        "'glademark desktop --install', or set glademark/python in the desktop's settings"
    )


def run(words, feedback, folder=None):
    """
    What the command prints on standard output; raises its one sentence where it refuses.

    Returns None where the user cancelled; `folder` is the output folder it writes.
    """
    process = _given(words)
    told, printed, failed, last = queue.Queue(), [], [], [""]
    readers = [
        threading.Thread(target=_drain, args=(process.stderr, told.put), daemon=True),
        threading.Thread(target=_drain, args=(process.stdout, printed.append), daemon=True),
    ]
    for reader in readers:
        reader.start()
    while any(reader.is_alive() for reader in readers) or not told.empty():
        if feedback.isCanceled():
            _stop(process, folder)
            return None
        with contextlib.suppress(queue.Empty):
            _tell(told.get(timeout=_LOOKS_EVERY_S), feedback, failed, last)
    code = process.wait()
    if words[0] == "layout" and LASTING.is_set():
        get_ready()
    if code > 1:  # 1: written, and a limit is exceeded
        raise QgsProcessingException(failed[-1] if failed else f"glademark ended with {code}")
    return "".join(printed)


def _started(words):
    """A process of the command."""
    return subprocess.Popen(
        words,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        encoding="utf-8",
        errors="replace",
        env={k: v for k, v in os.environ.items() if not k.upper().startswith(_FOREIGN)},
        creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
    )


def _given(words):
    """A process that runs the words: a layout in one that is ready, where there is one."""
    ready = READY.pop() if READY and words[0] == "layout" else None
    if ready is not None and ready.poll() is None and ready.first == command():
        ready.stdin.write(json.dumps(words) + "\n")
        ready.stdin.close()
        return ready
    process = _started([*command(), *words])
    process.stdin.close()
    return process


def get_ready():
    """Start a process that has loaded its libraries when the next layout is asked for."""
    first = command()
    if not READY and len(first) > 1:  # an interpreter, not the command on the path
        ready = _started([*first[:-1], "glademark.hosts.desktop.waiting"])
        ready.first = first
        READY.append(ready)


def end_ready():
    """End the process that waits, if there is one."""
    while READY:
        ready = READY.pop()
        ready.kill()
        ready.communicate()


def _drain(stream, take):
    """Hand on each line as it comes."""
    with stream:
        for line in stream:
            take(line)


def _tell(line, feedback, failed, last):
    """Pass one line of progress on to the desktop; a step is named once."""
    try:
        said = json.loads(line)
    except ValueError:
        feedback.pushInfo(line.rstrip())
        return
    if "error" in said:
        failed.append(said["error"])
    elif "notice" in said:
        feedback.pushWarning(said["notice"])
    else:
        feedback.setProgress(100 * said["done"] / said["of"])
        if last[0] != said["step"]:
            last[0] = said["step"]
            feedback.setProgressText(said["step"])


def _stop(process, folder):
    """End the process; one that does not end by itself is killed and its drafts removed."""
    if sys.platform == "win32":
        process.terminate()
    else:
        process.send_signal(signal.SIGINT)
    deadline = time.monotonic() + _ENDS_WITHIN_S
    while process.poll() is None and time.monotonic() < deadline:
        time.sleep(_LOOKS_EVERY_S / 2)
    if process.poll() is None:
        process.kill()
        process.wait()
        if folder:
            for draft in Path(folder).parent.glob(f".{Path(folder).name[:60]}-unfinished-*"):
                shutil.rmtree(draft, ignore_errors=True)
