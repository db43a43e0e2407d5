"""
Hold proposals against what is known: every set of tiny stands, other searches, large stands.

    .venv/bin/python scripts/check_propose.py tiny 50
    .venv/bin/python scripts/check_propose.py others 20 5000 --rounds 0
    .venv/bin/python scripts/check_propose.py size 5000 20000 100000 --rounds 0
    .venv/bin/python scripts/check_propose.py layouts 50 150

Times are those of the processor. Stands are invented, with fixed seeds.
The tables stand in docs/proposals.md.
"""

import argparse
import json
import resource
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import shapely
from scipy.spatial import cKDTree

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

from glademark.export.proposal_files import (  # noqa: E402 - the tests are beside this folder
    marks_deliverables,
)
from glademark.jobs.layout import lay_out  # noqa: E402
from glademark.jobs.propose import propose  # noqa: E402
from glademark.measure.crowns import crown_discs  # noqa: E402
from glademark.proposal.growth import Demands, Stock  # noqa: E402
from glademark.proposal.pool import Pool  # noqa: E402
from glademark.proposal.program import NoChoiceError, spacing_of  # noqa: E402
from glademark.proposal.search import Budget, Found, Task, choose, find_candidates  # noqa: E402
from tests.propose.conftest import ground_of, tiny_stand  # noqa: E402
from tests.propose.test_candidates import optimum  # noqa: E402
from tests.propose.test_command import EAST, NORTH, project_in  # noqa: E402

TREES_A_HECTARE = 250
SIDE_M = 110
"""Of the stands of random projects."""
SAME = 1e-6
"""Share of the points by which two choices are called equal."""

STEPS = 500_000
"""Of annealing."""


