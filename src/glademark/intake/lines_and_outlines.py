"""
Corridors with their widths, outlines as valid areas, and strips along water.

Closed lines are filled, small crossings mended, large ones refused. A stream has a left and a right
bank, looking downstream along its line; water drawn as a polygon has one, or several where it cuts
the stand into pieces: each bank is judged for itself.
"""

from collections import Counter
from collections.abc import Hashable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import chain, count
from types import MappingProxyType

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import CRS
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from shapely.validation import explain_validity

from glademark.contracts.frames import (
    MEND_SHARE_MAX,
    STAND,
    IntArray,
    features,
    mended_outlines,
    no_features,
)
from glademark.errors import counted, listed, shown
from glademark.intake.columns import meanings
from glademark.intake.columns.fields import Fields, each_word, recognise, translated
from glademark.intake.record_log import Reading, RecordLog, refuse_if_none_left
from glademark.intake.site import Stands, polygonal
from glademark.project.model import CorridorSettings, Source

MEND_MAX_M2 = 100.0  # area by which mending may change a polygon [m2]
_CORNERS_MIN = 3
QUARTER_SEGMENTS = 16  # segments a quarter circle where a bank or line is widened, as for corridors
TOUCH_M = 0.5  # water this close to other water of the same name is the same body [m]
SLIVER_M2 = 0.01  # a strip up to this size comes from edges that were drawn alike [m2]
LOOK_M = 0.5  # half of the stretch from which the direction of a line is taken [m]
GeometryArray = npt.NDArray[np.object_]
WIDTH_MAX_M = 30.0  # wider than any machine corridor [m]: beyond it the unit or the column is wrong
LENGTH_MIN_M = 0.01  # shorter lines are a point clicked twice [m]
OVERRUN_MIN_M = 1.0  # shorter ends past the boundary need no notice [m]
CORRIDOR_COLUMNS = ("corridor", "width_m", "state", "source_file", "record")
_STATES = {
    "new": "new planned proposed proposal flagged",
    "existing": "existing exists exist old reused reuse reopened",
}

_STATE_OF = {word: state for state, words in _STATES.items() for word in words.split()}


def with_areas(
    reading: Reading,
    log: RecordLog,
    *,
    gap_max_m: float,
    crosses_at: dict[Hashable, str] | None = None,
) -> Reading:
    """
    Records, in metres, as valid Polygon or MultiPolygon; lines with a gap up to `gap_max_m` closed.

    A stand is refused where there are points, a line is open, or a polygon has no area or crosses
    itself so that mending would move its area by 0.1 % or 100 m2: every such record is named. With
    `crosses_at`, an outline that crosses itself is kept, mended, and the place entered there by the
    index of the record.
    """
    shapes = reading.shapes.to_numpy().copy()
    dimensions = shapely.get_dimensions(shapes)
    faults: dict[int, str] = {}  # by position
    for at in map(int, np.flatnonzero(dimensions < 2)):  # noqa: PLR2004 - outlines drawn as lines are few
        shapes[at], fault = _area_of_line(shapes[at], gap_max_m)
        faults |= {at: fault} if fault else {}
    broken = ~shapely.is_valid(shapes) & ~shapely.is_missing(shapes)
    for at in map(int, np.flatnonzero(broken)):  # broken polygons are few as well
        if crosses_at is not None:
            whole, crossings = mended_outlines(shapes[[at]])
            shapes[at] = polygonal(whole)[0]
            crosses_at |= {reading.index[at]: crossings[0]} if crossings[0] else {}
            continue
        shapes[at], mend, fault = _mended(shapes[at])
        faults |= {at: fault} if fault else {}
        if mend:
            text = f"{reading.file.name}, {reading.at(at)}: {mend}"
            log.notice(text, stand=int(reading.stand[at]))
    flat = np.flatnonzero(~(shapely.area(shapes) > 0))
    lost = set(reading.stand[list(faults)].tolist())
    no_area = "the polygon has no area. Draw it again."
    faults |= {int(at): no_area for at in flat if reading.stand[at] not in lost}
    areas = gpd.GeoSeries(shapes, index=reading.index, crs=reading.shapes.crs)
    lines = pd.Series(dimensions == 1, index=reading.index)
    left = log.refuse(
        replace(reading, geometry=areas),
        (
            (int(reading.stand[at]), f"{reading.file.name}, {reading.at(at)}: {fault}")
            for at, fault in faults.items()
        ),
    )
    for stand, places in left.split(lines[left.index]):
        number = counted(len(places), "closed line")
        log.notice(f"{reading.file.name}: {number} read as the area inside.", stand=stand)
    return left


