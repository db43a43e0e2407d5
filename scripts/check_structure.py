"""
How much machinery one run takes: ``python scripts/check_structure.py``.

Lays out the sample with one CSV of marks, GeoPackage and tables, and counts the frames that hold
every mark (as many rows as marks were read or used) and the modules of the package in which a
function was called. Exit code 1 where more than --frames or --modules.
"""

import argparse
import re
import shutil
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from inspect import CO_OPTIMIZED
from pathlib import Path
from types import CodeType, FrameType

import pandas as pd
from pandas.core.generic import NDFrame

import glademark
from glademark.jobs.layout import lay_out

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = str(Path(glademark.__file__).parent)
MARKS = "marks_north.csv"
FILES = ("gpkg", "volume_by_zone", "checks", "openings", "allowance", "cruise_plots",
         "stock_by_class", "summary")  # fmt: skip


def main() -> int:
    """Exit code: 1 where a run takes more than it may."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=15)
    parser.add_argument("--modules", type=int, default=92)
    parser.add_argument("--where", action="store_true", help="name the lines and the modules")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        frames, modules = counted(Path(folder))
    print(f"frames of marks: {sum(frames.values())} (at most {asked.frames})")
    print(f"modules entered: {len(modules)} (at most {asked.modules})")
    if asked.where:
        print(*(f"  {place}: {count}" for place, count in sorted(frames.items())), sep="\n")
        print(*sorted(modules), sep="\n")
    return int(sum(frames.values()) > asked.frames or len(modules) > asked.modules)


def counted(folder: Path) -> tuple[Counter[str], set[str]]:
    """Frames of marks by the line that made them, and modules entered, of one run."""
    shutil.copytree(ROOT / "sample_gis", folder / "sample")
    project = folder / "sample" / "harvest.toml"
    text = project.read_text(encoding="utf-8")
    project.write_text(re.sub(r"(?m)^marks = .*$", f'marks = "{MARKS}"', text), encoding="utf-8")
    with recorded() as (made, entered):
        outcome = lay_out(project, out=folder / "out", only=FILES)
    marks = outcome.delivery.layout.figures.marks
    of_marks: Counter[str] = Counter()
    for (rows, place), count in made.items():
        if marks.used <= rows <= marks.read:
            of_marks[place] += count
    return of_marks, entered


@contextmanager
def recorded() -> Iterator[tuple[Counter[tuple[int, str]], set[str]]]:
    """Frames made, by rows and line, and modules whose functions are called, from here on."""
    made: Counter[tuple[int, str]] = Counter()
    entered: set[str] = set()
    plain = NDFrame.__init__

    def noting(self: NDFrame, data: object) -> None:
        plain(self, data)
        if isinstance(self, pd.DataFrame):
            made[len(self.index), caller(sys._getframe(1))] += 1  # noqa: SLF001 - no other way

    def called(frame: FrameType, event: str, _: object) -> None:
        if event == "call" and is_function(frame.f_code):
            entered.add(frame.f_code.co_filename.removeprefix(PACKAGE))

    NDFrame.__init__ = noting
    sys.setprofile(called)
    try:
        yield made, entered
    finally:
        sys.setprofile(None)
        NDFrame.__init__ = plain


def is_function(code: CodeType) -> bool:
    """Whether a code object of the package is a function, and no body of a module or class."""
    inside = code.co_filename.startswith(PACKAGE)
    return inside and bool(code.co_flags & CO_OPTIMIZED)


def caller(frame: FrameType | None) -> str:
    """Line of the package that asked for a frame."""
    while frame is not None and not frame.f_code.co_filename.startswith(PACKAGE):
        frame = frame.f_back
    return (
        "elsewhere"
        if frame is None
        else (f"{frame.f_code.co_filename.removeprefix(PACKAGE)}:{frame.f_lineno}")
    )


if __name__ == "__main__":
    sys.exit(main())
