"""Candidates: measured as a layout measures them, linked, and complete."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import shapely
from scipy.optimize import Bounds, LinearConstraint, milp

from glademark.measure.crowns import crown_discs
from glademark.measure.edges import crown_outlines
from glademark.project.job_settings import ProposeWeights
from glademark.proposal.growth import (
    Demands,
    Sizes,
    Stock,
    crown_links,
    free_of_charge,
    ground_shares,
    grown,
    sets_of,
)
from glademark.proposal.outcome import choices, why_infeasible
from glademark.proposal.pool import joined, measured, unsized
from glademark.proposal.program import grid_of
from glademark.proposal.search import (
    Task,
    choose,
    find_candidates,
    linked_parts,
    relaxed_over,
)
from tests.propose.conftest import connected_sets, ground_of


def optimum(task: Task) -> float:
    """Most points of any set of groups, all connected sets tried; one row for each close pair."""
    pool = measured(connected_sets(task), task.stock, task.ground, task.demands, exact=True)
    if not len(pool):
        return 0.0
    points, demands = task.scoring(pool), task.demands
    apart = shapely.distance(pool.shapes[:, None], pool.shapes[None, :])
    one, two = np.nonzero(np.triu(apart < max(demands.spacing_m, 2e-6), 1))
    rows = np.zeros((len(one), len(pool)))
    rows[np.arange(len(one)), one] = rows[np.arange(len(one)), two] = 1
    rows = np.vstack([rows, pool.area_m2, pool.amounts[:, 0], np.ones(len(pool))])
    most = np.r_[np.ones(len(one)), demands.area_total_max_m2, demands.amounts_max, 3]
    answer = milp(
        -points,
        constraints=LinearConstraint(rows, -np.inf, most),
        integrality=np.ones(len(pool)),
        bounds=Bounds(0, 1),
    )
    return float(-answer.fun)


@pytest.mark.parametrize("seed", [0, 3, 4, 6, 10])
def test_tiny_stands_are_solved_to_the_optimum(tiny: Callable[[int], Task], seed: int) -> None:
    """With every connected set enumerated, at least 0.97 of the most points is found."""
    task = tiny(seed)
    best, found = choose(task, find_candidates(task))
    most = optimum(task)

    assert most > 0
    assert best.score >= 0.97 * most
    assert best.score <= best.bound + 1e-9
    assert found.linear.bound >= best.score - 1e-9


def test_candidates_are_measured_as_the_layout_measures(tiny: Callable[[int], Task]) -> None:
    """The area of a candidate is that of the crowns of its trees on the plan's edge."""
    task = tiny(3)
    pool = measured(connected_sets(task), task.stock, task.ground, task.demands, exact=True)
    trees = pool.sets.indices[pool.sets.indptr[0] : pool.sets.indptr[1]]
    radius = np.full(len(trees), task.ground.rule.radius_m[0])
    own = crown_outlines(
        task.stock.discs[trees], np.zeros(len(trees), int), radius_m=radius, link_distance_m=0.0
    )[1]

    assert pool.area_m2[0] == pytest.approx(
        shapely.area(own.by(task.ground.rule.edge))[0], rel=1e-12
    )


def test_the_quick_measure_is_near_the_exact_one(tiny: Callable[[int], Task]) -> None:
    """On every edge areas differ by less than four per mille, and the same sets stay."""
    for seed in (0, 1, 8):
        task = tiny(seed)
        loose = replace(task.demands, area_min_m2=0.0, area_max_m2=np.inf)
        sets = connected_sets(task)[:60]
        exact, quick = (
            measured(sets, task.stock, task.ground, loose, exact=one) for one in (True, False)
        )

        assert (exact.sets != quick.sets).nnz == 0
        assert quick.area_m2 == pytest.approx(exact.area_m2, rel=4e-3)


def row_of_trees(spots: list[tuple[float, float]], *, stays: int | None = None) -> Stock:
    """Trees with crowns of 3 m, one of which may stay."""
    centre = np.array(spots, dtype=float)
    radius = np.full(len(centre), 3.0)
    may = np.arange(len(centre)) != stays
    return Stock(
        centre=centre,
        radius_m=radius,
        discs=crown_discs(shapely.points(centre), radius_m=radius, bearing=0.0),
        gain=np.ones(len(centre)),
        amounts=np.zeros((len(centre), 0)),
        may_go=may,
        cut_first=~may & False,
    )


def plain_demands() -> Demands:
    """Limits that ask for nothing but a tree."""
    return Demands(min_trees=1)