def _area_of_line(line: shapely.Geometry, gap_max_m: float) -> tuple[shapely.Polygon | None, str]:
    """Polygon inside a line whose ends meet; or what is wrong with it."""
    if shapely.get_dimensions(line) == 0:
        return None, "a polygon is expected, and this is a point. Name the layer of areas."
    merged = shapely.line_merge(line)
    pieces = shapely.get_num_geometries(merged)
    if pieces > 1:
        return None, f"the line is in {pieces} pieces that do not meet. Draw it as one polygon."
    points = shapely.get_coordinates(merged)
    gap = float(np.hypot(*(points[0] - points[-1])))
    if gap > gap_max_m:
        return None, (
            f"the line is open; its ends are {gap:.2f} m apart. Close it, or draw a polygon."
        )
    if len(np.unique(points, axis=0)) < _CORNERS_MIN:
        return None, "the line encloses no area. Draw the boundary as a polygon."
    return shapely.Polygon(points), ""


def _mended(before: shapely.Polygon | shapely.MultiPolygon) -> tuple[shapely.Geometry, str, str]:
    """Valid polygon and what was done; or why that would change too much."""
    corners = len(np.unique(shapely.get_coordinates(before), axis=0))
    if corners < _CORNERS_MIN:
        number = ("no", "one", "two")[corners]
        fault = f"the polygon has {number} corners, and an area needs three. Draw it again."
        return before, "", fault
    valid = shapely.make_valid(before, method="structure", keep_collapsed=False)
    after = polygonal(np.array([valid], dtype=object))[0]
    moved = abs(after.area - before.area)
    why = shown(explain_validity(before))
    if moved < MEND_SHARE_MAX * max(after.area, before.area) and moved < MEND_MAX_M2:
        areas = f"{before.area:,.1f} to {after.area:,.1f} m2"
        return after, f"the outline was mended ({why}); its area went from {areas}.", ""
    return (
        before,
        "",
        (
            f"the outline crosses itself ({why}), and mending it would change the area by "
            f"{moved:,.0f} m2. Correct it at that place."
        ),
    )


LEFT, RIGHT, BOTH = "left", "right", "both"
SIDES = (LEFT, RIGHT, BOTH)


def bank_strips(
    water: gpd.GeoDataFrame, *, stand: shapely.Geometry, distance_m: float
) -> Iterator[tuple[str, shapely.Geometry]]:
    """
    Names and grounds of the strips along the banks in one stand, body by body.

    `water` has `name`, `side` (left, right or both), `line` (None for a polygon) and the water as
    polygons.
    """
    shapes, names = water.geometry.to_numpy(), water["name"].to_numpy(dtype=object)
    all_water = shapely.union_all(shapes)
    body = _bodies(water)
    members = [np.flatnonzero(body == number) for number in range(int(body.max(initial=-1)) + 1)]
    titles = _titles([str(names[rows[0]]) for rows in members])
    for rows, title in zip(members, titles, strict=True):
        whole = shapely.union_all(shapes[rows])
        near = shapely.buffer(whole, distance_m, quad_segs=QUARTER_SEGMENTS)
        strip = shapely.difference(near, all_water)
        lines = [line for line in water["line"].iloc[rows] if line is not None]
        sides = set(water["side"].iloc[rows])
        if lines:
            banks = sides_of(strip, lines, wanted=BOTH if len(sides) > 1 else sides.pop())
        else:
            banks = _banks_of_areas(strip, stand, whole)
        for bank, ground in banks:
            inside = polygonal(np.array([shapely.intersection(ground, stand)], dtype=object))[0]
            if inside.area > SLIVER_M2:
                yield f"{title}, {bank}", inside


def sides_of(
    strip: shapely.Geometry, lines: Sequence[shapely.Geometry], *, wanted: str
) -> list[tuple[str, shapely.Geometry]]:
    """A strip round lines cut along them: its left and right bank, looking along the lines."""
    cuts = np.array([_carried_on(line, strip) for line in _forward(lines)], dtype=object)
    network = shapely.union_all([*cuts, shapely.boundary(strip)])
    faces = shapely.get_parts(shapely.polygonize([network]))
    faces = faces[shapely.intersects(strip, shapely.point_on_surface(faces))]
    middle = shapely.point_on_surface(faces)
    away = shapely.distance(middle[:, None], cuts[None, :])
    is_left = _is_left(middle, cuts[np.argmin(away, axis=1)])
    return [
        (f"{side} bank", shapely.union_all(faces[is_left == (side == LEFT)]))
        for side in (LEFT, RIGHT)
        if wanted in {side, BOTH}
    ]


