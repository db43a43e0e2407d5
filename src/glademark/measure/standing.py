"""
The standing stock: given in the project file, or estimated from cruise plots.

The stock is assumed to be spread evenly per hectare over the operable area.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import cast

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from glademark.contracts.frames import STAND
from glademark.errors import InputError, counted
from glademark.forestry import (
    CruiseTrees,
    Estimate,
    PlotDesign,
    SizeClasses,
    TallyScope,
    basal_area_m2,
    estimate_mean,
    estimate_strata,
    per_hectare,
    plots_needed,
    product_key,
    scope_differences,
    to_solid_m3,
)
from glademark.forestry.cruise import BASAL_AREA, TREES
from glademark.measure.marks import size_class
from glademark.measure.volume import Sold, unit_factor, volumes
from glademark.project.model import AllowanceSettings
from glademark.units import BASAL_AREA_M2_HA, INCH_CM, SOLID_M3, split_quantity

BASAL = "basal_area"
SOLID = "solid_volume"
_SAME_CM = 1e-6
"""Diameters this close are one: a class in inches may begin at a limit in centimetres."""
ASKED_ERROR_PCT = 10.0
"""Sampling error for which the number of plots needed is said, in per cent."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Stock:
    """
    Standing stock of one quantity on the operable area.

    Attributes
    ----------
    quantity
        `BASAL`, `SOLID`, or a product by its name.
    unit, log_rule
        m2, m3, or the sale unit with its log rule.
    basis
        cruise, or given.
    total
        With its error; no error for a stock that was given.
    """

    quantity: str
    unit: str
    log_rule: str
    basis: str
    total: Estimate


@dataclass(frozen=True, kw_only=True, slots=True)
class Standing:
    """
    What stands before the cut.

    Attributes
    ----------
    stocks
        Basal area first, then solid volume, then products.
    plots
        Point rows of the cruise plots with what each says per hectare; None without a cruise.
    by_class
        `trees` and `basal_area_m2` per hectare by size class; empty without a cruise.
    notices
        One sentence each.
    not_counted
        Size classes of which the cruise did not count all trees: it began at a larger diameter.
    """

    stocks: tuple[Stock, ...]
    plots: gpd.GeoDataFrame | None
    by_class: pd.DataFrame
    notices: tuple[str, ...]
    not_counted: frozenset[str] = frozenset()


def given_stocks(
    settings: AllowanceSettings, *, sold: Sold, operable_ha: float
) -> tuple[Stock, ...]:
    """Standing stock as the project file states it."""
    stocks: list[Stock] = []
    faults: list[str] = []
    for name, text in settings.standing.items():
        amount, unit = split_quantity(text)
        key = product_key(name)
        if key == BASAL and unit in BASAL_AREA_M2_HA:
            stocks.append(_given(key, "m2", "", amount * BASAL_AREA_M2_HA[unit] * operable_ha))
        elif key == SOLID and unit in SOLID_M3:
            stocks.append(_given(key, "m3", "", amount * SOLID_M3[unit]))
        elif key in sold.products and key not in (BASAL, SOLID):
            product = sold.products[key]
            factor = unit_factor(unit, product.unit)
            if math.isnan(factor):
                faults.append(_unit_fault(name, text, product.unit))
            stocks.append(_given(key, product.unit, product.log_rule, amount * factor))
        else:
            faults.append(_unit_fault(name, text, "ft2/acre, m3 or a product's sale unit"))
    if faults:
        raise InputError(*faults)
    if SOLID not in {stock.quantity for stock in stocks}:
        stocks += _solid_of(stocks, sold)
    return tuple(sorted(stocks, key=_place))


def _solid_of(stocks: Sequence[Stock], sold: Sold) -> list[Stock]:
    """Solid volume of all products together, where it is known of every one."""
    amount = {stock.quantity: stock.total.mean for stock in stocks if stock.quantity != BASAL}
    if not sold.products or set(amount) != set(sold.products):
        return []
    solid = sum(float(to_solid_m3(amount[name], sold.products[name])[0]) for name in amount)
    return [] if math.isnan(solid) else [_given(SOLID, "m3", "", solid)]


def _place(stock: Stock) -> tuple[int, str]:
    """Basal area first, then solid volume, then products by name."""
    return {BASAL: 0, SOLID: 1}.get(stock.quantity, 2), stock.quantity


