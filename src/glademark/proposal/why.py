"""Why a group is proposed where it is, in one sentence."""

from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from glademark.units import ACRE_M2, FOOT_M
from glademark.wording import counted

if TYPE_CHECKING:
    from glademark.proposal.prepare import Prepared

NAMED = 3
"""Danger trees named in a sentence."""

SMALL_ACRES = 0.1
"""Groups below this size have a third decimal."""


def why_sentences(
    prepared: "Prepared", groups: gpd.GeoDataFrame, trees: gpd.GeoDataFrame
) -> list[str]:
    """One sentence a group: what fails in it, what it costs, and what is near."""
    near = _danger_trees(prepared, groups, trees)
    metric = prepared.project.heading.units == "metric"
    sentences = []
    for row, danger in zip(groups.to_dict("records"), near, strict=True):
        share = _share(row["failing_basal_area_m2"], row["basal_area_m2"])
        acres = row["area_m2"] / ACRE_M2
        digits = 2 if acres >= SMALL_ACRES else 3
        area = f"{row['area_m2']:,.0f} m²" if metric else f"{acres:.{digits}f} acre"
        failing = counted(int(row["failing_trees"]), "failing tree")
        parts = [f"{failing} of {int(row['trees'])}{share} on {area}"]
        if row["score_regeneration"] > 0:
            parts.append("regeneration is released")
        if np.isfinite(row["corridor_m"]):
            parts.append(_corridor(row["corridor_m"], metric=metric))
        if danger:
            parts.append(f"danger tree {danger} is within two tree heights")
        sentences.append("; ".join(parts) + ".")
    return sentences


def _share(part: float, whole: float) -> str:
    """Share of the basal area in words; nothing where it is not known."""
    return f" ({part / whole:.0%} of the basal area)" if whole > 0 else ""


def _corridor(away_m: float, *, metric: bool) -> str:
    """How far a corridor is."""
    if away_m <= 0:
        return "a corridor meets it"
    return (
        f"a corridor is {away_m:.0f} m away"
        if metric
        else (f"a corridor is {away_m / FOOT_M:.0f} ft away")
    )


def _danger_trees(
    prepared: "Prepared", groups: gpd.GeoDataFrame, trees: gpd.GeoDataFrame
) -> list[str]:
    """Danger trees within two tree heights of each group; all heights known, else none is named."""
    marks = prepared.survey.marks
    danger = marks[marks["kind"] == "danger"]
    names = [""] * len(groups)
    if danger.empty:
        return names
    heights = pd.concat([trees["height_m"], danger["height_m"]]).astype(float)
    reach = 2 * float(heights.max()) if heights.notna().any() else 2 * UNKNOWN_HEIGHT_M
    tree = shapely.STRtree(danger.geometry.to_numpy())
    group, found = tree.query(groups.geometry.to_numpy(), predicate="dwithin", distance=reach)
    labels = danger["label"].to_numpy(dtype=object)
    for place in np.unique(group):  # few groups have one
        mine = labels[np.sort(found[group == place])]
        more = f" and {len(mine) - NAMED} more" if len(mine) > NAMED else ""
        names[place] = ", ".join(map(str, mine[:NAMED])) + more
    return names


UNKNOWN_HEIGHT_M = 30.0
"""Tree height taken where none is known: a tall tree, so that no danger tree is passed over [m]."""
