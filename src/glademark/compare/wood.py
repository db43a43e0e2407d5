"""Wood of trees and stumps: basal area and net volume of each, product by product."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from glademark.forestry import basal_area_m2
from glademark.measure.openings import WHOLE
from glademark.measure.volume import Sold, volumes

__all__ = ["Amounts", "amounts_of", "in_words", "product_of_alike"]

FloatArray = npt.NDArray[np.float64]

SOLID = "solid_volume"
"""Name of the solid volume among the quantities."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Amounts:
    """
    What each tree holds, by quantity.

    Attributes
    ----------
    of
        Amount of each tree by quantity: trees, basal_area, solid_volume where all is known, then
        products by name.
    unit
        Of each quantity.
    """

    of: Mapping[str, FloatArray]
    unit: Mapping[str, str]


def product_of_alike(stumps: pd.DataFrame, trees: pd.DataFrame) -> pd.Series:
    """
    Product of each stump: as recorded, else that of the marked tree most like it.

    Parameters
    ----------
    stumps
        `species`, `dbh_cm`, `product` (``""`` where not recorded).
    trees
        Trees marked to cut: the same columns.

    Returns
    -------
    product
        That of the tree of the same species whose diameter is nearest, else of any species; ``""``
        where no diameter is known or no tree has a product.
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
    Basal area and volumes of each tree.

    Parameters
    ----------
    trees
        On an index 0..n-1, one tree a row: `species`, `product`, `dbh`, `dbh_unit`, `dbh_cm`, and,
        where known, `height_m`, `volume`, `volume_unit`, `defect_share`, `cull`.
    sold
        Products and volume table.

    Returns
    -------
    amounts
        0 where a tree has none of a product, or its volume is not known.
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
    parts = volumes(
        full, table=sold.table, products=sold.products, settings=sold.settings, species=sold.species
    )
    size = len(full)
    of = {
        "trees": np.ones(size),
        "basal_area": np.nan_to_num(basal_area_m2(full["dbh_cm"].to_numpy(dtype=float))),
    }
    unit = {"trees": "trees", "basal_area": "m2"}
    solid = parts["m3"].to_numpy(dtype=float) if size else np.zeros(0)
    if size and np.isfinite(solid).all():
        of[SOLID], unit[SOLID] = _summed(parts, solid, size), "m3"
    for (product, sale_unit), rows in parts.groupby(["product", "unit"]) if size else ():
        if str(product) and str(sale_unit):
            net = rows["net"].fillna(0.0).to_numpy(dtype=float)
            of[str(product)], unit[str(product)] = _summed(rows, net, size), str(sale_unit)
    return Amounts(of=of, unit=unit)


def _summed(parts: pd.DataFrame, values: FloatArray, size: int) -> FloatArray:
    """Sum over the parts of each tree."""
    return np.asarray(np.bincount(parts["tree"].to_numpy(dtype=np.intp), values, size), dtype=float)


def in_words(amounts: Amounts, size: int) -> list[str]:
    """
    Net volume of each tree in words.

    Parameters
    ----------
    amounts
        As from `amounts_of`.
    size
        How many trees there are.

    Returns
    -------
    words
        By product in its sale unit; ``""`` where there is none.
    """
    words = [""] * size
    for name, values in amounts.of.items():
        if name in {"trees", "basal_area", SOLID}:
            continue
        unit = amounts.unit[name]
        decimals = WHOLE.get(unit, 2)
        for at in np.flatnonzero(values > 0).tolist():
            text = f"{name} {values[at]:,.{decimals}f} {unit}"
            words[at] = f"{words[at]}; {text}" if words[at] else text
    return words
