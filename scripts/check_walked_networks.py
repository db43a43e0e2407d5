"""
Random walked networks through every command that writes files: none may fail.

``python scripts/check_walked_networks.py --networks 200 --papers 20`` prints a table. Layers and
handheld files are written for all networks, every paper, the comparison after the cut and the
papers made again for the first of them, and a batch over some. Seeded: the same networks each time.
"""

import argparse
import logging
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyogrio
import shapely
from walked_networks import Network, walked_network

from glademark.contracts.frames import MOST_MOVED
from glademark.jobs.batch import Engine, lay_out_batch
from glademark.jobs.compare import compare_after_cut, inputs_of
from glademark.jobs.layout import lay_out, make_papers

HANDHELD = ("gpkg", "geojson", "gpx", "kml")
IN_BATCH = 6


class Mended(logging.Handler):
    """Keeps the largest share of an area that mending has moved, from what the writers log."""

    most = 0.0

    def emit(self, record: logging.LogRecord) -> None:
        """Take the share from a record of mending."""
        if record.levelno == logging.DEBUG and isinstance(record.args, tuple):
            self.most = max(self.most, float(record.args[-1]))  # type: ignore[arg-type]


class Tried:
    """Runs tried and faults found, by what was done."""

    def __init__(self) -> None:
        self.runs: Counter[str] = Counter()
        self.faults: Counter[str] = Counter()

    def run(self, what: str, name: str, work: Callable[[], Any]) -> Any:  # noqa: ANN401 - its result
        """The result of some work; None, counted and told, where it fails or files are missing."""
        self.runs[what] += 1
        try:
            result = work()
        except Exception as fault:  # noqa: BLE001 - any fault is what is looked for
            self.tell(what, name, repr(fault))
            return None
        for one in getattr(result, "missing", ()):
            self.tell(what, name, str(one))
        return result

    def tell(self, what: str, name: str, words: str) -> None:
        """Count a fault and print it."""
        self.faults[what] += 1
        print(f"{what}, network {name}: {words[:300]}", file=sys.stderr, flush=True)


def check(tried: Tried, network: Network, folder: Path, *, papers: bool) -> None:
    """One network through all commands but the batch."""
    project = network.write(folder / "in")
    only, also = ((), ("pack",)) if papers else (HANDHELD, ())
    out = folder / "out"
    outcome = tried.run(
        "layout, all papers" if papers else "layout, handheld files",
        network.name,
        lambda: lay_out(project, out=out, only=only, also=also),
    )
    if outcome is None:
        return
    for words in invalid(out):
        tried.tell("layers valid", network.name, words)
    tried.runs["layers valid"] += 1
    if papers:
        again = folder / "again"
        tried.run("papers", network.name, lambda: make_papers(out / "layout.gpkg", out=again))
        tried.run("compare", network.name, lambda: compared(network, project, folder))


def invalid(out: Path) -> list[str]:
    """Layers of the GeoPackage and of the GeoJSON with areas that are not valid."""
    package = out / "layout.gpkg"
    layers = [str(name) for name, kind in pyogrio.list_layers(package) if kind is not None]
    frames = {name: pyogrio.read_dataframe(package, layer=name) for name in layers}
    if (out / "layout.geojson").exists():
        frames["layout.geojson"] = gpd.read_file(out / "layout.geojson")
    return [
        f"{name}: {shapely.is_valid_reason(shape)}"
        for name, frame in frames.items()
        for shape in frame.geometry[~frame.geometry.is_valid]
    ]


def compared(network: Network, project: Path, folder: Path) -> Any:  # noqa: ANN401 - the outcome
    """The comparison with stumps of most marks, driven lines and walked openings."""
    stumps = network.marks[["x", "y", "species"]].iloc[5:].assign(diameter_cm=35.0)
    points = gpd.points_from_xy(stumps.pop("x"), stumps.pop("y"))
    seen = {
        "stumps": gpd.GeoDataFrame(stumps, geometry=points, crs=network.crs),
        "driven": network.layers["corridors"],
        "openings": network.layers["openings"],
    }
    files = {name: folder / f"seen_{name}.gpkg" for name in seen}
    for name, frame in seen.items():
        frame.to_file(files[name], driver="GPKG")
    inputs = inputs_of(stumps=[files.pop("stumps")], **files)
    return compare_after_cut(project, inputs, out=folder / "compared")


def main() -> int:
    """Exit code: 1 if anything failed or an area was moved too far."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--networks", type=int, default=200)
    words.add_argument("--papers", type=int, default=20, help="networks with every paper")
    words.add_argument("--first", type=int, default=0, help="seed of the first network")
    asked = words.parse_args()
    writers = logging.getLogger("glademark.contracts.frames")
    writers.addHandler(mended := Mended())
    writers.setLevel(logging.DEBUG)
    tried = Tried()
    with tempfile.TemporaryDirectory(prefix="walked-") as place:
        folder = Path(place)
        for number in range(asked.networks):
            one = walked_network(asked.first + number)
            check(tried, one, folder / str(number), papers=number < asked.papers)
        some = range(min(asked.networks, IN_BATCH))
        projects = [folder / str(number) / "in" / "harvest.toml" for number in some]
        batch = folder / "batch"
        tried.run("batch", "all", lambda: _batch(projects, batch))
    table = pd.DataFrame({"runs": tried.runs, "faults": tried.faults}).fillna(0).astype(int)
    print(table.to_string())
    print(f"largest share of an area moved by mending: {mended.most:.1e}")
    return int(bool(tried.faults) or mended.most > MOST_MOVED)


def _batch(projects: list[Path], out: Path) -> None:
    """Stands side by side; those refused count as a fault."""
    named = []
    for number, project in enumerate(projects):  # a batch names a stand after its folder
        home = project.parent.rename(project.parent.with_name(f"stand {number}"))
        named.append(home / project.name)
    outcome = lay_out_batch(named, out=out, engine=Engine(workers=1))
    refused = [row["reason"] for row in outcome.rows if row["outcome"] == "refused"]
    if refused:
        raise RuntimeError(refused)


if __name__ == "__main__":
    sys.exit(main())
