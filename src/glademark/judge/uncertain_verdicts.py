"""Uncertainty beside figures, and limits that only the unconfirmed trees would break."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from glademark.contracts.layout import ZONE_NAMES, Layout
from glademark.errors import counted
from glademark.judge.limits import as_checks, texts
from glademark.measure.tables import declared

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    import geopandas as gpd

    from glademark.judge.limits import Case
    from glademark.uncertainty.measure import Key, Uncertainty

MOST_RANKED = 20
"""Marks that are ranked for being measured again."""

LEAST_SETTLED = 0.005
"""Marks that settle less than this, of a most of 0.25 a limit, are not ranked."""

NAMED = 5
"""Marks named in the summary."""


def with_uncertainty(
    layout: Layout, uncertainty: Uncertainty | None, checks: pd.DataFrame
) -> Layout:
    """The layout with intervals, chances and ranks as columns of its layers."""
    if uncertainty is None:
        return layout
    return replace(
        layout,
        openings=declared(_openings(layout, uncertainty), "openings"),
        combined_openings=declared(_combined(layout, uncertainty), "combined_openings"),
        zones=declared(_zones(layout, uncertainty), "zones"),
        marks=_marks(layout, uncertainty, checks),
    )


def _ends(
    uncertainty: Uncertainty, quantity: str, features: pd.Series, column: str
) -> dict[str, list[float]]:
    """Low and high column of one quantity."""
    ends = [uncertainty.interval(quantity, str(feature)) for feature in features]
    before, _, unit = column.rpartition("_")
    return {
        f"{before}_low_{unit}": [low for low, _ in ends],
        f"{before}_high_{unit}": [high for _, high in ends],
    }


def _openings(layout: Layout, uncertainty: Uncertainty) -> gpd.GeoDataFrame:
    """Openings with the intervals of their size and distances."""
    rows = layout.openings
    pair = np.sort(rows[["opening", "nearest"]].astype("Int64").fillna(-1).astype(int), axis=1)
    pairs = pd.Series([f"{a}, {b}" for a, b in pair], index=rows.index, dtype=object)
    names = rows["opening"].astype(str)
    return rows.assign(
        **_ends(uncertainty, "opening_area", names, "area_m2"),
        **_ends(uncertainty, "spacing", pairs, "spacing_m"),
        **_ends(uncertainty, "boundary", names, "boundary_m"),
        **_ends(uncertainty, "water", names, "water_m"),
        no_interval=[uncertainty.reasons.get(("opening_area", name), "") for name in names],
    )


def _combined(layout: Layout, uncertainty: Uncertainty) -> gpd.GeoDataFrame:
    """Combined openings with the interval of their area."""
    rows = layout.combined_openings
    return rows.assign(
        **_ends(uncertainty, "combined_area", rows["openings"], "area_m2"),
        no_interval=[
            uncertainty.reasons.get(("combined_area", name), "") for name in rows["openings"]
        ],
    )


def _zones(layout: Layout, uncertainty: Uncertainty) -> gpd.GeoDataFrame:
    """Zones with the intervals of their located trees and volume."""
    rows = layout.zones
    trees = layout.marks["count"].to_numpy(dtype=float)
    volume = layout.marks["volume_m3"].to_numpy(dtype=float)
    found: dict[str, list[float]] = {
        name: [] for name in ("trees_low", "trees_high", "volume_low_m3", "volume_high_m3")
    }
    for zone, measured in zip(rows["zone"], rows["volume_m3"], strict=True):
        here = uncertainty.zones == ZONE_NAMES.index(zone)
        ends = [*uncertainty.ends(here @ trees), *uncertainty.ends(here @ np.nan_to_num(volume))]
        if np.isnan(measured):
            ends[2:] = [np.nan, np.nan]
        for name, end in zip(found, ends, strict=True):
            found[name].append(end)
    return rows.assign(**found)


def _marks(layout: Layout, uncertainty: Uncertainty, checks: pd.DataFrame) -> gpd.GeoDataFrame:
    """Marks with the chance of each zone and their rank for being measured again."""
    cut = (uncertainty.zones >= 0).all(axis=0)
    chances = {
        f"chance_{name}": np.where(cut, (uncertainty.zones == number).mean(axis=0), np.nan)
        for number, name in enumerate(ZONE_NAMES)
    }
    chance = checks["chance_exceeded"].to_numpy(dtype=float)
    open_still = [(key, float(chance[row])) for row, key in known_quantities(checks, uncertainty)]
    from glademark.uncertainty.measure import uncertainty_settled  # noqa: PLC0415 - only where asked

    settled = uncertainty_settled(uncertainty, open_still)
    order = np.argsort(-settled, kind="stable")[:MOST_RANKED]
    order = order[settled[order] >= LEAST_SETTLED]
    rank = pd.Series(pd.NA, index=layout.marks.index, dtype="Int64")
    rank.iloc[order] = np.arange(1, len(order) + 1)
    marks = layout.marks.assign(**chances, remeasure=rank, uncertainty_settled=settled)
    return declared(marks, "marks", others=marks.columns.drop("geometry"))


def uncertainty_figures(
    layout: Layout, uncertainty: Uncertainty | None, checks: pd.DataFrame
) -> Mapping[str, Any]:
    """The uncertainty as figures of the summary."""
    if uncertainty is None:
        return {}
    named = layout.marks[layout.marks["remeasure"].le(NAMED).fillna(value=False)]
    named = named.sort_values("remeasure")
    zones = layout.zones.set_index("zone")
    return {
        "draws": uncertainty.settings.draws,
        "interval": uncertainty.settings.interval,
        "corridor_share": list(uncertainty.interval("corridor_share", "all")),
        "openings_share": list(uncertainty.interval("openings_share", "all")),
        "opening_area_m2": _pairs(uncertainty, "opening_area"),
        "combined_area_m2": _pairs(uncertainty, "combined_area"),
        "spacing_m": _pairs(uncertainty, "spacing"),
        "boundary_m": _pairs(uncertainty, "boundary"),
        "water_m": _pairs(uncertainty, "water"),
        "zone_volume_m3": {
            zone: list(zones.loc[zone, ["volume_low_m3", "volume_high_m3"]].astype(float))
            for zone in zones.index
        },
        "limits_uncertain": int(checks["chance_exceeded"].between(0.01, 0.99).sum()),
        "no_interval": {f"{kind} {name}": why for (kind, name), why in uncertainty.reasons.items()},
        "remeasure": [
            {"tree": tree, "file": file, "opening": None if pd.isna(number) else int(number)}
            for tree, file, number in zip(
                named["label"], named["source_file"], named["opening"], strict=True
            )
        ],
    }


def _pairs(uncertainty: Uncertainty, quantity: str) -> dict[str, list[float]]:
    """Interval of each feature of a quantity."""
    return {
        name: list(uncertainty.interval(kind, name))
        for kind, name in uncertainty.draws
        if kind == quantity
    }


_QUANTITY = {
    ("opening_area_max", "openings", "m2"): "opening_area",
    ("opening_area_max", "combined_openings", "m2"): "combined_area",
    ("opening_area_min", "openings", "m2"): "opening_area",
    ("combined_area_max", "combined_openings", "m2"): "combined_area",
    ("opening_spacing_min", "openings", "m"): "spacing",
    ("openings_share_max", "openings", "share"): "openings_share",
    ("boundary_distance_min", "openings", "m"): "boundary",
    ("water_distance_min", "openings", "m"): "water",
    ("corridor_share_max", "corridors", "share"): "corridor_share",
    ("corridors_and_landings_share_max", "corridors, landings", "share"): "corridor_landing_share",
    ("exclusion", "exclusions", "trees"): "trees_in_exclusion",
    ("setback", "setbacks", "trees"): "trees_in_setbacks",
}
"""Quantity that is drawn for a limit, a layer and a unit."""

_INSIDE = "a cut tree inside"


def with_chances(checks: pd.DataFrame, case: Case) -> pd.DataFrame:
    """
    Checks with the chance that each limit is exceeded.

    Returns
    -------
    checks
        With `chance_exceeded`, NaN where it is not known. Inside the limit, a row with a chance is
        near from the project's setting up, else met; beyond it, it stays exceeded.
    """
    if case.uncertainty is None or checks.empty:
        return checks.assign(chance_exceeded=np.nan)
    uncertainty = case.uncertainty
    rows = checks.reset_index(drop=True)
    chance = np.full(len(rows), np.nan)
    limits = rows["limit_value"].to_numpy(dtype=float)
    least = rows["limit"].str.endswith("_min").to_numpy(dtype=bool)
    for row, key in known_quantities(rows, uncertainty):
        drawn = uncertainty.draws[key]
        beyond = drawn < limits[row] if least[row] else drawn > limits[row]
        chance[row] = beyond.mean()
    inside = np.isfinite(chance) & rows["verdict"].isin(["met", "near"]).to_numpy()
    near = np.where(chance >= uncertainty.settings.near_chance, "near", "met")
    verdict = rows["verdict"].mask(inside, pd.Series(near))
    words = [
        _words(value, limit=name) if np.isfinite(value) else reason
        for value, name, reason in zip(chance, rows["limit"], rows["reason"], strict=True)
    ]
    return rows.assign(verdict=verdict, reason=words, chance_exceeded=chance)


def known_quantities(checks: pd.DataFrame, uncertainty: Uncertainty) -> Iterator[tuple[int, Key]]:
    """Checks whose figure was drawn."""
    names = ["limit", "layer", "unit", "feature", "measured"]
    columns = zip(*(checks[name] for name in names), strict=True)
    for row, (limit, layer, unit, feature, measured) in enumerate(columns):
        key = (_QUANTITY.get((limit, layer, unit), ""), feature)
        if key in uncertainty.draws and np.isfinite(measured):
            yield row, key


def _words(chance: float, *, limit: str) -> str:
    """A chance in plain words."""
    over = _INSIDE if limit in {"exclusion", "setback"} else "over the limit"
    where = "under the limit" if limit.endswith("_min") else over
    of_hundred = round(100 * chance)
    if of_hundred == 0:
        return f"{where} in fewer than 1 of 100"
    if of_hundred == 100:  # noqa: PLR2004 - all of them
        return f"{where} in more than 99 of 100"
    return f"{where} in {of_hundred} of 100"


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
