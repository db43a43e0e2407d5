"""
The allowance: the share of the standing stock that this entry may remove.

Corridors draw on it first, then openings, then the matrix. The tally of marked trees has no
sampling error; the standing stock has, so that what is left is an interval.
"""

import math
from collections.abc import Mapping, Sequence

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.contracts.layers import ALLOWANCE, STOCK_BY_CLASS
from glademark.measure.standing import BASAL, SOLID, Standing, Stock
from glademark.measure.tables import exact_sums
from glademark.units import ACRE_M2, FOOT_M, HECTARE_M2

_ZONES = ("corridor", "opening", "matrix")
_NO_GROUND = 1e-9
"""Share of the operable area up to which ground not marked is rounding."""


def allowance_table(
    stocks: Sequence[Stock],
    cells: pd.DataFrame,
    *,
    allowable_share: float | None,
    zone_area_m2: Mapping[str, float],
    marked_ground_m2: float | None,
) -> pd.DataFrame:
    """
    Allowable removal, what is marked by zone, and what remains, for each quantity of known stock.

    Parameters
    ----------
    stocks
        Standing stock of the operable area.
    cells
        As from `glademark.measure.tally.tally_cells`: `zone`, `product`, `basal_area_m2`, `net`,
        `m3`.
    allowable_share
        Share of the stock that may be removed; None where no limit is set.
    zone_area_m2
        Area of each zone of the partition.
    marked_ground_m2
        Operable ground marked so far; None where all of it is.

    Returns
    -------
    table
        Columns of `contracts.layers.ALLOWANCE`. A quantity of which some marked trees have no
        amount is left out.
    """
    operable_m2 = sum(area for zone, area in zone_area_m2.items() if zone != "exclusion")
    zone, names = pd.factorize(cells["zone"].to_numpy(dtype=object), sort=True)
    rows = [
        _row(stock, marked, allowable_share, zone_area_m2, (operable_m2, marked_ground_m2))
        for stock in stocks
        if (marked := _marked(stock, cells, zone, names)) is not None
    ]
    return pd.DataFrame(rows, columns=list(ALLOWANCE.names))


def _marked(
    stock: Stock, cells: pd.DataFrame, zone: npt.NDArray[np.intp], names: npt.NDArray[np.object_]
) -> Mapping[str, float] | None:
    """Amount cut in each zone; None where it is not known of every tree."""
    column = {BASAL: "basal_area_m2", SOLID: "m3"}.get(stock.quantity, "net")
    mine = np.ones(len(cells), dtype=bool)
    if column == "net":
        mine = cells["product"].to_numpy(dtype=object) == stock.quantity
    amount = cells[column].to_numpy(dtype=float)[mine]
    if np.isnan(amount).any():
        return None
    sums = np.nan_to_num(exact_sums(amount, zone[mine], len(names)))
    marked = dict(zip(names, sums.tolist(), strict=True))
    other = float(sum(amount for name, amount in marked.items() if name not in _ZONES))
    return {name: marked.get(name, 0.0) for name in _ZONES} | {"other": other}


def _row(
    stock: Stock,
    marked: Mapping[str, float],
    allowable_share: float | None,
    zone_area_m2: Mapping[str, float],
    ground: tuple[float, float | None],
) -> dict[str, object]:
    """One quantity."""
    operable_m2, marked_ground_m2 = ground
    standing, low, high = stock.total.mean, stock.total.low, stock.total.high
    total = sum(marked.values())
    share = math.nan if allowable_share is None else allowable_share
    remaining = share * standing - total
    rest_m2 = 0.0 if marked_ground_m2 is None else operable_m2 - marked_ground_m2
    rest_ha = rest_m2 / HECTARE_M2 if rest_m2 > _NO_GROUND * operable_m2 else 0.0
    per_m2 = _ratio(standing, operable_m2)
    return {
        "quantity": stock.quantity,
        "unit": stock.unit,
        "log_rule": stock.log_rule,
        "basis": stock.basis,
        "standing": standing,
        "standing_low": low,
        "standing_high": high,
        "allowable_share": share,
        "allowable": share * standing,
        **{f"marked_{zone}": amount for zone, amount in marked.items()},
        "marked": total,
        "remaining": remaining,
        "remaining_low": share * low - total,
        "remaining_high": share * high - total,
        "share": _ratio(total, standing),
        "share_low": _ratio(total, high),
        "share_high": _ratio(total, low),
        **{
            f"share_{zone}": _ratio(marked[zone], per_m2 * zone_area_m2.get(zone, 0.0))
            for zone in _ZONES
        },
        "share_on_marked_ground": math.nan
        if marked_ground_m2 is None
        else _ratio(total, per_m2 * marked_ground_m2),
        "remaining_per_ha_elsewhere": _ratio(remaining, rest_ha),
    }


