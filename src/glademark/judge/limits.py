"""
Limits as plug-ins: each says what its value means, and holds the layout against it.

A limit that is not in the project file is not invented. Published rules contradict each other, so
none is built in; authority and source are what the project file says.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from glademark.contracts.result_tables import CHECKS
from glademark.errors import InputError, UnitError
from glademark.units import (
    AREA_M2,
    BASAL_AREA_M2_HA,
    LENGTH_M,
    LENGTH_PER_AREA_M_HA,
    TREES_PER_HA,
    share,
    split_quantity,
    to_si,
)

if TYPE_CHECKING:
    from glademark.contracts.layout import Layout
    from glademark.contracts.survey import Survey
    from glademark.project.model import LimitSetting, OneLimit, Project
    from glademark.uncertainty.measure import Uncertainty

Kind = Literal[
    "area",
    "length",
    "share",
    "diameter",
    "basal_area",
    "density",
    "amounts",
    "grade",
    "count",
    "heights",
    "trees",
    "species",
]
Sense = Literal["max", "min"]

NEAR_SHARE = 0.05
"""A value inside a limit is near it within this share of the limit."""

ROUNDING = 1e-9
"""Relative difference that is rounding, not a breach."""

SI_UNIT: Mapping[Kind, str] = MappingProxyType(
    {
        "area": "m2",
        "length": "m",
        "share": "share",
        "diameter": "cm",
        "basal_area": "m2/ha",
        "density": "m/ha",
        "trees": "trees/ha",
        "species": "share",
    }
)

_VERDICTS = ("not_checked", "exceeded", "near", "met")
_TEXT: Any = pd.Series([""]).dtype

NO_ROWS = pd.DataFrame()
"""Where there is nothing to check."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Case:
    """
    What a limit is held against.

    Attributes
    ----------
    layout
        What was measured.
    survey
        Field data.
    project
        What was asked.
    uncertainty
        What the measured figures may truly be; None where the project does not ask for it.
    """

    layout: Layout
    survey: Survey
    project: Project
    uncertainty: Uncertainty | None = None

    @property
    def cut_kinds(self) -> tuple[str, ...]:
        """Kinds of mark that are cut in this project."""
        return ("cut", "line_tree") if self.project.marks.line_trees_confirmed else ("cut",)


@dataclass(frozen=True, kw_only=True, slots=True)
class Limit:
    """
    One kind of limit: the contract of the entry points ``glademark.limits``.

    Attributes
    ----------
    id
        Key in the project file's ``[limits]``.
    title
        What it limits, in words.
    kind
        What its value is; "amounts" is one amount per product, "grade" one share per length,
        "trees" trees per hectare of some kinds, "species" the share of one.
    judge
        Called with the case and the value in SI (a number, or text per product); gives rows with
        `subject`, `layer`, `feature`, `measured`, `limit_value`, `margin`, `unit`, `verdict` and
        `reason`, as `verdicts` makes them.
    """

    id: str
    title: str
    kind: Kind
    judge: Callable[[Case, Value], pd.DataFrame]


@dataclass(frozen=True, kw_only=True, slots=True)
class OfTrees:
    """A limit for some trees: trees per hectare of kinds and sizes, or the share of a species."""

    value: float
    kinds: tuple[str, ...] = ()
    species: str = ""
    dbh_min_cm: float = 0.0


Value = float | Mapping[str, tuple[float, str]] | OfTrees
"""A number in SI, amount and sale unit per product, share per length, or a limit of some trees."""


@dataclass(frozen=True, kw_only=True, slots=True)
class LimitAsked:
    """
    A limit of the project file with its value understood.

    Attributes
    ----------
    limit
        What it is.
    value
        In SI, or per product.
    authority, source
        As the project file says.
    """

    limit: Limit
    value: Value
    authority: str
    source: str


def limits_asked(
    settings: Mapping[str, LimitSetting], *, known: Mapping[str, Limit]
) -> tuple[LimitAsked, ...]:
    """
    The limits of a project file, every value understood.

    Parameters
    ----------
    settings
        The table ``[limits]``.
    """
    faults: list[str] = []
    asked: list[LimitAsked] = []
    several = ((name, one) for name, first in settings.items() for one in (first, *first.more))
    for name, setting in several:
        if name not in known:
            faults.append(
                f"[limits] {name}: no such limit; expected one of {', '.join(sorted(known))}"
            )
            continue
        try:
            value = _value_of(setting, known[name].kind)
        except UnitError as fault:
            faults.append(f"[limits] {name}: {fault}")
            continue
        asked.append(
            LimitAsked(
                limit=known[name], value=value, authority=setting.authority, source=setting.source
            )
        )
    if faults:
        raise InputError(*faults)
    return tuple(asked)


