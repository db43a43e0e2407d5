"""
The search: candidates, the program, and new candidates by its prices until little is gained.

The budget is counted in rounds and nodes, never in time: same input, same output.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
import shapely
from scipy.sparse import csr_array, vstack

from glademark.contracts.frames import FloatArray, IntArray
from glademark.measure.groups import crown_components
from glademark.proposal.growth import (
    Demands,
    Ground,
    Prices,
    Sizes,
    Stock,
    crown_links,
    free_of_charge,
    ground_shares,
    grown,
    sets_of,
    swapped,
)
from glademark.proposal.pool import Pool, joined, measured
from glademark.proposal.program import (
    NoChoiceError,
    Points,
    Program,
    Relaxed,
    Solved,
    broken_gaps,
    grid_of,
    packing_rows,
    relaxed,
    solved,
    too_large_choices,
    too_large_pairs,
)

LEAST_GAIN = 1e-3
"""Share of the bound that a round of new candidates must add for another to be made."""

SAMPLE = 64
"""Sets measured to learn how the ground of trees adds up to an opening."""

SEEDS_A_ROUND = 600
"""Trees that new candidates are grown from in a round."""

SHAKE = 0.35
"""Spread of shaken prices, as a share of the mean price of a tree."""

SHAKEN_FIRST, SHAKEN = 6, 3
"""How often sets are grown at shaken prices, before there is a program and in each round."""

NEARLY = 0.1
"""New candidates are kept that lack up to this share of their points at the prices."""

SWAPPED_A_ROUND = 60
"""Candidates whose borders are changed in a round."""

LOOKS_AHEAD = (0.1, 0.4, 0.9)
"""Parts of the value of the trees beside a tree that count when it is chosen."""

KEPT, KEPT_A_GROUP = 400, 12
"""Candidates that are measured as a layout measures them: so many, and more for each group."""

SLACK = 1.1
"""Sets are grown so far beyond the largest area, since their ground is an estimate."""

CHOSEN = 1e-6
"""Share from which the linear program takes a candidate."""

Scoring = Callable[[Pool], FloatArray]
Told = Callable[[str], None]


@dataclass(frozen=True, kw_only=True, slots=True)
class Budget:
    """Rounds of new candidates, and nodes of the integer program."""

    rounds_max: int = 20
    nodes_max: int = 20_000


def _silent(_: str) -> None:
    """Tell nobody."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Task:
    """What a proposal is sought for, by which points, and who is told how far it is."""

    stock: Stock
    ground: Ground
    demands: Demands
    scoring: Scoring
    group_points: float = 0.0
    budget: Budget = field(default_factory=Budget)
    tell: Told = _silent


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Found:
    """Candidates and the linear program over them."""

    pool: Pool
    points: Points
    near: csr_array
    """points and near: points that keep candidates apart, and which candidates come near which."""
    point_of: IntArray
    extra: csr_array
    extra_max: FloatArray
    """extra and extra_max: further rows: joined openings that are too large, or what an alternative
    must have."""
    linear: Relaxed
    rounds: int = 0
    last_gain: float = 0.0
    interrupted: bool = False

    def program(self, demands: Demands) -> Program:
        """The program over the candidates."""
        amounts = np.column_stack([self.pool.area_m2, self.pool.amounts]).T
        return Program(
            points=self.pool.score,
            packing=csr_array(vstack([self.near, self.extra])),
            packing_max=np.concatenate([np.ones(self.near.shape[0]), self.extra_max]),
            amounts=amounts,
            amounts_max=np.array([demands.area_total_max_m2, *demands.amounts_max]),
            groups_min=demands.groups_min,
            groups_max=demands.groups_max,
        )

    def with_rows(self, rows: csr_array, most: FloatArray) -> "Found":
        """The same with further rows."""
        extra = csr_array(vstack([self.extra, rows]))
        return replace(self, extra=extra, extra_max=np.concatenate([self.extra_max, most]))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Growing:
    """What growth needs, worked out once."""

    links: csr_array
    share_m2: FloatArray
    sizes: Sizes


def find_candidates(task: Task, patches: csr_array | None = None) -> Found:
    """
    Candidates grown without prices, then by those of the program, round by round.

    `NoChoiceError` where there is none, or where the program has no solution.
    """
    stock = task.stock
    if not stock.may_go.any():
        raise NoChoiceError
    growing = _growing(task)
    seeds = np.flatnonzero(stock.may_go & (stock.gain > 0))
    free = replace(free_of_charge(stock.gain), fixed=task.group_points)
    sets = [
        *_grown(seeds, growing, free, shaken=SHAKEN_FIRST, turn=0),
        discs_made_connected(task, growing.sizes.ground_max_m2),
        *([] if patches is None else [linked_parts(patches, task)]),
    ]
    pool = joined([_candidates(task, csr_array(vstack(sets)))])
    if not len(pool):
        raise NoChoiceError
    found = relaxed_over(task, pool, grid_of(pool.shapes, task.demands.spacing_m))
    try:
        for done in range(1, task.budget.rounds_max + 1):
            task.tell(
                f"round {done}: {len(found.pool):,} candidates, bound {found.linear.bound:,.4g}"
            )
            before = found.linear.bound
            more = _priced_candidates(task, found, growing)
            if len(more):
                pool = joined([found.pool, more])
                found = relaxed_over(task, pool, found.points)
            gain = (found.linear.bound - before) / max(abs(before), 1e-12)
            found = replace(found, rounds=done, last_gain=gain)
            if gain < LEAST_GAIN:
                break
    except KeyboardInterrupt:
        found = replace(found, interrupted=True)
    return _exactly(task, found)


