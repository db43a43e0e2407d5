"""Parts of the package that no case of many stands has: volume equations, network and reach."""

from collections.abc import Iterator
from functools import partial

import geopandas as gpd
import numpy as np
import shapely
from benchmark_clock import by_turns
from benchmark_figures import Figure
from benchmark_sizes import Sizes

from glademark.forestry.volume_equations import Trees, equation_sets, tree_volume
from glademark.measure.terrain.extraction import entries, extraction_network
from glademark.measure.terrain.reach import to_corridor


def volumes(sizes: Sizes, *, count: int = 1_000_000) -> Iterator[Figure]:
    """A million trees by published equations, with heights and without."""
    rng = np.random.default_rng(1)
    codes, dbh = rng.choice([318, 316, 261], count), rng.uniform(15, 60, count)
    tall = Trees(dbh_cm=dbh, species_code=codes, height_m=rng.uniform(12, 28, count))
    sited = Trees(dbh_cm=dbh, species_code=codes, site_index_m=20.0, basal_area_m2_ha=25.0)
    works = {
        f"{count:,} volumes, {name}": partial(
            tree_volume, trees, equation_set=equation_sets()[name], part="merchantable"
        )
        for name, trees in (("national-2024", tall), ("lake-states-1984", sited))
    }
    times = by_turns(works, repeats=sizes.repeats, budget_s=sizes.budget_s)
    for name, timed in times.items():
        yield Figure(name=name, value=timed.seconds, unit="s", runs=timed.runs)


def ground(sizes: Sizes, *, count: int = 100_000) -> Iterator[Figure]:
    """Network and reach of 1,000 corridors."""
    side, rng = 8_000.0, np.random.default_rng(2)
    lines = _corridors(side)
    corridors = gpd.GeoDataFrame(
        {"corridor": [f"C{n}" for n in range(len(lines))], "width_m": 4.0, "stand": 0},
        geometry=lines,
    )
    landing = gpd.GeoDataFrame({"name": ["L"], "stand": 0}, geometry=[shapely.box(0, -60, side, 0)])
    marks = shapely.points(rng.uniform(0, side, (count, 2)))
    strips = shapely.buffer(lines, 2.0, cap_style="flat")

    def both() -> None:
        network = extraction_network(
            corridors, landing, stand=shapely.box(0, 0, side, side), snap_m=1.0
        )
        entries(network, marks)
        to_corridor(marks, strips)

    name = f"{len(lines):,} corridors, {count:,} marks: network and reach"
    timed = by_turns({name: both}, repeats=sizes.repeats, budget_s=sizes.budget_s)[name]
    yield Figure(name=name, value=timed.seconds, unit="s", runs=timed.runs)


def _corridors(side: float) -> np.ndarray:
    """Twenty main lines through the stand, with 49 branches each."""
    at = np.linspace(100.0, side - 100, 20)
    south, north = np.zeros(20), np.full(20, side)
    mains = np.stack([np.stack([at, south], axis=-1), np.stack([at, north], axis=-1)], axis=1)
    x, y = np.repeat(at, 49), np.tile(np.linspace(100.0, side - 100, 49), 20)
    branches = np.stack([np.stack([x, y], axis=-1), np.stack([x + 350, y], axis=-1)], axis=1)
    return shapely.linestrings(np.concatenate([mains, branches]))