def _value_of(setting: OneLimit, kind: Kind) -> Value:
    """A limit's value in SI, with the trees that it is of."""
    said = {"kinds": setting.kinds, "species": setting.species, "dbh_min": setting.dbh_min_cm}
    may = {"trees": {"kinds", "dbh_min"}, "species": {"species"}}.get(kind, set())
    wrong = [name for name, part in said.items() if part and name not in may]
    if wrong or (getattr(setting, "more", []) and not may):
        msg = f"{' and '.join(wrong) or 'a list'} cannot be said of this limit; expected one value"
        raise UnitError(msg)
    if kind == "species" and not setting.species:
        msg = 'it names no species; expected {value = "10 %", species = "red oak"}'
        raise UnitError(msg)
    text = setting.value
    if isinstance(text, int):
        text = str(text)
    if kind not in {"trees", "species"}:
        return _value(text, kind)
    if not isinstance(text, str):
        msg = f"{text!r} is a table; expected one quantity"
        raise UnitError(msg)
    return OfTrees(
        value=to_si(text, TREES_PER_HA) if kind == "trees" else share(text),
        kinds=setting.kinds,
        species=setting.species,
        dbh_min_cm=setting.dbh_min_cm or 0.0,
    )


def _value(text: str | Mapping[str, str], kind: Kind) -> Value:
    """A limit's value in SI."""
    if kind == "amounts":
        if isinstance(text, str):
            msg = f"{text!r} names no product; expected one amount per product"
            raise UnitError(msg)
        return {name.casefold(): split_quantity(amount) for name, amount in text.items()}
    if not isinstance(text, str):
        msg = f"{dict(text)!r} is a table; expected one quantity"
        raise UnitError(msg)
    if kind == "grade":
        return stated_grades(text)
    if kind == "share":
        return share(text)
    if kind == "count":
        return _count(text)
    if kind == "heights":
        return _heights(text)
    units = {"area": AREA_M2, "basal_area": BASAL_AREA_M2_HA, "density": LENGTH_PER_AREA_M_HA}
    factors = units.get(kind, LENGTH_M)
    return to_si(text, factors) * (100 if kind == "diameter" else 1)


def _count(text: str) -> float:
    """A whole number without a unit."""
    count, unit = split_quantity(text)
    if unit or count < 0 or count != int(count):
        msg = f"{text!r} is no count; expected a whole number without a unit, as in '2'"
        raise UnitError(msg)
    return count


def _heights(text: str) -> float:
    """How many tree heights."""
    heights, unit = split_quantity(text)
    if unit not in {"", "tree heights", "heights"} or heights <= 0:
        msg = f"{text!r} is no width in tree heights; expected a number, as in '1.5 tree heights'"
        raise UnitError(msg)
    return heights


def number(value: Value) -> float:
    """The value of a limit that is one number."""
    if isinstance(value, OfTrees):
        return value.value
    if isinstance(value, Mapping):
        msg = f"expected one number, got amounts for {', '.join(value)}"
        raise TypeError(msg)
    return float(value)


def verdicts(
    rows: pd.DataFrame | Mapping[str, Any],
    *,
    limit: float,
    sense: Sense,
    unit: str,
    near: float | npt.NDArray[np.float64] | None = None,
) -> pd.DataFrame:
    """
    Rows held against a limit.

    Parameters
    ----------
    rows
        `subject`, `layer`, `feature`, `measured` (NaN where it could not be measured): as from
        `rows_of`, or its columns as from `columns_of`.
    """
    known: dict[str, Any] = {str(name): getattr(one, "array", one) for name, one in rows.items()}
    measured = np.asarray(rows["measured"], dtype=float)
    held = _held(measured, limit=limit, sense=sense, unit=unit, near=near)
    index = rows.index if isinstance(rows, pd.DataFrame) else pd.RangeIndex(len(measured))
    return pd.DataFrame({**known, **held}, index=index, copy=False)


