"""Records that came twice: of one marker, with one number and one time."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from types import MappingProxyType
from typing import cast

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.spatial import cKDTree

from glademark.contracts.frames import STAND, FloatArray, IntArray
from glademark.errors import counted, listed
from glademark.intake.columns import meanings
from glademark.intake.columns.fields import is_known, recognise
from glademark.intake.record_log import Reading, RecordLog, split_by_stand
from glademark.project.model import Project
from glademark.units import INCH_CM, LENGTH_M

NEAR_M = 1.0
"""Marks this near to one another may be one tree [m]; a group of like trees looks just so."""

_KEY = (STAND, "marker", "tree_id")
_LIKE = (STAND, "kind", "dbh_cm", "species", "product", "paint")
_NOT_CONTENT = frozenset({"label", "source_file", "record", "inside", "geometry", "_file"})


def repeated(marks: gpd.GeoDataFrame) -> npt.NDArray[np.bool_]:
    """
    Marks that are a repeat of one that is kept, in their stand.

    A numbered record with a time repeats another with the same marker, number and time; one without
    a time repeats another that is equal in everything, position included. Of records that repeat
    each other, the one that comes first by its content is kept, so that the order of rows changes
    nothing.
    """
    numbered = (marks["tree_id"] != "").to_numpy()
    timed = (marks["time"] != "").to_numpy()
    result = np.zeros(len(marks), dtype=bool)
    key = [*_KEY, "time"]
    same = _shared(labels(marks[name] for name in key), numbered & timed)
    if len(same):
        order = pd.DataFrame(_content(marks.iloc[same])).set_axis(same)
        order = order.sort_values(list(order.columns), kind="stable")
        result[order.index] = order.duplicated(key).to_numpy()
    same = _shared(labels(marks[name] for name in _KEY), numbered & ~timed)
    if len(same):
        result[same] = pd.DataFrame(_content(marks.iloc[same])).duplicated().to_numpy()
    return result


def _content(marks: gpd.GeoDataFrame) -> dict[str, npt.ArrayLike]:
    """Columns in which records that are equal in everything are equal, position included."""
    names = [name for name in marks.columns if name not in {*_NOT_CONTENT, STAND}]
    x, y = marks.geometry.x.to_numpy(), marks.geometry.y.to_numpy()
    content: Mapping[str, npt.ArrayLike] = {name: marks[name].array for name in names}
    return {**content, "_x": x, "_y": y, STAND: marks[STAND].array}


def labels(columns: Iterable[pd.Series | npt.ArrayLike]) -> npt.NDArray[np.int64]:
    """
    A number for each different content of some columns, equal where all the columns are.

    Examples
    --------
    >>> labels([pd.Series(["x", "y", "x"]), pd.Series([1, 1, 1])]).tolist()
    [0, 1, 0]
    """
    found: npt.NDArray[np.int64] | None = None
    for column in columns:
        codes, different = pd.factorize(cast("pd.Series", column), use_na_sentinel=False)
        if found is None:
            found = codes.astype(np.int64)
        else:
            found = pd.factorize(found * (len(different) + 1) + codes)[0].astype(np.int64)
    return np.zeros(0, dtype=np.int64) if found is None else found


def _shared(label: npt.NDArray[np.int64], among: npt.NDArray[np.bool_]) -> npt.NDArray[np.intp]:
    """Positions of those that share their label with another of them."""
    rows = np.flatnonzero(among)
    return rows[np.bincount(label[rows])[label[rows]] > 1] if len(rows) else rows


def note_near_repeats(marks: gpd.GeoDataFrame, log: RecordLog) -> None:
    """Say so where numbers are used twice, or rows without a number are equal; all are kept."""
    numbered = (marks["tree_id"] != "").to_numpy()
    twice = _shared(labels(marks[name] for name in _KEY), numbered)
    stand = marks[STAND].to_numpy()
    for number, places in split_by_stand(stand, twice):
        names = listed(marks["tree_id"].iloc[places].unique())
        log.notice(
            f"{counted(len(places), 'mark')} with the number of another of the same marker, "
            f"but different from it, kept: {names}. Check that no tree was recorded twice.",
            stand=number,
        )
    if numbered.all():
        return
    equal = _shared(labels(_content(marks).values()), ~numbered)
    for number, places in split_by_stand(stand, equal):
        log.notice(
            f"{counted(len(places), 'mark')} without a number, equal to another in "
            "everything, kept as trees at one position.",
            stand=number,
        )


def note_near_and_alike(marks: gpd.GeoDataFrame, log: RecordLog) -> None:
    """Count marks that stand near another of their stand with equal data; all are kept."""
    is_tree = (
        marks["kind"].isin(["cut", "leave", "line_tree", "unconfirmed"]) & marks["dbh_cm"].notna()
    )
    trees = np.flatnonzero(is_tree)
    points = gpd.GeoSeries(marks.geometry.iloc[trees])
    xy = np.column_stack([points.x, points.y])
    near = near_and_alike(xy, labels(marks[name].iloc[trees] for name in _LIKE))
    for stand, places in split_by_stand(marks[STAND].to_numpy(), trees[near]):
        log.notice(
            f"{counted(len(places), 'mark')} within {NEAR_M:g} m of another with equal "
            "diameter, species, product and paint, all kept: trees of a group look just so. Check "
            "them only if a tree may have been recorded twice.",
            stand=stand,
        )


def near_and_alike(
    xy: npt.NDArray[np.float64], alike: npt.NDArray[np.int64]
) -> npt.NDArray[np.bool_]:
    """
    Points [m] that have another of the same label near them, but not on the same spot.

    A search tree over the different spots: a million points on one spot cost no more than one.

    Examples
    --------
    >>> near_and_alike(np.array([[0.0, 0.0], [0.5, 0.0], [0.5, 0.0]]), np.array([1, 1, 2])).tolist()
    [True, True, False]
    """
    near = np.zeros(len(xy), dtype=bool)
    shared = _shared(alike, ~near)
    if len(shared):
        near[shared] = _near_another(xy[shared], alike[shared])
    return near


def _near_another(
    xy: npt.NDArray[np.float64], alike: npt.NDArray[np.int64]
) -> npt.NDArray[np.bool_]:
    """Points of labels that others have too, near one of these."""
    places = np.column_stack([xy, 2 * NEAR_M * alike])  # labels are floors that do not touch
    spot = labels(places.T)
    spots = places[np.unique(spot, return_index=True)[1]]
    found, _ = cKDTree(spots).query(spots, k=2, distance_upper_bound=NEAR_M * (1 + 1e-9))
    near = np.isfinite(np.asarray(found)[:, 1])
    return np.asarray(near[spot], dtype=bool)


_PLAIN: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "id": ("tree_id", "tree_id"),
        "marker": ("marker", "marker"),
        "count": ("count", "count"),
        "kind": ("kind", "kind"),
        "dbh": ("dbh", "dbh"),
        "dbh_unit": ("dbh_unit", "dbh_unit"),
        "species": ("species", "species"),
        "product": ("product", "product"),
        "paint": ("paint", "paint"),
        "group": ("group", "group"),
        "height": ("height_m", "height_m"),
        "crown_radius": ("crown_radius_m", "crown_radius_m"),
        "volume": ("volume", "volume"),
        "volume_unit": ("volume_unit", "volume_unit"),
        "defect": ("defect_share", "defect_share"),
        "cull": ("cull", "cull"),
        "position_error": ("position_error_m", "position_error_m"),
        "time": ("time", "time"),
        "order": ("order", "order"),
        "radius": ("radius_m", "radius_m"),
        "logs": ("logs", "logs"),
        "must_go": ("must_go", "must_go"),
    }
)
"""By meaning: the column of `Survey.marks`, and the heading under which it is written."""

_METRES = ("height", "crown_radius", "position_error", "radius")
_LEFT_OUT = (
    "label",
    "dbh_cm",
    "dbh_flag",
    "paint_meaning",
    "inside",
    "source_file",
    "record",
    "geometry",
)
WGS84 = "EPSG:4326"


@dataclass(frozen=True, kw_only=True, slots=True)
class _Heads:
    """Headings by meaning, and the unit that each says."""

    name: Mapping[str, str]
    unit: Mapping[str, str]


def marks_again(
    marks: gpd.GeoDataFrame, project: Project, *, with_degrees: bool
) -> gpd.GeoDataFrame:
    """Used marks with headings and units under which this project reads them again."""
    heads = _heads(project)
    columns: dict[str, pd.Series] = {}
    for meaning, (source, _) in _PLAIN.items():
        if source in marks:
            columns[heads.name[meaning]] = _cells(marks, meaning, source, heads, project)
    if heads.unit.get("dbh"):
        columns.pop(heads.name["dbh_unit"])
    if with_degrees:
        place = shapely.get_coordinates(marks.geometry.to_crs(WGS84).to_numpy())
        names = (project.marks.columns.get(name, name) for name in ("lon", "lat"))
        columns |= {name: pd.Series(place[:, i]) for i, name in enumerate(names)}
    for header in project.marks.columns.values():  # the reader looks for every heading stated
        columns.setdefault(header, pd.Series("", index=marks.index))
    own = {source for source, _ in _PLAIN.values()} | set(_LEFT_OUT)
    for name in marks.columns:
        if name not in own:
            columns[_free(str(name), columns)] = marks[name]
    return gpd.GeoDataFrame(columns, geometry=marks.geometry, crs=marks.crs)


def _heads(project: Project) -> _Heads:
    """Headings as the project states them, else plain ones that say their unit."""
    stated = project.marks.columns
    name = {meaning: stated.get(meaning, head) for meaning, (_, head) in _PLAIN.items()}
    known = {meaning: head for meaning, head in stated.items() if meaning in name}
    found = recognise(list(name.values()), meanings.MARKS, stated=known, where="marks")
    return _Heads(name=name, unit=found.unit)


def _cells(
    marks: gpd.GeoDataFrame, meaning: str, source: str, heads: _Heads, project: Project
) -> pd.Series:
    """One column in the unit that its heading or the project says."""
    values = marks[source]
    if meaning in _METRES:
        usual = project.marks.height_unit if meaning == "height" else "m"
        factor = LENGTH_M[heads.unit.get(meaning) or usual or "m"]
        return values / factor if factor != 1 else values
    if meaning == "dbh" and heads.unit.get("dbh"):
        return _diameters(marks, heads.unit["dbh"])
    if meaning == "defect":
        return values * 100 if heads.unit.get("defect") != "share" else values
    if values.dtype == bool:
        return pd.Series(np.where(values, "yes", ""), index=values.index)
    return values


def _diameters(marks: gpd.GeoDataFrame, unit: str) -> pd.Series:
    """Diameters in one unit; those recorded in it as they were recorded."""
    size = {"in": INCH_CM, "cm": 1.0, "mm": 0.1, "m": 100.0, "ft": 12 * INCH_CM}[unit]
    return marks["dbh"].where(marks["dbh_unit"] == unit, marks["dbh_cm"] / size)


def _free(name: str, taken: Mapping[str, object]) -> str:
    """A heading that means nothing to the reader and is not taken."""
    heads = {head.casefold() for head in taken}
    while name.casefold() in heads or is_known(name, meanings.MARKS):
        name += "_kept"
    return name


SAME_M = 1.0
"""Equal trees of two files this near to one another are one [m]."""

MOST = 0.5
"""Share of the smaller file from which the two are refused."""

LEAST = 2
"""Fewest such records: one tree is no export."""

_DEGREE_M = 111_320.0
_COARSE_DECIMALS_MAX = 5  # of a degree: the sixth is finer than SAME_M
_ROUNDING_DEG = 1e-9
_DBH_DECIMALS = 3  # of a centimetre: what conversion from inches leaves
_GROUP_POINTS = ("group_boundary", "group_centre")


def refuse_shared(
    marks: gpd.GeoDataFrame, readings: Sequence[Reading], log: RecordLog, *, keep: bool
) -> None:
    """
    Refuse stands where half of a file's marks or more are in another file; tell where fewer are.

    Marks of two files are the same where species, as folded, and diameter are equal and they lie
    within `SAME_M`, or within the rounding of the coordinates where that is larger. Numbers are no
    part of it: exports renumber. `keep`: all are told and none is refused.
    """
    file = marks["_file"].to_numpy()
    if len(readings) < 2:  # noqa: PLR2004 - a pair of files
        return
    rounded = marks["dbh_cm"].round(_DBH_DECIMALS)
    like = labels([marks[STAND], marks["species"], rounded, marks["kind"].isin(_GROUP_POINTS)])
    rows = _of_several_files(like, file)
    xy = np.column_stack([marks.geometry.x, marks.geometry.y])
    steps = [_printed_step_m(reading) for reading in readings]
    in_file = [rows[file[rows] == place] for place in range(len(readings))]
    for one, other in combinations(np.unique(file[rows]).tolist(), 2):
        within_m = max(SAME_M, steps[one], steps[other])
        pair = _near(xy, like, in_file[one], in_file[other], within_m)
        for stand, number, first in _by_stand(marks[STAND].to_numpy(), like, pair):
            sizes = {at: int((readings[at].stand == stand).sum()) for at in (one, other)}
            small, large = sorted(sizes, key=lambda at: sizes[at])
            told = (
                f"{number} of {sizes[small]} records of {readings[small].file.name} are also in "
                f"{readings[large].file.name} (equal species and diameter within {within_m:.1f} m)"
            )
            if keep or number < max(LEAST, MOST * sizes[small]):
                names = listed(marks["tree_id"].iloc[first])
                log.notice(f"{told}; all are kept: {names}.", stand=stand)
            else:
                log.fault(f'{told}; leave one out, or set [marks] repeats = "keep".', stand=stand)


def _of_several_files(like: npt.NDArray[np.int64], file: IntArray) -> IntArray:
    """Rows whose label occurs in more than one file."""
    files = pd.Series(file).groupby(like).transform("nunique")
    return np.flatnonzero(files > 1)


def _near(
    xy: FloatArray, like: npt.NDArray[np.int64], one: IntArray, other: IntArray, within_m: float
) -> tuple[IntArray, IntArray]:
    """Rows of each of two files that have one of the other alike and near."""
    places = np.column_stack([xy, 2 * within_m * like])  # labels are floors that do not touch
    spots = [np.unique(places[rows], axis=0, return_inverse=True) for rows in (one, other)]
    trees = [cKDTree(spot) for spot, _ in spots]
    reach = within_m * (1 + 1e-9)
    found = []
    for rows, (spot, at), tree in zip((one, other), spots, reversed(trees), strict=True):
        away, _ = tree.query(spot, distance_upper_bound=reach)
        found.append(rows[np.isfinite(away)[at.reshape(-1)]])
    return found[0], found[1]


def _by_stand(
    stand: npt.NDArray[np.int64], like: npt.NDArray[np.int64], pair: tuple[IntArray, IntArray]
) -> Iterator[tuple[int, int, IntArray]]:
    """Stands, how many records are in both files, each for one of the other, and the first's."""
    number = [pd.Series(like[rows]).value_counts() for rows in pair]
    one, two = number[0].align(number[1], join="inner")
    both = one.where(one < two, two)
    first = pd.Series(pair[0], index=like[pair[0]])
    of_label = pd.Series(stand[first], index=first.index).groupby(level=0).first()
    total = both.groupby(of_label.reindex(both.index)).sum()
    for here, shared in total.items():
        yield int(str(here)), int(shared), pair[0][stand[pair[0]] == here]


def _printed_step_m(reading: Reading) -> float:
    """Step to which degrees were rounded when they were written [m]; 0 where it is fine."""
    if reading.unmoved is None or reading.crs is None or not reading.crs.is_geographic:
        return 0.0
    both = shapely.get_coordinates(reading.unmoved.to_numpy())
    for decimals in range(_COARSE_DECIMALS_MAX + 1):
        if len(both) and np.abs(both - both.round(decimals)).max() < _ROUNDING_DEG:
            return float(_DEGREE_M / 10**decimals)
    return 0.0