def test_trees_inside_an_opening_belong_to_it() -> None:
    """A tree in a ring of six goes with them; where it stays, the ring is no group."""
    angle = np.arange(6) * np.pi / 3
    ring = [(4.5 * np.cos(a), 4.5 * np.sin(a)) for a in angle]
    spots = [*ring, (0.0, 0.0)]
    sets = sets_of(np.zeros(6, int), np.arange(6), (1, 7))
    ground = ground_of("standing_crowns", 3.0, 100.0)

    taken = measured(sets, row_of_trees(spots), ground, plain_demands(), exact=True)
    stays = measured(sets, row_of_trees(spots, stays=6), ground, plain_demands(), exact=True)
    left = replace(ground, all_cut=False)
    may_stay = measured(sets, row_of_trees(spots, stays=6), left, plain_demands(), exact=True)

    assert np.diff(taken.sets.indptr).tolist() == [7]
    assert len(stays) == 0
    assert np.diff(may_stay.sets.indptr).tolist() == [6]


def test_a_set_is_parted_into_crowns_that_touch(tiny: Callable[[int], Task]) -> None:
    """Crowns of 3 m, 5 m apart, are one part, one 20 m off is another; no set has no part."""
    task = replace(tiny(0), stock=row_of_trees([(0.0, 0.0), (5.0, 0.0), (25.0, 0.0)]))
    whole, pair, none = (sets_of(np.zeros(n, int), np.arange(n), (min(n, 1), 3)) for n in (3, 2, 0))

    assert linked_parts(whole, task).toarray().tolist() == [[1, 1, 0], [0, 0, 1]]
    assert linked_parts(pair, task).toarray().tolist() == [[1, 1, 0]]
    assert linked_parts(none, task).shape == (0, 3)


def test_sets_are_linked_and_grown_to_the_best_value() -> None:
    """A row of touching crowns is taken from its end as far as the ground allows."""
    stock = row_of_trees([(5.0 * i, 0.0) for i in range(10)])
    links = crown_links(stock, link_distance_m=0.0)
    share = np.full(10, 10.0)
    sizes = Sizes(ground_min_m2=30.0, ground_max_m2=60.0, trees_min=1)
    sets = grown(np.array([0]), links, share, free_of_charge(stock.gain), sizes)

    assert links.nnz == 18
    assert max(np.diff(sets.indptr)) == 6
    assert sorted(sets[[-1]].indices.tolist()) == [0, 1, 2, 3, 4, 5]


def test_a_set_with_a_subset_of_equal_value_is_dropped() -> None:
    """A tree that brings nothing only costs ground."""
    stock = row_of_trees([(5.0 * i, 0.0) for i in range(3)])
    sets = sets_of(np.array([0, 0, 1, 1, 1]), np.array([0, 1, 0, 1, 2]), (2, 3))
    ground = ground_of("marked_crowns", 3.0, 100.0)
    pool = measured(sets, stock, ground, plain_demands(), exact=True).scored(np.ones(2))

    assert len(joined([pool])) == 1
    assert len(joined([pool.scored(np.array([1.0, 2.0]))])) == 2


def test_ground_is_shared_out_between_trees() -> None:
    """
    Trees on the corners of a square of 4 m share the circles of 3 m at the lines between them.

    Each keeps a quarter circle, the square of 2 m and twice the circle's part above it, which is
    2 sqrt(5)/2 + 9/2 arcsin(2/3).
    """
    stock = row_of_trees([(0, 0), (4, 0), (0, 4), (4, 4)])
    share = ground_shares(stock, margin_m=0.0)
    outside = np.pi * 3**2 / 4 + 4 + 2 * (2 * np.sqrt(5) / 2 + 9 / 2 * np.arcsin(2 / 3))

    assert share == pytest.approx(np.full(4, outside), rel=0.02)


def test_openings_keep_out_of_barred_ground_and_from_the_boundary() -> None:
    """An opening that would reach into an exclusion or too near the boundary is no candidate."""
    stock = row_of_trees([(20.0, 20.0), (25.0, 20.0)])
    sets = sets_of(np.zeros(2, int), np.arange(2), (1, 2))
    ground = ground_of("marked_crowns", 3.0, 100.0)
    barred = replace(ground, barred=shapely.box(27.9, 0, 40, 40))
    clear = replace(ground, barred=shapely.box(28.1, 0, 40, 40))

    assert len(measured(sets, stock, clear, plain_demands(), exact=True)) == 1
    assert len(measured(sets, stock, barred, plain_demands(), exact=True)) == 0
    near = replace(plain_demands(), boundary_m=17.1)
    assert len(measured(sets, stock, ground, near, exact=True)) == 0
    assert len(measured(sets, stock, ground, replace(near, boundary_m=16.9), exact=True)) == 1