def _exactly(task: Task, found: Found) -> Found:
    """The best candidates by the prices of the program, measured as a layout measures them."""
    chosen = found.linear.chosen > CHOSEN
    count = KEPT + KEPT_A_GROUP * int(chosen.sum())
    best = np.argsort(-found.linear.reduced - chosen, kind="stable")[:count]
    task.tell(f"{len(best):,} of {len(found.pool):,} candidates are measured exactly")
    pool = joined([_candidates(task, found.pool.sets[np.sort(best)], exact=True)])
    exact = relaxed_over(task, pool, found.points)
    return replace(
        exact, rounds=found.rounds, last_gain=found.last_gain, interrupted=found.interrupted
    )


def _grown(
    seeds: IntArray, growing: _Growing, prices: Prices, *, shaken: int, turn: int
) -> list[csr_array]:
    """Sets grown from seeds, looking at the trees beside more or less, then at shaken prices."""
    random = np.random.default_rng(turn)  # of the round, so that every run draws the same
    spread = SHAKE * float(np.abs(prices.tree).mean())
    tries = [(prices, ahead) for ahead in LOOKS_AHEAD]
    for number in range(shaken):
        moved = prices.tree + random.normal(0.0, spread, len(prices.tree))
        tries.append((replace(prices, tree=moved), LOOKS_AHEAD[number % len(LOOKS_AHEAD)]))
    return [
        grown(seeds, growing.links, growing.share_m2, one, replace(growing.sizes, ahead=ahead))
        for one, ahead in tries
    ]


def _candidates(task: Task, sets: csr_array, *, exact: bool = False) -> Pool:
    """Sets measured, filtered and with their points."""
    pool = measured(sets, task.stock, task.ground, task.demands, exact=exact)
    return pool.scored(task.scoring(pool))


