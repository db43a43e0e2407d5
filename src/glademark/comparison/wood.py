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

__all__ = ["ALIKE", "Amounts", "amounts_of", "in_words", "product_of_alike"]

FloatArray = npt.NDArray[np.float64]

SOLID = "solid_volume"
"""Name of the solid volume among the quantities."""

ALIKE = ("species", "dbh_cm", "product")
"""By what a stump is likened to a tree."""

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


def product_of_alike(stumps: pd.DataFrame, trees: pd.DataFrame) -> pd.Series:
    """
    Product of each stump: as recorded, else that of the tree to cut most like it.

    That is the tree of its species with the nearest diameter, else of any species; ``""`` where no
    diameter is known or no tree has a product.
    """
    product = stumps["product"].astype(object).copy()
    known = trees[(trees["product"] != "") & trees["dbh_cm"].notna()]
    wanted = (product == "") & stumps["dbh_cm"].notna()
    for name in stumps.loc[wanted, "species"].unique():  # species are few
        mine = wanted & (stumps["species"] == name)
        alike = known[known["species"] == name]
        alike = (alike if len(alike) else known).sort_values(["dbh_cm", "product"], kind="stable")
        if len(alike):
            product[mine] = _nearest(stumps.loc[mine, "dbh_cm"], alike)
    return product


def _nearest(dbh_cm: pd.Series, alike: pd.DataFrame) -> npt.NDArray[np.object_]:
    """Product of the tree with the nearest diameter; the thinner of two as near."""
    sizes = alike["dbh_cm"].to_numpy(dtype=float)
    value = dbh_cm.to_numpy(dtype=float)
    above = np.clip(np.searchsorted(sizes, value), 0, len(sizes) - 1)
    below = np.maximum(above - 1, 0)
    at = np.where(value - sizes[below] <= np.abs(sizes[above] - value), below, above)
    return np.asarray(alike["product"].to_numpy(dtype=object)[at])


def amounts_of(trees: pd.DataFrame, sold: Sold) -> Amounts:
    """
    Basal area and volumes of each tree, one a row, on an index 0..n-1.

    `trees` has `species`, `product`, `dbh`, `dbh_unit`, `dbh_cm`, and, where known, `height_m`,
    `volume`, `volume_unit`, `defect_share` and `cull`. Solid volume is left out where some wood
    does not convert to it; a product of which no tree has a volume is no quantity.
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
    listed = np.sum([without[name] for name in of if name not in _UNITS], axis=0)
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
