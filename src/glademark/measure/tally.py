"""
The tally: cut trees by zone, product, species and size class, with totals.

Totals are sums of the unrounded cells. A total over products has a volume in a sale unit only where
all of it is in that unit; solid m3 beside it says how much of it could be converted.
"""

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from glademark.layers import VOLUME_BY_ZONE
from glademark.layout import ZONE_NAMES
from glademark.measure.standing import BASAL, SOLID, Stock

ALL = "all"
NOT_STATED = "not stated"

_KEYS = ("zone", "located", "product", "species", "size_class")
_BETWEEN = " by "
_SUMS = ("trees", "basal_area_m2", "gross", "net", "m3")


def tally_cells(trees: pd.DataFrame, parts: pd.DataFrame) -> pd.DataFrame:
    """
    Contribution of each part of each tree, keyed as the tally table is.

    Parameters
    ----------
    trees
        `zone`, `located` (located or not_located), `species`, `size_class`, `count`,
        `basal_area_m2`; unique index.
    parts
        As from `glademark.measure.volume.volumes`.

    Returns
    -------
    cells
        One row a part with the keys and `trees`, `basal_area_m2`, `unit`, `log_rule`, `gross`,
        `net`, `m3`, `source`; trees and basal area are counted once, with the tree's own product.
    """
    own = trees.loc[parts["tree"]].reset_index(drop=True)
    first = ~parts["tree"].duplicated().to_numpy()
    return pd.DataFrame(
        {
            "zone": own["zone"],
            "located": own["located"],
            "product": parts["product"].replace("", NOT_STATED).to_numpy(),
            "species": own["species"].replace("", NOT_STATED),
            "size_class": own["size_class"],
            "trees": np.where(first, own["count"], 0),
            "basal_area_m2": np.where(first, own["basal_area_m2"], 0.0),
            "unit": parts["unit"].to_numpy(),
            "log_rule": parts["log_rule"].to_numpy(),
            "gross": parts["gross"].to_numpy(dtype=float),
            "net": parts["net"].to_numpy(dtype=float),
            "m3": parts["m3"].to_numpy(dtype=float),
            "source": parts["source"].to_numpy(),
        }
    )


def tally_table(
    cells: pd.DataFrame,
    *,
    zone_area_m2: Mapping[str, float],
    classes: Sequence[str] = (),
    stocks: Sequence[Stock] = (),
) -> pd.DataFrame:
    """
    The tally with its totals.

    Parameters
    ----------
    cells
        As from `tally_cells`.
    zone_area_m2
        Area of each zone; their sum is the stand.
    classes
        Size classes in their order; those not named come first.
    stocks
        Standing stocks, for the shares of them; may be empty.

    Returns
    -------
    table
        Columns of `glademark.layers.VOLUME_BY_ZONE`: the cells, then by zone and product, by zone,
        by product, and overall, each split into located and not located where both occur.
        Per-hectare values are over the area of the zone, or of the stand for sums over zones.
    """
    totals = {
        "zone_product": ("zone", "located", "product"),
        "zone": ("zone", "located"),
        "product": ("located", "product"),
        "total": ("located",),
    }
    both = len(set(cells["located"])) > 1
    single = _summed(cells, _KEYS, row="cell", zone_area_m2=zone_area_m2)
    tables = [_by_class(single, classes)]
    for part in [cells.assign(located=ALL), *([cells] if both else [])]:
        tables += [
            _summed(part, keys, row=row, zone_area_m2=zone_area_m2) for row, keys in totals.items()
        ]
    table = _with_shares(pd.concat(tables, ignore_index=True), stocks)
    return table[list(VOLUME_BY_ZONE.names)]


def _by_class(table: pd.DataFrame, classes: Sequence[str]) -> pd.DataFrame:
    """Cells of one zone, product and species in the order of size."""
    place = pd.Series(range(len(classes)), index=list(classes), dtype=float)
    size = table["size_class"].map(place).fillna(-1.0)
    group = table.groupby(["zone", "located", "product", "species"], sort=False).ngroup()
    return table.iloc[np.lexsort((size, group))]


def _with_shares(table: pd.DataFrame, stocks: Sequence[Stock]) -> pd.DataFrame:
    """Shares of the standing stock: of the product where one is named, else of solid volume."""
    standing = {stock.quantity: stock.total.mean for stock in stocks}
    of_product = table["volume_net"] / table["product"].map(standing).astype(float)
    of_solid = table["volume_m3"] / standing.get(SOLID, np.nan)
    return table.assign(
        share_of_volume=of_product.where(table["product"] != ALL, of_solid),
        share_of_basal_area=table["basal_area_m2"] / standing.get(BASAL, np.nan),
    )


def _summed(
    cells: pd.DataFrame, keys: tuple[str, ...], *, row: str, zone_area_m2: Mapping[str, float]
) -> pd.DataFrame:
    """Sums over the keys, in the order of zones, then by name."""
    groups = cells.groupby(list(keys), sort=True)
    table = groups[list(_SUMS)].sum(min_count=1).reset_index()
    said = cells[[*keys, "unit", "log_rule", "source"]].drop_duplicates()
    pairs = zip(said["unit"], said["log_rule"], strict=True)
    words = said.assign(scale=[_BETWEEN.join(pair) for pair in pairs]).groupby(list(keys))
    scales = [scale.partition(_BETWEEN) for scale in words["scale"].agg(_only)]
    one_unit = np.array([unit for unit, _, _ in scales], dtype=object)
    one_rule = np.array([rule for _, _, rule in scales], dtype=object)
    table["volume_gross"] = np.where(one_unit != "", table["gross"], np.nan)
    table["volume_net"] = np.where(one_unit != "", table["net"], np.nan)
    table["volume_unit"] = one_unit
    table["log_rule"] = one_rule
    table["volume_m3"] = table["m3"]
    table["volume_source"] = words["source"].agg(_listed).to_numpy()
    for key in set(_KEYS) - set(keys):
        table[key] = ALL
    area = table["zone"].map(dict(zone_area_m2) | {ALL: sum(zone_area_m2.values())})
    hectares = area.where(area > 0).to_numpy(dtype=float) / 10_000
    table["row"] = row
    table["trees"] = table["trees"].astype(int)
    table["trees_per_ha"] = table["trees"] / hectares
    table["basal_area_m2_ha"] = table["basal_area_m2"] / hectares
    table["volume_m3_ha"] = table["volume_m3"] / hectares
    order = {zone: place for place, zone in enumerate(ZONE_NAMES)}
    place = table["zone"].map(order).fillna(len(order))
    return table.iloc[np.argsort(place, kind="stable")]


def _only(units: pd.Series) -> str:
    """The one unit of all of them, else nothing."""
    found = set(units)
    return found.pop() if len(found) == 1 else ""


def _listed(sources: pd.Series) -> str:
    """All different sources, sorted."""
    return "; ".join(sorted(set(sources)))