def _growing(task: Task) -> _Growing:
    """Links, ground of each tree by the openings that some sets make, and sizes in it."""
    stock, demands = task.stock, task.demands
    links = crown_links(stock, link_distance_m=task.ground.link_distance_m)
    share = ground_shares(stock, margin_m=float(task.ground.rule.radius_m[0]))
    largest = min(demands.area_max_m2, demands.area_total_max_m2)
    if not np.isfinite(largest):
        largest = max(4 * demands.area_min_m2, 60 * float(np.median(share)))
    sizes = Sizes(ground_min_m2=0.5 * largest, ground_max_m2=largest, trees_min=2)
    some = np.flatnonzero(stock.may_go)
    some = some[:: max(1, len(some) // SAMPLE)]
    free = free_of_charge(np.ones(len(share)))
    tried = grown(some, links, share, free, sizes)
    if tried.shape[0]:
        loose = replace(demands, area_min_m2=0.0, area_max_m2=np.inf, boundary_m=0, water_m=0)
        ground = replace(task.ground, barred=shapely.Polygon())
        pool = measured(tried[:SAMPLE], stock, ground, loose, exact=False)
        if len(pool):
            share = share * float(np.median(pool.area_m2 / (pool.sets @ share)))
    least = 0.9 * demands.area_min_m2
    return _Growing(
        links=links,
        share_m2=share,
        sizes=Sizes(
            ground_min_m2=least, ground_max_m2=SLACK * largest, trees_min=demands.min_trees
        ),
    )


def linked_parts(sets: csr_array, task: Task) -> csr_array:
    """Each part of linked crowns of each set, as a set."""
    row = np.repeat(np.arange(sets.shape[0]), np.diff(sets.indptr))
    part = crown_components(
        task.stock.points[sets.indices],
        radius_m=task.stock.radius_m[sets.indices],
        link_distance_m=task.ground.link_distance_m,
        stand=row,
    )
    return sets_of(
        part,
        np.asarray(sets.indices, dtype=np.intp),
        (int(part.max(initial=-1)) + 1, sets.shape[1]),
    )


def discs_made_connected(task: Task, area_max_m2: float) -> csr_array:
    """Linked trees that may go, of discs on a grid, of two sizes; those with failing trees."""
    stock = task.stock
    some = np.flatnonzero(stock.may_go)
    points = stock.points[some]
    tree = shapely.STRtree(points)
    west, south, east, north = shapely.total_bounds(points)
    found = []
    for part in (0.35, 0.75):  # a small and a large disc
        radius = float(np.sqrt(part * area_max_m2 / np.pi))
        x, y = (np.arange(a, b + radius, radius) for a, b in ((west, east), (south, north)))
        middle = np.asarray(shapely.points(*(one.ravel() for one in np.meshgrid(x, y))), object)
        disc, inside = tree.query(middle, predicate="dwithin", distance=radius)
        found.append(sets_of(disc, some[inside], (len(middle), len(stock.gain))))
    sets = linked_parts(csr_array(vstack(found)), task)
    return sets[np.flatnonzero(sets @ np.maximum(stock.gain, 0.0) > 0)]


def relaxed_over(task: Task, pool: Pool, points: Points) -> Found:
    """The linear program over candidates, with as many points as keep them apart."""
    pairs = too_large_pairs(pool.shapes, task.ground, task.demands)
    near, point_of = packing_rows(points, pool.shapes)
    found = Found(
        pool=pool,
        points=points,
        near=near,
        point_of=point_of,
        extra=pairs,
        extra_max=np.ones(pairs.shape[0]),
        linear=Relaxed.nothing(),
    )
    while True:
        linear = relaxed(found.program(task.demands))
        found = replace(found, linear=linear)
        middle = broken_gaps(pool.shapes, linear.chosen, found.points)
        if not len(middle):
            return found
        found = _with_points(found, middle)


def _with_points(found: Found, more: np.ndarray) -> Found:
    """The same with further points that keep candidates apart."""
    points = found.points.with_more(more)
    near, point_of = packing_rows(points, found.pool.shapes)
    return replace(found, points=points, near=near, point_of=point_of)


def choose(task: Task, found: Found) -> tuple[Solved, Found]:
    """The best choice; gaps and joined openings are checked until it breaks none."""
    while True:
        program = found.program(task.demands)
        linear = relaxed(program)
        found = replace(found, linear=linear)
        best = solved(program, linear, nodes=task.budget.nodes_max)
        taken = np.zeros(len(found.pool))
        taken[best.chosen] = 1.0
        middle = broken_gaps(found.pool.shapes, taken, found.points)
        large = too_large_choices(best.chosen, found.pool.shapes, task.ground, task.demands)
        if not len(middle) and not large.shape[0]:
            return best, found
        if large.shape[0]:
            found = found.with_rows(large, np.diff(large.indptr) - 1.0)
        if len(middle):
            found = _with_points(found, middle)


def _priced_candidates(task: Task, found: Found, growing: _Growing) -> Pool:
    """New candidates that the linear program would take at its prices."""
    prices, place, price = _prices(task, found)
    seeds = np.flatnonzero(task.stock.may_go & (prices.tree > 0))
    best = np.argsort(-prices.tree[seeds] / growing.share_m2[seeds], kind="stable")
    seeds = np.sort(seeds[best[:SEEDS_A_ROUND]])
    good = np.argsort(-found.linear.reduced, kind="stable")[:SWAPPED_A_ROUND]
    good = np.union1d(good, np.flatnonzero(found.linear.chosen > CHOSEN))
    changed = swapped(
        found.pool.sets[good],
        found.pool.area_m2[good],
        growing.links,
        growing.share_m2,
        prices,
        area_max_m2=min(task.demands.area_max_m2, growing.sizes.ground_max_m2),
    )
    sets = [*_grown(seeds, growing, prices, shaken=SHAKEN, turn=1 + found.rounds), changed]
    pool = _candidates(task, csr_array(vstack(sets)))
    shape, point = shapely.STRtree(place).query(
        pool.shapes, predicate="dwithin", distance=found.points.reach_m
    )
    charged = np.bincount(shape, weights=price[point], minlength=len(pool))
    value = pool.score + task.group_points - prices.fixed - charged
    value -= pool.area_m2 * prices.ground + pool.amounts @ _amount_prices(task, found)[1:]
    return pool.part(np.flatnonzero(value > -NEARLY * np.abs(pool.score)))


def _amount_prices(task: Task, found: Found) -> FloatArray:
    """Price of opening area and of each allowance."""
    count = 1 + len(task.demands.amounts_max)
    return found.linear.duals[-1 - count : -1]


def _prices(task: Task, found: Found) -> tuple[Prices, np.ndarray, FloatArray]:
    """What the linear program charges, and its priced points."""
    linear, stock = found.linear, task.stock
    point_price = linear.duals[: found.near.shape[0]]
    paid = point_price > 0
    place, price = found.points.place[found.point_of[paid]], point_price[paid]
    amount = _amount_prices(task, found)
    beyond = float(task.ground.rule.radius_m[0]) if task.ground.rule.edge == "boles" else 0.0
    tree, point = shapely.STRtree(place).query(
        stock.discs, predicate="dwithin", distance=found.points.reach_m + beyond
    )
    near = sets_of(tree, point, (len(stock.gain), len(place)))
    prices = Prices(
        tree=stock.gain - stock.amounts @ amount[1:],
        ground=float(amount[0]),
        near=near,
        point=price,
        fixed=task.group_points + float(linear.duals[-1]) - linear.least_dual,
    )
    return prices, place, price
