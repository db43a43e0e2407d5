"""Limits of openings: size, width in heights of trees around, spacing, share, distances."""

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from glademark.judge.limits import (
    ROUNDING,
    Case,
    Limit,
    Sense,
    Value,
    columns_of,
    not_checked,
    number,
    texts,
    verdicts,
)
from glademark.measure.groups import crosses_itself
from glademark.measure.openings import spacing_pairs

NO_WATER = "no water is given; add it under [inputs] water"


def _area_max(case: Case, value: Value) -> pd.DataFrame:
    """Each opening, or each combined opening where the project measures those."""
    if case.project.openings.measure == "combined":
        return _combined_area_max(case, value)
    return _by_opening(case, value, "area_m2", "max", "m2", "area of opening {}")


def _area_min(case: Case, value: Value) -> pd.DataFrame:
    """Each opening."""
    return _by_opening(case, value, "area_m2", "min", "m2", "area of opening {}")


def _combined_area_max(case: Case, value: Value) -> pd.DataFrame:
    """Each combined opening, single ones included."""
    combined = case.layout.combined_openings
    rows = columns_of(
        "combined_openings",
        combined["openings"],
        combined["area_m2"],
        subject="combined area of opening {}",
    )
    judged = verdicts(rows, limit=number(value), sense="max", unit="m2")
    return _why_unknown(judged, _reasons(combined))


def _spacing_min(case: Case, value: Value) -> pd.DataFrame:
    """Each pair that is too close or near it, and the nearest pair of every opening."""
    limit, openings = number(value), case.layout.openings
    error = _position_error(case)
    close = spacing_pairs(openings, within_m=limit + float(error.max()) if len(error) else limit)
    nearest = openings.dropna(subset=["nearest"])
    ends = np.sort(nearest[["opening", "nearest"]].astype(int).to_numpy(), axis=1)
    pairs = pd.DataFrame(
        {"first": ends[:, 0], "second": ends[:, 1], "spacing_m": nearest["spacing_m"].to_numpy()}
    )
    first, second = (close[end].map(error).to_numpy(dtype=float) for end in ("first", "second"))
    close = close[close["spacing_m"] <= limit + np.maximum(first, second)]
    pairs = pd.concat([close, pairs]).drop_duplicates(["first", "second"])
    pairs = pairs.sort_values(["first", "second"])
    names = pairs["first"].astype(str) + ", " + pairs["second"].astype(str)
    why = pd.Series(_reasons(openings), index=openings["opening"].astype(int), dtype=object)
    one, two = (pairs[end].map(why) for end in ("first", "second"))
    rows = columns_of(
        "openings",
        names,
        pairs["spacing_m"].mask(((one != "") | (two != "")).to_numpy()),
        subject="edge to edge of openings {}",
    )
    near = np.maximum(*(pairs[end].map(error).to_numpy(dtype=float) for end in ("first", "second")))
    judged = verdicts(rows, limit=limit, sense="min", unit="m", near=near)
    return _why_unknown(judged, one.where(one != "", two).to_numpy(dtype=object))


def _position_error(case: Case) -> pd.Series:
    """Largest position error of the marks of each opening, the project's where it has none [m]."""
    marks = case.layout.marks
    mine = marks[marks["opening"].notna().to_numpy()]
    largest = mine["position_error_m"].groupby(mine["opening"].astype(int)).max()
    openings = case.layout.openings["opening"].astype(int)
    return largest.reindex(openings).fillna(case.project.marks.position_error_m)


def _reasons(openings: pd.DataFrame) -> npt.NDArray[np.object_]:
    """Why the size of each opening is not known; empty where it is."""
    why = np.full(len(openings), "", dtype=object)
    if "no_area" in openings:
        why = openings["no_area"].to_numpy(dtype=object)
    if "crosses_at" in openings:
        place = openings["crosses_at"].to_numpy(dtype=object)
        crossing = [f"{crosses_itself(at)}: put its points in order" for at in place]
        why = np.where(place != "", np.array(crossing, dtype=object), why)
    return why


