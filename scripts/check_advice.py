"""
The smallest set against a greedy choice: ``python scripts/check_advice.py [--openings 200]``.

Random groups of 15 to 40 crowns (seeded), each 5 to 60 % over its limit or 2 to 12 m too close to
another. The greedy choice spares, one by one, the tree that brings the opening nearest to its
limit, and gives back the trees that it turns out not to need. Prints one line a kind of limit: how
often the smallest set was proved, how often greedy needed more trees, and the time.

Then groups under each rule against a trial of all sets: openings of 8 to 13 crowns of which trees
on the edge may be spared as long as they stay in one piece, and rows of 4 to 7 groups too close to
one another of which each stays as a whole or not at all.
"""

import argparse
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from itertools import combinations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from glademark.advice.need_area import Area
from glademark.advice.needs import Apart, Need
from glademark.advice.outcome import Wish, smallest
from glademark.advice.program import CRUMB_M2, Bonds, Unsplit, bonds_of, on_edge
from glademark.advice.spared_holes import Spared, SparedHoles, faces_of, spared_holes
from glademark.measure.crowns import crown_discs
from glademark.measure.edges import united_by
from glademark.measure.holes import EdgeRule
from glademark.project.job_settings import GroupRule

Posed = tuple[Need, int]

CROWNS_ONLY = EdgeRule(
    edge="marked_crowns",
    radius_m=np.zeros(1),
    deducted=True,
    leave_stems=np.array([shapely.MultiPoint()], dtype=object),
    leave_crowns=np.array([shapely.MultiPolygon()], dtype=object),
)
"""Openings that are the crowns cut less those that stand."""


def openings(random: np.random.Generator, sizes: list[int], apart_m: float) -> SparedHoles:
    """Tagged openings of crowns thrown around centres in a row."""
    spots = [
        random.normal((apart_m * i, 0.0), 1.6 * np.sqrt(size), (size, 2))
        for i, size in enumerate(sizes)
    ]
    members = np.repeat(np.arange(len(sizes)), sizes)
    radius = random.uniform(1.5, 4.5, sum(sizes))
    stems = np.asarray(shapely.points(np.concatenate(spots)), dtype=object)
    discs = crown_discs(stems, radius_m=radius, bearing=0.0)
    holes = united_by(discs, members)[1]
    frame = gpd.GeoDataFrame(
        {"opening": np.arange(1, len(sizes) + 1), "basis": "tagged"}, geometry=holes
    )
    return spared_holes(
        frame,
        members=pd.Series(members),
        crowns=(stems, discs),
        may_stay=np.ones(len(discs), bool),
        rule=CROWNS_ONLY,
        link_distance_m=0.0,
    )


def too_large(random: np.random.Generator) -> Posed:
    """One opening over its limit."""
    size = int(random.integers(15, 41))
    holes = openings(random, [size], 0.0)
    most = holes.openings[0].hole.area / random.uniform(1.05, 1.6)
    need = Area(
        limit="opening_area_max",
        feature="1",
        holes=holes,
        places=(0,),
        faces=(faces_of(holes, 0),),
        most_m2=float(most),
    )
    return need, size


def too_close(random: np.random.Generator) -> Posed:
    """Two openings nearer than they may be."""
    sizes = [int(size) for size in random.integers(15, 31, 2)]
    holes = openings(random, sizes, float(random.uniform(25, 45)))
    one, two = holes.openings
    least = float(shapely.distance(one.hole, two.hole)) + random.uniform(2, 12)
    need = Apart(
        limit="opening_spacing_min",
        feature="1, 2",
        holes=holes,
        places=(0, 1),
        faces=(faces_of(holes, 0), faces_of(holes, 1)),
        least_m=least,
    )
    return need, sum(sizes)


def greedy(need: Need) -> Spared:
    """Tree by tree what helps most, then those given back that are not needed."""
    spared: Spared = frozenset()
    while need.short(spared) > 0:
        left = sorted(need.trees - spared)
        if isinstance(need, Apart):  # the distance may not move before several trees stand
            near = shapely.distance(_conflict(need, spared), need.holes.discs[left])
            left = [tree for tree, away in zip(left, near, strict=True) if away == near.min()]
        spared |= {min(left, key=lambda tree: need.short(spared | {tree}))}
    for tree in sorted(spared):
        if need.short(spared - {tree}) <= 0:
            spared -= {tree}
    return spared


def _conflict(need: Apart, spared: Spared) -> shapely.Geometry:
    """Shortest line between the two openings."""
    one, two = (need.holes.hole(place, spared) for place in need.places)
    return shapely.shortest_line(one, two)


def compared(kind: str, number: int, seed: int) -> Iterator[tuple[int, int, bool, float]]:
    """Trees of the smallest set, of the greedy choice, whether proved, and seconds."""
    make = {"area": too_large, "spacing": too_close}[kind]
    for i in range(number):
        need, size = make(np.random.default_rng([seed, i]))
        start = time.perf_counter()
        costs = (np.ones(size), np.zeros(size))
        found = smallest(Wish(needs=[need], keeps=(), rows=(), areas=(), costs=costs))
        seconds = time.perf_counter() - start
        if found.spared is None or need.short(found.spared) > 0:
            msg = f"{kind}, case {i}: no set found that measures inside the limit"
            raise RuntimeError(msg)
        yield len(found.spared), len(greedy(need)), found.proved, seconds


