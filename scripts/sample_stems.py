"""The stem map of the sample: every tree from 7 in up, invented, with clusters of failing ones."""

from pathlib import Path

import numpy as np
import pandas as pd
import sample_stand as stand
import shapely
from numpy.typing import NDArray
from sample_marks import trees

TREES = 3000
LEAST_APART_M = 2.2
SMALLEST_IN = 7.0
CLUSTERS = 24
CLUSTER_M = 19.0
"""How far failing trees reach around the middle of a cluster."""

CONDITIONS = ("dead", "broken", "declining")


def write_stem_map(folder: Path, rng: np.random.Generator) -> None:
    """Write ``stem_map.csv``, with positions in the sample's coordinate system."""
    spot = _spots(rng)
    found = trees(spot, rng, mean_in=13)
    middle = spot[rng.choice(len(spot), CLUSTERS, replace=False)]
    away = np.hypot(*(spot[:, None] - middle[None]).transpose(2, 0, 1)).min(axis=1)
    fails = rng.random(len(spot)) < np.clip(0.95 - 0.95 * away / (2 * CLUSTER_M), 0.02, 1)
    condition = np.where(fails, rng.choice(CONDITIONS, len(spot), p=(0.2, 0.2, 0.6)), "sound")
    defect = np.where(fails, rng.integers(2, 8, len(spot)) * 10, rng.integers(0, 3, len(spot)) * 5)
    place = (spot + stand.ORIGIN).round(2)
    dbh = np.maximum(found["dbh"], SMALLEST_IN)
    table = pd.DataFrame(
        {
            "tree": [f"S{i}" for i in range(1, len(spot) + 1)],
            "x": place[:, 0],
            "y": place[:, 1],
            "species": found["species"],
            "dbh_in": dbh,
            "product": found["product"],
            "condition": condition,
            "defect_pct": defect,
        }
    )
    table.to_csv(folder / "stem_map.csv", index=False, lineterminator="\n")


def _spots(rng: np.random.Generator) -> NDArray[np.float64]:
    """Places in the stand that keep their distance, the first of those drawn."""
    west, south, east, north = stand.STAND.bounds
    drawn = rng.uniform((west, south), (east, north), (4 * TREES, 2))
    drawn = drawn[shapely.contains_xy(stand.STAND.difference(stand.LANDING), drawn)]
    near = shapely.STRtree(shapely.points(drawn)).query(
        shapely.points(drawn), predicate="dwithin", distance=LEAST_APART_M
    )
    earlier = near[0][near[1] < near[0]]
    alone = np.setdiff1d(np.arange(len(drawn)), earlier)
    return np.asarray(drawn[alone][:TREES])
