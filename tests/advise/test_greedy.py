"""The smallest set against a greedy choice on larger openings; the script does 200 of each."""

import runpy
from pathlib import Path

import pytest

SCRIPT = Path(__file__).resolve().parents[2] / "scripts" / "check_advice.py"


@pytest.mark.parametrize("kind", ["area", "spacing"])
def test_the_smallest_set_is_never_larger_than_a_greedy_one(kind: str) -> None:
    """Sparing always the tree that helps most never takes fewer trees than the smallest set."""
    compared = runpy.run_path(str(SCRIPT))["compared"]

    rows = list(compared(kind, 6, 1))

    assert all(smallest <= greedy for smallest, greedy, *_ in rows)
    assert all(proved for *_, proved, _ in rows)


@pytest.mark.parametrize("rule", ["whole", "edge_trees"])
def test_groups_are_touched_by_the_smallest_set_of_all_tried(rule: str) -> None:
    """Whole groups, and edge trees that leave one piece: as few trees as the best of all sets."""
    tried = runpy.run_path(str(SCRIPT))["tried"]

    rows = list(tried(rule, 4, 2))

    assert any(smallest for smallest, *_ in rows)
    assert all(smallest == least for smallest, least, *_ in rows)
    assert all(proved for *_, proved, _ in rows)
