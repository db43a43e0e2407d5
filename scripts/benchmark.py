"""
How long the work takes, and how it grows: ``python scripts/benchmark.py``.

Every line is a ratio or a time of this machine, of one run; the cases are seeded. With ``--full``
the large cases as well. Writes ``benchmark.json`` into the folder given with ``--out``.
"""

import argparse
import json
import math
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

import geopandas as gpd
import numpy as np
import shapely
from benchmark_cases import make_case, read_and_write
from plain_layout import lay_out_plainly

from glademark.forestry.volume_equations import Trees, equation_sets, tree_volume
from glademark.intake.read import survey_of
from glademark.intake.stands import open_stands
from glademark.measure.hauling import entries, hauling_network
from glademark.measure.layout import measure_layout
from glademark.measure.reach import to_corridor
from glademark.pipeline_stands import lay_out_stands
from glademark.project import read_project

ROOT = Path(__file__).resolve().parent.parent
REPEATS = 3


def main() -> None:
    """Run all cases, print and write them."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--full", action="store_true", help="the large cases as well")
    words.add_argument("--out", type=Path, help="folder for benchmark.json")
    asked = words.parse_args()
    found: dict[str, float] = {}
    for case in (_volumes, _sample, _growth, _ground, _stands):
        for name, value in case(full=asked.full).items():
            found[name] = value
            print(f"{name:58} {value:12.3f}", flush=True)
    found["peak memory, MB"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    if asked.out:
        asked.out.mkdir(parents=True, exist_ok=True)
        text = json.dumps(found, indent=1) + "\n"
        (asked.out / "benchmark.json").write_text(text, encoding="utf-8")


def seconds(work: Callable[[], object], *, repeats: int = REPEATS) -> float:
    """Median time of some runs [s]."""
    times = []
    for _ in range(repeats):
        began = time.perf_counter()
        work()
        times.append(time.perf_counter() - began)
    return statistics.median(times)


def _volumes(*, full: bool) -> dict[str, float]:
    """A million trees by published equations, with heights and without."""
    del full

    rng = np.random.default_rng(1)
    codes, dbh = rng.choice([318, 316, 261], 1_000_000), rng.uniform(15, 60, 1_000_000)
    tall = Trees(dbh_cm=dbh, species_code=codes, height_m=rng.uniform(12, 28, 1_000_000))
    sited = Trees(dbh_cm=dbh, species_code=codes, site_index_m=20.0, basal_area_m2_ha=25.0)
    cases = {"national-2024": (tall, "merchantable"), "lake-states-1984": (sited, "merchantable")}
    return {
        f"a million volumes, {name}, s": seconds(
            lambda name=name, trees=trees, part=part: tree_volume(
                trees, equation_set=equation_sets()[name], part=part
            )
        )
        for name, (trees, part) in cases.items()
    }


def _sample(*, full: bool) -> dict[str, float]:
    """The sample as a whole process, beside the imports that it cannot do without."""
    del full
    with TemporaryDirectory() as out:
        run = [sys.executable, "-m", "glademark", "-q", "layout", ROOT / "sample_gis/harvest.toml"]
        imports = [sys.executable, "-c", "import geopandas, pyogrio, scipy.spatial"]
        whole = seconds(lambda: _start([*run, "--out", out, "--only", "gpkg"]))
        papers = seconds(lambda: _start([*run, "--out", out]))
        bare = seconds(lambda: _start(imports))
    return {
        "sample, GeoPackage only, s": whole,
        "sample, all papers, s": papers,
        "imports of geopandas, pyogrio, scipy alone, s": bare,
        "sample / imports": whole / bare,
    }


def _start(command: list[str | Path]) -> None:
    """Run a process to its end."""
    subprocess.run(command, check=True, capture_output=True)  # noqa: S603 - our own


def _growth(*, full: bool) -> dict[str, float]:
    """One stand of more and more marks: the measuring step, and how its time grows."""
    sizes = (1_000, 10_000, 100_000) if full else (1_000, 10_000)
    times = {marks: _times_of(marks) for marks in sizes}
    found = {}
    for marks, (read, measure) in times.items():
        found[f"{marks:,} marks in one stand: intake, s"] = read
        found[f"{marks:,} marks in one stand: measure, s"] = measure
    small, large = sizes[-2:]
    ratio = times[large][1] / times[small][1]
    found["growth exponent of measure"] = math.log(ratio) / math.log(large / small)
    return found


def _times_of(marks: int) -> tuple[float, float]:
    """Intake and measuring of one stand [s]."""
    with TemporaryDirectory() as folder:
        path = make_case(stands=1, marks=marks).write(Path(folder))
        project = read_project(path)
        with open_stands(project, folder=path.parent) as many:
            shelf = many.of(many.names[0])
            began = time.perf_counter()
            survey = survey_of(shelf, project)
            read = time.perf_counter() - began
    return read, seconds(lambda: measure_layout(survey, project, earlier={}), repeats=1)


def _ground(*, full: bool) -> dict[str, float]:
    """Network and reach of 1,000 corridors and 100,000 marks."""
    del full

    side, rng = 8_000.0, np.random.default_rng(2)
    at = np.linspace(100.0, side - 100, 20)
    south, north = np.zeros(20), np.full(20, side)
    mains = np.stack([np.stack([at, south], axis=-1), np.stack([at, north], axis=-1)], axis=1)
    x, y = np.repeat(at, 49), np.tile(np.linspace(100.0, side - 100, 49), 20)
    branches = np.stack([np.stack([x, y], axis=-1), np.stack([x + 350, y], axis=-1)], axis=1)
    lines = shapely.linestrings(np.concatenate([mains, branches]))
    corridors = gpd.GeoDataFrame(
        {"corridor": [f"C{n}" for n in range(1000)], "width_m": 4.0}, geometry=lines
    )
    landing = gpd.GeoDataFrame({"name": ["L"]}, geometry=[shapely.box(0, -60, side, 0)])
    marks = shapely.points(rng.uniform(0, side, (100_000, 2)))
    strips = shapely.buffer(lines, 2.0, cap_style="flat")

    def both() -> None:
        network = hauling_network(
            corridors, landing, stand=shapely.box(0, 0, side, side), snap_m=1.0
        )
        entries(network, marks)
        to_corridor(marks, strips)

    return {"1,000 corridors, 100,000 marks: network and reach, s": seconds(both, repeats=1)}


def _stands(*, full: bool) -> dict[str, float]:
    """Many stands: the whole job, beside reading and writing alone and a plain script."""
    stands, marks = (100, 400) if full else (10, 400)
    with TemporaryDirectory() as place:
        folder = Path(place)
        case = make_case(stands=stands, marks=marks)
        project = case.write(folder / "in")
        whole = seconds(lambda: lay_out_stands(project, out=folder / "out"), repeats=1)
        floor = seconds(lambda: read_and_write(folder / "in"))
    plain = seconds(lambda: [plainly(case, name) for name in case.stand["stand_id"]], repeats=1)
    title = f"{stands} stands x {marks} marks: "
    return {
        f"{title}whole job, s": whole,
        f"{title}reading and writing alone, s": floor,
        f"{title}plain script, without files, s": plain,
        f"{title}whole job / reading and writing": whole / floor,
    }


def plainly(case: object, name: str) -> object:
    """One stand of a case by the plain script."""
    frames = {key: frame[frame["stand_id"] == name] for key, frame in vars(case).items()}
    return lay_out_plainly(frames["stand"], frames["corridors"], frames["marks"])


if __name__ == "__main__":
    main()
