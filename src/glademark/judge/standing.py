"""Limits on what is taken of the standing stock, and on what stays."""

from functools import partial

import pandas as pd

from glademark.judge.limits import SI_UNIT, Case, Kind, Limit, Value, not_checked


def _without_stock(case: Case, value: Value, *, kind: Kind, title: str) -> pd.DataFrame:
    """One row: not checked, because the standing stock is not known."""
    given = case.survey.cruise is not None or bool(case.project.allowance.standing)
    reason = (
        "this version does not yet estimate the standing stock"
        if given
        else "the standing stock is not known; give [inputs] cruise or [allowance] standing"
    )
    return not_checked(reason=reason, limit=value, unit=SI_UNIT[kind], subject=title)


def _limit(name: str, title: str, kind: Kind) -> Limit:
    """A limit on the standing stock."""
    return Limit(
        id=name, title=title, kind=kind, judge=partial(_without_stock, kind=kind, title=title)
    )


REMOVAL_SHARE_MAX = _limit(
    "removal_share_max", "largest share of the standing volume removed", "share"
)
REMOVAL_BASAL_AREA_SHARE_MAX = _limit(
    "removal_basal_area_share_max", "largest share of the standing basal area removed", "share"
)
RESIDUAL_BASAL_AREA_MIN = _limit("residual_basal_area_min", "least basal area left", "basal_area")
