"""Limits that only the unconfirmed trees would break."""

import re
from collections.abc import Mapping

import numpy as np
import pandas as pd

from glademark.judge.limits import as_checks, texts
from glademark.wording import counted

_OPENINGS = ("openings", "combined_openings")
_KEY = ["limit", "layer", "feature", "subject"]


def near_with_unconfirmed(
    checks: pd.DataFrame, second: pd.DataFrame, *, same: Mapping[int, int], trees: int
) -> pd.DataFrame:
    """
    Checks in which a limit that only the unconfirmed trees break is near it, and says so.

    `second` are the checks of the layout in which they are cut, `same` the number that each of its
    openings has in the layout; what only that layout has comes last, without a measured value. A
    limit that they would keep stays exceeded, and says so too.
    """
    second = second[second["verdict"].isin(["exceeded", "near", "met"])]
    second = _renumbered(second, same)
    second = second.assign(reason=_reasons(second, trees)).drop_duplicates(_KEY)
    broken = second[second["verdict"] == "exceeded"]
    keys = pd.MultiIndex.from_frame(checks[_KEY])
    row = pd.MultiIndex.from_frame(second[_KEY]).get_indexer(keys)
    why = np.append(second["reason"].to_numpy(dtype=object), "")[row]
    breaks = np.append((second["verdict"] == "exceeded").to_numpy(), False)[row]
    verdict = checks["verdict"]
    inside = verdict.isin(["met", "near"]).to_numpy() & (row >= 0) & breaks
    kept = (verdict == "exceeded").to_numpy() & (row >= 0) & ~breaks
    before = checks["reason"].fillna("").to_numpy(dtype=object)
    both = [f"{one}; {two}" if one else two for one, two in zip(before, why, strict=True)]
    marked = checks.assign(
        verdict=verdict.mask(inside, "near"),
        reason=checks["reason"].mask(inside | kept, pd.Series(both, index=checks.index)),
    )
    new = broken[~pd.MultiIndex.from_frame(broken[_KEY]).isin(keys)]
    if new.empty:
        return marked
    new = new.assign(verdict="near", measured=np.nan, margin=np.nan)
    return as_checks(pd.concat([marked, new], ignore_index=True))


def _renumbered(rows: pd.DataFrame, same: Mapping[int, int]) -> pd.DataFrame:
    """Rows on openings under their numbers in the layout; those it does not have say so."""
    of_openings = rows["layer"].isin(_OPENINGS).to_numpy()
    feature, subject = [], []
    for name, text, is_opening in zip(rows["feature"], rows["subject"], of_openings, strict=True):
        known = _known_as(str(name), same) if is_opening else str(name)
        feature.append(known)
        subject.append(str(text).replace(str(name), known) if is_opening else text)
    return rows.assign(feature=feature, subject=subject)


def _known_as(name: str, same: Mapping[int, int]) -> str:
    """Numbers of openings as the layout has them."""
    if not re.fullmatch(r"\d+(, \d+)*", name):
        return name
    numbers = [int(number) for number in name.split(", ")]
    if not all(number in same for number in numbers):
        return "of unconfirmed trees"
    return ", ".join(str(number) for number in sorted({same[number] for number in numbers}))


def _reasons(rows: pd.DataFrame, trees: int) -> list[str]:
    """What the unconfirmed trees would do, as a share of the limit."""
    share = rows["measured"] / rows["limit_value"].where(rows["limit_value"] != 0)
    number = f"{trees:,} unconfirmed trees are" if trees > 1 else "unconfirmed tree is"
    return [
        f"{'exceeded' if verdict == 'exceeded' else 'met'} if the {number} cut"
        + ("" if np.isnan(part) else f": {part:.1%} of the limit".replace("%", " %"))
        for verdict, part in zip(rows["verdict"], share.astype(float), strict=True)
    ]


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