def _why_unknown(rows: pd.DataFrame, why: npt.NDArray[np.object_]) -> pd.DataFrame:
    """Rows with the reason why a size is not known where that leaves them unchecked."""
    lost = why != ""
    if lost.any():
        lost = lost & (rows["verdict"] == "not_checked").to_numpy()
    if not lost.any():
        return rows
    told = pd.Series(texts(why.tolist()), index=rows.index)
    return rows.assign(reason=rows["reason"].mask(lost, told))


def _share_max(case: Case, value: Value) -> pd.DataFrame:
    """All openings together; where some area is not known, the others may pass the limit alone."""
    limit, share = number(value), case.layout.figures.openings.share
    area = case.layout.openings["area_m2"]
    subject = "share of the stand in openings"
    known = float(area.sum()) / case.layout.figures.stand.area_m2
    least = np.isnan(share) and known > limit
    rows = columns_of("openings", ["all"], [known if least else share], subject=subject)
    checked = verdicts(rows, limit=limit, sense="max", unit="share")
    if not np.isnan(share):
        return checked
    reason = f"at least: the area of {area.isna().sum()} of {len(area)} openings is not known"
    return checked.assign(reason=reason.removeprefix("" if least else "at least: "))


def _boundary_min(case: Case, value: Value) -> pd.DataFrame:
    """Each opening from the stand boundary."""
    return _distance(case, value, "boundary_m", "opening {} to the stand boundary")


def _water_min(case: Case, value: Value) -> pd.DataFrame:
    """Each opening from the nearest bank."""
    subject = "opening {} to the nearest bank"
    if case.layout.water.empty:
        subject = "openings to the nearest bank"
        return not_checked(reason=NO_WATER, limit=number(value), unit="m", subject=subject)
    return _distance(case, value, "water_m", subject)


def _by_opening(
    case: Case, value: Value, column: str, sense: Sense, unit: str, subject: str
) -> pd.DataFrame:
    """One row an opening."""
    openings = case.layout.openings
    rows = columns_of("openings", openings["opening"], openings[column], subject=subject)
    judged = verdicts(rows, limit=number(value), sense=sense, unit=unit)
    if case.project.openings.edge is None:
        judged = _other_edge(judged, openings, sense)
    return _why_unknown(judged, _reasons(openings))


def _other_edge(rows: pd.DataFrame, openings: pd.DataFrame, sense: Sense) -> pd.DataFrame:
    """Areas inside a limit that another edge would exceed are near it: the plan may mean that."""
    edge = "boles" if sense == "max" else "marked_crowns"
    if rows.empty or (column := f"area_{edge}_m2") not in openings:
        return rows
    limit, other = rows["limit_value"].to_numpy(dtype=float), openings[column].to_numpy(dtype=float)
    beyond = other > limit * (1 + ROUNDING) if sense == "max" else other < limit * (1 - ROUNDING)
    turned = rows["verdict"].isin(["met", "near"]).to_numpy() & beyond
    if not turned.any():
        return rows
    why = f'beyond it with [openings] edge = "{edge}"'
    return rows.assign(
        verdict=rows["verdict"].mask(turned, "near"), reason=rows["reason"].mask(turned, why)
    )


def _distance(case: Case, value: Value, column: str, subject: str) -> pd.DataFrame:
    """One row an opening, near within the position error of its marks."""
    openings = case.layout.openings
    why = _reasons(openings)
    measured = openings[column].mask(why != "")
    rows = columns_of("openings", openings["opening"], measured, subject=subject)
    near = _position_error(case).to_numpy(dtype=float)
    judged = verdicts(rows, limit=number(value), sense="min", unit="m", near=near)
    return _why_unknown(judged, why)


