"""The program that chooses: small cases with every answer known, proof, and a second engine."""

import itertools

import numpy as np
import pyscipopt
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import csr_array

from glademark.proposal.program import (
    NoChoiceError,
    Program,
    broken_gaps,
    grid_of,
    packing_rows,
    relaxed,
    solved,
)

GRID = np.array([[3, 12, 12, 4], [6, 13, 6, 9], [9, 13, 11, 12], [4, 13, 8, 3]])


def program_of(
    points: np.ndarray,
    rows: np.ndarray,
    *,
    sizes: np.ndarray | None = None,
    size_max: float = np.inf,
    groups: tuple[int, int] = (0, 1000),
) -> Program:
    """A program with packing rows, one limit on what all take, and a number of groups."""
    amounts = np.zeros((1, len(points))) if sizes is None else sizes[None, :].astype(float)
    return Program(
        points=points.astype(float),
        packing=csr_array(rows.astype(float).reshape(-1, len(points))),
        packing_max=np.ones(len(rows)),
        amounts=amounts,
        amounts_max=np.array([size_max]),
        groups_min=groups[0],
        groups_max=groups[1],
    )


def best_of(program: Program) -> float:
    """Points of the best choice."""
    return solved(program, relaxed(program), nodes=1000).score


def pair_rows(pairs: list[tuple[int, int]], count: int) -> np.ndarray:
    """One row for each two of which one may be chosen."""
    rows = np.zeros((len(pairs), count))
    for row, pair in enumerate(pairs):
        rows[row, list(pair)] = 1
    return rows


@pytest.mark.parametrize(
    ("points", "pairs", "best"),
    [
        ([1, 8, 6, 3, 6], [(0, 1), (1, 2), (2, 3), (3, 4)], 14),
        ([1, 2, 3], [(0, 1), (1, 2)], 4),
        ([10, 5, 7, 2], [(0, 1), (1, 2), (1, 3)], 19),
        ([1, 2, 3, 4], [(0, 1), (1, 2), (2, 3)], 6),
    ],
)
def test_heaviest_sets_without_neighbours(
    points: list[int], pairs: list[tuple[int, int]], best: int
) -> None:
    """
    Of neighbours one is chosen.

    The first is of Kleinberg and Tardos, Algorithm Design, figure 6.28; the others by trying all.
    """
    rows = pair_rows(pairs, len(points))

    assert best_of(program_of(np.array(points), rows)) == best


def test_groups_under_a_total_limit() -> None:
    """A common set of 0-1 knapsack test data has the optimum 309 (dynamic programming)."""
    sizes = np.array([23, 31, 29, 44, 53, 38, 63, 85, 89, 82])
    points = np.array([92, 57, 49, 68, 60, 43, 67, 84, 87, 72])

    assert best_of(program_of(points, np.zeros((0, 10)), sizes=sizes, size_max=165)) == 309