def large_stand(trees: int, seed: int) -> Task:
    """Trees in a square, failing together around some places; 12 % of the basal area may go."""
    random = np.random.default_rng(seed)
    side = float(np.sqrt(trees / TREES_A_HECTARE * 1e4))
    centre = random.uniform(0, side, (trees, 2))
    radius = random.uniform(2, 4.5, trees)
    places = random.uniform(0, side, (max(2, trees // 120), 2))
    away = cKDTree(places).query(centre)[0]
    failing = random.random(trees) < np.clip(0.75 - away / 28, 0.05, 1)
    basal = random.lognormal(-2.7, 0.5, trees)
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
        area_min_m2=400,
        area_max_m2=2000,
        spacing_m=20,
        area_total_max_m2=0.15 * side**2,
        amounts_max=(0.12 * float(basal.sum()),),
        groups_max=100_000,
    )
    return Task(
        stock=stock,
        ground=ground_of("standing_crowns", float(np.median(radius)), side),
        demands=demands,
        scoring=lambda pool: pool.sets @ gain - 0.05,
        group_points=0.05,
    )


def check_tiny(count: int) -> None:
    """Share of the optimum over all connected sets that is found."""
    shares = []
    for seed in range(count):
        task, best = tiny_stand(seed), optimum(tiny_stand(seed))
        if best <= 0:
            continue
        try:
            shares.append(choose(task, find_candidates(task))[0].score / best)
        except NoChoiceError:
            shares.append(0.0)
    said = f"mean {np.mean(shares):.4f}, least {min(shares):.4f}"
    print(f"{len(shares)} tiny stands with groups: {said}")


def _conflicts(pool: Pool, spacing_m: float) -> list[set[int]]:
    """Candidates that each candidate is too near to."""
    shapes = pool.shapes
    pairs = shapely.STRtree(shapes).query(
        shapes, predicate="dwithin", distance=spacing_of(spacing_m) * (1 - 1e-9)
    )
    near: list[set[int]] = [set() for _ in range(len(pool))]
    for one, two in pairs.T.tolist():
        if one != two:
            near[one].add(two)
    return near


def greedy(pool: Pool, demands: Demands, order: Sequence[int]) -> float:
    """Points of taking candidates in an order where they fit."""
    near, taken = _conflicts(pool, demands.spacing_m), set[int]()
    limits = np.r_[demands.area_total_max_m2, demands.amounts_max]
    used = np.zeros(len(limits))
    takes = np.column_stack([pool.area_m2, pool.amounts])
    for one in order:
        if pool.score[one] > 0 and not near[one] & taken and (used + takes[one] <= limits).all():
            taken.add(one)
            used += takes[one]
    return float(pool.score[[*taken]].sum())


def annealed(pool: Pool, demands: Demands, seed: int) -> float:
    """Best points of simulated annealing: put one in, take out what it meets, accept by chance."""
    random = np.random.default_rng(seed)
    near, taken = _conflicts(pool, demands.spacing_m), set[int]()
    limits = (demands.area_total_max_m2, *demands.amounts_max)
    takes = np.column_stack([pool.area_m2, pool.amounts]).tolist()
    points = pool.score.tolist()
    used, score, best = [0.0] * len(limits), 0.0, 0.0
    heat = float(np.abs(pool.score).mean())
    tried = random.integers(len(pool), size=STEPS).tolist()
    chance = np.log(random.random(STEPS)).tolist()
    for step, one in enumerate(tried):
        out = {one} if one in taken else near[one] & taken
        into = set() if one in taken else {one}
        change = sum(points[x] for x in into) - sum(points[x] for x in out)
        warm = heat * (1 - step / STEPS) + 1e-9
        if change < 0 and change < warm * chance[step]:
            continue
        after = [
            amount + sum(takes[x][k] for x in into) - sum(takes[x][k] for x in out)
            for k, amount in enumerate(used)
        ]
        if all(amount <= most for amount, most in zip(after, limits, strict=True)):
            taken = (taken - out) | into
            used, score = after, score + change
            best = max(best, score)
    return best


def check_others(count: int, trees: int, rounds: int) -> None:
    """The program against greedy and annealing on the same candidates."""
    ahead, times = [], []
    print("| stand | candidates | groups | gap | program | by points | per area | annealing |")
    print("|---|---|---|---|---|---|---|---|")
    for seed in range(count):
        task = large_stand(trees, seed)
        found = find_candidates(replace(task, budget=Budget(rounds_max=rounds)))
        start = time.process_time()
        best, found = choose(task, found)
        chosen = time.process_time()
        pool, demands = found.pool, task.demands
        cooled = annealed(pool, demands, seed)
        times.append((chosen - start, time.process_time() - chosen))
        by_points = greedy(pool, demands, np.argsort(-pool.score).tolist())
        by_area = greedy(pool, demands, np.argsort(-pool.score / pool.area_m2).tolist())
        print(
            f"| {seed + 1} | {len(pool)} | {len(best.chosen)} | "
            f"{(best.bound - best.score) / best.bound:.1e} | {best.score:.3f} | {by_points:.3f} | "
            f"{by_area:.3f} | {cooled:.3f} |",
            flush=True,
        )
        ahead.append([1 - one / best.score for one in (by_points, by_area, cooled)])
    for name, by in zip(
        ("points", "points per area", "annealing"), zip(*ahead, strict=True), strict=True
    ):
        wins, losses = sum(one > SAME for one in by), sum(one < -SAME for one in by)
        ties = len(by) - wins - losses
        said = f"{wins} better, {ties} equal, {losses} worse; {min(by):.1%} to {max(by):.1%}"
        print(f"{name}: {said}, mean {np.mean(by):.1%}")
    program, annealing = np.array(times).T
    print(f"program {program.max():.1f} s at most, annealing {annealing.min():.1f} s at least")


def check_size(trees: int, rounds: int) -> None:
    """Time, memory and gap of one large stand; the choice apart from the search."""
    task = large_stand(trees, 0)
    start = time.process_time()
    found: Found = find_candidates(replace(task, budget=Budget(rounds_max=rounds)))
    searched = time.process_time()
    best, found = choose(task, found)
    end = time.process_time()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    print(
        f"| {trees:,} | {len(found.pool):,} | {found.rounds} | {searched - start:.0f} s | "
        f"{end - searched:.1f} s | {(best.bound - best.score) / best.bound:.1e} | {peak:.1f} GB |",
        flush=True,
    )


def check_layouts(count: int, first: int = 0) -> None:
    """Random projects, from a first seed on, laid out: limits exceeded, how far figures differ."""
    exceeded, apart, groups, none, crossing = 0, 0.0, 0, 0, 0.0
    for seed in range(first, first + count):
        random = np.random.default_rng(seed)
        limits = {
            "opening_area_min": f"{random.uniform(50, 200):.0f} m2",
            "opening_area_max": f"{random.uniform(300, 900):.0f} m2",
            "opening_spacing_min": f"{random.uniform(0, 25):.0f} m",
            "openings_share_max": f"{random.uniform(4, 20):.0f} %",
            "boundary_distance_min": f"{random.uniform(0, 8):.0f} m",
            "removal_share_max": f"{random.uniform(8, 30):.0f} %",
        }
        edge = ("standing_crowns", "marked_crowns", "boles")[seed % 3]
        with tempfile.TemporaryDirectory() as folder:
            home = Path(folder)
            path = project_in(home, limits=limits, seed=seed, size=(SIDE_M, 240))
            text = path.read_text(encoding="utf-8")
            path.write_text(f"{text}\n[openings]\nedge = {json.dumps(edge)}\n", encoding="utf-8")
            one = propose(path).stands[""]
            if not one.alternatives:
                none += 1  # the limits leave no group
                continue
            (home / "out").mkdir()
            for each in marks_deliverables(one, 1, path, folder=home / "out").values():
                each.write(None, home / "out")
            outcome = lay_out(home / "out" / "alternative_1.toml", out=home / "l", only=["gpkg"])
        openings = outcome.delivery.layout.openings.sort_values("opening", ignore_index=True)
        proposed = one.alternatives[0].groups
        exceeded += int((outcome.checks["verdict"] == "exceeded").sum())
        groups += len(proposed)
        beyond = (
            proposed.area
            - proposed.intersection(shapely.box(EAST, NORTH, EAST + SIDE_M, NORTH + SIDE_M)).area
        )
        crossing = max(crossing, float(beyond.max()))
        for name in ("area_m2", "spacing_m"):
            away = np.abs(openings[name] - proposed[name]).dropna()
            apart = max(apart, float(away.max()) if len(away) else 0.0)
        if seed % 10 == 9:  # noqa: PLR2004 - a line now and then
            print(
                f"{seed + 1 - first}: {groups} groups, {exceeded} exceeded, {apart:.1e}", flush=True
            )
    said = f"{exceeded} limits exceeded, figures {apart:.1e} apart, {crossing:.1e} m2 outside"
    print(f"{groups} groups of {count} projects, {none} without a group: {said}")


def main() -> None:
    """Run one of the checks."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[1] if __doc__ else "")
    parser.add_argument("check", choices=["tiny", "others", "size", "layouts"])
    parser.add_argument("numbers", nargs="*", type=int)
    parser.add_argument("--rounds", type=int, default=2)
    asked = parser.parse_args()
    numbers = asked.numbers
    if asked.check == "tiny":
        check_tiny(*(numbers or [50]))
    elif asked.check == "others":
        check_others(*(numbers or [20, 5000]), rounds=asked.rounds)
    elif asked.check == "layouts":
        check_layouts(*(numbers or [200]))
    else:
        print("| trees | candidates | rounds | search | choice | gap | memory |")
        print("|---|---|---|---|---|---|---|")
        for trees in numbers or [5000, 20000]:
            check_size(trees, asked.rounds)


if __name__ == "__main__":
    main()
