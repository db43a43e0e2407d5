"""
Outlines as valid areas, and strips along water.

Closed lines are filled, small crossings mended, large ones refused. A stream drawn as a line has a
left and a right bank, looking downstream along the line; a body of water drawn as a polygon has one
bank, or several where it cuts the stand into pieces: each bank is judged for itself.
"""

from collections import Counter
from collections.abc import Hashable, Iterator, Sequence
from dataclasses import replace

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from shapely.validation import explain_validity

from glademark.contracts.frames import MEND_SHARE_MAX, mended_outlines
from glademark.errors import counted, shown
from glademark.intake.record_log import Reading, RecordLog
from glademark.intake.site import polygonal

MEND_MAX_M2 = 100.0
"""Area by which mending may change a polygon [m2]."""

_CORNERS_MIN = 3


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


QUARTER_SEGMENTS = 16
"""Segments a quarter circle where a bank or line is widened, as for corridors."""

TOUCH_M = 0.5
"""Water this close to other water of the same name is the same body [m]."""

SLIVER_M2 = 0.01
"""A strip up to this size comes from edges that were drawn alike [m2]."""

LOOK_M = 0.5
"""Half of the stretch from which the direction of a line is taken [m]."""

LEFT, RIGHT, BOTH = "left", "right", "both"
SIDES = (LEFT, RIGHT, BOTH)

GeometryArray = npt.NDArray[np.object_]
IntArray = npt.NDArray[np.intp]


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
