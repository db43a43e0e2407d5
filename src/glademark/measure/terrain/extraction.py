"""Extraction: the way of each mark's wood to the landing, and what passes over every stretch."""

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.contracts.frames import features
from glademark.contracts.terrain import ExtractionFigures
from glademark.measure.corridors import carry_ends_on, drawn_parts
from glademark.measure.openings import volume_words
from glademark.measure.terrain.network import (
    Entry,
    Network,
    Stretches,
    build_network,
    enter,
    wood_over,
)
from glademark.measure.volume import without_volume
from glademark.project.job_settings import MachineSettings

FloatArray = npt.NDArray[np.float64]
GeometryArray = npt.NDArray[np.object_]

FIXED = (
    "trees", "solid m3", "trees without solid m3", "basal area", "trees without a diameter",
    "trees without a volume",
)  # fmt: skip
"""First columns of `Wood.amounts`: trees, amounts in SI, and the trees that each leaves out."""
TREES, SOLID_M3, NO_SOLID, BASAL_AREA, NO_BASAL_AREA, NO_VOLUME = range(len(FIXED))
WEIGHTS: tuple[tuple[str, int, int | None], ...] = (
    ("m3", SOLID_M3, NO_SOLID),
    ("basal_area", BASAL_AREA, NO_BASAL_AREA),
    ("trees", TREES, None),
)
"""What means are weighted by, the first that every tree has: its column, the trees without it."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Wood:
    """
    Wood of the cut marks.

    Attributes
    ----------
    row
        Position of each cut mark in the layer `marks`; shape (n,).
    products
        Name and sale unit of each product.
    amounts
        Shape (n, len(FIXED) + 2 products): the columns of `FIXED`, then the net volume of each
        product in its sale unit, 0 where it is not known, then the trees that each leaves out.
    """

    row: npt.NDArray[np.intp]
    products: tuple[tuple[str, str], ...]
    amounts: FloatArray

    @property
    def trees(self) -> FloatArray:
        """Trees of each cut mark."""
        return np.asarray(self.amounts[:, TREES])


def wood_of(marks: gpd.GeoDataFrame, parts: pd.DataFrame, *, solid_m3: FloatArray) -> Wood:
    """
    Wood of the marks that are cut.

    `solid_m3`: volume of each mark, NaN where it is not known.
    """
    row = np.flatnonzero(marks["is_cut"].to_numpy(dtype=bool))
    cut = pd.Series(np.arange(len(row)), index=marks.index[row])
    mine = parts[parts["tree"].isin(cut.index)]
    lost = without_volume(mine, marks["count"])
    without = lost["own_without"].groupby(mine["tree"]).sum().reindex(cut.index, fill_value=0)
    named = mine[mine["product"] != ""]
    sold_as = named.groupby(["product", "unit"])
    products = [*sold_as.size().index]
    sums = np.zeros((len(row), 2 * len(products)))
    place = (named["tree"].map(cut), sold_as.ngroup())
    np.add.at(sums, place, named["net"].fillna(0.0))
    np.add.at(sums, (place[0], place[1] + len(products)), lost.loc[named.index, "trees_without"])
    solid, trees = solid_m3[row], marks["count"].to_numpy(dtype=float)[row]
    basal_area = marks["basal_area_m2"].to_numpy(dtype=float)[row]
    amounts = [
        trees,
        np.nan_to_num(solid),
        np.where(np.isnan(solid), trees, 0.0),
        basal_area,
        np.where(basal_area > 0, 0.0, trees),
        without.to_numpy(dtype=float),
        *sums.T,
    ]
    return Wood(
        row=row,
        products=tuple((str(product), str(unit)) for product, unit in products),
        amounts=np.column_stack(amounts),
    )


def wood_columns(
    sums: FloatArray, products: tuple[tuple[str, str], ...]
) -> dict[str, npt.NDArray[Any]]:
    """
    Sums of wood as the columns of a layer.

    `trees`, `volume_m3` (NaN where it is not known of every tree), `volume` (text by product) and
    `trees_without` a volume.
    """
    words = np.full(len(sums), "", dtype=object)
    for place, (product, unit) in enumerate(products, start=len(FIXED)):
        net, lost = sums[:, place], sums[:, place + len(products)]
        some = (net > 0) | ~_is_none(lost)
        shown = [
            volume_words(product, one or np.nan, unit, trees_without=round(without))
            for one, without in zip(net[some].tolist(), lost[some].tolist(), strict=True)
        ]
        words[some] = words[some] + np.where(words[some] == "", "", "; ") + np.array(shown, object)
    return {
        "trees": np.rint(sums[:, TREES]).astype(int),
        "volume_m3": np.where(_is_none(sums[:, NO_SOLID]), sums[:, SOLID_M3], np.nan),
        "volume": words,
        "trees_without": np.rint(sums[:, NO_VOLUME]).astype(int),
    }


def _is_none(trees: FloatArray) -> npt.NDArray[np.bool_]:
    """Whether sums of whole trees are nil."""
    return trees < 0.5  # noqa: PLR2004 - half a tree


def solid_m3(sums: FloatArray) -> float | None:
    """
    Solid volume of a sum of wood.

    In m3; None where it is not known of every tree, or there is none.
    """
    return float(sums[SOLID_M3]) if sums[TREES] > 0 and _is_none(sums[NO_SOLID]) else None


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Extraction:
    """
    Corridors as a network to the landings.

    Attributes
    ----------
    network
        With at least one edge.
    corridors
        Name of the corridor of each edge.
    landings
        Names of the landings.
    """

    network: Network
    corridors: npt.NDArray[np.object_]
    landings: npt.NDArray[np.object_]

    def landing_names(self, number: npt.NDArray[np.intp]) -> npt.NDArray[np.object_]:
        """Names of landings by their number."""
        names = np.array([*self.landings, ""], dtype=object)
        return np.asarray(names[np.where(number < 0, len(self.landings), number)], dtype=object)


def extraction_network(
    lines: gpd.GeoDataFrame,
    landings: gpd.GeoDataFrame,
    *,
    stand: BaseGeometry,
    snap_m: float,
) -> Extraction | None:
    """
    Corridors as a network to the landings.

    None without landings or without a corridor outside of them.
    """
    if landings.empty or lines.empty:
        return None
    parts, line = drawn_parts(lines)
    width = lines["width_m"].to_numpy(dtype=float)[line]
    carried = carry_ends_on(parts, width_m=width, stand=lines["stand"].to_numpy()[line])
    sites = landings.geometry.to_numpy()
    network = build_network(carried, sites, stand=stand, snap_m=snap_m)
    if not len(network.edges.geometry):
        return None
    names = [name or f"landing {place}" for place, name in enumerate(landings["name"], 1)]
    return Extraction(
        network=network,
        corridors=lines["corridor"].to_numpy(dtype=object)[line][network.edges.line],
        landings=np.array(names, dtype=object),
    )


def mark_columns(
    extraction: Extraction, entry: Entry
) -> dict[str, npt.NDArray[np.object_] | FloatArray]:
    """
    Columns of marks that tell where their wood goes.

    `landing`, `extraction_m` (NaN where no landing is reached).
    """
    way = np.where(np.isfinite(entry.distance_m), entry.distance_m, np.nan)
    return {"landing": extraction.landing_names(entry.landing), "extraction_m": way}


def part_of(entry: Entry, row: npt.NDArray[np.intp]) -> Entry:
    """Some of the points on the network."""
    return Entry(
        edge=entry.edge[row],
        at_m=entry.at_m[row],
        distance_m=entry.distance_m[row],
        inside_m=entry.inside_m[row],
        landing=entry.landing[row],
    )


def extraction_layer(
    extraction: Extraction, stretches: Stretches, wood: Wood, *, payload_m3: float | None
) -> gpd.GeoDataFrame:
    """
    Every stretch of the network with the wood that passes over it.

    `payload_m3`: solid wood of one load, or None.
    """
    columns = wood_columns(stretches.wood, wood.products)
    reached = np.isfinite(stretches.distance_m)
    solid = np.asarray(columns["volume_m3"], dtype=np.float64)
    table = {
        "corridor": extraction.corridors[stretches.edge],
        "landing": extraction.landing_names(stretches.landing),
        "length_m": shapely.length(stretches.geometry),
        "distance_m": np.where(reached, stretches.distance_m, np.nan),
        "farthest_m": np.where(reached, stretches.farthest_m, np.nan),
        "in_stand": extraction.network.edges.inside[stretches.edge],
        **columns,
        "loads": solid / payload_m3 if payload_m3 else np.full(len(solid), np.nan),
    }
    name = pd.factorize(table["corridor"], sort=True)[0]
    order = np.lexsort((table["length_m"], name, table["distance_m"], ~reached))
    sorted_table = {key: values[order] for key, values in table.items()}
    sorted_table["stretch"] = np.arange(1, len(order) + 1)
    return features(sorted_table, stretches.geometry[order], crs=None)


def corridor_columns(layer: gpd.GeoDataFrame) -> pd.DataFrame:
    """
    Landing and farthest way of every corridor.

    `landing`, `extraction_m` by corridor; empty and NaN where no landing is reached.
    """
    groups = layer.groupby("corridor")
    return pd.DataFrame(
        {"landing": groups["landing"].first(), "extraction_m": groups["farthest_m"].max()}
    )


def unreached_corridors(layer: gpd.GeoDataFrame) -> tuple[str, ...]:
    """Corridors with a stretch from which no landing can be reached."""
    return tuple(sorted(set(layer.loc[layer["distance_m"].isna(), "corridor"])))


def extraction_figures(
    extraction: Extraction,
    layer: gpd.GeoDataFrame,
    entry: Entry,
    wood: Wood,
    machine: MachineSettings,
) -> ExtractionFigures:
    """Totals of the extraction."""
    reached = np.isfinite(entry.distance_m)
    sums = [wood.amounts[side].sum(axis=0) for side in (reached, ~reached)]
    name, column = next(
        (name, column)
        for name, column, without in WEIGHTS
        if without is None or _is_none(sums[0][without])
    )
    weight = wood.amounts[reached, column]
    way, inside = entry.distance_m[reached], entry.inside_m[reached]
    extracted = float(weight @ way)
    within = float(weight @ inside)
    total = float(weight.sum())
    solid = solid_m3(sums[0])
    landings = pd.Series(extraction.landing_names(entry.landing[reached]), dtype=object)
    arriving = pd.Series(weight).groupby(landings.to_numpy()).sum()
    return ExtractionFigures(
        network_m=float(extraction.network.edges.length_m.sum()),
        unreached=unreached_corridors(layer),
        trees=round(sums[0][TREES]),
        trees_unreached=round(sums[1][TREES]),
        trees_without_m3=round(sums[0][NO_SOLID]),
        m3=solid,
        m3_unreached=solid_m3(sums[1]),
        weight=name,
        mean_m=extracted / total if total > 0 else float("nan"),
        farthest_m=float(way.max()) if len(way) else float("nan"),
        inside_share=within / extracted if extracted > 0 else float("nan"),
        outside_share=1 - within / extracted if extracted > 0 else float("nan"),
        payload_m3=machine.payload_m3,
        loads=solid / machine.payload_m3 if machine.payload_m3 and solid is not None else None,
        by_landing={str(landing): float(amount) for landing, amount in arriving.items()},
    )


def stretches_of(extraction: Extraction, entry: Entry, wood: Wood) -> Stretches:
    """Stretches of the network with the wood that passes over them."""
    return wood_over(extraction.network, entry, wood.amounts)


def entries(extraction: Extraction, points: GeometryArray) -> Entry:
    """Where points come onto the network."""
    return enter(extraction.network, points)
