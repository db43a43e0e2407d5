"""Many stands: the whole job beside reading and writing alone, a plain script and a database."""

import importlib.util
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

from benchmark_cases import make_case
from benchmark_clock import Timed, by_turns
from benchmark_figures import Figure
from benchmark_floor import floor_of, size_of
from benchmark_sizes import Sizes
from plain_layout import run_plainly

from glademark.jobs.stands import lay_out_stands

OURS, FLOOR, ARROW = "whole job", "reading and writing alone", "the same with Arrow"
PLAIN, DATABASE = "plain script", "DuckDB, 2 threads"


def many(sizes: Sizes) -> Iterator[Figure]:
    """Times a stand, and ratios to the others."""
    title = f"{sizes.stands:,} stands x {sizes.marks:,} marks"
    with TemporaryDirectory() as place:
        times, size_ratio = _times(sizes, Path(place))
    for name, timed in times.items():
        value = timed.seconds / sizes.stands * 1000
        yield Figure(name=f"{title}: {name}", value=value, unit="ms a stand", runs=timed.runs)
    for name, timed in times.items():
        yield Figure(
            name=f"{title}: {name}, processors",
            value=timed.processor_s / sizes.stands * 1000,
            unit="ms a stand",
            runs=timed.runs,
        )
    yield _ratio(f"{title}: whole job / {FLOOR}", times[OURS], times[FLOOR], at_most=3.5)
    if ARROW in times:
        yield _ratio(f"{title}: whole job / {ARROW}", times[OURS], times[ARROW])
    yield _ratio(f"{title}: {PLAIN} / whole job", times[PLAIN], times[OURS], at_least=4.0)
    if DATABASE in times:
        yield _ratio(f"{title}: {DATABASE} / whole job", times[DATABASE], times[OURS], at_least=1.0)
    yield Figure(name=f"{title}: bytes of whole job / of {FLOOR}", value=size_ratio, unit="ratio")


def _times(sizes: Sizes, folder: Path) -> tuple[dict[str, Timed], float]:
    """Time of every contender [s], and the size of our files over that of the floor's."""
    inputs, ours = folder / "in", folder / "ours"
    project = make_case(stands=sizes.stands, marks=sizes.marks).write(inputs)
    lay_out_stands(project, out=ours)  # what the floor writes; also fills the caches for all
    floor = floor_of(inputs, ours, folder=folder / "floor")
    works: dict[str, Callable[[], object]] = {
        OURS: partial(lay_out_stands, project, out=ours),
        FLOOR: floor.read_and_write,
    }
    if importlib.util.find_spec("pyarrow"):
        works[ARROW] = partial(floor.read_and_write, use_arrow=True)
    works[PLAIN] = partial(run_plainly, inputs, folder / "plain")
    database = _database()
    if database is not None:
        works[DATABASE] = partial(database, inputs, folder / "database")
    times = by_turns(works, repeats=sizes.repeats, budget_s=sizes.budget_s)
    floor.read_and_write()
    return times, size_of(ours) / floor.size()


def _database() -> Callable[[Path, Path], None] | None:
    """The same job in the database; None where it is not installed."""
    if importlib.util.find_spec("duckdb") is None:
        print("left out: DuckDB is not installed; pip install 'glademark[bench]'", flush=True)
        return None
    from duckdb_layout import extension_file, run_in_duckdb  # noqa: PLC0415 - an extra

    if extension_file() is None:
        print("left out: no spatial extension for this DuckDB; see scripts/README.md", flush=True)
        return None
    return run_in_duckdb


def large_stands(sizes: Sizes) -> Iterator[Figure]:
    """The same trees in few large stands and in many: what is not linear shows here."""
    shapes = {
        f"{sizes.few:,} stands x {10 * sizes.marks:,} marks": (sizes.few, 10 * sizes.marks),
        f"{10 * sizes.few:,} stands x {sizes.marks:,} marks": (10 * sizes.few, sizes.marks),
    }
    with TemporaryDirectory() as place:
        works = {}
        for number, (title, (stands, marks)) in enumerate(shapes.items()):
            folder = Path(place) / str(number)
            project = make_case(stands=stands, marks=marks).write(folder / "in")
            works[title] = partial(lay_out_stands, project, out=folder / "out")
        times = by_turns(works, repeats=sizes.repeats, budget_s=sizes.budget_s)
    for title, timed in times.items():
        yield Figure(name=f"{title}: in all", value=timed.seconds, unit="s", runs=timed.runs)
    large, usual = times
    yield _ratio(f"{large} / {usual}", times[large], times[usual], at_most=1.3)


def _ratio(name: str, one: Timed, other: Timed, **asked: float) -> Figure:
    """One time over another."""
    return Figure(
        name=name,
        value=one.seconds / other.seconds,
        unit="ratio",
        runs=min(one.runs, other.runs),
        **asked,
    )
