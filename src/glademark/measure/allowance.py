"""
The allowance: the share of the standing stock that this entry may remove.

Corridors draw on it first, then openings, then the matrix. The tally of marked trees has no
sampling error; the standing stock has, so that what is left is an interval.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.contracts.result_tables import ALLOWANCE, STOCK_BY_CLASS
from glademark.errors import counted
from glademark.forestry import quadratic_mean_diameter_cm
from glademark.forestry.size_classes import NO_DIAMETER
from glademark.measure.standing import BASAL, SOLID, Standing, Stock
from glademark.units import ACRE_M2, FOOT_M, HECTARE_M2

FloatArray = npt.NDArray[np.float64]

_ZONES = ("corridor", "opening", "matrix")
MEANT_SHARE = 0.95
"""Share inside a zone above which the stock there cannot be as even as it is taken to be."""
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

    `cells` are those of `glademark.measure.tally.tally_cells`; `allowable_share` is None where no
    limit is set, `marked_ground_m2` where all operable ground is marked. What is marked is a sum
    over the trees that have an amount; `trees_without` counts the others, `marked_at_most` gives
    each of them the largest amount of a cut tree. Solid volume is left out where some does not
    convert. Shares inside a zone are blank where one of them is above `MEANT_SHARE`: the stock is
    then not as even as they assume.
    """
    operable_m2 = sum(area for zone, area in zone_area_m2.items() if zone != "exclusion")
    rows = [
        _row(stock, marked, allowable_share, zone_area_m2, (operable_m2, marked_ground_m2))
        for stock in stocks
        if (marked := _marked(stock, cells)) is not None
    ]
    table = pd.DataFrame(rows, columns=list(ALLOWANCE.names))
    for name in (f"share_{zone}" for zone in _ZONES):
        if (table[name] > MEANT_SHARE).any():
            table[name] = np.nan
    return table


@dataclass(frozen=True, kw_only=True, slots=True)
class _Marked:
    """
    Amount cut in each zone and in all, of the trees that have one; NaN where none has.

    `trees_without` are those that have none, `at_most` the amount with the largest for each.
    """

    by_zone: Mapping[str, float]
    total: float
    trees_without: int
    at_most: float


def _marked(stock: Stock, cells: pd.DataFrame) -> _Marked | None:
    """What is cut of a quantity; None where its units do not convert."""
    if stock.quantity not in (BASAL, SOLID):
        cells = cells[cells["product"] == stock.quantity]
    trees, solid = cells["trees"].to_numpy(dtype=float), stock.quantity == SOLID
    if stock.quantity == BASAL:
        amount = cells["basal_area_m2"].to_numpy(dtype=float)
        amount = np.where((trees > 0) & ~(amount > 0), np.nan, amount)  # no diameter
        lost = np.where(np.isnan(amount), trees, 0.0)
    else:
        if solid and (cells["unconverted"] > 0).any():
            return None
        amount = cells["m3" if solid else "net"].to_numpy(dtype=float)
        lost = cells["own_without" if solid else "trees_without"].to_numpy(dtype=float)
    each = amount / cells["stems"].to_numpy(dtype=float)
    largest = np.nanmax(each) if np.isfinite(each).any() else np.nan
    without = int(lost.sum())
    by_zone = _by_zone(amount, lost, cells["zone"].to_numpy(dtype=object))
    total = _sum(amount, lost)
    return _Marked(
        by_zone=by_zone,
        total=total,
        trees_without=without,
        at_most=total + without * float(largest) if without else total,
    )


def _by_zone(
    amount: FloatArray, lost: FloatArray, zone: npt.NDArray[np.object_]
) -> dict[str, float]:
    """Amount of each zone of the allowance, and of all others."""
    masks = {name: zone == name for name in _ZONES}
    masks["other"] = ~np.isin(zone, _ZONES)
    return {name: _sum(amount[mask], lost[mask]) for name, mask in masks.items()}


def _sum(amount: FloatArray, lost: FloatArray) -> float:
    """Sum of what is known: NaN where nothing is and something should be, 0 of nothing."""
    if lost.sum() > 0 and not np.isfinite(amount).any():
        return math.nan
    return math.fsum(amount[np.isfinite(amount)])


