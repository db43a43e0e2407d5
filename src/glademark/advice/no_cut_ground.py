"""Trees marked where nothing is cut: they are spared before anything else, whatever the groups."""

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from glademark.judge.limits import Case
from glademark.measure.figures import area_names

BoolArray = npt.NDArray[np.bool_]

GROUND_RULES = ("exclusion", "setback")
"""Limits on ground where something must not be done."""

NEVER_SPARED = ("corridor", "landing")
"""Zones in which every marked tree has to go."""


def may_be_spared(case: Case) -> BoolArray:
    """Cut marks that do not have to go: not of corridors and landings, not said to go."""
    marks = case.layout.marks
    may = marks["kind"].isin(case.cut_kinds) & ~marks["zone"].isin(NEVER_SPARED)
    if "must_go" in marks:
        may &= ~marks["must_go"].astype(bool)
    return may.to_numpy(dtype=bool)


def cut_inside(case: Case, row: Mapping[str, object] | pd.Series) -> BoolArray:
    """Cut marks in the exclusion or setback that a check speaks of."""
    layout = case.layout
    areas = layout.exclusions if row["limit"] == "exclusion" else layout.setbacks
    area = areas.geometry.to_numpy()[np.array(area_names(areas)) == row["feature"]]
    inside = np.zeros(len(layout.marks), dtype=bool)
    mark = shapely.STRtree(layout.marks.geometry.to_numpy()).query(area, predicate="intersects")[1]
    inside[mark] = True
    return inside & layout.marks["kind"].isin(case.cut_kinds).to_numpy(dtype=bool)


def spared_first(case: Case, checks: pd.DataFrame) -> Mapping[int, str]:
    """Marks that may be spared in ground where nothing is cut, and the ground of each."""
    rows = checks[
        (checks["verdict"] == "exceeded")
        & checks["limit"].isin(GROUND_RULES)
        & (checks["unit"] == "trees")
    ]
    may, ground = may_be_spared(case), dict[int, list[str]]()
    for row in rows.to_dict("records"):
        for tree in np.flatnonzero(
            cut_inside(case, {str(name): value for name, value in row.items()}) & may
        ).tolist():
            ground.setdefault(tree, []).append(f"{row['limit']} {row['feature']}")
    return {tree: "; ".join(dict.fromkeys(names)) for tree, names in sorted(ground.items())}
