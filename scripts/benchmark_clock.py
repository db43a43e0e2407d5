"""Clocks of the benchmark: contenders by turns, whole processes, and what each package takes."""

import json
import statistics
import subprocess
import sys
import threading
import time
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

SCRIPTS = Path(__file__).resolve().parent
SAMPLE_S = 0.005
"""Time between two looks at where the work is [s]."""


@dataclass(frozen=True, kw_only=True)
class Timed:
    """Median time of some runs, and of the processors in this process (all threads) [s]."""

    seconds: float
    processor_s: float
    runs: int


def by_turns(
    works: Mapping[str, Callable[[], object]], *, repeats: int, budget_s: float
) -> dict[str, Timed]:
    """
    Median time of each work, all run by turns, so that a busy minute of the machine hits all.

    Parameters
    ----------
    works
        What is timed, by name.
    repeats
        Runs of each.
    budget_s
        A work that has taken so long is not run again [s].

    Returns
    -------
    times
        By the same names.
    """
    taken: dict[str, list[float]] = {name: [] for name in works}
    busy: dict[str, list[float]] = {name: [] for name in works}
    for _ in range(repeats):
        for name, work in works.items():
            if sum(taken[name]) < budget_s:
                began, busy_before = time.perf_counter(), time.process_time()
                work()
                taken[name].append(time.perf_counter() - began)
                busy[name].append(time.process_time() - busy_before)
    return {
        name: Timed(
            seconds=statistics.median(times),
            processor_s=statistics.median(busy[name]),
            runs=len(times),
        )
        for name, times in taken.items()
    }


def start(command: Sequence[str | Path]) -> str:
    """Run a process to its end, and what it printed."""
    done = subprocess.run(  # noqa: S603 - our own
        [str(word) for word in command], check=False, capture_output=True, text=True
    )
    if done.returncode:
        sys.exit(f"{' '.join(map(str, command))}\n{done.stderr}")
    return done.stdout


def peak_of(project: Path, out: Path) -> int:
    """
    Largest resident memory of a process that lays a project out, and does nothing else [bytes].

    It counts the whole process: the interpreter, the libraries and the pages of files that are
    mapped into it.
    """
    return int(json.loads(start([sys.executable, SCRIPTS / "benchmark_run.py", project, out])))


def packages_of(work: Callable[[], object]) -> dict[str, float]:
    """
    Time that a work spends in each of our packages [s].

    Every few milliseconds a second thread looks at where the first one is, and puts the time since
    its last look to the outermost package on the stack: what intake calls counts as intake.
    """
    spent: dict[str, float] = defaultdict(float)
    done, worker = threading.Event(), threading.get_ident()

    def look() -> None:
        last = time.perf_counter()
        while not done.wait(SAMPLE_S):
            frame = sys._current_frames().get(worker)  # noqa: SLF001 - documented for this use
            package = "other"
            while frame is not None:
                words = str(frame.f_globals.get("__name__", "")).split(".")
                if words[0] == "glademark" and words[1:2] and words[1] in PACKAGES:
                    package = words[1]
                frame = frame.f_back
            now = time.perf_counter()
            spent[package] += now - last
            last = now

    watcher = threading.Thread(target=look, daemon=True)
    watcher.start()
    try:
        work()
    finally:
        done.set()
        watcher.join()
    return {package: spent[package] for package in (*PACKAGES, "other")}


PACKAGES = ("project", "intake", "measure", "judge", "report", "export")
"""Packages in the order in which data goes through them."""
