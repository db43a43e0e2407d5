"""The benchmark: every case at a size that takes no time, and the arithmetic of its figures."""

import importlib
import json
import math
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import geopandas as gpd
import numpy as np
import pytest

SCRIPTS = Path(__file__).resolve().parents[2] / "scripts"


@pytest.fixture(scope="module", autouse=True)
def _scripts_are_found() -> Iterator[None]:
    """Scripts can import one another."""
    with pytest.MonkeyPatch.context() as monkeypatch:
        monkeypatch.syspath_prepend(str(SCRIPTS))
        yield


def _module(name: str) -> ModuleType:
    return importlib.import_module(name)


@pytest.fixture
def tiny() -> object:
    """Sizes that take no time."""
    return _module("benchmark_sizes").Sizes(
        repeats=1, budget_s=1.0, marks=12, stands=2, few=1, growth=(1, 2), work_s=0.1, large=30
    )


@pytest.mark.parametrize(
    ("module", "case", "asked"),
    [
        ("benchmark_many", "many", 2),
        ("benchmark_many", "large_stands", 1),
        ("benchmark_stages", "stages", 0),
    ],
)
def test_cases_run(module: str, case: str, asked: int, tiny: object) -> None:
    """Every case gives positive figures, and says which of them something is asked of."""
    figures = list(getattr(_module(module), case)(tiny))

    assert all(figure.value >= 0 for figure in figures)
    assert sum(figure.value > 0 for figure in figures) >= 3
    assert sum(bool(figure.asked) for figure in figures) >= asked
    assert len({figure.name for figure in figures}) == len(figures)


@pytest.mark.parametrize("case", ["volumes", "ground"])
def test_parts_run(case: str, tiny: object) -> None:
    """Volume equations, network and reach are timed at any number of trees."""
    figures = list(getattr(_module("benchmark_parts"), case)(tiny, count=100))

    assert figures
    assert all(figure.value > 0 for figure in figures)


def test_start_up_is_taken_off_growth_and_memory(tiny: object) -> None:
    """Work of 2 ms a mark and 2 kB a mark above a start of 300 ms and 80 MB is found."""

    def process(project: Path, out: Path) -> int:
        del out
        marks = len(gpd.read_file(project.with_name("marks.gpkg")))
        time.sleep(0.3 + 0.002 * (marks - 10))
        return 80_000_000 + 2_000 * (marks - 10)

    sizes = replace(tiny, growth=(10, 20))
    figures = {
        figure.name: figure for figure in _module("benchmark_growth").growth(sizes, process=process)
    }

    memory = figures["240 marks: largest memory above that"]
    exponent = figures["growth exponent from 120 to 240 marks"]
    assert memory.value == pytest.approx(2_000 * 230 / 240)
    assert memory.at_most == 3000
    assert exponent.value == pytest.approx(math.log2(230 / 110), rel=0.25)
    assert exponent.at_most == pytest.approx(1.1)


def test_memory_is_that_of_the_process_alone(tmp_path: Path) -> None:
    """A run in a process of its own is not blamed for memory that the one before it held."""
    case = _module("benchmark_cases").make_case(stands=1, marks=12)
    ballast = np.ones(100_000_000)  # 800 MB, so that this process is larger than the other

    peak = _module("benchmark_clock").peak_of(case.write(tmp_path / "in"), tmp_path / "out")

    assert len(ballast)
    assert 50e6 < peak < 800e6


def test_exponent_is_the_slope_of_the_logarithms() -> None:
    """Time that grows with the square of the size has the exponent 2."""
    exponent = _module("benchmark_growth").exponent

    assert exponent([10, 20, 40], [1.0, 4.0, 16.0]) == pytest.approx(2.0)


def test_start_up_is_taken_off_the_workers(tiny: object) -> None:
    """Two workers halve the work and not the start: 20 ms and 8 ms a stand give two, not less."""

    def batch(stands: int, marks: int, count: int) -> None:
        del marks
        time.sleep(0.02 + 0.008 * (stands - 1) / count)

    figures = {
        figure.name.rpartition(": ")[2]: figure
        for figure in _module("benchmark_workers").workers(tiny, batch=batch)
    }

    assert figures["one worker / two"].value == pytest.approx(2.0, rel=0.3)
    assert figures["one worker / two"].at_least == pytest.approx(1.6)


def test_turns_stop_at_the_budget() -> None:
    """A work that has used up its time is not run again, and its figure says so."""
    by_turns = _module("benchmark_clock").by_turns

    times = by_turns(
        {"slow": lambda: time.sleep(0.02), "fast": lambda: None}, repeats=5, budget_s=0.03
    )

    assert times["fast"].runs == 5
    assert times["slow"].runs == 2
    assert times["slow"].seconds >= 0.02


def test_time_goes_to_the_package_that_was_called(monkeypatch: pytest.MonkeyPatch) -> None:
    """What a package calls counts as that package's, what nobody's package calls as other."""
    package = ModuleType("glademark.judge.pretended")
    exec("def work(other):\n    other()\n", vars(package))  # noqa: S102 - a function of that module
    monkeypatch.setitem(sys.modules, package.__name__, package)

    def both() -> None:
        package.work(lambda: time.sleep(0.2))
        time.sleep(0.1)

    spent = _module("benchmark_clock").packages_of(both)

    assert spent["judge"] == pytest.approx(0.2, abs=0.06)
    assert spent["other"] == pytest.approx(0.1, abs=0.06)
    assert spent["export"] == 0


@pytest.mark.parametrize(
    ("value", "asked", "met"),
    [
        (1.0, {"at_most": 1.1}, True),
        (1.2, {"at_most": 1.1}, False),
        (1.6, {"at_least": 1.6}, True),
        (1.5, {"at_least": 1.6}, False),
        (1.0, {}, None),
    ],
)
def test_figures_say_whether_they_keep_to_what_was_asked(
    value: float, asked: dict[str, float], met: object
) -> None:
    """At most and at least include the value itself."""
    figures = _module("benchmark_figures")
    figure = figures.Figure(name="a", value=value, unit="ratio", **asked)

    assert figure.met is met
    assert figures.as_json([figure])[0]["met"] is met
    assert ("NO" in figures.line(figure)) == (met is False)


def test_command_prints_a_table_and_writes_json(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """A case that is asked for by name is run alone, printed and written."""
    benchmark = _module("benchmark")
    figure = _module("benchmark_figures").Figure(name="a case", value=2.0, unit="s")
    monkeypatch.setitem(benchmark.CASES, "many", lambda _: iter([figure]))
    monkeypatch.setattr(sys, "argv", ["benchmark", "--case", "many", "--out", str(tmp_path)])

    benchmark.main()

    said = capsys.readouterr().out.splitlines()
    written = json.loads((tmp_path / "benchmark.json").read_text(encoding="utf-8"))
    assert said[1].split() == ["a", "case", "2.000", "s", "1"]
    assert [one["name"] for one in written["figures"]] == ["a case"]
    assert written["sizes"]["repeats"] == 3
