"""Limits over sums that leave out trees: what can be said of them, and when nothing can."""

import numpy as np
import pandas as pd

from glademark.judge.limits import texts
from glademark.wording import counted


def between(known: pd.DataFrame, at_most: pd.DataFrame, *, why: str) -> pd.DataFrame:
    """
    One verdict on a sum that leaves out trees, from those on both of its ends.

    `known` holds what is summed, `at_most` the same with the largest recorded value for each tree
    that has none. A verdict stands where both are beyond the limit or both inside it (near where
    one is near); anything else is not checked. `why` says what is left out.
    """
    ends = np.array([known["verdict"].tolist(), at_most["verdict"].tolist()], dtype=object)
    inside, near = np.isin(ends, ("met", "near")).all(axis=0), (ends == "near").any(axis=0)
    verdict = np.select(
        [(ends == "exceeded").all(axis=0), inside & near, inside],
        ["exceeded", "near", "met"],
        "not_checked",
    )
    close = np.where(ends[0] == "near", known["reason"], at_most["reason"])
    reason = np.where(verdict == "near", close + "; " + why, why)
    return known.assign(verdict=texts(verdict.tolist()), reason=texts(reason.tolist()))


def why_incomplete(trees_without: int, *, lacking: str, end: str = "at least") -> str:
    """Reason that a sum leaves out trees."""
    verb = "is" if trees_without == 1 else "are"
    return f"{end}: {counted(trees_without, 'tree')} without a {lacking} {verb} not in it"