def _unit_fault(name: str, text: str, expected: str) -> str:
    """One sentence on an amount in the wrong unit."""
    return f"[allowance] standing.{name}: {text!r} cannot be read; expected an amount in {expected}"


def _given(quantity: str, unit: str, log_rule: str, amount: float) -> Stock:
    """A stock as the project file gives it."""
    total = _certain(amount)
    return Stock(quantity=quantity, unit=unit, log_rule=log_rule, basis="given", total=total)


def _certain(amount: float) -> Estimate:
    """An amount without error."""
    return Estimate(
        plots=0,
        mean=amount,
        standard_deviation=0.0,
        standard_error=0.0,
        degrees_of_freedom=math.inf,
    )


def cruised(
    plots: gpd.GeoDataFrame,
    trees: pd.DataFrame,
    *,
    settings: AllowanceSettings,
    sold: Sold,
    classes: SizeClasses,
    operable_ha: float,
) -> Standing:
    """
    Standing stock estimated from cruise plots.

    A quantity that is not known for every tree has no stock, and a notice.
    """
    amounts = tree_amounts(trees, sold)
    table = _by_plot(plots, trees, amounts)
    known = [name for name in table if table[name].notna().all()]
    stocks = [
        Stock(
            quantity=BASAL if name == BASAL_AREA else name,
            unit=_unit(name, sold),
            log_rule=sold.products[name].log_rule if name in sold.products else "",
            basis="cruise",
            total=estimate_of(table[name], plots, settings).times(operable_ha),
        )
        for name in (BASAL_AREA, SOLID, *sorted(sold.products))
        if name in known
    ]
    bare = int(trees.loc[trees["dbh"].isna(), "count"].sum())
    notices = _not_computed({name: amounts[name] for name in amounts if name not in known}, trees)
    if BASAL_AREA not in known:
        fixed = plots.loc[plots["baf_m2_ha"].isna(), "plot"]
        number = int(trees.loc[trees["dbh"].isna() & trees["plot"].isin(fixed), "count"].sum())
        why = _trees_have_no(number, "on fixed plots", "diameter")
        notices.append(f"cruise: the standing basal area is not computed: {why}")
    if bare:
        notices.append(
            f"cruise: {counted(bare, 'tree')} without a diameter; there is no distribution by size "
            "class"
        )
    notices += [_how_many(stock.total) for stock in stocks if stock.quantity == BASAL]
    shown = plots[[STAND, "plot", "stratum", "weight", "geometry"]].assign(
        trees_per_ha=table[TREES].to_numpy(),
        basal_area_m2_ha=table[BASAL_AREA].to_numpy(),
        volume_m3_ha=table[SOLID].to_numpy(),
    )
    return Standing(
        stocks=tuple(stocks),
        plots=shown,
        by_class=_by_class(plots, trees, classes),
        not_counted=classes_not_counted(trees, classes, settings),
        notices=tuple(notices),
    )


def standing_by_list(
    trees: pd.DataFrame, *, sold: Sold, classes: SizeClasses, operable_ha: float
) -> Standing:
    """Standing stock of a full list of trees: counted, so without an error."""
    own = trees.rename(columns={"defect": "defect_share"})
    count = trees["count"].to_numpy(dtype=float)
    amounts = {
        BASAL: basal_area_m2(trees["dbh_cm"].to_numpy(dtype=float)),
        **tree_amounts(own, sold),
    }
    known = {name: each for name, each in amounts.items() if not np.isnan(each).any()}
    stocks = [
        Stock(
            quantity=name,
            unit="m2" if name == BASAL else _unit(name, sold),
            log_rule=sold.products[name].log_rule if name in sold.products else "",
            basis="standing",
            total=_certain(float(known[name] @ count)),
        )
        for name in (BASAL, SOLID, *sorted(sold.products))
        if name in known
    ]
    lost = {name: each for name, each in amounts.items() if name not in known}
    by_class = pd.DataFrame()
    if BASAL in known:
        label = size_class(trees, classes=classes)
        each = pd.DataFrame({"trees": count, "basal_area_m2": known[BASAL] * count})
        sums = each.groupby(label.to_numpy()).sum() / operable_ha
        by_class = sums.reindex([name for name in classes.labels if name in sums.index])
    return Standing(
        stocks=tuple(stocks),
        plots=None,
        by_class=by_class,
        notices=tuple(_list_lacks(lost, trees)),
    )


