"""Priority of standing trees, from a column of numbers or from the rules of the project file."""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from glademark.errors import InputError, UnitError
from glademark.project.propose_settings import ProposeSettings
from glademark.proposal.stock import BoolArray, FloatArray
from glademark.units import LENGTH_M, share, to_si

_LENGTHS: Mapping[str, tuple[str, float]] = {
    "dbh": ("dbh_cm", 100.0),
    "height": ("height_m", 1.0),
    "crown_radius": ("crown_radius_m", 1.0),
}
"""Columns in metres or centimetres, by the name that a rule has for them."""

_SHARES = ("defect", "live_crown_ratio")


def priorities(trees: pd.DataFrame, settings: ProposeSettings) -> FloatArray:
    """Priority of each tree: the highest rule that fits, and its number in the column; else 0."""
    found = np.zeros(len(trees))
    if settings.priority_column is not None:
        column = _column(trees, settings.priority_column, "priority_column")
        found = np.maximum(found, np.nan_to_num(_numbers(trees[column])))
    for rule in settings.priority:
        fits = np.ones(len(trees), dtype=bool)
        for name, value in rule.when.items():
            fits &= _fits(trees, name, value)
        found = np.where(fits, np.maximum(found, rule.priority), found)
    return found


def _column(trees: pd.DataFrame, name: str, where: str) -> str:
    """A column of the standing trees; refused where there is none."""
    known = {str(one).casefold(): str(one) for one in trees.columns}
    if name.casefold() not in known:
        names = ", ".join(sorted(one for one in known.values() if one != "geometry"))
        msg = (
            f"[propose] {where}: standing trees have no column {name!r}; expected one of {names}. "
            "Correct the name"
        )
        raise InputError(msg)
    return known[name.casefold()]


def _fits(trees: pd.DataFrame, name: str, value: object) -> BoolArray:
    """Which trees fit one part of a rule; a tree of which it is not known does not."""
    base, _, end = name.rpartition("_")
    if base and end in {"min", "max"}:
        amount, numbers = _limit(trees, base, value)
        fits = numbers >= amount if end == "min" else numbers <= amount
        return np.asarray(fits & np.isfinite(numbers))
    column = trees[_column(trees, name, "priority when")]
    wanted = str(value).strip().casefold()
    written = np.array([str(one).strip().casefold() for one in column], dtype=object)
    return np.asarray(written == wanted, dtype=bool)


def _limit(trees: pd.DataFrame, base: str, value: object) -> tuple[float, FloatArray]:
    """The limit of a rule, and the column that it is held against."""
    try:
        if base in _LENGTHS:
            column, size = _LENGTHS[base]
            return to_si(str(value), LENGTH_M) * size, _numbers(trees[column])
        amount = share(value) if isinstance(value, str) and "%" in value else float(str(value))
    except (UnitError, ValueError) as fault:
        msg = f"[propose] priority when {base}: {fault}"
        raise InputError(msg) from fault
    return amount, _numbers(trees[_column(trees, base, "priority when")])


def _numbers(column: pd.Series) -> FloatArray:
    """A column as numbers, NaN where it holds none."""
    return pd.to_numeric(column, errors="coerce").to_numpy(dtype=float)