AREA_MAX = Limit(
    id="opening_area_max", title="largest area of an opening", kind="area", judge=_area_max
)
AREA_MIN = Limit(
    id="opening_area_min", title="least area of an opening", kind="area", judge=_area_min
)
COMBINED_AREA_MAX = Limit(
    id="combined_area_max", title="largest combined area", kind="area", judge=_combined_area_max
)
SPACING_MIN = Limit(
    id="opening_spacing_min",
    title="least distance between openings",
    kind="length",
    judge=_spacing_min,
)
SHARE_MAX = Limit(
    id="openings_share_max",
    title="largest share of the stand in openings",
    kind="share",
    judge=_share_max,
)
BOUNDARY_MIN = Limit(
    id="boundary_distance_min",
    title="least distance of an opening to the boundary",
    kind="length",
    judge=_boundary_min,
)
WATER_MIN = Limit(
    id="water_distance_min",
    title="least distance of an opening to water",
    kind="length",
    judge=_water_min,
)


AROUND_M = 30.0
"""Leave trees this near to an opening stand around it, about as far as they are high [m]."""

UNIT = "tree heights"
NO_HEIGHT = "no height is known, neither of leave trees around it nor of its marks"


def _width_max(case: Case, value: Value) -> pd.DataFrame:
    """No opening wider than so many heights."""
    return _width(case, value, "max")


def _width_min(case: Case, value: Value) -> pd.DataFrame:
    """No opening narrower than so many heights."""
    return _width(case, value, "min")


def _width(case: Case, value: Value, sense: Sense) -> pd.DataFrame:
    """Width of each opening over the median height of the trees around it, else of its marks."""
    openings, heights = case.layout.openings, median_heights(case)
    width = openings["width_m"].to_numpy(dtype=float) / heights["height_m"].to_numpy()
    rows = columns_of("openings", openings["opening"], width, subject="width of opening {}")
    judged = verdicts(rows, limit=number(value), sense=sense, unit=UNIT)
    why = np.where(np.isnan(width), NO_HEIGHT, heights["words"].to_numpy(dtype=object))
    return judged.assign(reason=texts(why.tolist()))


def median_heights(case: Case) -> pd.DataFrame:
    """Median height for each opening, and of which trees it is; NaN where none is known."""
    marks = case.layout.marks
    known = marks[(marks["height_m"] > 0).to_numpy()]
    standing = known[(known["kind"] == "leave").to_numpy()]
    cut = known[known["kind"].isin(case.cut_kinds).to_numpy()]
    shapes = case.layout.openings.geometry.to_numpy()
    near = shapely.STRtree(standing.geometry.to_numpy()).query(
        shapes, predicate="dwithin", distance=AROUND_M
    )
    around = _medians(standing, near[1], near[0], len(shapes))
    place = pd.Series(np.arange(len(shapes)), index=case.layout.openings["opening"].astype(int))
    own = cut["opening"].map(place)
    mine = np.flatnonzero(own.notna().to_numpy())
    members = _medians(cut, mine, own.to_numpy(dtype=float)[mine].astype(int), len(shapes))
    taken = np.where(np.isnan(around), members, around)
    words = np.where(
        np.isnan(around), "heights are those of its marks", "heights are those of leave trees near"
    )
    return pd.DataFrame({"height_m": taken, "words": words})


def _medians(
    trees: pd.DataFrame, rows: npt.NDArray[np.intp], owner: npt.NDArray[np.intp], count: int
) -> npt.NDArray[np.float64]:
    """Median height of the trees of each owner 0..count-1, a record of several as so many."""
    several = trees["count"].to_numpy()[rows].astype(int)
    height = np.repeat(trees["height_m"].to_numpy(dtype=float)[rows], several)
    median = pd.Series(height).groupby(np.repeat(owner, several)).median()
    return median.reindex(np.arange(count)).to_numpy(dtype=float)


WIDTH_MAX = Limit(
    id="opening_width_heights_max",
    title="largest width of an opening, in tree heights",
    kind="heights",
    judge=_width_max,
)
WIDTH_MIN = Limit(
    id="opening_width_heights_min",
    title="least width of an opening, in tree heights",
    kind="heights",
    judge=_width_min,
)