def _held(
    measured: npt.NDArray[np.float64],
    *,
    limit: float,
    sense: Sense,
    unit: str,
    near: float | npt.NDArray[np.float64] | None,
) -> dict[str, Any]:
    """Columns that hold measured values against a limit."""
    margin = limit - measured if sense == "max" else measured - limit
    close = NEAR_SHARE * abs(limit) if near is None else near
    slack = ROUNDING * max(abs(limit), 1.0)
    found = np.select([np.isnan(margin), margin < -slack, margin <= close], [0, 1, 2], 3).tolist()
    errors = np.broadcast_to(np.nan if near is None else near, len(measured)).tolist()
    why = [
        ("could not be measured", "", _why_near(error, unit), "")[one]
        for one, error in zip(found, errors, strict=True)
    ]
    return {
        "limit_value": np.full(len(found), limit),
        "margin": margin,
        "unit": texts([unit] * len(found)),
        "verdict": texts([_VERDICTS[one] for one in found]),
        "reason": texts(why),
    }


def texts(values: Sequence[object]) -> Any:  # noqa: ANN401 - what pandas makes of text
    """
    Texts as a column of the type that pandas gives to text.

    Parameters
    ----------
    values
        Texts, NaN where there is none.
    """
    return pd.array(np.array(values, dtype=object), dtype=_TEXT)


def _why_near(near: float, unit: str) -> str:
    """What makes a row near."""
    if math.isnan(near):
        return f"inside the limit by at most {NEAR_SHARE:.0%} of it"
    return f"inside the limit by at most the position error of {near:g} {unit}"


def rows_of(
    layer: str, feature: npt.ArrayLike, measured: npt.ArrayLike, *, subject: str
) -> pd.DataFrame:
    """Rows for `verdicts`, one a feature."""
    return pd.DataFrame(columns_of(layer, feature, measured, subject=subject))


def columns_of(
    layer: str, feature: npt.ArrayLike, measured: npt.ArrayLike, *, subject: str
) -> dict[str, Any]:
    """The columns of `rows_of`, for `verdicts`, which makes the frame: one a limit, not two."""
    names = [str(name) for name in np.atleast_1d(np.asarray(feature, dtype=object)).tolist()]
    return {
        "subject": texts([subject.format(name) for name in names]),
        "layer": texts([layer] * len(names)),
        "feature": texts(names),
        "measured": np.atleast_1d(np.asarray(measured, dtype=float)),
    }


def not_checked(*, reason: str, limit: Value, unit: str, subject: str) -> pd.DataFrame:
    """One row that says why a limit could not be checked."""
    number = limit if isinstance(limit, float) else float("nan")
    row = verdicts(
        columns_of("", [""], [np.nan], subject=subject), limit=number, sense="max", unit=unit
    )
    return row.assign(reason=reason)


def as_checks(rows: pd.DataFrame) -> pd.DataFrame:
    """
    Rows with the columns of `contracts.layers.CHECKS`, in order.

    Returns
    -------
    checks
        Missing text is empty, missing numbers NaN.
    """
    return rows.reindex(columns=list(CHECKS.names)).reset_index(drop=True)


_GRADE = re.compile(r"(?P<grade>.+?)(?:\s+over\s+(?P<length>.+))?")


def stated_grades(text: str) -> Mapping[str, tuple[float, str]]:
    """
    Grades of a limit, each with the length over which it holds.

    Parameters
    ----------
    text
        Such as ``20 % over 30 m``; several are separated by commas. Where no length is named, the
        shortest of ``[terrain] grade_lengths`` is meant.

    Returns
    -------
    grades
        Grade as a fraction of 1 and ``share``, by length in metres as text, empty where none is
        named.

    Examples
    --------
    >>> stated_grades("30 % over 10 m, 20 % over 30 m")
    {'10.0': (0.3, 'share'), '30.0': (0.2, 'share')}
    """
    grades: dict[str, tuple[float, str]] = {}
    for part in text.split(","):
        found = _GRADE.fullmatch(part.strip())
        if found is None:
            msg = f"{text!r} is no grade; expected one such as '20 % over 30 m'"
            raise UnitError(msg)
        length = "" if found["length"] is None else str(to_si(found["length"], LENGTH_M))
        if length in grades or (length and float(length) <= 0):
            msg = f"{text!r}: each grade needs a length of its own, above 0"
            raise UnitError(msg)
        grades[length] = (share(found["grade"]), "share")
    return grades
