"""
The tally: cut trees by zone, product, species and size class, with totals.

Totals are sums of the unrounded cells, of the trees that have a volume: `trees_without` counts the
others. A total over products has a volume in a sale unit only where all of it is in that unit, and
solid m3 only where all of it converts.
"""

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from glademark.contracts.frames import STAND
from glademark.contracts.layout import ZONE_NAMES
from glademark.contracts.result_tables import VOLUME_BY_OPENING, VOLUME_BY_ZONE
from glademark.measure.standing import BASAL, SOLID, Stock
from glademark.measure.volume import without_volume

ALL = "all"
NOT_STATED = "not stated"

FloatArray = npt.NDArray[np.float64]

_KEYS = ("zone", "located", "product", "species", "size_class")
_SUMS = (
    "trees", "basal_area_m2", "gross", "net", "m3", "trees_without", "own_without", "unconverted",
)  # fmt: skip
_WORDS = ("unit", "log_rule", "source")
_ROWS: Mapping[str, tuple[str, ...]] = {
    "zone_product": ("zone", "located", "product"),
    "zone": ("zone", "located"),
    "product": ("located", "product"),
    "total": ("located",),
}


def tally_cells(trees: pd.DataFrame, parts: pd.DataFrame) -> pd.DataFrame:
    """
    Contribution of each part of each tree, keyed as the tally table is.

    `trees` has `stand`, `zone`, `located` (located or not_located), `species`, `size_class`,
    `count`, `basal_area_m2`; trees and basal area are counted once, with the tree's own product.
    What is left out of volumes is in columns of `measure.volume.without_volume`; `stems` are the
    trees of each record, whatever part it is.
    """
    at = trees.index.get_indexer(pd.Index(parts["tree"]))
    own = ~parts["tree"].duplicated().to_numpy()
    without = without_volume(parts, trees["count"])
    return pd.DataFrame(
        {
            STAND: parts[STAND].to_numpy(),
            "zone": trees["zone"].array[at],
            "located": trees["located"].array[at],
            "product": _stated(parts["product"].to_numpy(dtype=object)),
            "species": _stated(trees["species"].to_numpy(dtype=object)[at]),
            "size_class": trees["size_class"].array[at],
            "trees": np.where(own, trees["count"].to_numpy()[at], 0),
            "basal_area_m2": np.where(own, trees["basal_area_m2"].to_numpy()[at], 0.0),
            **{name: parts[name].array for name in ("unit", "log_rule", "gross", "net", "m3")},
            **{str(name): without[name].array for name in without},
            "stems": trees["count"].to_numpy()[at],
            "source": parts["source"].array,
        }
    )