def edge_case(random: np.random.Generator) -> tuple[Wish, Iterable[Spared], Callable[..., bool]]:
    """One opening over its limit, every set of trees on its edge, and what an answer must keep."""
    size = int(random.integers(8, 14))
    holes = openings(random, [size], 0.0)
    whole = holes.openings[0].hole
    need = Area(
        limit="opening_area_max",
        feature="1",
        holes=holes,
        places=(0,),
        faces=(faces_of(holes, 0),),
        most_m2=float(whole.area / random.uniform(1.05, 1.4)),
    )
    edge = np.flatnonzero(on_edge(holes.discs)).tolist()
    sets = [frozenset(one) for n in range(len(edge) + 1) for one in combinations(edge, n)]

    def fits(spared: Spared) -> bool:
        left = shapely.get_parts(holes.hole(0, spared))
        left = left[shapely.area(left) > CRUMB_M2]
        parts = [int(shapely.intersects(left, part).sum()) for part in shapely.get_parts(whole)]
        return need.short(spared) <= 0 and max(parts) <= 1

    bonds = _bonds(holes, "edge_trees")
    keeps = (Unsplit(holes=holes, place=0, faces=need.faces[0]),)
    return _wish([need], bonds, keeps, size), [*sets, frozenset(range(size))], fits


def whole_case(random: np.random.Generator) -> tuple[Wish, Iterable[Spared], Callable[..., bool]]:
    """Groups in a row, every set of whole groups, and what an answer must keep."""
    sizes = random.integers(3, 9, int(random.integers(4, 8))).tolist()
    holes = openings(random, sizes, float(random.uniform(10, 30)))
    least = float(random.uniform(5, 20))
    faces = [faces_of(holes, place) for place in range(len(sizes))]
    needs: list[Need] = [
        Apart(
            limit="opening_spacing_min",
            feature=f"{one}, {two}",
            holes=holes,
            places=(one, two),
            faces=(faces[one], faces[two]),
            least_m=least,
        )
        for one, two in combinations(range(len(sizes)), 2)
    ]
    needs = [need for need in needs if need.short(frozenset()) > 0]
    members = [frozenset(opening.members) for opening in holes.openings]
    sets = [
        frozenset[int]().union(*one)
        for n in range(len(members) + 1)
        for one in combinations(members, n)
    ]

    def fits(spared: Spared) -> bool:
        return all(need.short(spared) <= 0 for need in needs)

    return _wish(needs, _bonds(holes, "whole"), (), sum(sizes)), sets, fits


def _bonds(holes: SparedHoles, rule: GroupRule) -> Bonds:
    """Bonds of all openings, every tree of which may stay; no other trees are about."""
    stems = shapely.centroid(holes.discs)
    return bonds_of(holes, stems, np.ones(len(stems), bool), rule)


def _wish(needs: list[Need], bonds: Bonds, keeps: tuple[Unsplit, ...], size: int) -> Wish:
    """What is asked of the search, fewest trees first."""
    return Wish(
        needs=needs,
        keeps=keeps,
        rows=tuple(row for rows in bonds.rows.values() for row in rows),
        areas=(),
        costs=(np.ones(size), np.zeros(size)),
        together=bonds.together,
    )


def tried(kind: str, number: int, seed: int) -> Iterator[tuple[int, int, bool, float]]:
    """Trees of the smallest set, of the smallest that was tried, whether proved, and seconds."""
    make = {"edge_trees": edge_case, "whole": whole_case}[kind]
    for i in range(number):
        wish, sets, fits = make(np.random.default_rng([seed, i]))
        start = time.perf_counter()
        found = smallest(wish) if wish.needs else None
        seconds = time.perf_counter() - start
        spared = frozenset[int]() if found is None else found.spared
        if spared is None or not fits(spared):
            msg = f"{kind}, case {i}: no set found that measures inside the limit in one piece"
            raise RuntimeError(msg)
        least = next(len(one) for one in sorted(sets, key=len) if fits(one))
        yield len(spared), least, found is None or found.proved, seconds


def print_tried(number: int, seed: int) -> int:
    """Print the table of the rules for groups; the number of cases with another size than tried."""
    print("\n| groups | cases | proved | equal to a trial of all sets | s, median |")
    print("|---|---|---|---|---|")
    other = 0
    for kind in ("whole", "edge_trees"):
        rows = np.array(list(tried(kind, number, seed)))
        equal = int((rows[:, 0] == rows[:, 1]).sum())
        other += len(rows) - equal
        proved = int(rows[:, 2].sum())
        print(f"| {kind} | {len(rows)} | {proved} | {equal} | {np.median(rows[:, 3]):.2f} |")
    return other


def main() -> int:
    """Print the tables; exit with 1 if greedy was ever better, or a trial found another size."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[1])
    parser.add_argument("--openings", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    print(
        "| limit | cases | proved | greedy took more | most more | greedy took fewer | s, median |"
    )
    print("|---|---|---|---|---|---|---|")
    worse = 0
    for kind in ("area", "spacing"):
        rows = np.array(list(compared(kind, asked.openings, asked.seed)))
        more = rows[:, 1] - rows[:, 0]
        worse += int((more < 0).sum())
        print(
            f"| {kind} | {len(rows)} | {int(rows[:, 2].sum())} | {int((more > 0).sum())} | "
            f"{int(more.max())} trees | {int((more < 0).sum())} | {np.median(rows[:, 3]):.2f} |"
        )
    worse += print_tried(asked.openings, asked.seed)
    return int(worse > 0)


if __name__ == "__main__":
    sys.exit(main())
