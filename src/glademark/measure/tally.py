"""
The tally: cut trees by zone, product, species and size class, with totals.

Totals are sums of the unrounded cells, of the trees that have a volume: `trees_without` counts the
others. A total over products has a volume in a sale unit only where all of it is in that unit, and
solid m3 only where all of it converts.
"""

from collections.abc import Mapping, Sequence
from typing import Any

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
    table = _summed(_once(cells))
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
    groups = cells.assign(**words).groupby([STAND, *_KEYS, *_WORDS], observed=True)
    once = groups[list(_SUMS)].sum(min_count=1).reset_index()
    return once.assign(scale=once.groupby(["unit", "log_rule"], observed=True).ngroup())


def _summed(once: pd.DataFrame) -> pd.DataFrame:
    """Cells and every total of each stand, by kind of row, zone, then by name."""
    kinds = _kinds(once)
    at = np.concatenate([rows for _, _, rows in kinds])
    kind = np.repeat(np.arange(len(kinds)), [len(rows) for _, _, rows in kinds])
    names = {key: np.append(once[key].cat.categories.astype(object), ALL) for key in _KEYS}
    codes = {
        key: np.where(
            np.array([key in keys for _, keys, _ in kinds])[kind],
            once[key].cat.codes.to_numpy()[at],
            len(names[key]) - 1,
        )
        for key in _KEYS
    }
    amounts = {name: once[name].to_numpy()[at] for name in (*_SUMS, "scale")}
    rows = pd.DataFrame({STAND: once[STAND].to_numpy()[at], "kind": kind, **codes, **amounts})
    groups = rows.groupby([STAND, "kind", *_KEYS])
    table = groups[list(_SUMS)].sum(min_count=1).reset_index()
    low, high = (groups["scale"].agg(end).to_numpy() for end in ("min", "max"))
    scales = once.drop_duplicates("scale").set_index("scale").astype(object)
    unit, log_rule = (
        np.where(low == high, scales[name].loc[low], "") for name in ("unit", "log_rule")
    )
    by_product = np.array(["product" in keys for _, keys, _ in kinds])[table["kind"]]
    without = np.where(by_product, table["trees_without"], table["own_without"])
    summed = pd.DataFrame(
        {
            STAND: table[STAND],
            **{key: names[key][table[key]] for key in _KEYS},
            "row": np.array([row for row, _, _ in kinds])[table["kind"]],
            "trees": table["trees"].astype(int),
            "basal_area_m2": table["basal_area_m2"],
            "volume_gross": table["gross"].where(low == high),
            "volume_net": table["net"].where(low == high),
            "volume_unit": unit,
            "log_rule": log_rule,
            "volume_m3": table["m3"].where(table["unconverted"] == 0),
            "trees_without": without,
            "volume_source": _joined(once["source"].cat, at, groups.ngroup().to_numpy()),
        }
    )
    texts = (*_KEYS, "row", "volume_unit", "log_rule", "volume_source")
    return summed.astype(dict.fromkeys(texts, object))


def _kinds(once: pd.DataFrame) -> list[tuple[str, tuple[str, ...], npt.NDArray[np.intp]]]:
    """Kinds of row: the name, the keys, and the rows that are summed."""
    pairs = once[[STAND, "located"]].drop_duplicates()
    both = pairs.loc[pairs[STAND].duplicated(), STAND]
    every, split = np.arange(len(once)), np.flatnonzero(once[STAND].isin(both))
    overall = [
        (row, tuple(key for key in keys if key != "located"), every) for row, keys in _ROWS.items()
    ]
    return [("cell", _KEYS, every), *overall, *((row, keys, split) for row, keys in _ROWS.items())]


def _joined(
    source: Any,  # noqa: ANN401 - the accessor of a categorical, which pandas does not name
    at: npt.NDArray[np.intp],
    group: npt.NDArray[np.integer[Any]],
) -> npt.NDArray[np.object_]:
    """Sources of each group of rows, several in the order of their names."""
    names = source.categories.astype(object).to_numpy()
    pairs = np.unique(group * len(names) + source.codes.to_numpy()[at])
    owner, code = np.divmod(pairs, max(len(names), 1))
    joined: dict[int, str] = {}
    for one, name in zip(owner.tolist(), names[code].tolist(), strict=True):
        joined[one] = f"{joined[one]}; {name}" if one in joined else name
    return np.array([*joined.values()], dtype=object)


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
