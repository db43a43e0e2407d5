"""
Corruptions of the sample's files: each ends accepted, accepted with a notice, or refused.

The ordinary suite tries 60 of them. With ``GLADEMARK_MUTATIONS=2000`` in the environment all 2,000
are tried, and what is accepted is laid out as well, since damage that intake lets through must not
break what follows.
"""

import os
import resource
import shutil
import signal
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from glademark.errors import InputError
from glademark.intake.read import read_survey
from glademark.jobs.layout import lay_out
from glademark.project import read_project

SAMPLE = Path(__file__).resolve().parents[2] / "sample_gis"
CASES = int(os.environ.get("GLADEMARK_MUTATIONS", "60"))
LAID_OUT = CASES >= 2000
HARD = (248, 739, 1155)
"""Seeds that found faults once; they are always tried."""

SECONDS_MAX = 10
"""Of computing."""

WAITING_MAX = 60
"""Seconds by the clock, on a machine that has other things to do."""

FEW = "marks_few.csv"
MEMORY_MAX = 2**30
FILES = sorted(path.name for path in SAMPLE.iterdir() if path.suffix in {".gpkg", ".csv", ".tif"})
WORDS = (
    b"46.39",
    b"-88.1",
    b"white",
    b"pink",
    b"sawlog",
    b"maple",
    b"12",
    b",",
    b"\n",
    b"EPSG",
    b"geom",
)
OTHERS = (
    b"",
    b"nan",
    b"-1e400",
    b"\xff\x00",
    b'"',
    b"<!DOCTYPE x>",
    b"=1+1",
    b"999999999",
    b"\x1b[2J",
)
KEPT = ("project", "inputs", "marks", "corridors", "openings", "water", "volume")


def corrupted(content: bytes, random: np.random.Generator) -> bytes:
    """The bytes with some flipped, cut off, taken out, doubled, or a field exchanged."""
    data = bytearray(content)
    start, stop = sorted(int(place) for place in random.integers(len(data), size=2))
    stop = min(stop, start + 200)
    kind = random.integers(6)
    if kind == 0:
        for place in random.integers(len(data), size=random.integers(1, 20)):
            data[place] ^= 1 << random.integers(8)
    elif kind == 1:
        del data[start:]
    elif kind == 2:
        del data[start:stop]
    elif kind == 3:
        data[start:start] = data[start:stop]
    elif kind == 4:
        return exchanged(content, random)
    else:
        word, other = WORDS[random.integers(len(WORDS))], OTHERS[random.integers(len(OTHERS))]
        return content.replace(word, other, int(random.integers(1, 6)))
    return bytes(data)


def exchanged(content: bytes, random: np.random.Generator) -> bytes:
    """Two fields of a text exchanged, or two pieces of any other file."""
    lines = content.split(b"\n")
    rows = [number for number, line in enumerate(lines) if line.count(b",") > 2]
    if len(rows) < 3:
        a, b = sorted(int(place) for place in random.integers(len(content) - 64, size=2))
        return (
            content[:a]
            + content[b : b + 64]
            + content[a + 64 : b]
            + content[a : a + 64]
            + content[b + 64 :]
        )
    row = rows[random.integers(len(rows))]
    cells = lines[row].split(b",")
    first, second = random.integers(len(cells), size=2)
    cells[first], cells[second] = cells[second], cells[first]
    lines[row] = b",".join(cells)
    return b"\n".join(lines)


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the sample, to be corrupted and mended again file by file."""
    folder = tmp_path_factory.mktemp("mutations") / "sample"
    shutil.copytree(SAMPLE, folder)
    lines = (SAMPLE / "marks_south.csv").read_bytes().splitlines(keepends=True)
    (folder / FEW).write_bytes(b"".join(lines[:25]))
    return folder


@pytest.fixture
def alarm() -> Iterator[None]:
    """Stop what computes or waits longer than it may."""

    def stop(*_: object) -> None:
        msg = f"it took more than {SECONDS_MAX} s of computing, or {WAITING_MAX} s by the clock"
        raise TimeoutError(msg)

    before = [signal.signal(one, stop) for one in (signal.SIGALRM, signal.SIGPROF)]
    signal.setitimer(signal.ITIMER_REAL, WAITING_MAX)
    signal.setitimer(signal.ITIMER_PROF, SECONDS_MAX)
    yield
    signal.setitimer(signal.ITIMER_REAL, 0)
    signal.setitimer(signal.ITIMER_PROF, 0)
    for one, handler in zip((signal.SIGALRM, signal.SIGPROF), before, strict=True):
        signal.signal(one, handler)


def project_text(name: str) -> str:
    """
    The sample's project file, with only the inputs that the corrupted file touches.

    A corrupted file of marks is read with the other one; beside any other file, which has nothing
    to do with them, some marks are enough in the ordinary suite.
    """
    text = (SAMPLE / "harvest.toml").read_text(encoding="utf-8")
    needed = {"stand.gpkg", "marks_north.csv", "marks_south.csv", name}
    if not LAID_OUT and name not in needed - {name}:
        text = text.replace('["marks_north.csv", "marks_south.csv"]', f'"{FEW}"')
        needed = {"stand.gpkg", FEW, name}
    lines = []
    for line in text.splitlines():
        file = line.rpartition("= ")[2].strip('"')
        if line.startswith(("allowance", "table =")) and file not in needed:
            continue
        if file.endswith((".gpkg", ".csv", ".tif")) and file not in needed:
            continue
        lines.append(line)
    return "\n".join(lines)


@pytest.mark.usefixtures("alarm")
@pytest.mark.parametrize("seed", [*range(CASES), *(seed for seed in HARD if seed >= CASES)])
def test_a_corrupted_sample_is_read_or_refused(
    sample: Path, tmp_path: Path, seed: int, capfd: Callable
) -> None:
    """No damage ends in a traceback, a hang or a flood of memory, and no record is lost."""
    random = np.random.default_rng(seed)
    name = FILES[seed % len(FILES)]
    content = (SAMPLE / name).read_bytes()
    harmed = corrupted(content, random)
    (sample / name).write_bytes(harmed)
    file = sample / "harvest.toml"
    file.write_text(project_text(name), encoding="utf-8")

    try:
        survey = read_survey(read_project(file), folder=sample)
        if LAID_OUT:
            lay_out(file, out=tmp_path / "out", only=("checks",))
    except InputError as error:
        survey, faults = None, error.faults
    finally:
        left = (sample / name).read_bytes()
        (sample / name).write_bytes(content)

    assert left == harmed
    assert "Traceback" not in capfd.readouterr().err
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 < MEMORY_MAX
    if survey is None:
        assert faults
        assert all(faults)
    else:
        assert all(count.read == count.used + count.rejected for count in survey.counts)
        assert survey.stand.area.item() > 0
