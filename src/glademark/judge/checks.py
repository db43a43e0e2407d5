"""The whole judging step: every limit asked for, and exclusions and setbacks, always checked."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from glademark.contracts.result_tables import CHECKS
from glademark.judge.limits import (
    NO_ROWS,
    SI_UNIT,
    Case,
    LimitAsked,
    as_checks,
    not_checked,
    rows_of,
    texts,
    verdicts,
)
from glademark.judge.standing import crop_tree_marked, retention_tree_marked, setback_residuals
from glademark.judge.terrain import crossing_checks
from glademark.judge.uncertain_verdicts import with_chances
from glademark.measure.figures import area_names


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


SLIVER_M2 = 0.01
"""Overlaps up to this size come from edges that were drawn alike [m2]."""


def exclusion_checks(case: Case) -> pd.DataFrame:
    """Corridors, openings and cut trees in each exclusion."""
    layout = case.layout
    areas = layout.exclusions
    if areas.empty:
        return NO_ROWS
    rows = [
        _area_inside(areas, layout.corridors, "exclusions", "corridor area in exclusion {}"),
        _area_inside(areas, layout.openings, "exclusions", "opening area in exclusion {}"),
        _trees_inside(case, areas, "exclusions", "cut trees in exclusion {}"),
    ]
    return pd.concat(rows)


def setback_checks(case: Case) -> pd.DataFrame:
    """Each setback against its rule."""
    layout = case.layout
    if layout.setbacks.empty:
        return NO_ROWS
    by_rule = {rule: layout.setbacks[layout.setbacks["rule"] == rule] for rule in _RULES}
    no_machine = by_rule["no_machine"]
    rows = [
        _trees_inside(case, by_rule["no_cut"], "setbacks", "cut trees in no-cut setback {}"),
        _area_inside(
            no_machine, layout.corridors, "setbacks", "corridor area in no-machine setback {}"
        ),
        setback_residuals(case),
    ]
    if len(layout.landings):
        subject = "landing area in no-machine setback {}"
        rows.append(_area_inside(no_machine, layout.landings, "setbacks", subject))
    some = [one for one in rows if len(one)]
    return pd.concat(some) if some else NO_ROWS


_RULES = ("no_cut", "no_machine")


def _area_inside(
    areas: gpd.GeoDataFrame, taken: gpd.GeoDataFrame, layer: str, subject: str
) -> pd.DataFrame:
    """How much of each area is taken; anything is too much."""
    if areas.empty:
        return NO_ROWS
    union = shapely.union_all(taken.geometry.to_numpy())
    inside = shapely.area(shapely.intersection(areas.geometry.to_numpy(), union))
    inside = np.where(inside > SLIVER_M2, inside, 0.0)
    rows = rows_of(layer, area_names(areas), inside, subject=subject)
    return _nothing_allowed(rows, unit="m2")


def _trees_inside(case: Case, areas: gpd.GeoDataFrame, layer: str, subject: str) -> pd.DataFrame:
    """Cut trees inside each area; near where one outside is within its position error."""
    if areas.empty:
        return NO_ROWS
    marks = case.layout.marks
    cut = marks["kind"].isin(case.cut_kinds).to_numpy()
    geometry, points = areas.geometry.to_numpy(), marks.geometry.to_numpy()[cut]
    tree = shapely.STRtree(points)
    area, mark = tree.query(geometry, predicate="intersects")
    count = marks["count"].to_numpy(dtype=float)[cut]
    inside = np.bincount(area, weights=count[mark], minlength=len(areas))
    rows = _nothing_allowed(
        rows_of(layer, area_names(areas), inside, subject=subject), unit="trees"
    )
    reach = marks["position_error_m"].to_numpy(dtype=float)[cut]
    widest = float(reach.max()) if len(reach) else 0.0
    area, mark = tree.query(geometry, predicate="dwithin", distance=widest)
    away = shapely.distance(geometry[area], points[mark])
    close = (away > 0) & (away <= reach[mark])
    beside = np.bincount(area[close], weights=count[mark[close]], minlength=len(areas))
    near = (rows["verdict"].to_numpy(dtype=object) == "met") & (beside > 0)
    why = [f"{trees:.0f} cut trees within the position error" for trees in beside]
    return rows.assign(
        verdict=np.where(near, "near", rows["verdict"]), reason=np.where(near, why, rows["reason"])
    )


def _nothing_allowed(rows: pd.DataFrame, *, unit: str) -> pd.DataFrame:
    """Rows whose limit is nothing at all."""
    return verdicts(rows, limit=0.0, sense="max", unit=unit, near=-1.0)