def _list_lacks(lost: Mapping[str, np.ndarray], trees: pd.DataFrame) -> list[str]:
    """A sentence on each amount that is not known of every standing tree."""
    count = trees["count"].to_numpy()
    return [
        f"standing: the stock of {name.replace('_', ' ')} is not computed: "
        + _trees_have_no(int(count[np.isnan(each)].sum()), "in the list", "such amount")
        for name, each in lost.items()
    ]


def _of_no_product(trees: pd.DataFrame) -> pd.Series:
    """Trees that may be of any product: none is recorded, and they are no cull."""
    return trees["product"].eq("") & ~trees["cull"].astype(bool)


def _not_computed(lost: Mapping[str, np.ndarray], trees: pd.DataFrame) -> list[str]:
    """A sentence on amounts whose stock is not known, for each number of trees that lack them."""
    count = trees["count"].to_numpy()
    of_none = int(count[_of_no_product(trees).to_numpy()].sum())
    lacking: dict[int, list[str]] = {}
    for name, amount in lost.items():
        number = of_none or int(count[np.isnan(amount)].sum())
        lacking.setdefault(number, []).append(name.replace("_", " "))
    what = "product" if of_none else "such volume"
    return [
        f"cruise: the standing stock of {', '.join(names)} is not computed: "
        + _trees_have_no(number, "on plots", what)
        for number, names in lacking.items()
    ]


def _trees_have_no(number: int, where: str, what: str) -> str:
    """Half a sentence on trees that lack something."""
    return f"{counted(number, 'tree')} {where} {'has' if number == 1 else 'have'} no {what}"


def tree_amounts(trees: pd.DataFrame, sold: Sold) -> dict[str, np.ndarray]:
    """Net volume of one tree of each record by product, and its solid volume."""
    each = trees.assign(count=1, volume=trees["volume"] / trees["count"])
    parts = volumes(
        each, table=sold.table, products=sold.products, settings=sold.settings, species=sold.species
    )
    amounts = {
        name: _per_tree(parts[parts["product"] == name], "net", trees.index)
        for name in sold.products
    }
    solid = _per_tree(parts, "m3", trees.index)
    unknown = parts.loc[parts["m3"].isna(), "tree"]
    solid[trees.index.get_indexer(pd.Index(unknown))] = np.nan
    of_none = _of_no_product(trees).to_numpy()
    for amount in amounts.values():
        amount[of_none] = np.nan  # it may be any product
    return {SOLID: solid, **amounts}


def _per_tree(parts: pd.DataFrame, column: str, index: pd.Index) -> np.ndarray:
    """Sum over the parts of each tree, 0 without any, NaN where one is not known."""
    row = index.get_indexer(pd.Index(parts["tree"]))
    amounts = parts[column].to_numpy(dtype=float)
    return np.bincount(row, weights=amounts, minlength=len(index)).astype(float)


def _by_plot(
    plots: gpd.GeoDataFrame, trees: pd.DataFrame, amounts: Mapping[str, np.ndarray]
) -> pd.DataFrame:
    """What each plot says per hectare; plots of one design are worked out at once."""
    columns = {name: trees[name].to_numpy() for name in ("plot", "dbh_cm", "count", "times")}
    designs = plots.groupby(["baf_m2_ha", "plot_area_m2"], dropna=False, sort=False)
    tables = []
    for design, rows in designs:
        factor, area = cast("tuple[float, float]", design)
        here = trees["plot"].isin(rows["plot"]).to_numpy()
        tables.append(
            per_hectare(
                CruiseTrees(**{name: values[here] for name, values in columns.items()}),
                plots=rows["plot"].tolist(),
                design=PlotDesign.fixed_area(area)
                if math.isnan(factor)
                else PlotDesign.variable_radius(factor),
                amounts={name: amount[here] for name, amount in amounts.items()},
                weights=rows["weight"].to_numpy(dtype=float),
            )
        )
    return pd.concat(tables).loc[plots["plot"]]


