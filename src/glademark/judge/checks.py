"""The whole judging step: every limit asked for, and the rules that are always checked."""

from collections.abc import Sequence

import pandas as pd

from glademark.judge.chances import with_chances
from glademark.judge.ground import keep_out_checks, setback_checks
from glademark.judge.limits import SI_UNIT, Case, LimitAsked, as_checks, not_checked
from glademark.judge.terrain import crossing_checks
from glademark.layers import CHECKS


def judge(case: Case, asked: Sequence[LimitAsked]) -> pd.DataFrame:
    """
    Every limit held against the layout.

    Parameters
    ----------
    case
        What was asked, brought home and measured.
    asked
        Limits of the project file.

    Returns
    -------
    checks
        Columns of `glademark.layers.CHECKS`, one row a thing checked: limits in the order of the
        project file, then keep-outs, setbacks and crossings. A limit with nothing to check has one
        row that says so.
    """
    rows = [_asked(case, limit) for limit in asked]
    always = [keep_out_checks(case), setback_checks(case), crossing_checks(case)]
    return as_checks(with_chances(pd.concat([*rows, *always]), case))


def judge_asked(case: Case, asked: Sequence[LimitAsked]) -> pd.DataFrame:
    """
    The limits of the project file alone, held against a layout.

    Parameters
    ----------
    case
        What was asked, brought home and measured.
    asked
        Some limits of the project file.

    Returns
    -------
    checks
        Columns of `glademark.layers.CHECKS`; no row without limits.
    """
    rows = [_asked(case, limit) for limit in asked]
    none = pd.DataFrame(columns=list(CHECKS.names))
    return as_checks(pd.concat(rows)) if rows else none


def _asked(case: Case, asked: LimitAsked) -> pd.DataFrame:
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
    return rows.assign(limit=limit.id, authority=asked.authority, source=asked.source)
