"""Limits of the width of openings in heights of the trees around them."""

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from glademark.judge.limits import Case, Limit, Sense, Value, columns_of, number, texts, verdicts

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
