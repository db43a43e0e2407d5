"""
Where everything of the sample stand lies: an invented place, drawn by hand in metres.

Coordinates are local, east and north of `ORIGIN`. Nothing here is a real wood, line or tree.
"""

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import KDTree
from shapely import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

CRS = "EPSG:26916"
ORIGIN = (412_300.0, 5_138_200.0)

STAND = Polygon(
    [
        (12, 20), (140, -3), (268, 10), (395, -5), (505, 30), (522, 128), (500, 190),
        (434, 203), (428, 226), (499, 246), (516, 330), (488, 428), (395, 476), (262, 464),
        (150, 476), (48, 447), (20, 350), (4, 225), (22, 120),
    ],
    holes=[[(184, 152), (208, 150), (212, 176), (186, 179)]],
)  # fmt: skip
"""The inlet from the east and the hole belong to neighbours."""

CORRIDORS = {
    "A": LineString(
        [(250, -38), (252, 60), (246, 112), (255, 182), (243, 250), (258, 350), (256, 430)]
    ),
    "B": LineString([(246, 112), (40, 98)]),
    "C": LineString([(240.1, 250), (150, 243), (72, 258)]),
    "D": LineString([(258, 350), (190, 356), (112, 350)]),
    "E": LineString([(250, 92), (330, 99), (490, 88)]),
    "F": LineString([(255, 182), (340, 178), (420, 184), (480, 168)]),
    "G": LineString([(249, 290), (360, 286), (440, 294), (495, 284)]),
    "H": LineString([(257, 370), (350, 364), (470, 372)]),
    "J": LineString([(172, 106.971), (160, 160), (150, 243)]),
    "K": LineString([(330, 99), (318, 140), (340, 178)]),
    "L": LineString([(440, 294), (462, 335), (470, 372)]),
    "M": LineString([(190, 356), (222, 412), (256, 430)]),
}  # fmt: skip
"""Centre lines. A is the old skid road and starts outside, at the town road; C stops short of A."""

CORRIDOR_WIDTH_M = {"A": 5.0, "F": 4.5, "L": 3.8}
"""Recorded widths; the others have the width that the project file states."""

STATED_WIDTH_M = 14 * 0.3048
EXISTING = ("A",)

STREAM = LineString([(134, 500), (98, 425), (70, 350), (46, 290), (20, 240), (-14, 196)])
STREAM_WIDTH_M = 4.0
SETBACK_M = 50 * 0.3048

SEEP = Polygon([(312, 400), (330, 392), (350, 402), (352, 424), (336, 436), (316, 428)])
LANDING = Polygon([(232, 20), (266, 17), (269, 49), (235, 52)])

_HEXAGON_ROW = np.sqrt(3) / 2
TREE_SPACING_M = 5.3  # crowns of 3 m then close up


def _ellipse(
    east: float, north: float, half_length: float, half_width: float, turn: float
) -> Polygon:
    """Ellipse of stems, turned to the left by degrees."""
    circle = Point(0, 0).buffer(1, quad_segs=16)
    scaled = shapely.affinity.scale(circle, half_length, half_width)
    turned = shapely.affinity.rotate(scaled, turn, origin=(0, 0))
    return shapely.affinity.translate(turned, east, north)


def _on_corridor_b(from_m: float, to_m: float, half_width: float) -> Polygon:
    """Rectangle of stems across corridor B, between two distances from its start."""
    middle = LineString([CORRIDORS["B"].interpolate(from_m), CORRIDORS["B"].interpolate(to_m)])
    return middle.buffer(half_width, cap_style="flat")


GROUPS = {
    "1": _ellipse(345, 236, 32, 24, 8),
    "2": _ellipse(108, 196, 17, 12, 30),
    "3": _on_corridor_b(136, 177, 22),
    "4": _on_corridor_b(84, 125, 22),
    "5": _ellipse(372, 48, 18, 13, 0),
    "6": _ellipse(440, 136, 16, 12, 100),
    "7": _ellipse(398, 328, 18, 13, 15),
    "8": _ellipse(420, 418, 16, 14, 0),
    "9": _ellipse(176, 414, 19, 12, 160),
}
"""Stems of each group; crowns reach about 3 m further. 1 is too large, 3 and 4 are too close."""

LOOSE_CLUSTERS = (_ellipse(176, 300, 13, 7.5, 20), _ellipse(150, 48, 14, 6.5, 170))
"""Marks that stand close together, but were never meant as a group."""

PAIR_ON_CORRIDOR = ("3", "4")
_FACING_M = {"3": 136.0, "4": 125.0}
_BESIDE_STRIP_M = 3.2


def facing_trees(group: str) -> NDArray[np.float64]:
    """Two stems, one on either side of corridor B, where `group` faces its neighbour."""
    line = CORRIDORS["B"]
    start, end = (np.array(p) for p in line.coords)
    along = (end - start) / line.length
    across = np.array([-along[1], along[0]])
    middle = start + along * _FACING_M[group]
    return np.vstack([middle + across * _BESIDE_STRIP_M, middle - across * _BESIDE_STRIP_M])


