"""
What the desktop GIS costs over the command: ``/usr/bin/python3 scripts/check_desktop.py PYTHON``.

PYTHON is the interpreter that Glademark is installed in; the script itself runs in that of the
desktop. By turns, on a copy of the invented sample: the command, *layout from loaded layers*, and
the same again by a process that waits. Seconds on the clock, and of processors used.
"""

import argparse
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
SETTLED_S = 1.0


def main() -> None:
    """Print the medians of each way, and the overhead."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("python", type=Path)
    parser.add_argument("--turns", type=int, default=5)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as home:
        os.environ.update(HOME=home, QT_QPA_PLATFORM="offscreen")
        sample = Path(shutil.copytree(ROOT / "sample_gis", Path(home) / "sample"))
        command = [str(asked.python.absolute()), "-I", "-m", "glademark"]
        installing = [*command, "desktop", "--install", "--profiles-path", home]
        done = subprocess.run(installing, check=True, capture_output=True, text=True)  # noqa: S603 - ours
        sys.path[:0] = [str(Path(done.stdout.strip()).parent), "/usr/share/qgis/python/plugins"]
        desktop, running = opened(sample, Path(home) / "out")
        words = [*command, "layout", str(sample / "harvest.toml"), "--only", "gpkg"]
        words += ["--out", str(Path(home) / "plain")]

        def cold() -> None:
            running.end_ready()
            desktop()

        ways = {
            "command": lambda: subprocess.run(words, check=True, capture_output=True),  # noqa: S603 - ours
            "desktop, first": cold,
            "desktop, again": desktop,
        }
        found = {name: [] for name in ways}
        for _ in range(asked.turns):
            for name, way in ways.items():
                found[name].append(measured(way, running.READY if way is desktop else []))
        running.end_ready()
    for name, rows in found.items():
        clock, used = (statistics.median(column) for column in zip(*rows, strict=True))
        print(f"{name:15} {clock:6.1f} s on the clock, {used:6.1f} s of processors")
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors, {asked.turns} turns")


def opened(sample: Path, out: Path) -> tuple[Callable[[], object], Any]:
    """A layout of loaded layers in the desktop, and the module of the plug-in that starts it."""
    import processing  # noqa: PLC0415 - found where the desktop keeps it
    from glademark_desktop import run as running  # noqa: PLC0415 - the same
    from glademark_desktop.provider import GlademarkProvider  # noqa: PLC0415 - the same
    from processing.core.Processing import Processing  # noqa: PLC0415 - the same
    from qgis.core import QgsApplication, QgsProcessingContext, QgsProject, QgsVectorLayer  # noqa: PLC0415 - the same

    application = QgsApplication([], False)  # noqa: FBT003 - as it is called
    application.initQgis()
    Processing.initialize()
    running.LASTING.set()
    provider = GlademarkProvider()
    QgsApplication.processingRegistry().addProvider(provider)
    files = {"STAND": "stand.gpkg", "CORRIDORS": "corridors.gpkg"}
    given = {name: QgsVectorLayer(str(sample / file), name, "ogr") for name, file in files.items()}
    marks = [QgsVectorLayer(str(one), one.stem, "ogr") for one in sorted(sample.glob("marks*.csv"))]
    given |= {"MARKS": marks, "PROJECT": str(sample / "harvest.toml"), "OUTPUT": str(out)}
    context = QgsProcessingContext()
    context.setProject(QgsProject.instance())
    asked = {**given, "CORRIDORS": [given["CORRIDORS"]], "LAYERS_ONLY": True}
    kept = (application, provider)

    def lay_out() -> object:
        """One layout, its layers loaded."""
        return kept and processing.run("glademark:layout_from_layers", asked, context=context)

    return lay_out, running


def measured(way: Callable[[], object], waiting: Sequence[Any]) -> tuple[float, float]:
    """Seconds on the clock and of processors, those before its words of one that waits left out."""
    before = sum(map(settled, waiting))
    began, used = time.perf_counter(), of_processors()
    way()
    return time.perf_counter() - began, of_processors() - used - before


def of_processors() -> float:
    """Seconds used by this process and those that it started and that have ended."""
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + children.ru_utime + children.ru_stime


def settled(process: Any) -> float:  # noqa: ANN401 - of the plug-in
    """Seconds of processors that a process has used when it has come to rest."""
    used = -1.0
    while used != (now := _used(process.pid)):
        used = now
        time.sleep(SETTLED_S)
    return used


def _used(pid: int) -> float:
    """Seconds of processors that a running process has used."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    return sum(map(int, fields[11:13])) / os.sysconf("SC_CLK_TCK")


if __name__ == "__main__":
    main()
