"""
The chance that each mark stands in each zone, and what the zones' wood may truly be.

Trees to cut are dense in corridors and sparse between them, so a mark recorded beside a corridor is
likelier to stand in it than the normal distribution alone would say. The density of each zone is
drawn together with the trees' zones (a Gibbs sampler). Paint and groups decide as they do in the
tally; only where they leave it to the position does the error matter.

Noise on vertices makes a corridor longer than it is, and the recorded line has been made longer
once already: what noise adds to it is taken as what it added to the true one.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.special import ndtri
from shapely.geometry.base import BaseGeometry

from glademark.contracts.frames import FloatArray, IntArray
from glademark.contracts.layout import ZONE_NAMES
from glademark.measure.figures import area_names
from glademark.measure.zones import final_zone
from glademark.uncertainty.errors import PositionErrors, line_shifts
from glademark.uncertainty.openings import Field

NODES = 256
"""Places tried for each mark near a line; the chance is good to about one percent."""

REACH = 4.5
"""Marks farther than so many standard errors from every edge are taken to be where they plot."""

POOL = 128
"""Shared errors that are tried in turn."""

CELL = 2.5
"""Side of the square in which a line's error is one, over the distance that it is alike: what its
correlation comes to along the line."""

FEW = 10.0
"""So many trees of a kind tell as much of its densities as the prior does at first."""

BESIDE = 3.0
"""Marks within so many standard errors of a corridor tell of the error of its line."""

SETTLE = 30
"""Rounds before the first draw is kept."""

_STEP = (0.7548776662466927, 0.5698402909980532)  # of the plane's most even additive sequence
_CHUNK = 1_000_000
_ROUNDS = 40
_NEVER = 1e-12  # chance of a mark that no zone holds


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Places:
    """Marks and what decides their zone."""

    recorded: FloatArray  # recorded coordinates [m]; shape (n, 2)
    errors: PositionErrors  # of the positions
    final: IntArray
    """Number of the final zone in `ZONE_NAMES` for each zone that the mark may stand in; shape (n,
    5)."""
    layer: IntArray
    """Number of the kind of mark that has densities of its own, -1 for marks of a stated group;
    shape (n,)."""


def final_zones(painted: pd.Series, in_group: pd.Series) -> IntArray:
    """
    Final zone of marks for each zone that they may stand in.

    Returns
    -------
    final
        Numbers in `ZONE_NAMES`, by the rules of the tally; shape (n, 5).
    """
    number = {name: i for i, name in enumerate(ZONE_NAMES)}
    said, grouped = painted.to_numpy(dtype=object), in_group.to_numpy(dtype=bool)
    columns = []
    for zone in ZONE_NAMES:
        there = np.full(len(said), zone, dtype=object)
        corridor_wood = (said == "") & (zone == "corridor")
        inside = (grouped & ~corridor_wood) | (zone == "opening")
        found = final_zone(there, said, in_opening=inside)
        columns.append(pd.Series(found).map(number).to_numpy())
    return np.column_stack(columns).astype(np.intp)


def nodes_of_normal(count: int) -> FloatArray:
    """Places that fill the standard normal distribution of the plane evenly."""
    even = (0.5 + np.arange(1, count + 1)[:, None] * np.array(_STEP)) % 1.0
    return np.asarray(ndtri(even))


def zones_at(points: FloatArray, zones: Mapping[str, BaseGeometry]) -> IntArray:
    """
    Number of the zone at each point.

    Parameters
    ----------
    points
        Coordinates [m]; shape (n, 2).

    Returns
    -------
    numbers
        In `ZONE_NAMES`, -1 outside the stand; shape (n,).
    """
    found = np.full(len(points), -1, dtype=np.intp)
    for number, name in enumerate(ZONE_NAMES):
        if name in zones and not shapely.is_empty(zones[name]):
            left = np.flatnonzero(found < 0)
            shapely.prepare(zones[name])
            hit = shapely.intersects_xy(zones[name], points[left, 0], points[left, 1])
            found[left[hit]] = number
    return found


def zone_draws(
    places: Places,
    zones: Mapping[str, BaseGeometry],
    *,
    shared: FloatArray,
    line: tuple[float, float],
    rng: np.random.Generator,
) -> IntArray:
    """
    Final zones that the marks may truly have.

    Parameters
    ----------
    zones
        The partition, projected CRS in metres.
    shared
        Drawn errors that fixes share, recorded less true [m]; shape (draws, n, 2).
    line
        Horizontal root mean square error of corridor lines, and distance over which it is alike
        [m]; it counts like an error that the marks at a stretch of line share.

    Returns
    -------
    numbers
        In `ZONE_NAMES`; shape (draws, n).
    """
    own = zones_at(places.recorded, zones)
    own = np.where(own < 0, ZONE_NAMES.index("matrix"), own)
    row = np.arange(len(own))
    drawn = np.broadcast_to(places.final[row, own], (len(shared), len(own))).copy()
    total = np.hypot(places.errors.total_m, line[0] / np.sqrt(2))
    near = np.flatnonzero(_near_an_edge(places, zones, total))
    if len(near):
        alone = np.hypot(places.errors.alone_m[near], line[0] / np.sqrt(2))
        parts = (alone, places.errors.shared_m[near])
        chances = _located_chances(places.recorded[near], zones, parts, shared[:POOL, near])
        area = np.array([zones[z].area if z in zones else 0.0 for z in ZONE_NAMES])
        fixed = _sure_counts(places.layer, near, own, area)
        area = area + _prior_ground(places.layer, area)
        kind, sets = (
            places.layer[near],
            np.unique(places.errors.together[near], return_inverse=True)[1],
        )
        told = 1.0
        if min(line) > 0 and "corridor" in zones:
            beside, stretch = _stretches(
                places.recorded[near], zones["corridor"], total[near], line[1]
            )
            told = _told(chances.mean(axis=0), kind, (fixed, area), (beside, stretch))
        located = _gibbs(
            chances, (kind, own[near], sets), (fixed * told, area * told, told), len(shared), rng
        )
        drawn[:, near] = places.final[near[None], located]
    return drawn


def _stretches(
    at: FloatArray, corridor: BaseGeometry, error_m: FloatArray, length_m: float
) -> tuple[npt.NDArray[np.bool_], IntArray]:
    """Marks beside a corridor, and the stretch of it that each is beside."""
    ways = shapely.shortest_line(shapely.points(at), corridor)
    foot = shapely.get_coordinates(shapely.get_point(ways, -1))
    beside = shapely.length(ways) <= BESIDE * error_m
    cell = np.floor(foot / (CELL * length_m)).astype(np.intp)
    return beside, np.unique(cell, axis=0, return_inverse=True)[1].reshape(-1)


def _told(
    chances: FloatArray,
    kind: IntArray,
    ground: tuple[FloatArray, FloatArray],
    along: tuple[npt.NDArray[np.bool_], IntArray],
) -> float:
    """
    How much the marks tell of the densities, against marks that each err alone.

    Marks at a stretch of line share its error. The variance of the sums over stretches, against
    that of the marks taken singly, is their design effect (as in cluster sampling); its inverse
    weighs what is counted.
    """
    (fixed, area), (beside, stretch) = ground, along
    density = np.ones(fixed.shape)
    for _ in range(_ROUNDS):
        weight = chances * density[kind]
        share = weight / np.maximum(weight.sum(axis=1, keepdims=True), _NEVER)
        trees = fixed.copy()
        np.add.at(trees, kind, share)
        density = (trees + 0.5) / area
        density[-1] = 1.0
    counted = beside & (kind >= 0)
    if counted.sum() <= 1:
        return 1.0
    score = share[counted, ZONE_NAMES.index("corridor")]
    score = score - score.mean()
    sums = np.bincount(stretch[counted], weights=score)
    single = float(np.square(score).sum())
    return min(1.0, single / max(float(np.square(sums).sum()), _NEVER)) if single > 0 else 1.0


def _near_an_edge(
    places: Places, zones: Mapping[str, BaseGeometry], error_m: FloatArray
) -> npt.NDArray[np.bool_]:
    """Whether a mark's zone hangs on its error."""
    edges = [shapely.boundary(zones[zone]) for zone in zones if not shapely.is_empty(zones[zone])]
    lines = shapely.get_parts(shapely.union_all(np.array(edges, dtype=object)))
    _, away = shapely.STRtree(lines).query_nearest(
        shapely.points(places.recorded), all_matches=False, return_distance=True
    )
    open_still = (places.final != places.final[:, :1]).any(axis=1)
    return np.asarray(open_still & (away <= REACH * error_m))


