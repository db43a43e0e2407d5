"""The stand that stays against the target structure: verdict and marking ratio by size class."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from glademark.errors import InputError
from glademark.forestry import SizeClasses
from glademark.forestry.size_classes import (
    fitted_q,
    quotient_weights,
    share_in_words,
    target_trees,
)
from glademark.project.model import TargetStructure
from glademark.units import INCH_CM

FloatArray = npt.NDArray[np.float64]

_SAME = 1e-6  # diameters this close are one: a class in inches may begin at a limit in centimetres


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Target:
    """
    Trees that each size class is to keep.

    Attributes
    ----------
    trees_per_ha
        By class; a class that is not there has no target.
    basal_area_m2_ha, q, dbh_max_cm
        As stated; NaN of a table.
    tolerance
        Share of a class's target within which it is met.
    """

    trees_per_ha: pd.Series
    basal_area_m2_ha: float
    q: float
    dbh_max_cm: float
    tolerance: float


def closed_classes(classes: SizeClasses) -> pd.DataFrame:
    """Middle and width [cm] of the classes that have two ends, by label."""
    unit_cm = INCH_CM if classes.unit == "in" else 1.0
    edges = np.array(classes.edges) * unit_cm
    middles, widths = (edges[1:] + edges[:-1]) / 2, np.diff(edges)
    return pd.DataFrame(
        {"middle_cm": middles, "width_cm": widths}, index=list(classes.labels[1:-1])
    )


def target_of(
    settings: TargetStructure | None, classes: SizeClasses, table: pd.DataFrame | None
) -> Target | None:
    """Target of the project file; an `InputError` where its classes are of no use."""
    if settings is None:
        return None
    if settings.table is not None:
        return _of_table(settings, classes, pd.DataFrame() if table is None else table)
    closed, labels = closed_classes(classes), list(classes.labels)
    unit_cm = INCH_CM if classes.unit == "in" else 1.0
    edges = np.array(classes.edges) * unit_cm
    largest_cm = settings.dbh_max_cm or math.inf
    last = int(np.searchsorted(edges, largest_cm - _SAME, side="left"))
    first = (
        1
        if settings.dbh_min_cm is None
        else int(np.searchsorted(edges, settings.dbh_min_cm + _SAME, side="right"))
    )
    chosen = closed.loc[closed.index.isin(labels[first : last + 1])]
    widths = chosen["width_cm"].to_numpy()
    if len(chosen) != last + 1 - first or not len(chosen) or np.ptp(widths) > _SAME:
        msg = (
            "[target_structure]: the classes from dbh_min to dbh_max are not all of one width with "
            "two ends, as q needs them. Set [target_structure] class_width"
        )
        raise InputError(msg)
    number = target_trees(
        chosen["middle_cm"], basal_area=settings.basal_area_m2_ha or math.nan, q=settings.q or 1.0
    )
    kept = pd.Series(number, index=chosen.index)
    none = pd.Series(0.0, index=labels[last + 1 :])
    return Target(
        trees_per_ha=pd.concat([kept, none]),
        basal_area_m2_ha=settings.basal_area_m2_ha or math.nan,
        q=settings.q or math.nan,
        dbh_max_cm=largest_cm,
        tolerance=settings.tolerance,
    )


def _of_table(settings: TargetStructure, classes: SizeClasses, table: pd.DataFrame) -> Target:
    """Target by class as it stands in a file."""
    plain = {label.split()[0] if " and " not in label else label: label for label in classes.labels}
    plain |= {label: label for label in classes.labels}
    names = table["size_class"].map(lambda name: plain.get(" ".join(name.split())))
    lost = table.loc[names.isna(), "size_class"].tolist()
    if lost or names.duplicated().any():
        said = (
            f"no class is called {', '.join(map(repr, lost[:3]))}" if lost else "a class is twice"
        )
        msg = (
            f"[target_structure] table: {said}; expected classes such as "
            f"{', '.join(map(repr, classes.labels[1:4]))}. Correct the table, or class_width"
        )
        raise InputError(msg)
    return Target(
        trees_per_ha=pd.Series(table["trees_per_ha"].to_numpy(dtype=float), index=names),
        basal_area_m2_ha=math.nan,
        q=math.nan,
        dbh_max_cm=math.nan,
        tolerance=settings.tolerance,
    )


def quotient(trees_per_ha: pd.Series, classes: SizeClasses, target: Target | None) -> float:
    """Quotient of trees by class, over the classes of the target, else all that have two ends."""
    closed = _fitted_classes(classes, target)
    if closed.empty:
        return math.nan
    number = trees_per_ha.reindex(closed.index, fill_value=0.0)
    return fitted_q(closed["middle_cm"], number, width_cm=float(closed["width_cm"].iloc[0]))


def quotient_error(
    by_plot: pd.DataFrame,
    trees_per_ha: pd.Series,
    classes: SizeClasses,
    target: Target | None,
) -> FloatArray:
    """
    What each plot adds to ln(q), from trees per hectare by plot (rows) and class (columns).

    The error of ln(trees) is not the relative error cv of few trees, which is too large where their
    number came out small, but that of a log-normal number, whose variance is ln(1 + cv^2).
    """
    closed = _fitted_classes(classes, target)
    number = trees_per_ha.reindex(closed.index, fill_value=0.0)
    weights = quotient_weights(closed["middle_cm"], number)
    width_cm = float(closed["width_cm"].iloc[0])
    values = by_plot.reindex(columns=closed.index, fill_value=0.0).to_numpy(dtype=float)
    spread = values.var(axis=0, ddof=1) / len(values) if len(values) > 1 else np.zeros(len(number))
    relative = _over(spread, number.to_numpy(dtype=float) ** 2)  # cv^2
    of_log = np.sqrt(np.nan_to_num(_over(np.log1p(relative), relative), nan=1.0))
    return np.asarray(-width_cm * (values @ (weights * of_log)), dtype=float)


def _fitted_classes(classes: SizeClasses, target: Target | None) -> pd.DataFrame:
    """Classes through which a quotient is fitted; none where they differ in width."""
    closed = closed_classes(classes)
    if target is not None:
        kept = target.trees_per_ha[target.trees_per_ha > 0].index
        closed = closed.loc[closed.index.isin(kept)]
    if closed.empty or np.ptp(closed["width_cm"].to_numpy()) > _SAME:
        return closed.iloc[:0]
    return closed


def with_verdicts(table: pd.DataFrame, target: Target | None, *, hectares: float) -> pd.DataFrame:
    """The stand table with target, surplus, deviation and verdict of its classes."""
    wanted = np.full(len(table), np.nan)
    is_class = (table["row"] == "class").to_numpy()
    if target is not None:
        per_ha = table["size_class"].map(target.trees_per_ha).to_numpy(dtype=float)
        wanted = np.where(is_class, per_ha * hectares, np.nan)
    surplus = table["residual_trees"].to_numpy(dtype=float) - wanted
    deviation = np.select([surplus > 0, surplus < 0], ["surplus", "deficit"], "")
    tolerance = 0.0 if target is None else target.tolerance
    verdict = _verdicts(table, wanted, surplus, tolerance)
    return table.assign(
        target_trees=wanted,
        surplus_trees=surplus,
        deviation=deviation,
        verdict=np.where(is_class, verdict, ""),
    )


def _verdicts(
    table: pd.DataFrame, wanted: FloatArray, surplus: FloatArray, tolerance: float
) -> npt.NDArray[np.str_]:
    """met, near, exceeded or not_checked of every row."""
    slack = tolerance * wanted + _SAME
    low, high = (table[f"residual_trees_{end}"].to_numpy(dtype=float) for end in ("low", "high"))
    outside = (low > wanted + slack) | (high < wanted - slack)
    untouched = (surplus < 0) & (table["marked_trees"].to_numpy(dtype=float) == 0)
    met = np.abs(surplus) <= slack
    return np.select(
        [np.isnan(surplus), met, untouched, outside],
        ["not_checked", "met", "not_checked", "exceeded"],
        "near",
    )


def marking_ratio(table: pd.DataFrame, between: pd.Series) -> pd.DataFrame:
    """Trees still to be marked by class; `between` are unmarked ones outside what is cut anyway."""
    rows = table[(table["row"] == "class") & table["target_trees"].notna()]
    standing, marked = (rows[f"{state}_trees"].to_numpy(float) for state in ("standing", "marked"))
    prescribed = np.maximum(standing - rows["target_trees"].to_numpy(dtype=float), 0.0)
    still = prescribed - marked
    unmarked = between.reindex(rows["size_class"], fill_value=0.0).to_numpy(dtype=float)
    shares = {
        "marked_share": _over(marked, standing),
        "prescribed_share": _over(prescribed, standing),
    }
    asked = np.where(np.isnan(still), np.nan, np.maximum(still, 0.0))
    of_unmarked = np.where(asked == 0, 0.0, _over(asked, unmarked))
    return pd.DataFrame(
        {
            "size_class": rows["size_class"].to_numpy(),
            "standing_trees": standing,
            "marked_trees": marked,
            "prescribed_trees": prescribed,
            "still_to_mark_trees": still,
            **shares,
            "marked_of": [share_in_words(one) for one in shares["marked_share"].tolist()],
            "prescribed_of": [share_in_words(one) for one in shares["prescribed_share"].tolist()],
            "unmarked_between_trees": unmarked,
            "still_to_mark_of": [share_in_words(one) for one in of_unmarked.tolist()],
        }
    )


def _over(part: FloatArray, whole: FloatArray) -> FloatArray:
    """Shares, NaN of nothing."""
    found = np.full(len(part), np.nan)
    np.divide(part, whole, out=found, where=whole > 0)
    return found
