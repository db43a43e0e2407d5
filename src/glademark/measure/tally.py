"""
The tally: cut trees by zone, product, species and size class, with totals.

Totals are sums of the unrounded cells. A total over products has a volume in a sale unit only where
all of it is in that unit; solid m3 beside it says how much of it could be converted.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pandas as pd

from glademark.contracts.by_stand import stretches
from glademark.contracts.layers import VOLUME_BY_ZONE
from glademark.contracts.layout import ZONE_NAMES
from glademark.measure.standing import BASAL, SOLID, Stock
from glademark.measure.sums import known_sums

ALL = "all"
NOT_STATED = "not stated"

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

_KEYS = ("zone", "located", "product", "species", "size_class")
_SUMS = ("trees", "basal_area_m2", "gross", "net", "m3")


def tally_cells(trees: pd.DataFrame, parts: pd.DataFrame) -> pd.DataFrame:
    """
    Contribution of each part of each tree, keyed as the tally table is.

    Parameters
    ----------
    trees
        `stand` (place of the stand), `zone`, `located` (located or not_located), `species`,
        `size_class`, `count`, `basal_area_m2`; unique index.
    parts
        As from `glademark.measure.volume.volumes`.

    Returns
    -------
    cells
        One row a part with `stand`, the keys and `trees`, `basal_area_m2`, `unit`, `log_rule`,
        `gross`, `net`, `m3`, `source`; trees and basal area are counted once, with the tree's own
        product.
    """
    at = trees.index.get_indexer(pd.Index(parts["tree"]))
    first = np.zeros(len(at), dtype=bool)
    first[np.unique(at, return_index=True)[1]] = True
    return pd.DataFrame(
        {
            "stand": trees["stand"].to_numpy()[at],
            "zone": trees["zone"].array[at],
            "located": trees["located"].array[at],
            "product": _stated(parts["product"].to_numpy(dtype=object)),
            "species": _stated(trees["species"].to_numpy(dtype=object)[at]),
            "size_class": trees["size_class"].array[at],
            "trees": np.where(first, trees["count"].to_numpy()[at], 0),
            "basal_area_m2": np.where(first, trees["basal_area_m2"].to_numpy()[at], 0.0),
            "unit": parts["unit"].to_numpy(),
            "log_rule": parts["log_rule"].to_numpy(),
            "gross": parts["gross"].to_numpy(dtype=float),
            "net": parts["net"].to_numpy(dtype=float),
            "m3": parts["m3"].to_numpy(dtype=float),
            "source": parts["source"].to_numpy(),
        }
    )


def _stated(words: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    """Words, the empty ones said to be not stated."""
    return np.where(words == "", NOT_STATED, words)


def tally_table(
    cells: pd.DataFrame,
    *,
    zone_area_m2: Mapping[str, FloatArray],
    stocks: Sequence[Sequence[Stock]],
) -> tuple[pd.DataFrame, IntArray]:
    """
    The tally of each stand with its totals.

    Parameters
    ----------
    cells
        As from `tally_cells`.
    zone_area_m2
        Area of each zone in each stand; their sum is the stand. Shape (stands,).
    stocks
        Standing stocks of each stand, for the shares of them; may be empty.

    Returns
    -------
    table
        Columns of `contracts.layers.VOLUME_BY_ZONE`: the cells, then by zone and product, by zone,
        by product, and overall, each split into located and not located where both occur.
        Per-hectare values are over the area of the zone, or of the stand for sums over zones.
    stand
        Place of the stand of each row, rising.
    """
    totals = {
        "zone_product": ("zone", "located", "product"),
        "zone": ("zone", "located"),
        "product": ("located", "product"),
        "total": ("located",),
    }
    coded = _coded(cells)
    tables = [_summed(coded, _KEYS, row="cell")]
    for part in (_of_all(coded), _of_both(coded)):
        tables += [_summed(part, keys, row=row) for row, keys in totals.items()]
    every = {name: np.concatenate([table[name] for table in tables]) for name in tables[0]}
    order = np.argsort(every["stand"], kind="stable")
    sums = {name: values[order] for name, values in every.items()}
    stand = sums["stand"]
    known = {**sums, **_per_hectare(sums, zone_area_m2), **_shares_by_stand(sums, stocks)}
    return pd.DataFrame({name: known[name] for name in VOLUME_BY_ZONE.names}), stand


def _shares_by_stand(
    sums: Mapping[str, np.ndarray], stocks: Sequence[Sequence[Stock]]
) -> dict[str, np.ndarray]:
    """Shares of the standing stock of each stand; a loop over the stands whose stock is known."""
    shares = {
        name: np.full(len(sums["stand"]), np.nan)
        for name in ("share_of_volume", "share_of_basal_area")
    }
    for given, rows in zip(stocks, stretches(sums["stand"], len(stocks)), strict=True):
        if given:
            mine = {name: values[rows] for name, values in sums.items()}
            for name, values in _shares(mine, given).items():
                shares[name][rows] = values
    return shares


def _shares(sums: Mapping[str, np.ndarray], stocks: Sequence[Stock]) -> dict[str, np.ndarray]:
    """Shares of the standing stock: of the product where one is named, else of solid volume."""
    standing = {stock.quantity: stock.total.mean for stock in stocks}
    product = sums["product"]
    with np.errstate(divide="ignore", invalid="ignore"):
        of_product = sums["volume_net"] / _looked_up(product, standing)
        of_solid = sums["volume_m3"] / standing.get(SOLID, np.nan)
        of_basal_area = sums["basal_area_m2"] / standing.get(BASAL, np.nan)
    return {
        "share_of_volume": np.where(product != ALL, of_product, of_solid),
        "share_of_basal_area": of_basal_area,
    }


def _looked_up(words: np.ndarray, amounts: Mapping[str, float]) -> FloatArray:
    """Amount of each word, NaN where it has none."""
    code, names = pd.factorize(words)
    return np.array([amounts.get(name, np.nan) for name in names], dtype=float)[code]


@dataclass(frozen=True, kw_only=True, slots=True)
class _Coded:
    """Cells as arrays; words as numbers too, in the order of zones or of the words."""

    words: Mapping[str, np.ndarray]
    codes: Mapping[str, IntArray]
    scale: IntArray  # number of the unit and log rule
    amounts: Mapping[str, FloatArray]


def _coded(cells: pd.DataFrame) -> _Coded:
    """Cells made ready for sums over any keys."""
    words = {
        name: cells[name].to_numpy(dtype=object) for name in (*_KEYS, "unit", "log_rule", "source")
    }
    codes = {name: pd.factorize(values, sort=True)[0] for name, values in words.items()}
    zones = list(dict.fromkeys([*ZONE_NAMES, *sorted(set(words["zone"]))]))
    codes["zone"] = pd.Index(zones).get_indexer(pd.Index(words["zone"]))
    codes["stand"] = cells["stand"].to_numpy(dtype=np.intp)
    _, scale = _grouped(codes, ("unit", "log_rule"))
    amounts = {name: cells[name].to_numpy(dtype=float) for name in _SUMS}
    return _Coded(words=words, codes=codes, scale=scale, amounts=amounts)


def _of_all(cells: _Coded) -> _Coded:
    """The same, located or not."""
    every = np.full(len(cells.scale), ALL, dtype=object)
    alike = np.zeros(len(cells.scale), dtype=np.intp)
    return replace(
        cells,
        words={**cells.words, "located": every},
        codes={**cells.codes, "located": alike},
    )


def _of_both(cells: _Coded) -> _Coded:
    """The cells of stands that have trees with a position and trees without."""
    pair = np.unique(cells.codes["stand"] * 2 + cells.codes["located"])
    both = np.bincount(pair // 2) > 1
    chosen = both[cells.codes["stand"]] if len(pair) else np.zeros(0, dtype=bool)
    return replace(
        cells,
        words={name: values[chosen] for name, values in cells.words.items()},
        codes={name: values[chosen] for name, values in cells.codes.items()},
        scale=cells.scale[chosen],
        amounts={name: values[chosen] for name, values in cells.amounts.items()},
    )


def _grouped(codes: Mapping[str, IntArray], keys: Sequence[str]) -> tuple[IntArray, IntArray]:
    """First cell of each different set of words under the keys, in order; the set of each cell."""
    number = np.zeros(len(codes[keys[0]]), dtype=np.intp)
    for key in keys:
        number = number * (codes[key].max(initial=0) + 1) + codes[key]
    _, first, group = np.unique(number, return_index=True, return_inverse=True)
    return first, group


def _summed(cells: _Coded, keys: tuple[str, ...], *, row: str) -> dict[str, np.ndarray]:
    """Sums over the keys in each stand, in the order of zones, then by name."""
    first, group = _grouped(cells.codes, ("stand", *keys))
    sums = {name: known_sums(amount, group, len(first)) for name, amount in cells.amounts.items()}
    other = cells.scale != cells.scale[first][group]
    every = np.full(len(first), ALL, dtype=object)
    one = np.bincount(group[other], minlength=len(first)) == 0  # all volumes of it are in one unit
    return {
        "stand": cells.codes["stand"][first],
        **{key: cells.words[key][first] if key in keys else every for key in _KEYS},
        "row": np.full(len(first), row, dtype=object),
        "trees": sums["trees"].astype(int),
        "basal_area_m2": sums["basal_area_m2"],
        "volume_gross": np.where(one, sums["gross"], np.nan),
        "volume_net": np.where(one, sums["net"], np.nan),
        "volume_unit": np.where(one, cells.words["unit"][first], ""),
        "log_rule": np.where(one, cells.words["log_rule"][first], ""),
        "volume_m3": sums["m3"],
        "volume_source": _listed(cells, group, len(first)),
    }


def _listed(cells: _Coded, group: np.ndarray, count: int) -> np.ndarray:
    """All different sources of each group, sorted."""
    code = cells.codes["source"]
    _, first = np.unique(group * (code.max(initial=0) + 1) + code, return_index=True)
    start = np.searchsorted(group[first], np.arange(count + 1))
    words = cells.words["source"][first]
    listed = ["; ".join(words[low:high]) for low, high in pairwise(start)]
    return np.array(listed, dtype=object)


def _per_hectare(
    sums: Mapping[str, np.ndarray], zone_area_m2: Mapping[str, FloatArray]
) -> dict[str, np.ndarray]:
    """Trees, basal area and solid volume over the area of the zone, or of the stand."""
    areas = {**zone_area_m2, ALL: np.add.reduce([*zone_area_m2.values()])}
    code, names = pd.factorize(sums["zone"])
    none = np.full(len(areas[ALL]), np.nan)  # of a zone that is not known
    area = np.array([*(areas.get(name, none) for name in names), none])
    area = area[code, sums["stand"]]
    hectares = np.where(area > 0, area, np.nan) / 10_000
    return {
        "trees_per_ha": sums["trees"] / hectares,
        "basal_area_m2_ha": sums["basal_area_m2"] / hectares,
        "volume_m3_ha": sums["volume_m3"] / hectares,
    }
