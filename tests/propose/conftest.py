"""Tiny stands whose every connected set of trees can be tried."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
import shapely
from scipy.sparse import csr_array

from glademark.measure.crowns import crown_discs
from glademark.measure.edges import EDGES, Edge
from glademark.measure.holes import EdgeRule
from glademark.proposal.growth import Demands, Ground, Stock, crown_links, sets_of
from glademark.proposal.search import Task

POINTS_A_GROUP = 0.02


def rule_of(edge: Edge, radius_m: float) -> EdgeRule:
    """Where openings of a stand without leave trees end."""
    return EdgeRule(
        edge=edge,
        radius_m=np.array([radius_m]),
        deducted=False,
        leave_stems=np.array([shapely.MultiPoint()], dtype=object),
        leave_crowns=np.array([shapely.MultiPolygon()], dtype=object),
    )


def ground_of(edge: Edge, radius_m: float, side: float) -> Ground:
    """A square stand with nothing in it but trees."""
    return Ground(
        rule=rule_of(edge, radius_m),
        link_distance_m=0.0,
        boundary=shapely.box(0, 0, side, side).exterior,
        water=shapely.Polygon(),
        barred=shapely.Polygon(),
        left_standing=np.zeros(0, dtype=object),
        strips=np.zeros(0, dtype=object),
        strip_width_m=np.zeros(0),
    )


def tiny_stand(seed: int, *, trees: int = 15, side: float = 20.0) -> Task:
    """A stand of a few trees, and limits that bind."""
    random = np.random.default_rng(seed)
    centre = random.uniform(0, side, (trees, 2))
    radius = random.uniform(2, 3.5, trees).round(2)
    failing = random.random(trees) < 0.45
    basal = random.uniform(0.03, 0.15, trees).round(3)
    gain = np.where(failing, 3 * basal, -0.5 * basal)
    every = np.ones(trees, dtype=bool)
    stock = Stock(
        centre=centre,
        radius_m=radius,
        discs=crown_discs(shapely.points(centre), radius_m=radius, bearing=0.0),
        gain=gain,
        amounts=basal[:, None],
        may_go=every,
        cut_first=~every,
    )
    demands = Demands(
        area_min_m2=30,
        area_max_m2=float(random.uniform(80, 220)),
        spacing_m=float(random.choice([0, 2, 5])),
        area_total_max_m2=float(random.uniform(0.25, 0.6) * side**2),
        amounts_max=(float(random.uniform(0.3, 0.7) * basal.sum()),),
        groups_min=0,
        groups_max=3,
        min_trees=2,
    )
    return Task(
        stock=stock,
        ground=ground_of(EDGES[seed % 3], float(np.median(radius)), side),
        demands=demands,
        scoring=lambda pool: pool.sets @ gain - POINTS_A_GROUP,
        group_points=POINTS_A_GROUP,
    )


def connected_sets(task: Task) -> csr_array:
    """Every set of two and more linked trees that the allowance may hold."""
    links = crown_links(task.stock, link_distance_m=task.ground.link_distance_m)
    beside = [set(links[[tree]].indices.tolist()) for tree in range(links.shape[0])]
    basal, most = task.stock.amounts[:, 0], task.demands.amounts_max[0]
    level = {frozenset([tree]) for tree in range(len(basal))}
    found: set[frozenset[int]] = set()
    while level:
        found |= level
        more = {
            one | {tree}
            for one in level
            for tree in set().union(*(beside[member] for member in one)) - one
        }
        level = {one for one in more - found if basal[[*one]].sum() <= most}
    some = sorted(sorted(one) for one in found if len(one) > 1)
    rows = np.repeat(np.arange(len(some)), [len(one) for one in some])
    return sets_of(rows, np.concatenate(some), (len(some), len(basal)))


@pytest.fixture(scope="session")
def tiny() -> Callable[[int], Task]:
    """Builder of tiny stands."""
    return lambda seed: replace(tiny_stand(seed))