def _located_chances(
    at: FloatArray,
    zones: Mapping[str, BaseGeometry],
    parts: tuple[FloatArray, FloatArray],
    shared: FloatArray,
) -> FloatArray:
    """Chance of each zone by position alone, for each draw of the shared error (draws, m, 5)."""
    alone_m, common = parts
    total = np.hypot(alone_m, common)
    nodes = nodes_of_normal(NODES)
    tried = at[:, None] - nodes[None] * total[:, None, None]
    zone = zones_at(tried.reshape(-1, 2), zones).reshape(len(at), NODES)
    holds = (zone[..., None] == np.arange(len(ZONE_NAMES))).astype(float)
    if not common.any():
        return np.broadcast_to(holds.mean(axis=1), (len(shared), len(at), len(ZONE_NAMES)))
    chances = np.empty((len(shared), len(at), len(ZONE_NAMES)))
    certain = (total / alone_m) ** 2  # of a fix without its shared part, in units of the nodes
    near_node = np.square(nodes).sum(axis=1) / 2 * (1 - certain[:, None])
    step = max(1, _CHUNK // (len(at) * NODES))
    for start in range(0, len(shared), step):
        shift = shared[start : start + step] * (certain / total)[None, :, None]
        weight = shift @ nodes.T
        weight += near_node - np.square(shift).sum(axis=2)[..., None] / (2 * certain[:, None])
        np.exp(weight, out=weight)
        found = (weight.swapaxes(0, 1) @ holds).swapaxes(0, 1)
        chances[start : start + step] = found / weight.sum(axis=2)[..., None]
    return chances


def _gibbs(
    chances: FloatArray,
    state: tuple[IntArray, IntArray, IntArray],
    ground: tuple[FloatArray, FloatArray, float],
    count: int,
    rng: np.random.Generator,
) -> IntArray:
    """
    Zones of the uncertain marks (count, m), drawn in turn with what they hang on.

    Densities of the zones; the shared error of each set of fixes, by a new one offered in each
    round (a Metropolis step); then the zones.
    """
    (kind, own, sets), (fixed, area, told) = state, ground
    now = own
    error = rng.integers(len(chances), size=sets.max() + 1)
    mark = np.arange(len(own))
    drawn = np.empty((count, len(own)), dtype=np.intp)
    for turn in range(-SETTLE, count):
        trees = fixed.copy()
        np.add.at(trees, (kind, now), told)
        density = rng.gamma(trees + 0.5) / area
        density[-1] = 1.0
        offered = rng.integers(len(chances), size=len(error))
        weight, other = (chances[t[sets], mark] * density[kind] for t in (error, offered))
        sums, others = weight.sum(axis=1), other.sum(axis=1)
        gain = np.bincount(sets, weights=np.log(others + _NEVER) - np.log(sums + _NEVER))
        taken = np.log(rng.random(len(error))) < gain
        error = np.where(taken, offered, error)
        weight = np.where(taken[sets, None], other, weight)
        lost = weight.sum(axis=1) <= 0
        weight[lost, own[lost]] = 1.0
        ladder = np.cumsum(weight, axis=1)
        now = (ladder < rng.random((len(now), 1)) * ladder[:, -1:]).sum(axis=1)
        drawn[max(turn, 0)] = now
    return drawn


def _sure_counts(layer: IntArray, near: IntArray, own: IntArray, area: FloatArray) -> FloatArray:
    """Marks whose zone is sure, by kind and zone; those of groups in the last row."""
    sure = np.ones(len(own), dtype=bool)
    sure[near] = False
    fixed = np.zeros((int(layer.max()) + 2, len(area)))
    np.add.at(fixed, (layer[sure], own[sure]), 1.0)
    return fixed


def _prior_ground(layer: IntArray, area: FloatArray) -> FloatArray:
    """Ground that a density starts from: a tree's mean share, less the more trees tell of it."""
    trees = np.bincount(layer[layer >= 0], minlength=int(layer.max()) + 2)[:, None]
    return np.asarray(area.sum() / np.maximum(trees, 1) * FEW / (FEW + trees))


QUAD_SEGS = 4
"""Segments a quarter circle at bends; both sides of a difference have it."""


def share_draws(
    lines: gpd.GeoDataFrame,
    *,
    stand: BaseGeometry,
    error_m: float,
    length_m: float,
    count: int,
    rng: np.random.Generator,
) -> FloatArray:
    """
    How far the true share of the corridors may lie from the measured one.

    Parameters
    ----------
    lines
        LineString or MultiLineString rows `width_m`, projected CRS in metres.
    stand
        Polygon in the same CRS.
    error_m
        Horizontal root mean square error of a vertex [m].
    length_m
        Distance over which vertices err alike [m].

    Returns
    -------
    differences
        True less measured share; shape (count,).
    """
    parts = lines[["width_m", "geometry"]].explode(ignore_index=True)
    if parts.empty or error_m <= 0:
        return np.zeros(count)
    width = parts["width_m"].to_numpy(dtype=float)
    vertices, line = shapely.get_coordinates(parts.geometry.to_numpy(), return_index=True)
    shifts = line_shifts(vertices, error_m=error_m, length_m=length_m, count=count, rng=rng)
    moved = vertices[None] + np.concatenate([np.zeros((1, *vertices.shape)), shifts])
    each = line[None] + len(parts) * np.arange(count + 1)[:, None]
    drawn = shapely.linestrings(moved.reshape(-1, 2), indices=each.reshape(-1))
    half = np.tile(width / 2, count + 1)  # shapely before 2.2 takes no array of two dimensions
    strips = shapely.buffer(drawn, half, quad_segs=QUAD_SEGS, cap_style="flat")
    shapely.prepare(stand)
    unions = shapely.union_all(strips.reshape(count + 1, -1), axis=1)
    inside = shapely.intersection(unions, stand)
    share = np.asarray(shapely.area(inside)) / stand.area
    return np.asarray(share[0] - share[1:])


BARRED, OPEN = "exclusion", "matrix"
"""Names in `ZONE_NAMES` that stand for the ground inside and outside."""

BESIDE_ERRORS = 10.0
"""Ground within so many standard errors of the edge tells how dense trees stand on each side."""

BESIDE_LEAST_M = 20.0
"""The least of it [m]."""

ALIKE_M = 0.01
"""Edges this close are drawn alike [m]."""


def trees_inside(
    field: Field, places: Places, count: FloatArray, rng: np.random.Generator
) -> Iterator[tuple[tuple[str, str], FloatArray]]:
    """
    Cut trees inside each area where nothing may be cut, draw by draw.

    Parameters
    ----------
    field
        What was measured and asked, with the errors that cut marks share; shape (draws, n, 2).
    count
        Trees of each mark; shape (n,).
    """
    stand = field.layout.stand.geometry.iloc[0]
    margin = shapely.buffer(shapely.boundary(stand), ALIKE_M)  # no trees beyond it to stray in
    setbacks = field.layout.setbacks
    ruled = {
        "exclusion": field.layout.exclusions,
        "setbacks": setbacks[setbacks["rule"] == "no_cut"],
    }
    beside_m = max(BESIDE_LEAST_M, BESIDE_ERRORS * float(places.errors.total_m.max(initial=0.0)))
    for layer, areas in ruled.items():
        names = area_names(areas)
        for name, area in zip(names, areas.geometry, strict=True):
            inside = shapely.intersection(stand, area)
            if names.count(name) == 1 and shapely.area(inside) > 0:
                edge = shapely.difference(shapely.boundary(inside), margin)
                band = shapely.intersection(stand, shapely.buffer(edge, beside_m))
                at_edge = shapely.intersects_xy(band, *places.recorded.T)
                deep = shapely.intersects_xy(inside, *places.recorded.T) & ~at_edge
                ground = {
                    BARRED: shapely.intersection(band, inside),
                    OPEN: shapely.difference(band, inside),
                }
                here = np.flatnonzero(at_edge)
                drawn = _drawn(field, places, here, ground, rng)
                yield (f"trees_in_{layer}", name), drawn @ count[here] + count[deep].sum()


def _drawn(
    field: Field,
    places: Places,
    here: npt.NDArray[np.intp],
    ground: Mapping[str, BaseGeometry],
    rng: np.random.Generator,
) -> npt.NDArray[np.bool_]:
    """Whether each of some marks is inside, in each draw; the ground is only inside and outside."""
    if not len(here):
        return np.zeros((len(field.shared), 0), dtype=bool)
    located = Places(
        recorded=places.recorded[here],
        errors=places.errors.only(here),
        final=np.broadcast_to(np.arange(len(ZONE_NAMES)), (len(here), len(ZONE_NAMES))),
        layer=np.zeros(len(here), dtype=np.intp),
    )
    shared = field.shared[:, here]
    zones = zone_draws(located, ground, shared=shared, line=(0.0, 1.0), rng=rng)
    return np.asarray(zones == ZONE_NAMES.index(BARRED))