@pytest.mark.parametrize("seed", [0, 1, 3])
def test_a_looser_limit_never_lowers_the_score(tiny: Callable[[int], Task], seed: int) -> None:
    """More allowance, more opening area, more groups or less spacing: as many points or more.

    Each is solved anew over the same candidates.
    """
    task = tiny(seed)
    pool, demands = find_candidates(task).pool, task.demands
    looser = (
        demands,
        replace(demands, amounts_max=(1.3 * demands.amounts_max[0],)),
        replace(demands, area_total_max_m2=1.3 * demands.area_total_max_m2),
        replace(demands, groups_max=demands.groups_max + 1),
        replace(demands, spacing_m=0.5 * demands.spacing_m),
    )

    score, *others = (
        choose(
            changed := replace(task, demands=one),
            relaxed_over(changed, pool, grid_of(pool.shapes, one.spacing_m)),
        )[0].score
        for one in looser
    )
    assert min(others) >= score - 1e-6


def test_alternatives_have_groups_of_their_own(tiny: Callable[[int], Task]) -> None:
    """The best comes first; a later one has a group that shares less than half with any before."""
    task = tiny(6)
    found = find_candidates(task)
    one, two = choices(task, found, count=2, others_min=1)
    common = shapely.area(
        shapely.intersection(
            found.pool.shapes[two.chosen][:, None], found.pool.shapes[one.chosen][None, :]
        )
    )

    assert one.score >= two.score
    assert two.others >= 1
    own = common.max(axis=1) < 0.5 * found.pool.area_m2[two.chosen]
    assert own.sum() == two.others


def test_a_choice_that_only_whole_groups_rule_out_is_told_so(tiny: Callable[[int], Task]) -> None:
    """Where limits can hold together for parts of groups, no limit is blamed."""
    assert "nodes_max" in why_infeasible(tiny(3), ())


def test_without_trees_that_may_go_there_is_no_group(tiny: Callable[[int], Task]) -> None:
    """Where every tree stays, that is the reason, and no limit."""
    task = tiny(3)
    stays = replace(task.stock, may_go=np.zeros(len(task.stock.gain), dtype=bool))
    demands = replace(task.demands, groups_min=1)

    assert "all stand in corridors" in why_infeasible(
        replace(task, stock=stays, demands=demands), ()
    )


def test_an_interrupted_search_keeps_what_it_has(
    tiny: Callable[[int], Task], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The candidates of the rounds before are chosen from, and the search says that it stopped."""

    def _stopped(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("glademark.proposal.search._priced_candidates", _stopped)
    best, found = choose(tiny(6), find_candidates(tiny(6)))

    assert found.interrupted
    assert found.rounds == 0
    assert best.score > 0


def test_equal_input_gives_equal_output(tiny: Callable[[int], Task]) -> None:
    """No clock and no chance: two searches choose the same trees."""
    one, two = (choose(tiny(6), find_candidates(tiny(6))) for _ in range(2))

    assert one[0].chosen.tolist() == two[0].chosen.tolist()
    assert (one[1].pool.sets != two[1].pool.sets).nnz == 0


def test_openings_steeper_than_the_limit_are_no_candidates() -> None:
    """The slope of the ground counts where it is known."""
    stock = row_of_trees([(20.0, 20.0), (25.0, 20.0)])
    sets = sets_of(np.zeros(2, int), np.arange(2), (1, 2))
    flat = replace(plain_demands(), slope_max=0.3)
    ground = ground_of("marked_crowns", 3.0, 100.0)
    counts = {
        slope: len(
            measured(
                sets,
                stock,
                replace(ground, slope=lambda shapes, slope=slope: np.full(len(shapes), slope)),
                flat,
                exact=True,
            )
        )
        for slope in (0.2, 0.4, float("nan"))
    }

    assert list(counts.values()) == [1, 0, 1]


@pytest.mark.parametrize(
    ("weights", "idle"),
    [
        ({"failing": "1 per m3", "growing_stock": "1 per m2"}, [True, False, False, True]),
        ({"failing": "1 per tree", "growing_stock": "1 per tree"}, [False] * 4),
    ],
)
def test_trees_whose_size_is_not_known_are_told_apart(
    weights: dict[str, str], idle: list[bool]
) -> None:
    """Without the volume or basal area that its weight goes by, a tree brings no points."""
    trees = pd.DataFrame(
        {
            "failing": [True, True, False, False],
            "basal_area_m2": [0.1, np.nan, 0.1, np.nan],
            "volume_m3": [np.nan, 1.0, np.nan, 1.0],
        }
    )

    assert unsized(trees, ProposeWeights(**weights)).tolist() == idle
