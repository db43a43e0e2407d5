"""Limits of the marked trees: largest diameter, target volumes."""

import math

import numpy as np
import pandas as pd

from glademark.judge.incomplete import between, why_incomplete
from glademark.judge.limits import Case, Limit, Value, not_checked, number, rows_of, verdicts
from glademark.measure.volume import unit_factor

NAMED = 20
"""Trees named in one row; the rest are counted."""


def _dbh_max(case: Case, value: Value) -> pd.DataFrame:
    """The largest cut tree, with all trees beyond the limit named."""
    limit = number(value)
    cut = case.layout.marks[case.layout.marks["kind"].isin(case.cut_kinds)]
    largest = cut["dbh_cm"].max()
    beyond = cut.loc[cut["dbh_cm"] > limit, "label"].tolist()
    names = ", ".join(beyond[:NAMED])
    if len(beyond) > NAMED:
        names += f" and {len(beyond) - NAMED} more"
    rows = rows_of("marks", [names], [largest], subject="largest diameter of a cut tree")
    return verdicts(rows, limit=limit, sense="max", unit="cm")


def _target(case: Case, value: Value) -> pd.DataFrame:
    """Net volume of each product against its target."""
    if not isinstance(value, dict):
        msg = f"expected amounts per product, got {value!r}"
        raise TypeError(msg)
    return pd.concat([_one_target(case, *item) for item in value.items()])


def _one_target(case: Case, product: str, wanted: tuple[float, str]) -> pd.DataFrame:
    """One product; in the unit of the target."""
    amount, unit = wanted
    subject = f"net volume of {product} against the target"
    cut = case.layout.figures.volume.by_product.get(product)
    factor = np.nan if cut is None else unit_factor(cut.unit, unit)
    if cut is None or np.isnan(factor):
        reason = (
            "no tree of that product is marked"
            if cut is None
            else f"the product is sold by the {cut.unit}, the target is in {unit or 'no unit'}"
        )
        return not_checked(reason=reason, limit=amount, unit=unit, subject=subject)
    without = cut.trees_without + cut.parts_without
    net = math.nan if cut.net is None else cut.net * factor
    known, at_most = (
        verdicts(
            rows_of("volume_by_zone", [product], [end], subject=subject),
            limit=amount,
            sense="min",
            unit=unit,
        )
        for end in (net, math.inf)
    )
    why = why_incomplete(without, lacking="volume")
    if cut.net is None:
        why = f"no volume is computed: {without:,} trees have none"
    return between(known, at_most, why=why) if without else known


DBH_MAX = Limit(
    id="dbh_max", title="largest diameter of a cut tree", kind="diameter", judge=_dbh_max
)
TARGET = Limit(id="target", title="volume to reach", kind="amounts", judge=_target)
