"""Wood of trees and stumps: basal area and net volume of each, by product; unknown is not 0."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from glademark.forestry import basal_area_m2
from glademark.measure.openings import volume_words
from glademark.measure.tally import NOT_STATED
from glademark.measure.volume import Sold, volumes, without_volume

__all__ = ["Amounts", "amounts_of", "in_words"]

FloatArray = npt.NDArray[np.float64]

SOLID = "solid_volume"
"""Name of the solid volume among the quantities."""

_UNITS = {"trees": "trees", "basal_area": "m2"}


@dataclass(frozen=True, kw_only=True, slots=True)
class Amounts:
    """
    What each tree holds, by quantity: trees, basal_area, solid_volume, then products by name.

    `of` is 0 where a tree has none, or where it is not known; there `without` is 1. `unlisted` is
    1 for a tree without a volume whose product is no quantity.
    """

    of: Mapping[str, FloatArray]
    without: Mapping[str, FloatArray]
    unit: Mapping[str, str]
    unlisted: FloatArray

    def known(self, quantity: str, size: int) -> FloatArray:
        """Amount of each of so many trees, NaN where it is not known."""
        if quantity not in self.of:
            return np.full(size, np.nan)
        return np.where(self.without[quantity] > 0, np.nan, self.of[quantity])


def amounts_of(trees: pd.DataFrame, sold: Sold) -> Amounts:
    """
    Basal area and volumes of each tree, one a row, on an index 0..n-1.

    `trees` has `species`, `product`, `dbh`, `dbh_unit`, `dbh_cm`, and, where known, `height_m`,
    `volume`, `volume_unit`, `defect_share` and `cull`. Solid volume is left out where some wood
    does not convert to it; a product of which no tree has a volume is no quantity. A tree without a
    volume that states no product may be of any: it is without an amount in each.
    """
    full = pd.DataFrame(trees.drop(columns="geometry", errors="ignore")).assign(count=1)
    usual: dict[str, float | str | bool] = {
        "height_m": np.nan,
        "volume": np.nan,
        "volume_unit": "",
        "defect_share": np.nan,
        "cull": False,
        "stand": 0,
    }
    for name, value in usual.items():
        if name not in full:
            full[name] = value
    if "species_written" in full:
        full["species"] = full["species_written"]
    size = len(full)
    area = basal_area_m2(full["dbh_cm"].to_numpy(dtype=float))
    of, unit = {"trees": np.ones(size), "basal_area": np.nan_to_num(area)}, dict(_UNITS)
    without = {"trees": np.zeros(size), "basal_area": np.isnan(area).astype(float)}
    parts = volumes(
        full, table=sold.table, products=sold.products, settings=sold.settings, species=sold.species
    )
    parts = parts.join(without_volume(parts, full["count"]))
    for name, sale_unit, rows in _quantities(parts):
        of[name], unit[name] = _summed(rows, rows["net"].fillna(0.0), size), sale_unit
        without[name] = np.minimum(_summed(rows, rows["trees_without"], size), 1.0)
    own = _summed(parts, parts["own_without"], size)
    products = [name for name in of if name not in _UNITS]
    listed = np.sum([without[name] for name in products], axis=0)
    of_any = (listed == 0) & (own > 0) & (full["product"] == "").to_numpy(dtype=bool)
    without |= {name: np.where(of_any, 1.0, without[name]) for name in products}
    listed = np.where(of_any, len(products), listed)
    if parts["m3"].notna().any() and not parts["unconverted"].any():
        of[SOLID], unit[SOLID] = _summed(parts, parts["m3"].fillna(0.0), size), "m3"
        without[SOLID] = own
    order = [*_UNITS, *([SOLID] if SOLID in of else [])]
    order += [name for name in of if name not in order]
    return Amounts(
        of={name: of[name] for name in order},
        without=without,
        unit=unit,
        unlisted=np.where(listed > 0, 0.0, own),
    )


def _quantities(parts: pd.DataFrame) -> Iterator[tuple[str, str, pd.DataFrame]]:
    """Products that some tree has a volume of, each in one unit, with all parts that are theirs."""
    known = parts[parts["net"].notna()]
    for product, rows in known.groupby("product"):
        units = sorted(set(rows["unit"]))
        theirs = parts[parts["product"] == product]
        for unit in units:
            name = str(product) or NOT_STATED
            mine = theirs["net"].isna() | (theirs["unit"] == unit)
            yield name if len(units) == 1 else f"{name} ({unit})", str(unit), theirs[mine]


def _summed(parts: pd.DataFrame, values: pd.Series, size: int) -> FloatArray:
    """Sum over the parts of each tree."""
    tree = parts["tree"].to_numpy(dtype=np.intp)
    return np.asarray(np.bincount(tree, values.to_numpy(dtype=float), size), dtype=float)


def in_words(amounts: Amounts, size: int) -> list[str]:
    """Net volume of each of so many trees, by product in its sale unit; empty where none."""
    words = [""] * size
    for name, values in amounts.of.items():
        if name in {*_UNITS, SOLID}:
            continue
        unit, known = amounts.unit[name], amounts.known(name, size)
        for at in np.flatnonzero((values > 0) | np.isnan(known)).tolist():
            text = volume_words(name, known[at], unit, trees_without=0)
            words[at] = f"{words[at]}; {text}" if words[at] else text
    return words