def _forward(lines: Sequence[shapely.Geometry]) -> GeometryArray:
    """Lines merged where they meet, each in the direction in which most of it was drawn."""
    drawn = shapely.get_parts(np.array(lines, dtype=object))
    merged = shapely.get_parts(shapely.line_merge(shapely.multilinestrings(drawn)))
    first, last = (shapely.get_point(drawn, end) for end in (0, -1))
    length = shapely.length(drawn)
    turned = []
    for line in merged:
        mine = shapely.dwithin(first, line, TOUCH_M) & shapely.dwithin(last, line, TOUCH_M)
        ahead = shapely.line_locate_point(line, last) - shapely.line_locate_point(line, first)
        against = float((np.sign(ahead) * length)[mine].sum()) < 0
        turned.append(shapely.reverse(line) if against else line)
    return np.array(turned, dtype=object)


def _carried_on(line: shapely.LineString, strip: shapely.Geometry) -> shapely.LineString:
    """A line with both ends straight on to beyond a strip round it."""
    corners = shapely.get_coordinates(line)
    beyond = float(shapely.hausdorff_distance(strip, line)) + 1.0
    ends = []
    for end, before in ((corners[0], corners[1]), (corners[-1], corners[-2])):
        way = end - before
        ends.append(end + way / max(float(np.hypot(*way)), 1e-9) * beyond)
    return shapely.LineString([ends[0], *corners, ends[1]])


def _is_left(points: GeometryArray, lines: GeometryArray) -> npt.NDArray[np.bool_]:
    """Whether each point lies to the left of its line, looking along it."""
    at = shapely.line_locate_point(lines, points)
    before, after = (
        shapely.get_coordinates(
            shapely.line_interpolate_point(lines, np.clip(at + step, 0, shapely.length(lines)))
        )
        for step in (-LOOK_M, LOOK_M)
    )
    ahead, aside = after - before, shapely.get_coordinates(points) - before
    return np.asarray(ahead[:, 0] * aside[:, 1] - ahead[:, 1] * aside[:, 0] > 0)


def _banks_of_areas(
    strip: shapely.Geometry, stand: shapely.Geometry, water: shapely.Geometry
) -> list[tuple[str, shapely.Geometry]]:
    """The strip round water drawn as an area: one bank for each piece of land that it cuts off."""
    land = shapely.get_parts(shapely.difference(stand, water))
    ground = shapely.intersection(land, strip)
    ground = ground[shapely.area(ground) > SLIVER_M2]
    if len(ground) < 2:  # noqa: PLR2004 - one bank
        return [("bank", piece) for piece in ground]
    middle = shapely.get_coordinates(shapely.centroid(ground))
    order = np.lexsort((middle[:, 0], -middle[:, 1]))
    return [(f"bank {number}", ground[place]) for number, place in enumerate(order, 1)]


def _titles(names: Sequence[str]) -> list[str]:
    """What bodies of water are called: by name, numbered where several share one or have none."""
    called = [name.strip() or "water" for name in names]
    times, so_far = Counter(called), Counter[str]()
    titles = []
    for name in called:
        so_far[name] += 1
        titles.append(f"{name} {so_far[name]}" if times[name] > 1 else name)
    return titles


def _bodies(water: gpd.GeoDataFrame) -> IntArray:
    """Number of the body of water of each feature, in the order of the features."""
    names = water["name"].str.strip().str.casefold().to_numpy(dtype=object)
    has_line = water["line"].notna().to_numpy()
    trunk = np.where(has_line, water["line"].to_numpy(dtype=object), water.geometry.to_numpy())
    one, two = shapely.STRtree(trunk).query(trunk, predicate="dwithin", distance=TOUCH_M)
    same = (names[one] == names[two]) & ((names[one] != "") | ~(has_line[one] & has_line[two]))
    unnamed = np.flatnonzero(has_line & (names == ""))
    more = _continued(trunk[unnamed])
    pairs = np.concatenate([np.stack([one[same], two[same]]), unnamed[more]], axis=1)
    links = coo_array((np.ones(pairs.shape[1]), tuple(pairs)), shape=(len(water),) * 2)
    return np.asarray(pd.factorize(connected_components(links, directed=False)[1])[0], np.intp)


