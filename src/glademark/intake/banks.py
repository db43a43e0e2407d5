"""
Strips along water: one for each body of water and bank, so that each bank is judged for itself.

A stream drawn as a line has a left and a right bank, looking downstream along the line; a body of
water drawn as a polygon has one bank, or several where it cuts the stand into pieces.
"""

from collections import Counter
from collections.abc import Iterator, Sequence

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from glademark.intake.site import polygonal

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