def clusters(most: int, *, corners: bool) -> list[tuple[int, ...]]:
    """Sets of up to so many cells of the 4 x 4 grid that join."""

    def touch(one: int, two: int) -> bool:
        away = abs(one // 4 - two // 4), abs(one % 4 - two % 4)
        return max(away) == 1 if corners else sum(away) == 1

    return [
        cells
        for size in range(1, most + 1)
        for cells in itertools.combinations(range(16), size)
        if size == 1 or sum(touch(a, b) for a, b in itertools.combinations(cells, 2)) >= size - 1
    ]


@pytest.mark.parametrize(
    ("cells", "corners", "cells_max", "best"),
    [
        (1, False, 16, 73),
        (1, True, 16, 43),
        (2, False, 16, 81),
        (3, False, 16, 95),
        (2, True, 16, 65),
        (2, False, 5, 62),
    ],
)
def test_openings_of_cells(cells: int, cells_max: int, best: int, *, corners: bool) -> None:
    """
    Openings of up to so many cells that do not join are chosen for the most points.

    The optima are those of all 65,536 sets of a 4 x 4 stand.
    """
    sets = clusters(cells, corners=corners)
    points = np.array([GRID.ravel()[list(one)].sum() for one in sets])
    shapes = np.array([shapely.union_all([_cell(c) for c in one]) for one in sets], dtype=object)
    joins = [
        pair
        for pair in itertools.combinations(range(len(sets)), 2)
        if (
            shapely.intersects(*shapes[list(pair)])
            if corners
            else shapely.intersection(*shapes[list(pair)]).length > 0
        )
    ]
    sizes = np.array([len(one) for one in sets])
    program = program_of(points, pair_rows(joins, len(sets)), sizes=sizes, size_max=cells_max)

    assert best_of(program) == best


def _cell(number: int) -> shapely.Polygon:
    """One cell of the grid."""
    return shapely.box(number % 4, number // 4, number % 4 + 1, number // 4 + 1)


def kept_apart(shapes: np.ndarray, points: np.ndarray, spacing_m: float, least: int = 0) -> float:
    """Points of the best choice of shapes so far apart, gap by gap."""
    places = grid_of(shapes, spacing_m)
    while True:
        rows = packing_rows(places, shapes)[0]
        program = program_of(points, rows.toarray(), groups=(least, 1000))
        best = solved(program, relaxed(program), nodes=1000)
        chosen = np.zeros(len(shapes))
        chosen[best.chosen] = 1
        middle = broken_gaps(shapes, chosen, places)
        if not len(middle):
            return best.score
        places = places.with_more(middle)


@pytest.mark.parametrize(("spacing_m", "best"), [(55, 30), (90, 17)])
def test_openings_kept_apart(spacing_m: float, best: float) -> None:
    """Eight places at least so far apart: the optima are those of all 256 sets."""
    centres = [(0, 0), (50, 10), (95, 0), (20, 60), (75, 55), (110, 70), (45, 105), (95, 115)]
    points = np.array([5, 7, 4, 6, 8, 5, 6, 7])

    assert kept_apart(shapely.points(centres), points, spacing_m) == best


@pytest.mark.parametrize(("side", "most"), [(4, 4), (7, 16), (8, 16)])
def test_cells_whose_corners_do_not_touch(side: int, most: int) -> None:
    """At most ceil(k/2)^2 cells of a k x k grid touch no other, corners included."""
    x, y = np.meshgrid(np.arange(side), np.arange(side))
    cells = shapely.box(x.ravel(), y.ravel(), x.ravel() + 1, y.ravel() + 1)

    assert kept_apart(cells, np.ones(side**2), 0.0) == most


def test_four_places_in_a_square_cannot_be_farther_apart_than_its_side() -> None:
    """Four points of a unit square are at most 1 apart (OEIS A281065)."""
    x, y = np.meshgrid(np.linspace(0, 1, 5), np.linspace(0, 1, 5))
    places = shapely.points(x.ravel(), y.ravel())

    assert kept_apart(places, np.ones(25), 1.0, least=4) == 4
    with pytest.raises(NoChoiceError):
        kept_apart(places, np.ones(25), 1.01, least=4)


def random_program(seed: int) -> Program:
    """A program of a few dozen candidates with rows, an allowance and least and most groups."""
    random = np.random.default_rng(seed)
    rows = (random.random((30, 40)) < 0.12).astype(float)
    return program_of(
        random.uniform(-1, 10, 40),
        rows,
        sizes=random.uniform(1, 5, 40),
        size_max=18.0,
        groups=(2, 6),
    )


@pytest.mark.parametrize("seed", range(4))
def test_a_second_engine_finds_the_same_optimum(seed: int) -> None:
    """SCIP, a branch and cut of its own, finds the same points."""
    program = random_program(seed)
    other = pyscipopt.Model()
    other.hideOutput()
    chosen = [other.addVar(vtype="B") for _ in range(40)]

    def together(row: np.ndarray) -> object:
        return pyscipopt.quicksum(a * x for a, x in zip(row.tolist(), chosen, strict=True))

    for row, most in zip(program.packing.toarray(), program.packing_max, strict=True):
        other.addCons(together(row) <= most)
    other.addCons(together(program.amounts[0]) <= program.amounts_max[0])
    other.addCons(together(np.ones(40)) <= program.groups_max)
    other.addCons(together(np.ones(40)) >= program.groups_min)
    other.setObjective(together(program.points), "maximize")
    other.optimize()

    assert best_of(program) == pytest.approx(other.getObjVal(), rel=1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_the_bound_follows_from_the_prices(seed: int) -> None:
    """No choice beats what the limits are worth at the prices and candidates gain beyond them."""
    program = random_program(seed)
    linear = relaxed(program)
    rows = np.vstack([program.packing.toarray(), program.amounts, np.ones((1, 40))])
    limits = np.r_[program.packing_max, program.amounts_max, program.groups_max]
    beyond = program.points - rows.T @ linear.duals + linear.least_dual
    bound = linear.duals @ limits - linear.least_dual * program.groups_min
    bound += np.maximum(beyond, 0).sum()

    assert (linear.duals >= 0).all()
    assert linear.bound == pytest.approx(bound, rel=1e-12)
    assert linear.bound == pytest.approx(program.points @ linear.chosen, rel=1e-9)
    assert linear.bound >= best_of(program) - 1e-9


@settings(max_examples=10)
@given(seed=st.integers(0, 10_000), more=st.floats(1, 3))
def test_more_allowance_never_lowers_the_score(seed: int, more: float) -> None:
    """A larger allowance or more groups give at least as many points from the same candidates."""
    program = random_program(seed)
    wider = program_of(
        program.points,
        program.packing.toarray(),
        sizes=program.amounts[0],
        size_max=18.0 * more,
        groups=(2, 8),
    )

    assert best_of(wider) >= best_of(program) - 1e-6


def test_too_many_groups_are_no_choice() -> None:
    """Where two of three exclude each other, three cannot be chosen."""
    program = program_of(np.ones(3), np.array([[1, 1, 0]]), groups=(3, 3))

    with pytest.raises(NoChoiceError):
        relaxed(program)


def test_the_solver_prints_nothing(capfd: pytest.CaptureFixture[str]) -> None:
    """Standard output is for results."""
    best_of(random_program(1))

    assert capfd.readouterr() == ("", "")
