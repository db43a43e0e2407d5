"""
The same areas from a second engine that does not rest on GEOS: an integer clipper.

Strips, discs and widened outlines are built here by plain arithmetic from the rules: bends round
with 16 segments a quarter, free ends square, discs of 64 corners with the area of their circle,
the first corner along the longest edge of the stand.
"""

import itertools
import math
from collections.abc import Callable, Iterable, Mapping, Sequence

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyclipper  # type: ignore[import-untyped]  # ships no types
import pytest
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.contracts.layout import Layout
from glademark.contracts.survey import Survey
from glademark.jobs.layout import Outcome
from glademark.measure.layout import measure_layout

Ring = npt.NDArray[np.float64]
Rings = list[Ring]
LayoutOf = Callable[..., Layout]
MarksAt = Callable[..., list[dict[str, object]]]

SCALE = 2.0**22  # whole units a metre
ORIGIN = np.array([412_500.0, 5_138_400.0])
STEP = math.pi / 32  # of an arc: 16 segments a quarter
PLAIN = {"standing_crown_radius": "0 m", "leave_tree_crowns": "deducted"}
"""Openings that are crowns less those of leave trees, or as walked: edges have their own tests."""


def at(*positions: tuple[float, float]) -> Ring:
    """Positions seen from the origin."""
    found: Ring = ORIGIN + np.array(positions)
    return found


def combined(kind: int, subject: Rings, clip: Rings) -> Rings:
    """Rings of two areas put together: outer ones counterclockwise, holes clockwise."""
    engine = pyclipper.Pyclipper()
    for rings, role in ((subject, pyclipper.PT_SUBJECT), (clip, pyclipper.PT_CLIP)):
        whole = [np.rint((ring - ORIGIN) * SCALE).astype(np.int64).tolist() for ring in rings]
        if whole:
            engine.AddPaths(whole, role, closed=True)
    fill = pyclipper.PFT_NONZERO
    return [np.array(ring) / SCALE + ORIGIN for ring in engine.Execute(kind, fill, fill)]


def union(rings: Rings) -> Rings:
    """All of some areas, overlaps once."""
    return combined(pyclipper.CT_UNION, rings, []) if rings else []


def both(one: Rings, other: Rings) -> Rings:
    """What two areas share."""
    return combined(pyclipper.CT_INTERSECTION, one, other) if one and other else []


def less(one: Rings, other: Rings) -> Rings:
    """One area without another."""
    return combined(pyclipper.CT_DIFFERENCE, one, other) if one else []


def signed_area(ring: Ring) -> float:
    """Area of a ring, positive counterclockwise."""
    x, y = (ring - ring[0]).T
    return float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) / 2


def area(rings: Rings) -> float:
    """Area of rings of which holes run clockwise."""
    return sum(map(signed_area, rings))


def counterclockwise(ring: npt.ArrayLike) -> Ring:
    """The ring, turned round if need be."""
    corners = np.asarray(ring, dtype=float)
    return corners if signed_area(corners) > 0 else corners[::-1]


def rings_of(*shapes: BaseGeometry) -> Rings:
    """Rings of polygons as they were drawn."""
    polygons = itertools.chain.from_iterable(
        shape.geoms if isinstance(shape, shapely.MultiPolygon) else [shape] for shape in shapes
    )
    found: Rings = []
    for polygon in polygons:
        assert isinstance(polygon, shapely.Polygon)
        found.append(counterclockwise(polygon.exterior.coords[:-1]))
        found.extend(counterclockwise(hole.coords[:-1])[::-1] for hole in polygon.interiors)
    return found