def _stated(words: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    """Words, the empty ones said to be not stated."""
    return np.where(words == "", NOT_STATED, words)


def tally_table(
    cells: pd.DataFrame,
    *,
    zone_area_m2: Mapping[str, FloatArray],
    stocks: Mapping[int, Sequence[Stock]],
) -> pd.DataFrame:
    """
    The tally of each stand with its totals.

    The cells, then by zone and product, by zone, by product, and overall, each split into located
    and not located where a stand has both. Per-hectare values are over the area of the zone
    (`zone_area_m2`, one a stand), or of the stand for sums over zones; shares are of the standing
    stocks of the stand, where they are known.
    """
    once = _once(cells)
    pairs = once[[STAND, "located"]].drop_duplicates()
    both = once[once[STAND].isin(pairs.loc[pairs[STAND].duplicated(), STAND])]
    tables = [_summed(once, _KEYS, row="cell")]
    for part in (once.assign(located=ALL), *([both] if len(both) else [])):
        tables += [_summed(part, keys, row=row) for row, keys in _ROWS.items()]
    table = pd.concat(tables, ignore_index=True).sort_values(
        STAND, kind="stable", ignore_index=True
    )
    columns = {**_per_hectare(table, zone_area_m2), **_shares(table, stocks)}
    return table.assign(**columns)[[STAND, *VOLUME_BY_ZONE.names]]


def tally_of_openings(volume: pd.DataFrame, openings: pd.DataFrame) -> pd.DataFrame:
    """Volumes by opening, of which the table has the row, with stands and numbers of openings."""
    keys = openings[[STAND, "opening"]].iloc[volume["owner"].to_numpy()].reset_index(drop=True)
    table = pd.concat([keys, volume.reset_index(drop=True)], axis=1)
    table = table.astype({"product": "str", "volume_unit": "str"})  # where there are no rows too
    table["product"] = table["product"].replace("", NOT_STATED)
    order = [STAND, *VOLUME_BY_OPENING.names]
    return table.sort_values(order[:4], ignore_index=True)[order]


def _once(cells: pd.DataFrame) -> pd.DataFrame:
    """Sums over parts with equal words; words sort by name, zones by precedence."""
    zones = list(dict.fromkeys([*ZONE_NAMES, *sorted(cells["zone"].unique())]))
    words = {name: pd.Categorical(cells[name]) for name in (*_KEYS[1:], *_WORDS)}
    words["zone"] = pd.Categorical(cells["zone"], categories=zones)
    coded = cells.assign(**words)
    keys = [STAND, *_KEYS, *_WORDS]
    once = coded.groupby(keys, observed=True)[list(_SUMS)].sum(min_count=1).reset_index()
    plain = {name: once[name].astype(object) for name in (*_KEYS[1:], *_WORDS)}
    return once.assign(**plain)


def _summed(once: pd.DataFrame, keys: tuple[str, ...], *, row: str) -> pd.DataFrame:
    """Sums over the keys in each stand, in the order of zones, then by name."""
    groups = once.groupby([STAND, *keys], observed=True)
    table = groups[list(_SUMS)].sum(min_count=1)
    scales = groups[["unit", "log_rule"]].agg(["first", "nunique"])
    is_one = (scales["unit", "nunique"] == 1) & (scales["log_rule", "nunique"] == 1)
    different = once[[STAND, *keys, "source"]].drop_duplicates()
    sources = different.sort_values("source").groupby([STAND, *keys], observed=True)["source"]
    summed = pd.DataFrame(
        {
            "row": row,
            "trees": table["trees"].astype(int),
            "basal_area_m2": table["basal_area_m2"],
            "volume_gross": table["gross"].where(is_one),
            "volume_net": table["net"].where(is_one),
            "volume_unit": scales["unit", "first"].where(is_one, ""),
            "log_rule": scales["log_rule", "first"].where(is_one, ""),
            "volume_m3": table["m3"].where(table["unconverted"] == 0),
            "trees_without": table["trees_without" if "product" in keys else "own_without"],
            "volume_source": sources.agg("; ".join),
        }
    ).reset_index()
    every = {key: ALL for key in _KEYS if key not in keys}
    summed = summed.assign(**every)
    words = (*_KEYS, "row", "volume_unit", "log_rule", "volume_source")
    return summed.astype(dict.fromkeys(words, object))


def _per_hectare(
    table: pd.DataFrame, zone_area_m2: Mapping[str, FloatArray]
) -> dict[str, FloatArray]:
    """Trees, basal area and solid volume over the area of the zone, or of the stand."""
    areas = {**zone_area_m2, ALL: np.add.reduce([*zone_area_m2.values()])}
    by_zone = pd.concat({name: pd.Series(area) for name, area in areas.items()})
    area = by_zone.reindex(pd.MultiIndex.from_frame(table[["zone", STAND]])).to_numpy()
    hectares = np.where(area > 0, area, np.nan) / 10_000
    return {
        "trees_per_ha": table["trees"].to_numpy() / hectares,
        "basal_area_m2_ha": table["basal_area_m2"].to_numpy() / hectares,
        "volume_m3_ha": table["volume_m3"].to_numpy() / hectares,
    }


def _shares(table: pd.DataFrame, stocks: Mapping[int, Sequence[Stock]]) -> dict[str, FloatArray]:
    """Shares of the standing stock: of the product where one is named, else of solid volume."""
    total = {
        (stand, stock.quantity): stock.total.mean
        for stand, known in stocks.items()
        for stock in known
    }
    quantity = table["product"].where(table["product"] != ALL, SOLID)
    amount = table["volume_net"].where(table["product"] != ALL, table["volume_m3"]).to_numpy()

    def _standing(names: pd.Series) -> FloatArray:
        """Standing amount of a quantity in the stand of each row, NaN where it is not known."""
        keys = zip(table[STAND], names, strict=True)
        return np.array([total.get(key, np.nan) for key in keys] if total else np.nan)

    with np.errstate(divide="ignore", invalid="ignore"):
        return {
            "share_of_volume": np.asarray(amount / _standing(quantity)),
            "share_of_basal_area": np.asarray(
                table["basal_area_m2"].to_numpy() / _standing(pd.Series(BASAL, index=table.index))
            ),
        }