def _continued(lines: GeometryArray) -> IntArray:
    """Pairs of lines without a name of which one goes on where the other ends; shape (2, n)."""
    parts, line = shapely.get_parts(lines, return_index=True)
    ends = shapely.get_coordinates([*shapely.get_point(parts, 0), *shapely.get_point(parts, -1)])
    owner = np.tile(line, 2)
    if not len(ends):
        return np.zeros((2, 0), dtype=np.intp)
    pairs = cKDTree(ends).query_pairs(TOUCH_M, output_type="ndarray")
    meet = np.bincount(pairs.ravel(), minlength=len(ends))
    alone = (meet[pairs] == 1).all(axis=1)
    return np.asarray(owner[pairs[alone]].T, dtype=np.intp)


def read_corridors(
    reading: Reading,
    source: Source,
    stands: Stands,
    settings: CorridorSettings,
    log: RecordLog,
    *,
    taken: Mapping[int, Sequence[str]] = MappingProxyType({}),
) -> gpd.GeoDataFrame:
    """
    Corridors, one a feature in however many pieces, that have any part in their stand.

    A stand is refused where there are polygons or points, all lines are outside, or a width is
    impossible. Columns are `CORRIDOR_COLUMNS`, LineString or MultiLineString in the working CRS.
    `taken` are the names of corridors of other files, by stand.
    """
    reading = stands.bring(reading, source, log)
    stated = {"width": settings.width_column} if settings.width_column else {}
    found = recognise(reading.headers, meanings.CORRIDORS, stated=stated, where=reading.file.name)
    names = Fields(reading=reading, found=found, log=log).names("name")
    reading = _lines_only(replace(reading, ids=names), log)
    reading = _near_stand(reading, stands, log)
    fields = Fields(reading=reading, found=found, log=log)
    widths, states = _widths(fields, settings), _states(fields)
    reading = log.left(reading)
    columns = {
        "corridor": _unique_names(reading, log, taken),
        "width_m": widths[reading.index],
        "state": states[reading.index],
        "source_file": reading.file.name,
        "record": reading.record,
        STAND: reading.stand.astype(np.int64),
    }
    frame = features(columns, reading.shapes.array, crs=stands.crs)
    _note_duplicates(frame, reading, log)
    _note_overrun(frame, reading, stands, log)
    log.use(reading)
    return frame.reset_index(drop=True)


def no_corridors(crs: CRS) -> gpd.GeoDataFrame:
    """Corridors where there are none."""
    kinds = {"width_m": "float64", "record": "int64", STAND: "int64"}
    return no_features((*CORRIDOR_COLUMNS, STAND), kinds, crs=crs)


def _lines_only(reading: Reading, log: RecordLog) -> Reading:
    """Lines that have a length."""
    dimensions = shapely.get_dimensions(reading.shapes.to_numpy())
    for dimension, what in ((2, "areas"), (0, "points")):
        faults = (
            (
                stand,
                (
                    f"{reading.file.name}, {reading.at(int(places[0]))}: corridors are lines, and "
                    f"these are {what}. Give the centre lines; areas taken anyway belong under "
                    "landings."
                ),
            )
            for stand, places in reading.split(dimensions == dimension)
        )
        log.refuse(reading, faults)
    reading = log.left(reading)
    short = shapely.length(reading.shapes.to_numpy()) < LENGTH_MIN_M
    return log.reject(
        reading, short, reason="the line has no length; draw it again", what="without length"
    )


def _near_stand(reading: Reading, stands: Stands, log: RecordLog) -> Reading:
    """Lines with a part in their stand; a stand is refused if none has."""
    reading = refuse_if_none_left(
        reading,
        log,
        f"{reading.file.name}: no line in it can be used. Draw the corridors again, or leave "
        "the input out.",
    )
    outside = ~stands.touches(reading)
    reading = stands.refuse_if_all_outside(reading, outside, log)
    return log.reject(
        reading,
        outside[reading.index],
        reason="the line lies wholly outside the stand; correct it or leave it out",
        what="outside the stand",
    )


def _unique_names(
    reading: Reading, log: RecordLog, taken: Mapping[int, Sequence[str]]
) -> pd.Series:
    """The marker's own names, numbers where there are none, told apart where they repeat."""
    own = [""] * len(reading) if reading.ids is None else list(reading.ids)
    result = np.full(len(own), "", dtype=object)
    for stand, places in reading.split(np.ones(len(own), dtype=bool)):
        before = list(taken.get(stand, ()))
        names = _numbered([*before, *(own[place] for place in places)])
        repeated = sorted({name for name, times in Counter(names).items() if times > 1})
        if repeated:
            number = counted(sum(name in repeated for name in names), "line")
            log.notice(
                f"{reading.file.name}: {number} with a name that another has too "
                f"({listed(repeated)}); each is a corridor of its own, told apart by a number "
                "behind the name.",
                stand=stand,
            )
        result[places] = _told_apart(names)[len(before) :]
    return pd.Series(result, index=reading.index, dtype="str")


