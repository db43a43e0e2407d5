"""How time and memory grow with the marks: whole processes, start-up taken off."""

from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from benchmark_cases import make_case
from benchmark_clock import by_turns, peak_of
from benchmark_figures import Figure
from benchmark_sizes import Sizes

TINY_MARKS = 10
"""Marks of the run whose time and memory are the start-up."""


def growth(sizes: Sizes, *, process: Callable[[Path, Path], int] = peak_of) -> Iterator[Figure]:
    """Time and memory of each size above those of a tiny run, and the exponent of the time."""
    marks = [stands * sizes.marks for stands in sizes.growth]
    peaks: dict[str, list[int]] = {}
    with TemporaryDirectory() as temporary:
        folder = Path(temporary)
        cases = {"start-up": (1, TINY_MARKS)}
        for stands, count in zip(sizes.growth, marks, strict=True):
            cases[f"{count:,} marks"] = (stands, sizes.marks)
        works = {}
        for title, (stands, each) in cases.items():
            place = folder / title.replace(",", "")
            project = make_case(stands=stands, marks=each).write(place / "in")
            peaks[title] = []
            works[title] = partial(_note, peaks[title], process, project, place / "out")
        times = by_turns(works, repeats=sizes.repeats, budget_s=sizes.budget_s)
    begun = times.pop("start-up")
    yield Figure(name="start-up, a tiny run", value=begun.seconds, unit="s", runs=begun.runs)
    for title, timed in times.items():
        value = timed.seconds - begun.seconds
        yield Figure(name=f"{title}: time above start-up", value=value, unit="s", runs=timed.runs)
    above = [timed.seconds - begun.seconds for timed in times.values()]
    yield Figure(
        name=f"growth exponent from {marks[0]:,} to {marks[-1]:,} marks",
        value=exponent(marks, above),
        unit="",
        runs=min(timed.runs for timed in times.values()),
        at_most=1.10,
    )
    yield from _memory(peaks, marks)


def exponent(sizes: list[int], times: list[float]) -> float:
    """Slope of the straight line through the logarithms, by least squares."""
    return float(np.polyfit(np.log(sizes), np.log(np.maximum(times, 1e-3)), 1)[0])


def _note(peaks: list[int], process: Callable[[Path, Path], int], project: Path, out: Path) -> None:
    """Run, and keep the peak."""
    peaks.append(process(project, out))


def _memory(peaks: dict[str, list[int]], marks: list[int]) -> Iterator[Figure]:
    """Largest memory of the start, and bytes a mark above it."""
    begun = float(np.median(peaks["start-up"]))
    yield Figure(
        name="largest memory of a tiny run, libraries included",
        value=begun / 1e6,
        unit="MB",
        runs=len(peaks["start-up"]),
    )
    for count in marks:
        found = peaks[f"{count:,} marks"]
        yield Figure(
            name=f"{count:,} marks: largest memory above that",
            value=(float(np.median(found)) - begun) / count,
            unit="bytes a mark",
            runs=len(found),
            at_most=3000.0 if count == marks[-1] else None,
        )