def _row(
    stock: Stock,
    marked: _Marked,
    allowable_share: float | None,
    zone_area_m2: Mapping[str, float],
    ground: tuple[float, float | None],
) -> dict[str, object]:
    """One quantity."""
    operable_m2, marked_ground_m2 = ground
    standing, low, high = stock.total.mean, stock.total.low, stock.total.high
    total = marked.total
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
        **{f"marked_{zone}": amount for zone, amount in marked.by_zone.items()},
        "marked": total,
        "trees_without": marked.trees_without,
        "marked_at_most": marked.at_most,
        "remaining": remaining,
        "remaining_low": share * low - total,
        "remaining_high": share * high - total,
        "share": _ratio(total, standing),
        "share_low": _ratio(total, high),
        "share_high": _ratio(total, low),
        **{
            f"share_{zone}": _ratio(marked.by_zone[zone], per_m2 * zone_area_m2.get(zone, 0.0))
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
    cut: gpd.GeoDataFrame,
    marked_ground: Sequence[BaseGeometry],
) -> tuple[str, ...]:
    """
    What the allowance does not say by itself, one sentence each.

    `cut` are the cut trees that are located; `marked_ground` is empty where all
    of the ground is marked.
    """
    if not stocks:
        return ()
    names = [stock.quantity for stock in stocks if stock.quantity not in set(table["quantity"])]
    notices = [
        f"allowance: {name.replace('_', ' ')} is left out: the volume of some products does not "
        "convert to it"
        for name in names
    ]
    for row in table[table["trees_without"] > 0].to_dict("records"):
        what = "a diameter" if row["quantity"] == BASAL else "a volume"
        notices.append(
            f"allowance: {str(row['quantity']).replace('_', ' ')}: what is marked leaves out "
            f"{counted(int(row['trees_without']), 'cut tree')} "
            f"without {what}: it is more, and less remains"
        )
    above = table[table["marked"] > table["standing"]]
    notices += [
        f"allowance: {str(name).replace('_', ' ')}: more is marked than stands by the {basis}"
        for name, basis in zip(above["quantity"], above["basis"], strict=True)
    ]
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
    Standing, marked and residual trees and basal area by size class; no rows without a cruise.

    `marked` are cut trees, located or not. Standing and residual are blank where the cruise did not
    count all trees of a class, and of trees without a diameter.
    """
    if standing.by_class.empty:
        return pd.DataFrame(columns=list(STOCK_BY_CLASS.names))
    sums = marked.groupby("size_class")[["count", "basal_area_m2"]].sum()
    classes = [*labels, NO_DIAMETER]
    present = [name for name in classes if name in standing.by_class.index or name in sums.index]
    stock = (standing.by_class * operable_ha).reindex(present, fill_value=0.0)
    stock.loc[[name in standing.not_counted or name == NO_DIAMETER for name in present]] = np.nan
    cut = sums.reindex(present, fill_value=0.0).to_numpy(dtype=float)
    cut[[name == NO_DIAMETER for name in present], 1] = np.nan
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


def class_notices(by_class: pd.DataFrame) -> tuple[str, ...]:
    """Classes of which more is marked than stands, and those that the cruise did not count."""
    over = by_class[by_class["residual_trees"] < 0]
    said = [
        f"{row.size_class} ({row.marked_trees:,.0f} marked, {row.standing_trees:,.0f} standing)"
        for row in over.itertuples()
    ]
    found = (
        [f"stock by size class: more is marked than stands in {', '.join(said)}"] if said else []
    )
    blank = by_class[by_class["standing_trees"].isna() & (by_class["size_class"] != NO_DIAMETER)]
    if len(blank):
        found.append(
            f"stock by size class: what stands of {', '.join(blank['size_class'])} is not known: "
            "the smallest diameter that the cruise counted is larger"
        )
    return tuple(found)


def residual(
    table: pd.DataFrame, by_class: pd.DataFrame, *, operable_ha: float
) -> Mapping[str, float]:
    """
    Basal area left per hectare, with its interval, and the mean diameter of what stays.

    `basal_area_m2_ha`, `basal_area_low_m2_ha`, `basal_area_high_m2_ha`, and where a cruise counts
    every class `quadratic_mean_diameter_cm` and `standing_quadratic_mean_diameter_cm`; empty
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
    return float(quadratic_mean_diameter_cm(area, trees)) if area > 0 < trees else math.nan