def _numbered(names: list[str]) -> list[str]:
    """Names with numbers, not taken by others, where there are none."""
    taken = set(names)
    free = (number for number in map(str, count(1)) if number not in taken)
    return [name or next(free) for name in names]


def _told_apart(names: list[str]) -> list[str]:
    """Names with -2, -3 and so on behind those that repeat an earlier one."""
    result: list[str] = []
    for name in names:
        choices = chain([name], (f"{name}-{number}" for number in count(2)))
        result.append(
            next(new for new in choices if new not in result and (new == name or new not in names))
        )
    return result


def _widths(fields: Fields, settings: CorridorSettings) -> pd.Series:
    """Width of each line [m]: its own, else the default."""
    widths, bad = fields.lengths("width", unit=settings.width_unit, key="[corridors] width_unit")
    reading, log, name = fields.reading, fields.log, fields.reading.file.name
    wrong = bad | (widths <= 0) | (widths > WIDTH_MAX_M)
    faults = (
        (
            stand,
            (
                f"{name}, {reading.at(int(places[0]))}: {counted(len(places), 'corridor')} with "
                f"an impossible width ({listed(reading.called(places))}; the first is "
                f'"{shown(fields.cells("width").iloc[places[0]])}"). Expected more than 0 and at '
                f"most {WIDTH_MAX_M:.0f} m; correct the cells, or the unit of the column."
            ),
        )
        for stand, places in reading.split(wrong)
    )
    log.refuse(reading, faults)
    every = np.bincount(reading.stand)
    for stand, places in reading.split(widths.isna()):
        if fields.has("width"):
            names = listed(reading.called(places))
            log.notice(
                f"{name}: {counted(len(places), 'corridor')} without a width of its own: "
                f"{names}; the default of {settings.width_m:.2f} m is used.",
                stand=stand,
            )
        if len(places) == every[stand] and "width_m" not in settings.model_fields_set:
            log.notice(
                f"{name}: no width is given anywhere; corridors are taken as "
                f"{settings.width_m:g} m wide. State [corridors] width.",
                stand=stand,
            )
    return widths.fillna(settings.width_m)


def _states(fields: Fields) -> pd.Series:
    """State of each corridor, new where nothing is said."""
    cells = each_word(fields.cells("state"), str.casefold)
    states = translated(cells, _STATE_OF)
    unknown = (states == "") & (cells != "")
    for stand, places in fields.reading.split(unknown):
        words = listed(cells.iloc[places].unique())
        fields.log.notice(
            f"{fields.reading.file.name}: '{shown(fields.found.header['state'])}' says neither new "
            f"nor existing for {counted(len(places), 'corridor')} ({words}); taken as new.",
            stand=stand,
        )
    return states.where(states != "", "new")


def _note_duplicates(frame: gpd.GeoDataFrame, reading: Reading, log: RecordLog) -> None:
    """Say so where a line stands twice; its ground counts once all the same."""
    lines = shapely.to_wkb(shapely.normalize(frame.geometry.to_numpy()))
    same = pd.MultiIndex.from_arrays([lines, reading.stand])
    for stand, places in reading.split(same.duplicated(keep=False)):
        number, names = counted(len(places), "line"), listed(frame["corridor"].iloc[places])
        log.notice(
            f"{reading.file.name}: {number} equal to another ({names}); their ground counts once.",
            stand=stand,
        )


def _note_overrun(
    frame: gpd.GeoDataFrame, reading: Reading, stands: Stands, log: RecordLog
) -> None:
    """Say so where lines run past the boundary."""
    areas = stands.areas[reading.stand]
    past = shapely.length(shapely.difference(frame.geometry.to_numpy(), areas))
    for stand, places in reading.split(past > OVERRUN_MIN_M):  # NaN without a stand
        number, names = counted(len(places), "line"), listed(frame["corridor"].iloc[places])
        log.notice(
            f"{reading.file.name}: {number} past the boundary, by {past[places].sum():,.0f} m in "
            f"all ({names}); only the part inside counts.",
            stand=stand,
        )
