"""Two workers against one: ``glademark batch`` on a cluster of its own, start-up taken off."""

import math
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

from benchmark_cases import make_case
from benchmark_clock import by_turns, start
from benchmark_figures import Figure
from benchmark_sizes import Sizes

PILOT = 12
"""Stands of the run that tells how many make up the work that is wanted."""

Batch = Callable[[int, int, int], None]
"""Lays out so many stands of so many marks with so many workers."""


def workers(sizes: Sizes, *, batch: Batch | None = None) -> Iterator[Figure]:
    """Time of one worker and of two on the same stands, and how many times faster two are."""
    with TemporaryDirectory() as place:
        yield from _figures(sizes, batch or _Batches(Path(place)))


def _figures(sizes: Sizes, batch: Batch) -> Iterator[Figure]:
    """The empty runs, the pilot, and the runs that are compared."""
    empty = by_turns(
        {str(count): lambda count=count: batch(1, sizes.marks, count) for count in (1, 2)},
        repeats=min(3, sizes.repeats),
        budget_s=sizes.budget_s,
    )
    began = time.perf_counter()
    batch(PILOT, sizes.marks, 1)
    each = max(time.perf_counter() - began - empty["1"].seconds, 1e-3) / (PILOT - 1)
    stands = max(PILOT, math.ceil(1.1 * sizes.work_s / each))
    times = by_turns(
        {str(count): lambda count=count: batch(stands, sizes.marks, count) for count in (1, 2)},
        repeats=sizes.repeats,
        budget_s=sizes.budget_s,
    )
    title = f"batch of {stands:,} stands x {sizes.marks:,} marks"
    above = {}
    for count, timed in times.items():
        above[count] = timed.seconds - empty[count].seconds
        name = f"{title}: {count} worker{'s' * (count != '1')}, start-up off"
        yield Figure(name=name, value=above[count], unit="s", runs=timed.runs)
        yield Figure(
            name=f"batch of one stand: {count} worker{'s' * (count != '1')}",
            value=empty[count].seconds,
            unit="s",
            runs=empty[count].runs,
        )
    yield Figure(
        name=f"{title}: one worker / two",
        value=above["1"] / above["2"],
        unit="ratio",
        runs=min(timed.runs for timed in times.values()),
        at_least=1.6,
    )


class _Batches:
    """Batches in processes of their own, each into a new folder, since a done stand is skipped."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._begun = 0

    def __call__(self, stands: int, marks: int, count: int) -> None:
        """Lay out so many stands with so many workers."""
        inputs = self._folder / f"in-{stands}"
        if not inputs.is_dir():
            make_case(stands=stands, marks=marks).write(inputs)
        self._begun += 1
        out = self._folder / f"out-{self._begun}"
        words = ["batch", inputs / "harvest.toml", "--out", out, "--workers", str(count)]
        start([sys.executable, "-m", "glademark", "-q", *words])
