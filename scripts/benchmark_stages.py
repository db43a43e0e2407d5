"""What each package takes of a run, and the sample as a whole process."""

import sys
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

from benchmark_cases import make_case
from benchmark_clock import by_turns, packages_of, start
from benchmark_figures import Figure
from benchmark_sizes import Sizes

from glademark.jobs.stands import lay_out_stands

SAMPLE = Path(__file__).resolve().parent.parent / "sample_gis" / "harvest.toml"
IMPORTS = "import geopandas, pyogrio, scipy.spatial"


def stages(sizes: Sizes) -> Iterator[Figure]:
    """Time of each package, for one large stand and for many."""
    for stands, marks in ((1, sizes.large), (sizes.stands, sizes.marks)):
        title = f"{stands:,} stand{'s' * (stands != 1)} x {marks:,} marks"
        with TemporaryDirectory() as place:
            project = make_case(stands=stands, marks=marks).write(Path(place) / "in")
            spent = packages_of(partial(lay_out_stands, project, out=Path(place) / "out"))
        for package, seconds in spent.items():
            yield Figure(name=f"{title}: {package}", value=seconds, unit="s")


def sample(sizes: Sizes) -> Iterator[Figure]:
    """The sample as a whole process, beside the imports that it cannot do without."""
    words = [sys.executable, "-m", "glademark", "-q", "layout", SAMPLE, "--only", "gpkg", "--out"]
    with TemporaryDirectory() as out:
        whole, bare = "sample, GeoPackage only", "imports alone"
        times = by_turns(
            {
                whole: lambda: start([*words, out]),
                bare: lambda: start([sys.executable, "-c", IMPORTS]),
            },
            repeats=max(sizes.repeats, 5) if sizes.repeats > 1 else 1,
            budget_s=sizes.budget_s,
        )
    for name, timed in times.items():
        yield Figure(name=name, value=timed.seconds, unit="s", runs=timed.runs)
    yield Figure(
        name=f"{whole} / {bare}",
        value=times[whole].seconds / times[bare].seconds,
        unit="ratio",
        runs=min(timed.runs for timed in times.values()),
        at_most=1.7,
    )
