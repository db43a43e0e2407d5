"""Reach as layers and figures: trees within and beyond, and stubs that would bring them nearer."""

from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.contracts.frames import STAND, features
from glademark.contracts.survey import labels_of
from glademark.contracts.terrain import ReachFigures
from glademark.measure.terrain.extraction import FIXED, TREES, Wood, solid_m3, wood_columns
from glademark.measure.terrain.reach import SLACK_M, Stubs, shortest_stubs, to_corridor
from glademark.project.model import MachineSettings

_OF_STUBS = ("trees", "volume_m3")


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Reach:
    """
    Distance of every mark to the nearest corridor edge.

    Attributes
    ----------
    distance_m
        0 inside a corridor; NaN without corridors.
    corridor
        Name of the corridor whose edge is nearest; empty without corridors.
    """

    distance_m: npt.NDArray[np.float64]
    corridor: npt.NDArray[np.object_]


def measure_reach(points: npt.NDArray[np.object_], corridors: gpd.GeoDataFrame) -> Reach:
    """
    Distance of marks to the nearest corridor edge, and which corridor that is.

    Parameters
    ----------
    points
        Points, projected CRS [m].
    corridors
        Layer `corridors`.

    Returns
    -------
    reach
        Of every point.
    """
    distance, nearest = to_corridor(points, corridors.geometry.to_numpy())
    names = np.array([*corridors["corridor"], ""], dtype=object)
    return Reach(distance_m=distance, corridor=names[nearest])


def entered(
    marks: gpd.GeoDataFrame,
    openings: gpd.GeoDataFrame,
    corridors: gpd.GeoDataFrame,
    machine: MachineSettings,
) -> npt.NDArray[np.bool_]:
    """Marks of openings that the machine enters: those that a corridor meets, where it may."""
    if not machine.enters_openings or not len(openings):
        return np.zeros(len(marks), dtype=bool)
    lanes = shapely.union_all(corridors.geometry.to_numpy())
    met = shapely.dwithin(openings.geometry.to_numpy(), lanes, machine.snapping_distance_m)
    keys = pd.MultiIndex.from_frame(openings.loc[met, [STAND, "opening"]].astype("Int64"))
    mine = pd.MultiIndex.from_frame(marks[[STAND, "opening"]].astype("Int64"))
    return np.asarray(mine.isin(keys) & marks["opening"].notna().to_numpy(), dtype=bool)


def stub_layer(
    stubs: Stubs,
    marks: gpd.GeoDataFrame,
    corridors: gpd.GeoDataFrame,
    wood: Wood,
    *,
    obstacles: dict[str, BaseGeometry],
) -> gpd.GeoDataFrame:
    """
    Stubs that would bring trees within reach.

    Parameters
    ----------
    stubs
        For the cut marks.
    marks
        Layer `marks`.
    corridors
        Layer `corridors`.
    wood
        Of the cut marks.
    obstacles
        Ground by name that a stub had better not cross.

    Returns
    -------
    layer
        Columns of `contracts.layers.CORRIDOR_STUBS`; LineString rows.
    """
    count = len(stubs.lines)
    sums = np.zeros((count, wood.amounts.shape[1]))
    some = stubs.served >= 0
    np.add.at(sums, stubs.served[some], wood.amounts[some])
    names = np.array([*corridors["corridor"], "a stub"], dtype=object)
    crosses = np.full(count, "", dtype=object)
    for name, ground in obstacles.items():
        met = shapely.intersects(stubs.lines, ground)
        crosses[met] = np.where(crosses[met] == "", name, crosses[met] + ", " + name)
    table = pd.DataFrame(
        {
            "stub": np.arange(1, count + 1),
            "corridor": names[stubs.start],
            "length_m": shapely.length(stubs.lines),
            "tree_id": labels_of(marks).to_numpy(dtype=object)[wood.row[stubs.tree]],
            **{k: v for k, v in wood_columns(sums, wood.products).items() if k in _OF_STUBS},
            "crosses": crosses,
        }
    )
    return features(table, stubs.lines, crs=marks.crs)


def reach_figures(reach: Reach, wood: Wood, stubs: Stubs, *, reach_m: float) -> ReachFigures:
    """
    Totals of the trees within and beyond reach.

    Parameters
    ----------
    reach
        Of the cut marks.
    wood
        Of the cut marks.
    stubs
        For the cut marks.
    reach_m
        Of the machine [m].

    Returns
    -------
    figures
        Without corridors, all trees are beyond.
    """
    within = reach.distance_m <= reach_m + SLACK_M
    sums = [wood.amounts[side].sum(axis=0) for side in (within, ~within)]
    left = ~within & (stubs.served < 0)
    farthest = reach.distance_m.max() if len(within) else np.nan
    beyond = zip(wood.products, sums[1][len(FIXED) :], strict=True)
    return ReachFigures(
        reach_m=reach_m,
        trees_within=round(sums[0][TREES]),
        trees_beyond=round(sums[1][TREES]),
        m3_within=solid_m3(sums[0]),
        m3_beyond=solid_m3(sums[1]),
        by_product_beyond={name: f"{net:,.2f} {unit}" for (name, unit), net in beyond if net > 0},
        farthest_m=float(farthest),
        stubs=len(stubs.lines),
        stubs_m=float(shapely.length(stubs.lines).sum()),
        trees_left=round(wood.trees[left].sum()),
    )


def stubs_for(
    points: npt.NDArray[np.object_],
    corridors: gpd.GeoDataFrame,
    *,
    reach_m: float,
    passed: npt.NDArray[np.bool_],
) -> Stubs:
    """Stubs, as wide as corridors are, that would bring points within reach but those passed."""
    width = float(corridors["width_m"].median()) if len(corridors) else 1.0
    strips = corridors.geometry.to_numpy()
    wanted = np.flatnonzero(~passed)
    found = shortest_stubs(points[wanted], strips, reach_m=reach_m, width_m=width)
    served = np.full(len(points), -1, dtype=np.intp)
    served[wanted] = found.served
    return replace(found, tree=wanted[found.tree], served=served)