def corridor_strips() -> BaseGeometry:
    """Ground of all corridors."""
    widths = [CORRIDOR_WIDTH_M.get(name, STATED_WIDTH_M) for name in CORRIDORS]
    strips = shapely.buffer(
        list(CORRIDORS.values()), np.array(widths) / 2, quad_segs=16, cap_style="flat"
    )
    return shapely.union_all(strips)


def stream_setback() -> BaseGeometry:
    """Water, and the strip along it where nothing is cut."""
    return STREAM.buffer(STREAM_WIDTH_M / 2 + SETBACK_M)


def stems_in(area: Polygon, rng: np.random.Generator) -> NDArray[np.float64]:
    """Stems on a shaken triangular grid, none of them in a corridor."""
    west, south, east, north = area.bounds
    rows = np.arange(south, north + TREE_SPACING_M, TREE_SPACING_M * _HEXAGON_ROW)
    columns = np.arange(west - TREE_SPACING_M, east + TREE_SPACING_M, TREE_SPACING_M)
    x, y = np.meshgrid(columns, rows)
    x = x + TREE_SPACING_M / 2 * (np.arange(len(rows)) % 2)[:, None]
    grid = np.column_stack([x.ravel(), y.ravel()])
    shaken = grid + rng.uniform(-1, 1, grid.shape)
    return shaken[shapely.contains_xy(area, shaken) & ~_near(corridor_strips(), shaken, 0.4)]


def scattered_stems(count: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Single stems over the rest of the stand, off every place where nothing is to be cut."""
    west, south, east, north = STAND.bounds
    xy = rng.uniform((west, south), (east, north), (40 * count, 2))
    stems = shapely.union_all([*GROUPS.values(), *LOOSE_CLUSTERS])
    free = (
        ~_near(stream_setback(), xy, 4)
        & ~_near(SEEP, xy, 6)
        & ~_near(LANDING, xy, 3)
        & ~_near(stems, xy, 12)
        & ~_near(corridor_strips(), xy, 1.5)
        & shapely.contains_xy(STAND.buffer(-4), xy)
    )
    return _thinned(xy[free], 2.0)[:count]


def corridor_stems(count: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Stems on the ground of new corridors, as a receiver saw them: up to 1.8 m off."""
    names = [name for name in CORRIDORS if name not in EXISTING]
    length = np.array([CORRIDORS[name].length for name in names])
    which = rng.choice(len(names), size=6 * count, p=length / length.sum())
    lines = np.array([CORRIDORS[name] for name in names])[which]
    along = rng.uniform(5, length[which] - 3)
    points = shapely.get_coordinates(shapely.line_interpolate_point(lines, along))
    ahead = shapely.get_coordinates(shapely.line_interpolate_point(lines, along - 1))
    forward = (points - ahead) / np.hypot(*(points - ahead).T)[:, None]
    across = np.column_stack([-forward[:, 1], forward[:, 0]])
    half = np.array([CORRIDOR_WIDTH_M.get(name, STATED_WIDTH_M) / 2 for name in names])[which]
    offset = rng.uniform(-1, 1, len(half)) * (half - 0.2) + np.clip(
        rng.normal(0, 0.75, len(half)), -1.8, 1.8
    )
    xy = points + across * offset[:, None]
    stems = shapely.union_all([GROUPS[name] for name in GROUPS])
    free = (
        ~_near(CORRIDORS["A"], xy, 6)
        & ~_near(stems, xy, 0.5)
        & ~_near(LANDING, xy, 3)
        & shapely.contains_xy(STAND.buffer(-3), xy)
    )
    return _thinned(xy[free], 2.5)[:count]


def stems_beside_corridors(count: int, *, inside_m: float, clear_m: float) -> NDArray[np.float64]:
    """Stems on evenly chosen places along corridors, `inside_m` inside of their edge."""
    side = corridor_strips().buffer(-inside_m).boundary
    places = side.interpolate(np.arange(count * 30) / (count * 30), normalized=True)
    xy = shapely.get_coordinates(places)
    stems = shapely.union_all([*GROUPS.values(), *LOOSE_CLUSTERS])
    free = (
        ~_near(stems, xy, 14)
        & ~_near(CORRIDORS["A"], xy, clear_m)
        & shapely.contains_xy(STAND.buffer(-10), xy)
    )
    return xy[free][:: max(1, free.sum() // count)][:count]


def _near(area: shapely.Geometry, xy: NDArray[np.float64], within_m: float) -> NDArray[np.bool_]:
    """Whether points are in the area or within a distance of it."""
    shapely.prepare(area)
    return np.asarray(shapely.dwithin(area, shapely.points(xy), within_m))


def _thinned(xy: NDArray[np.float64], apart_m: float) -> NDArray[np.float64]:
    """Points of which none lies closer than `apart_m` to an earlier one."""
    near = KDTree(xy).query_pairs(apart_m * (1 + 1e-9), output_type="ndarray")
    close = near[np.hypot(*(xy[near[:, 0]] - xy[near[:, 1]]).T) < apart_m]
    kept = np.ones(len(xy), dtype=bool)
    for first, second in close[np.lexsort(close.T)]:  # by the later point: the earlier is settled
        kept[second] &= not kept[first]
    return xy[kept]