def estimate_of(
    values: npt.ArrayLike, plots: pd.DataFrame, settings: AllowanceSettings
) -> Estimate:
    """Mean per hectare, by strata where areas are given."""
    weight = plots["weight"].to_numpy(dtype=float)
    number = np.asarray(values, dtype=float)
    if not settings.strata:
        return estimate_mean(number, weights=weight, confidence=settings.confidence)
    stratum = plots["stratum"].to_numpy(dtype=object)
    missing = sorted(set(stratum) - set(settings.strata))
    if missing:
        msg = (
            f"[allowance] strata: {', '.join(map(repr, missing))} of the cruise has no area; "
            "expected one area a stratum. Add it"
        )
        raise InputError(msg)
    names = list(settings.strata)
    bare = [name for name in names if not (stratum == name).any()]
    if bare:
        msg = (
            f"[allowance] strata: {', '.join(map(repr, bare))} has an area and no plot of the "
            "cruise; expected plots in every stratum. Correct the names, or leave the stratum out"
        )
        raise InputError(msg)
    return estimate_strata(
        [
            estimate_mean(
                number[stratum == name],
                weights=weight[stratum == name],
                confidence=settings.confidence,
            )
            for name in names
        ],
        [settings.strata[name] for name in names],
    )


def _unit(name: str, sold: Sold) -> str:
    """Unit of a quantity."""
    return {BASAL_AREA: "m2", SOLID: "m3"}.get(name) or sold.products[name].unit


def _by_class(plots: gpd.GeoDataFrame, trees: pd.DataFrame, classes: SizeClasses) -> pd.DataFrame:
    """Trees and basal area per hectare by size class; empty where a diameter is missing."""
    if trees["dbh"].isna().any():
        return pd.DataFrame(columns=["trees", "basal_area_m2"])
    label = size_class(trees, classes=classes)
    present = [name for name in classes.labels if (label == name).any()]
    mine = {name: (label == name).to_numpy(dtype=float) for name in present}
    each = basal_area_m2(trees["dbh_cm"].to_numpy(dtype=float))
    grown = {BASAL + name: each * of_class for name, of_class in mine.items()}
    values = _by_plot(plots, trees, {**mine, **grown})[[*mine, *grown]].to_numpy()
    mean = np.average(values, axis=0, weights=plots["weight"].to_numpy(dtype=float))
    columns = {"trees": mean[: len(present)], "basal_area_m2": mean[len(present) :]}
    return pd.DataFrame(columns, index=present)


def classes_not_counted(
    trees: pd.DataFrame, classes: SizeClasses, settings: AllowanceSettings
) -> frozenset[str]:
    """Classes that begin below the cruise's smallest diameter; unless stated, that end below it."""
    stated = settings.smallest_dbh_cm
    smallest_cm = trees["dbh_cm"].min() if stated is None else stated
    unit_cm = INCH_CM if classes.unit == "in" else 1.0
    edges = np.array([0.0, *classes.edges, np.inf]) * unit_cm
    below = (
        (edges[:-1] < smallest_cm - _SAME_CM) if stated is not None else (edges[1:] <= smallest_cm)
    )
    return frozenset(
        label for label, is_below in zip(classes.labels, below, strict=True) if is_below
    )


def _how_many(basal_area: Estimate) -> str:
    """How good the cruise is, and how many plots would reach a usual error."""
    variation = basal_area.coefficient_of_variation_pct
    if basal_area.plots == 1:
        return "cruise: one plot says nothing of the sampling error; take more"
    if math.isnan(basal_area.sampling_error_pct):
        return f"cruise: {basal_area.plots} plots, all of them without trees"
    said = (
        f"cruise: {basal_area.plots} plots, sampling error of basal area "
        f"{basal_area.sampling_error_pct:.1f} % at "
        f"{100 * basal_area.confidence:g} %"
    )
    if not variation > 0:
        return said
    needed = plots_needed(variation, ASKED_ERROR_PCT, confidence=basal_area.confidence)
    return f"{said}; {needed} plots would reach {ASKED_ERROR_PCT:g} %"


def scope_notices(
    trees: pd.DataFrame, marked: pd.DataFrame, settings: AllowanceSettings
) -> Sequence[str]:
    """Ways in which cruise and tally do not count the same trees."""
    cruise = TallyScope(
        smallest_dbh_cm=settings.smallest_dbh_cm or trees["dbh_cm"].min(),
        products=_products(trees),
        top=settings.top,
    )
    tally = TallyScope(
        smallest_dbh_cm=marked["dbh_cm"].min(), products=_products(marked), top=settings.tally_top
    )
    found = scope_differences(cruise, tally)
    return [f"cruise and tally differ: {difference}" for difference in found]


def _products(trees: pd.DataFrame) -> frozenset[str]:
    """Products of some trees."""
    return frozenset(name for name in trees["product"] if name)
