"""Ground with a rule of its own: exclusions and setbacks, checked whenever they are given."""

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from glademark.judge.limits import Case, rows_of, verdicts
from glademark.judge.standing import setback_residuals
from glademark.measure.figures import area_names

SLIVER_M2 = 0.01
"""Overlaps up to this size come from edges that were drawn alike [m2]."""


def exclusion_checks(case: Case) -> pd.DataFrame:
    """Corridors, openings and cut trees in each exclusion."""
    layout = case.layout
    areas = layout.exclusions
    if areas.empty:
        return pd.DataFrame()
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
        return pd.DataFrame()
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
    return pd.concat(some) if some else pd.DataFrame()


_RULES = ("no_cut", "no_machine")


def _area_inside(
    areas: gpd.GeoDataFrame, taken: gpd.GeoDataFrame, layer: str, subject: str
) -> pd.DataFrame:
    """How much of each area is taken; anything is too much."""
    if areas.empty:
        return pd.DataFrame()
    union = shapely.union_all(taken.geometry.to_numpy())
    inside = shapely.area(shapely.intersection(areas.geometry.to_numpy(), union))
    inside = np.where(inside > SLIVER_M2, inside, 0.0)
    rows = rows_of(layer, area_names(areas), inside, subject=subject)
    return _nothing_allowed(rows, unit="m2")


def _trees_inside(case: Case, areas: gpd.GeoDataFrame, layer: str, subject: str) -> pd.DataFrame:
    """Cut trees inside each area; near where one outside is within its position error."""
    if areas.empty:
        return pd.DataFrame()
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