def unit(vector: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """The vector, 1 long."""
    return vector / math.hypot(*vector)


def cross(a: npt.NDArray[np.float64], b: npt.NDArray[np.float64]) -> float:
    """Area of the parallelogram of two vectors."""
    return float(a[0] * b[1] - a[1] * b[0])


def longest_edge(stand: Rings) -> float:
    """Direction of the longest edge [rad]."""
    edges = np.concatenate([np.roll(ring, -1, axis=0) - ring for ring in stand])
    longest = edges[np.argmax(np.hypot(*edges.T))]
    return math.atan2(longest[1], longest[0])


def corners_round(centre: Sequence[float], radius: float, bearing: float) -> Ring:
    """Regular polygon of 64 corners on a circle."""
    turn = bearing + 2 * math.pi * np.arange(64) / 64
    return np.asarray(centre) + radius * np.column_stack([np.cos(turn), np.sin(turn)])


def crown(centre: Sequence[float], radius: float, bearing: float) -> Ring:
    """Regular polygon of 64 corners with the area of a circle: n/2 sin(2 pi / n) r^2 = pi R^2."""
    return corners_round(
        centre, radius * math.sqrt(math.pi / (32 * math.sin(math.pi / 32))), bearing
    )


def fan(corner: Ring, start: Ring, turn: float) -> Ring:
    """Sector round a corner from an arm on, in steps of an arc."""
    steps = max(1, math.floor(abs(turn) / STEP + 0.5))
    angles = math.atan2(start[1], start[0]) + turn * np.arange(steps + 1) / steps
    arc = corner + math.hypot(*start) * np.column_stack([np.cos(angles), np.sin(angles)])
    return counterclockwise(np.vstack([corner, arc]))


def strip(line: Ring, width: float) -> Rings:
    """Rings that together are the strip of a line: a rectangle a segment, a fan a bend."""
    half, found = width / 2, []
    for a, b in itertools.pairwise(line):
        across = half * unit(b - a)[::-1] * [-1, 1]
        found.append(counterclockwise([a + across, b + across, b - across, a - across]))
    for a, b, c in zip(line, line[1:], line[2:], strict=False):
        one, two = unit(b - a), unit(c - b)
        turn = math.atan2(cross(one, two), float(one @ two))
        arm = half * np.array([one[1], -one[0]]) * math.copysign(1, turn)
        if abs(turn) > 1e-9:
            found.append(fan(b, arm, turn))
    return union(found)


def widened(rings: Rings, width: float) -> Rings:
    """Area out to a width: a rectangle on every edge, a fan on every corner that juts out."""
    found = list(rings)
    for ring in rings:
        edges = np.roll(ring, -1, axis=0) - ring
        out = [width * np.array([e[1], -e[0]]) / math.hypot(*e) for e in edges]
        for i, corner in enumerate(ring):
            nxt = ring[(i + 1) % len(ring)]
            found.append(counterclockwise([corner, nxt, nxt + out[i], corner + out[i]]))
            turn = math.atan2(cross(out[i - 1], out[i]), float(out[i - 1] @ out[i]))
            if turn > 1e-9:
                found.append(fan(corner, out[i - 1], turn))
    return union(found)


def foot(point: Ring, a: Ring, b: Ring) -> float:
    """Distance from a point to a segment."""
    share = min(1.0, max(0.0, float((point - a) @ (b - a) / ((b - a) @ (b - a)))))
    return math.hypot(*(point - a - share * (b - a)))


def met(start: Ring, ahead: Ring, a: Ring, b: Ring) -> float:
    """How far ahead of a point a segment is met; infinite where it is not."""
    base = cross(ahead, b - a)
    if abs(base) < 1e-12:
        return math.inf
    way, share = cross(a - start, b - a) / base, cross(a - start, ahead) / base
    return way if 0 <= share <= 1 and way >= 0 else math.inf


def carried(lines: Sequence[Ring], widths: Sequence[float]) -> list[Ring]:
    """Lines whose ends near another strip run straight on to its centre line."""
    found = []
    for i, line in enumerate(lines):
        new = line
        for end, before, at_end in ((line[0], line[1], False), (line[-1], line[-2], True)):
            ahead = unit(end - before)
            near = [
                (foot(end, a, b), j, min(met(end, ahead, a, b), 99), met(end, -ahead, a, b))
                for j, other in enumerate(lines)
                if j != i
                for a, b in itertools.pairwise(other)
            ]
            close = [n for n in near if n[0] <= 0.5 + widths[n[1]] / 2]
            if not close or min(close)[0] <= 0.001:
                continue
            away, _, forward, back = min(close)
            if back > 4 * away and forward <= 4 * away:
                more = (end + forward * ahead)[None, :]
                new = np.vstack([new, more] if at_end else [more, new])
        found.append(new)
    return found


def node_discs(lines: Sequence[Ring], widths: Sequence[float], bearing: float) -> dict[int, Rings]:
    """Discs of the least half-width where ends of two lines meet, by line."""
    ends = [(i, line[k]) for i, line in enumerate(lines) for k in (0, -1)]
    found: dict[int, Rings] = {}
    for (i, one), (j, other) in itertools.permutations(ends, 2):
        if math.hypot(*(one - other)) <= 0.5:
            least = min(widths[i], widths[j]) / 2
            found.setdefault(i, []).append(corners_round(one, least, bearing))
    return found


def combined_sets(holes: Mapping[int, Rings]) -> list[set[int]]:
    """Numbers of holes that overlap, hole by hole."""
    sets: list[set[int]] = []
    for number, hole in holes.items():
        touching = [s for s in sets if any(both(hole, holes[other]) for other in s)]
        sets = [s for s in sets if s not in touching]
        sets.append({number}.union(*touching))
    return sets


class Engine:
    """A layout measured a second time, from its inputs and from who belongs to which opening."""

    def __init__(
        self,
        stand: Rings,
        lines: Sequence[tuple[Ring, float]],
        openings: Mapping[int, Callable[[float], Rings]],
        above: Sequence[Rings],
    ) -> None:
        self.stand = stand
        self.bearing = longest_edge(stand)
        self.above = above  # exclusions and landings
        self.widths = [width for _, width in lines]
        paths = carried([line for line, _ in lines], self.widths)
        discs = node_discs(paths, self.widths, self.bearing)
        self.strips = [
            both(union(strip(path, width) + discs.get(i, [])), stand)
            for i, (path, width) in enumerate(zip(paths, self.widths, strict=True))
        ]
        self.corridors = union([ring for rings in self.strips for ring in rings])
        self.openings = {number: build(self.bearing) for number, build in openings.items()}

    def zones(self) -> dict[str, float]:
        """Area of each zone."""
        holes = union([ring for rings in self.openings.values() for ring in rings])
        rest, found = self.stand, {}
        names = ("exclusion", "landing", "corridor", "opening")
        for name, layer in zip(names, [*self.above, self.corridors, holes], strict=True):
            found[name] = area(both(rest, layer))
            rest = less(rest, layer)
        return {**found, "matrix": area(rest)}

    def combined(self) -> dict[str, float]:
        """Area of each combined opening, by the numbers in it."""
        holes = {}
        for number, hole in self.openings.items():
            rings = list(hole)
            for ground, width in zip(self.strips, self.widths, strict=True):
                if both(ground, hole):
                    rings += both(ground, widened(hole, width))
            holes[number] = union(rings)
        return {
            ", ".join(map(str, sorted(members))): area(
                union([ring for number in members for ring in holes[number]])
            )
            for members in combined_sets(holes)
        }


def assert_same_areas(engine: Engine, layout: Layout) -> None:
    """Every area of the layout within a millionth of the engine's."""
    corridors = layout.corridors["area_m2"].tolist()
    assert corridors == pytest.approx([area(rings) for rings in engine.strips], rel=1e-6)
    assert layout.figures.corridors.area_m2 == pytest.approx(area(engine.corridors), rel=1e-6)
    openings = dict(zip(layout.openings["opening"], layout.openings["area_m2"], strict=True))
    expected = {number: area(rings) for number, rings in engine.openings.items()}
    assert openings == pytest.approx(expected, rel=1e-6)
    combined = layout.combined_openings.set_index("openings")["area_m2"].to_dict()
    assert combined == pytest.approx(engine.combined(), rel=1e-6)
    zones = {name: zone.area_m2 for name, zone in layout.figures.zones.items()}
    assert zones == pytest.approx(engine.zones(), rel=1e-6)


def crowns(
    trees: Iterable[tuple[Sequence[float], float]], leave: Iterable[tuple[Sequence[float], float]]
) -> Callable[[float], Rings]:
    """Area of the crowns of some trees less those of leave trees, once the bearing is known."""
    trees, leave = list(trees), list(leave)

    def build(bearing: float) -> Rings:
        taken = [crown(centre, radius, bearing) for centre, radius in trees]
        kept = [crown(centre, radius, bearing) for centre, radius in leave]
        return less(union(taken), kept)

    return build


def outline(ring: npt.ArrayLike) -> Callable[[float], Rings]:
    """A walked outline, whatever the bearing."""
    return lambda _: [counterclockwise(ring)]


def touching_sets(trees: Sequence[tuple[Sequence[float], float]]) -> list[list[int]]:
    """Trees whose crowns touch, tree by tree."""
    open_still, sets = set(range(len(trees))), []
    while open_still:
        front, members = [open_still.pop()], []
        while front:
            i = front.pop()
            members.append(i)
            near = {
                j
                for j in open_still
                if math.dist(trees[i][0], trees[j][0]) <= trees[i][1] + trees[j][1]
            }
            open_still -= near
            front.extend(near)
        sets.append(sorted(members))
    return sets


def test_two_hundred_marks_measured_by_a_clipper(layout_of: LayoutOf, marks_at: MarksAt) -> None:
    """
    Corridors, openings by crowns, zones and combined holes agree with the clipper within 1e-6.

    A slanting stand with a hole, a bend, a corner of two lines, a branch short of its main
    corridor, leave trees, an exclusion and a landing; 200 trees with crowns of 1.5 m to 5 m.
    """
    rng = np.random.default_rng(42)
    west, south = ORIGIN
    stand = shapely.Polygon(
        at((0, 0), (290, 40), (330, 260), (120, 300), (-30, 180)),
        [at((60, 120), (60, 150), (90, 150), (90, 120))],
    )
    lines = [
        (at((-50, 60.0), (150, 100), (400, 90)), 4.2672),
        (at((170, 280.0), (150, 190), (140, 103)), 4.0),
        (at((200, 97.0), (260, 180)), 3.5),
        (at((260.0, 180), (310, 200)), 5.0),
    ]
    spots = ORIGIN + np.column_stack([rng.uniform(0, 300, 200), rng.uniform(40, 260, 200)])
    radii = rng.uniform(1.5, 5, 200)
    leave = [((west + 120, south + 140), 4.0), ((west + 220, south + 150), 5.5)]
    exclusion, landing = (
        shapely.box(*(ORIGIN + 200), *(ORIGIN + 240)),
        shapely.box(west + 150, south + 60, west + 200, south + 100),
    )
    layout = layout_of(
        stand,
        project={"openings": {**PLAIN, "min_trees": 3, "min_area": "60 m2"}},
        corridors=[{"geometry": shapely.LineString(c), "width_m": w} for c, w in lines],
        marks=[
            row
            for spot, radius in zip(spots.tolist(), radii.tolist(), strict=True)
            for row in marks_at(tuple(spot), crown_radius_m=radius, paint_meaning="cut")
        ],
        leave_trees=[
            {"geometry": shapely.Point(spot), "crown_radius_m": radius} for spot, radius in leave
        ],
        exclusions=[exclusion],
        landings=[landing],
    )
    trees = list(zip(spots.tolist(), radii.tolist(), strict=True))
    sets = touching_sets(trees)
    bearing = longest_edge(rings_of(stand))
    large = [
        s for s in sets if len(s) >= 3 and area(crowns([trees[i] for i in s], leave)(bearing)) >= 60
    ]
    numbers = [int(layout.marks["opening"].iloc[s[0]]) for s in large]
    engine = Engine(
        rings_of(stand),
        lines,
        {n: crowns([trees[i] for i in s], leave) for n, s in zip(numbers, large, strict=True)},
        [rings_of(exclusion), rings_of(landing)],
    )
    everyone = union([crown(spot, radius, bearing) for spot, radius in trees])

    assert len(set(numbers)) == len(large) == len(layout.openings) > 5
    assert layout.figures.openings.components == len(sets)
    assert layout.figures.openings.components_area_m2 == pytest.approx(area(everyone), rel=1e-6)
    assert_same_areas(engine, layout)


def crowns_of(trees: gpd.GeoDataFrame) -> list[tuple[Sequence[float], float]]:
    """Position and crown radius of each tree."""
    spots = shapely.get_coordinates(trees.geometry.to_numpy()).tolist()
    return list(zip(spots, trees["crown_radius_m"].tolist(), strict=True))


def stated_openings(survey: Survey, layout: Layout) -> dict[int, Callable[[float], Rings]]:
    """Each opening of a layout from its walked outline, else from the crowns of its marks."""
    walked = {
        key: shapely.get_coordinates(shape)[:-1]
        for key, shape in zip(keys(survey.walked), survey.walked.geometry, strict=True)
    }
    corners = survey.marks[survey.marks["kind"] == "group_boundary"].sort_values("order")
    for key, points in corners.groupby(keys(corners)):
        walked.setdefault(str(key), shapely.get_coordinates(points.geometry.to_numpy()))
    cut = layout.marks[(layout.marks["kind"] == "cut") & (layout.marks["zone"] != "corridor")]
    leave = crowns_of(layout.leave_trees)
    names = zip(layout.openings["opening"].tolist(), keys(layout.openings), strict=True)
    return {
        number: outline(walked[key])
        if key in walked
        else crowns(crowns_of(cut[keys(cut) == key]), leave)
        for number, key in names
    }


def keys(rows: pd.DataFrame) -> pd.Series:
    """Names of groups as they are compared."""
    return rows["group"].str.strip().str.casefold()


def test_the_sample_measured_by_a_clipper(sample_run: Outcome) -> None:
    """Corridors, openings, zones and combined holes of the sample agree within 1e-6."""
    survey, project = sample_run.delivery.survey, sample_run.delivery.project
    plain = {"standing_crown_radius_m": 0.0, "leave_tree_crowns": "deducted"}
    openings_as = project.openings.model_copy(update=plain)
    layout = measure_layout(
        survey, project.model_copy(update={"openings": openings_as}), earlier={}
    )
    openings = stated_openings(survey, layout)
    engine = Engine(
        rings_of(*survey.stand.geometry),
        [
            (np.array(line.coords), width)
            for line, width in zip(
                survey.corridors.geometry, survey.corridors["width_m"], strict=True
            )
        ],
        openings,
        [rings_of(*survey.exclusions.geometry), rings_of(*survey.landings.geometry)],
    )

    assert set(layout.openings["basis"]) >= {"walked", "tagged"}
    assert_same_areas(engine, layout)


def test_the_clipper_notices_a_wrong_area(layout_of: LayoutOf) -> None:
    """A strip that is a millimetre too wide does not pass: the second engine can tell."""
    stand = shapely.box(*ORIGIN, *(ORIGIN + 200))
    line = at((0.0, 100), (200, 100))
    layout = layout_of(stand, corridors=[shapely.LineString(line)])
    engine = Engine(rings_of(stand), [(line, 4.001)], {}, [[], []])

    with pytest.raises(AssertionError):
        assert_same_areas(engine, layout)
