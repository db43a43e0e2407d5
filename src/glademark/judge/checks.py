"""The whole judging step: every limit asked for, and the rules that are always checked."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from glademark.contracts.result_tables import CHECKS
from glademark.judge.chance_rows import with_chances
from glademark.judge.limits import SI_UNIT, Case, LimitAsked, as_checks, not_checked, texts
from glademark.judge.no_cut_areas import exclusion_checks, setback_checks
from glademark.judge.terrain import crossing_checks
from glademark.judge.trees_kept import crop_tree_marked, retention_tree_marked


def judge(case: Case, asked: Sequence[LimitAsked]) -> pd.DataFrame:
    """Every limit held against the layout."""
    always = (
        _Found(rows=exclusion_checks(case), limit="exclusion"),
        _Found(rows=setback_checks(case), limit="setback"),
        _Found(rows=crossing_checks(case), limit="water_crossing"),
        _Found(rows=crop_tree_marked(case), limit="crop_tree_marked"),
        _Found(rows=retention_tree_marked(case), limit="retention_tree_marked"),
    )
    found = _together([*(_asked(case, limit) for limit in asked), *always])
    return found if case.uncertainty is None else as_checks(with_chances(found, case))


def judge_asked(case: Case, asked: Sequence[LimitAsked]) -> pd.DataFrame:
    """The limits of the project file alone, held against a layout."""
    return _together([_asked(case, limit) for limit in asked])


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Found:
    """Rows of one limit; authority and source are NaN where it is not of the project file."""

    rows: pd.DataFrame
    limit: str
    authority: str | float = np.nan
    source: str | float = np.nan


def _together(found: Sequence[_Found]) -> pd.DataFrame:
    """Checks of all limits that have rows, each with its limit, authority and source."""
    some = [one for one in found if len(one.rows)]
    if not some:
        return as_checks(pd.DataFrame(columns=list(CHECKS.names)))
    rows = pd.concat([one.rows for one in some], ignore_index=True)
    columns = {str(name): values.array for name, values in rows.items()}
    stated = ("limit", "authority", "source")
    columns |= {name: _column(some, [getattr(one, name) for one in some]) for name in stated}
    unknown = np.full(len(rows), np.nan)
    return pd.DataFrame(
        {name: columns.get(name, unknown) for name in CHECKS.names}, index=rows.index
    )


def _column(found: Sequence[_Found], values: Sequence[str | float]) -> Any:  # noqa: ANN401
    """What holds for each limit, for every row of it."""
    every = [value for one, value in zip(found, values, strict=True) for _ in range(len(one.rows))]
    return texts(every) if any(isinstance(value, str) for value in values) else every


def _asked(case: Case, asked: LimitAsked) -> _Found:
    """Rows of one limit of the project file."""
    limit = asked.limit
    rows = limit.judge(case, asked.value)
    if rows.empty:
        rows = not_checked(
            reason="nothing to check: the layout has none",
            limit=asked.value,
            unit=SI_UNIT.get(limit.kind, ""),
            subject=limit.title,
        )
    return _Found(rows=rows, limit=limit.id, authority=asked.authority, source=asked.source)