def allowance_notices(
    stocks: Sequence[Stock],
    table: pd.DataFrame,
    *,
    trees: pd.DataFrame,
    cut: gpd.GeoDataFrame,
    marked_ground: Sequence[BaseGeometry],
) -> tuple[str, ...]:
    """
    What the allowance does not say by itself.

    Parameters
    ----------
    stocks
        Standing stock of the operable area.
    table
        As from `allowance_table`.
    trees
        Cut trees, located or not: `count`, `basal_area_m2`.
    cut
        Those located: `count`, `position_error_m`.
    marked_ground
        Polygons of the ground marked so far; none where all of it is.

    Returns
    -------
    notices
        One sentence each: quantities left out, trees without basal area, trees outside the
        marked ground.
    """
    if not stocks:
        return ()
    names = [stock.quantity for stock in stocks if stock.quantity not in set(table["quantity"])]
    notices = [
        f"allowance: {name.replace('_', ' ')} is left out: its amount is not known for every cut "
        "tree"
        for name in names
    ]
    bare = int(trees.loc[~(trees["basal_area_m2"] > 0), "count"].sum())
    if bare:
        notices.append(
            f"allowance: {bare:,} cut trees without a diameter add no basal area: what is marked "
            "is too small by theirs"
        )
    if len(marked_ground):
        away = shapely.distance(shapely.union_all(marked_ground), cut.geometry.to_numpy())
        beyond = int(cut.loc[away > cut["position_error_m"].to_numpy(dtype=float), "count"].sum())
        if beyond:
            notices.append(
                f"allowance: {beyond:,} cut trees stand outside the marked ground and are counted "
                "as taken on it; is the marked ground complete?"
            )
    return tuple(notices)


LOW_WOOD_SHARE = 0.5
"""Share of the least basal area to be expected below which corridor wood is worth a notice."""


def corridor_wood_notice(
    marked_m2: float, *, least_m2_ha: float, ground_m2: float, units: str
) -> tuple[str, ...]:
    """
    A notice where far less is marked on new corridors than the stock would give there.

    `marked_m2` is the basal area of corridor wood, `least_m2_ha` the lower end of the standing
    basal area, `ground_m2` the operable ground of new corridors marked so far.
    """
    expected_m2 = least_m2_ha * ground_m2 / HECTARE_M2
    if not marked_m2 < LOW_WOOD_SHARE * expected_m2:
        return ()
    area, acre = ("ft2", FOOT_M**2), ("acres", ACRE_M2)
    if units != "us":
        area, acre = ("m2", 1.0), ("ha", HECTARE_M2)
    text = (
        f"corridors: {marked_m2 / area[1]:,.1f} {area[0]} of basal area are marked on "
        f"{ground_m2 / acre[1]:,.2f} {acre[0]} of new corridor, where the standing stock would "
        f"give at least {expected_m2 / area[1]:,.1f} {area[0]}: marking there is incomplete, or "
        "the corridors were routed through gaps"
    )
    return (text,)


def _ratio(part: float, whole: float) -> float:
    """A share; NaN where there is nothing to share."""
    return part / whole if whole > 0 else math.nan


def stock_by_class(
    standing: Standing, marked: pd.DataFrame, *, operable_ha: float, labels: Sequence[str]
) -> pd.DataFrame:
    """
    Standing, marked and residual trees and basal area by size class.

    Parameters
    ----------
    standing
        With `by_class`, per hectare.
    marked
        Cut trees, located or not: `size_class`, `count`, `basal_area_m2`.
    operable_ha
        Operable area [ha].
    labels
        Size classes in order.

    Returns
    -------
    table
        Columns of `contracts.layers.STOCK_BY_CLASS`; no rows without a cruise. A residual below
        zero says that the cruise found fewer trees of a class than are marked.
    """
    if standing.by_class.empty:
        return pd.DataFrame(columns=list(STOCK_BY_CLASS.names))
    sums = marked.groupby("size_class")[["count", "basal_area_m2"]].sum()
    present = [name for name in labels if name in standing.by_class.index or name in sums.index]
    stock = (standing.by_class * operable_ha).reindex(present, fill_value=0.0)
    cut = sums.reindex(present, fill_value=0.0).to_numpy(dtype=float)
    return pd.DataFrame(
        {
            "size_class": present,
            "standing_trees": stock["trees"].to_numpy(),
            "marked_trees": cut[:, 0],
            "residual_trees": stock["trees"].to_numpy() - cut[:, 0],
            "standing_basal_area_m2": stock["basal_area_m2"].to_numpy(),
            "marked_basal_area_m2": cut[:, 1],
            "residual_basal_area_m2": stock["basal_area_m2"].to_numpy() - cut[:, 1],
        }
    )


def residual(
    table: pd.DataFrame, by_class: pd.DataFrame, *, operable_ha: float
) -> Mapping[str, float]:
    """
    Basal area left per hectare, with its interval, and the mean diameter of what stays.

    Parameters
    ----------
    table
        As from `allowance_table`.
    by_class
        As from `stock_by_class`.
    operable_ha
        Operable area [ha].

    Returns
    -------
    figures
        `basal_area_m2_ha`, `basal_area_low_m2_ha`, `basal_area_high_m2_ha`, and where a cruise
        gives them `quadratic_mean_diameter_cm` and `standing_quadratic_mean_diameter_cm`; empty
        without a known stock.
    """
    rows = table[table["quantity"] == BASAL]
    if rows.empty:
        return {}
    row = rows.iloc[0]
    figures = {
        f"basal_area{suffix}_m2_ha": float(row[f"standing{suffix}"] - row["marked"]) / operable_ha
        for suffix in ("", "_low", "_high")
    }
    if len(by_class):
        figures |= {
            f"{name}quadratic_mean_diameter_cm": _mean_diameter(by_class, stock)
            for name, stock in (("", "residual"), ("standing_", "standing"))
        }
    return figures


def _mean_diameter(by_class: pd.DataFrame, stock: str) -> float:
    """Diameter of the tree of mean basal area."""
    trees = float(by_class[f"{stock}_trees"].sum())
    area = float(by_class[f"{stock}_basal_area_m2"].sum())
    return float(np.sqrt(_ratio(area, trees) * 40_000 / np.pi)) if area > 0 else math.nan
