"""The wood of cut marks as columns of numbers that can be summed along corridors."""

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

FloatArray = npt.NDArray[np.float64]


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
        Shape (n, 3 + products): trees, solid m3 (0 where unknown), 1 where that is known, then the
        net volume of each product in its sale unit.
    """

    row: npt.NDArray[np.intp]
    products: tuple[tuple[str, str], ...]
    amounts: FloatArray

    @property
    def trees(self) -> FloatArray:
        """
        Trees of each cut mark.

        Returns
        -------
        trees
            Shape (n,).
        """
        return np.asarray(self.amounts[:, 0])


def wood_of(marks: gpd.GeoDataFrame, parts: pd.DataFrame, *, solid_m3: FloatArray) -> Wood:
    """
    Wood of the marks that are cut.

    Parameters
    ----------
    marks
        `is_cut`, `count`, on the index that `parts` speaks of.
    parts
        As from `glademark.measure.volume.volumes`.
    solid_m3
        Volume of each mark, NaN where it is not known.

    Returns
    -------
    wood
        In the order of the marks.
    """
    row = np.flatnonzero(marks["is_cut"].to_numpy(dtype=bool))
    at = marks.index[row].get_indexer(pd.Index(parts["tree"]))
    net = parts["net"].to_numpy(dtype=float)
    known = (at >= 0) & (parts["product"].to_numpy(dtype=object) != "") & ~np.isnan(net)
    (product, products), (unit, units) = (
        pd.factorize(parts[name].to_numpy(dtype=object)[known], sort=True)
        for name in ("product", "unit")
    )
    sold_as, column = np.unique(product * len(units) + unit, return_inverse=True)
    sums = np.zeros((len(row), len(sold_as)))
    np.add.at(sums, (at[known], column), net[known])
    solid = solid_m3[row]
    amounts = [
        marks["count"].to_numpy(dtype=float)[row],
        np.nan_to_num(solid),
        (~np.isnan(solid)).astype(float),
        *sums.T,
    ]
    return Wood(
        row=row,
        products=tuple(
            (str(products[one // len(units)]), str(units[one % len(units)])) for one in sold_as
        ),
        amounts=np.column_stack(amounts),
    )


def wood_columns(
    sums: FloatArray, products: tuple[tuple[str, str], ...]
) -> dict[str, npt.NDArray[Any]]:
    """
    Sums of wood as the columns of a layer.

    Parameters
    ----------
    sums
        Sums of `Wood.amounts`; shape (rows, 3 + products).
    products
        As in `Wood`.

    Returns
    -------
    columns
        `trees`, `volume_m3` (NaN where it is not known of any tree) and `volume` (text by product).
    """
    words = np.full(len(sums), "", dtype=object)
    for place, (product, unit) in enumerate(products, start=3):
        some = sums[:, place] > 0
        shown = [f"{product} {net:,.2f} {unit}" for net in sums[some, place]]
        words[some] = words[some] + np.where(words[some] == "", "", "; ") + np.array(shown, object)
    return {
        "trees": np.rint(sums[:, 0]).astype(int),
        "volume_m3": np.where(sums[:, 2] > 0, sums[:, 1], np.nan),
        "volume": words,
    }


def solid_m3(sums: FloatArray) -> float | None:
    """
    Solid volume of a sum of wood.

    Parameters
    ----------
    sums
        One row of sums of `Wood.amounts`.

    Returns
    -------
    volume
        In m3; None where it is not known of any tree.
    """
    return float(sums[1]) if sums[2] > 0 else None
