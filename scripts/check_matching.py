"""
How well stumps are matched to marks, on made stands whose truth is known, as a table.

``python scripts/check_matching.py`` prints it; ``--write`` puts it into docs/after_the_cut.md
between its two comment lines. It takes some minutes. The tests hold a smaller version.
"""

import argparse
import resource
import sys
import time
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests" / "compare"))
import conftest as made  # noqa: E402 - the stands of the tests

from glademark.comparison.matching import match_stumps  # noqa: E402

PAGE = ROOT / "docs" / "after_the_cut.md"
BEGIN, END = "<!-- check_matching: begin -->", "<!-- check_matching: end -->"
TRIALS = 8
UNMARKED_TRIALS = 500
MANY = 100_000


def matched(stand: made.Stand, **how: object) -> made.Match:
    """Match of a stand."""
    return match_stumps(stand.trees, stand.stumps, ground_m2=stand.ground_m2, **how)


def right_matches() -> list[str]:
    """Share of right matches by density and error, beside what known rates give."""
    rows = [
        "| marks per ha | error of each position | right | right with all rates known |",
        "|---|---|---|---|",
    ]
    for per_ha in (100, 250):
        for error_m in (0.0, 1.0, 2.0, 3.0, 5.0):
            found, possible = [], []
            for seed in range(TRIALS):
                stand = made.make_stand(
                    seed, per_ha=per_ha, error_m=error_m, shift=(2.0, -1.5), trees=600
                )
                found.append(stand.right(matched(stand)))
                possible.append(stand.right(matched(stand, known=stand.known)))
            rows.append(
                f"| {per_ha} | {error_m:.0f} m | {np.mean(found):.1%} | {np.mean(possible):.1%} |"
            )
    return rows


def calibration() -> list[str]:
    """Share of right pairs among those of about one chance."""
    chance, right = [], []
    for error_m in (1.0, 2.0, 3.0, 5.0):
        for seed in range(TRIALS):
            stand = made.make_stand(seed + 500, error_m=error_m, shift=(1.0, 1.0))
            match = matched(stand)
            chance.append(match.chance)
            right.append(stand.truth[match.pairs.column] == match.pairs.row)
    said, true = np.concatenate(chance), np.concatenate(right)
    edges = [0.0, 0.05, 0.2, 0.4, 0.6, 0.8, 0.95, 1.0 + 1e-9]
    rows = ["| chance said | pairs | mean chance | right |", "|---|---|---|---|"]
    for low, high in pairwise(edges):
        here = (said >= max(low, 1e-3)) & (said < high)
        rows.append(
            f"| {max(low, 0.001):g} to {min(high, 1):g} | {here.sum():,} | {said[here].mean():.3f} "
            f"| {true[here].mean():.3f} |"
        )
    return rows


def unmarked() -> list[str]:
    """Bias of the estimated number and volume of unmarked trees."""
    rows = [
        (
            "| marks per ha | error | unmarked | mean estimate less truth, trees | standard error "
            "| volume, in trees of 30 cm | standard error |"
        ),
        "|---|---|---|---|---|---|---|",
    ]
    for per_ha, error_m, hidden in ((100, 2.0, 20), (150, 3.0, 20)):
        trees, volume = [], []
        for seed in range(UNMARKED_TRIALS):
            stand = made.make_stand(
                seed + 10_000, trees=400, per_ha=per_ha, error_m=error_m, unmarked=hidden
            )
            size = (stand.stumps["dbh_cm"].to_numpy() / 30) ** 2.5
            alone = 1 - matched(stand).stump_chance
            trees.append(alone.sum() - hidden)
            volume.append(alone @ size - size[stand.truth < 0].sum())
        cells = []
        for off in (trees, volume):
            cells += [f"{np.mean(off):+.3f}", f"{np.std(off, ddof=1) / np.sqrt(len(off)):.3f}"]
        rows.append(f"| {per_ha} | {error_m:.0f} m | {hidden} | {' | '.join(cells)} |")
    return rows


def many() -> list[str]:
    """Time and memory of a large walk."""
    stand = made.make_stand(1, trees=MANY, per_ha=100, error_m=2.0, unmarked=MANY // 25)
    begin = time.process_time()
    match = matched(stand)
    took = time.process_time() - begin
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6  # kilobytes on Linux
    return [
        (
            f"{len(stand.stumps):,} stumps against {MANY:,} marks (100 per ha, 2 m): {took:.1f} s "
            f"of processor time, {peak:.2f} GB at most, {stand.right(match):.1%} right."
        ),
    ]


PARTS: dict[str, Callable[[], list[str]]] = {
    "Right matches (8 stands of 600 marks each; 4 % left standing, 20 unmarked)": right_matches,
    "What chances mean (errors of 1, 2, 3 and 5 m at 150 marks per ha)": calibration,
    "Unmarked trees among 400 marks (500 stands each)": unmarked,
    "Time": many,
}


def main() -> None:
    """Print the tables, or put them into the page."""
    parser = argparse.ArgumentParser(description="How well stumps are matched to marks.")
    parser.add_argument("--write", action="store_true", help="Put the tables into the page.")
    write = parser.parse_args().write
    text = "\n".join(
        line for title, part in PARTS.items() for line in (f"\n### {title}\n", *part())
    )
    print(text)
    if write:
        page = PAGE.read_text(encoding="utf-8")
        before, after = page.split(BEGIN)[0], page.split(END)[1]
        PAGE.write_text(f"{before}{BEGIN}\n{text}\n\n{END}{after}", encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
