"""
How often an inspection calls a limit exceeded, on made stands whose truth is known, as a table.

``python scripts/check_inspection.py`` prints it; ``--write`` puts it into docs/after_the_cut.md
between its two comment lines. 500 stands of each kind take about an hour. The tests hold a few.
"""

import argparse
import importlib.util
import sys
from collections import Counter
from pathlib import Path
from types import ModuleType

from scipy.stats import beta

from glademark.compare.comparison import compare

ROOT = Path(__file__).resolve().parent.parent
PAGE = ROOT / "docs" / "after_the_cut.md"
BEGIN, END = "<!-- check_inspection: begin -->", "<!-- check_inspection: end -->"
KINDS = (
    ("cut as told", {"unmarked_share": 0.0, "limit": "0 %"}),
    ("cut as told", {"unmarked_share": 0.0, "limit": "3 %"}),
    ("6 % of stumps of no mark", {"unmarked_share": 0.06, "limit": "3 %"}),
    ("at the limit: 3 % of stumps of no mark", {"unmarked_share": 0.03, "limit": "3 %"}),
)


def loaded(name: str, path: Path) -> ModuleType:
    """A file of the tests as a module."""
    spec = importlib.util.spec_from_file_location(name, path)
    if spec is None or spec.loader is None:
        raise ImportError(name=name, path=str(path))
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


def table(stands: int) -> list[str]:
    """Answers to the question of unmarked trees, by kind of stand."""
    suite = loaded("suite", ROOT / "tests" / "conftest.py")
    made = loaded("made", ROOT / "tests" / "compare" / "conftest.py")
    rows = [
        "| stands | limit | number | beyond | 95 % interval of that | not settled | within |",
        "|---|---|---|---|---|---|---|",
    ]
    for place, (words, how) in enumerate(KINDS):
        answers: Counter[str] = Counter()
        for seed in range(1_000_000 * (place + 1), 1_000_000 * (place + 1) + stands):
            one = made.make_inspected(seed, suite.build_survey, suite.build_project, **how)
            found = compare(one.survey, one.layout, one.project, one.seen)
            answers[found.questions[0].answer] += 1
        called = answers["beyond"]
        low = beta.ppf(0.025, called, stands - called + 1) if called else 0.0
        high = beta.ppf(0.975, called + 1, stands - called) if called < stands else 1.0
        rows.append(
            f"| {words} | {how['limit']} | {stands} | {called / stands:.1%} | {low:.1%} to "
            f"{high:.1%} | {answers['open'] / stands:.1%} | {answers['within'] / stands:.1%} |"
        )
        print(rows[-1], file=sys.stderr, flush=True)
    return rows


def main() -> None:
    """Print the table, or put it into the page."""
    parser = argparse.ArgumentParser(description="How often a limit is called exceeded.")
    parser.add_argument("--stands", type=int, default=500, help="Of each kind.")
    parser.add_argument("--write", action="store_true", help="Put the table into the page.")
    given = parser.parse_args()
    text = "\n".join(table(given.stands))
    print(text)
    if given.write:
        page = PAGE.read_text(encoding="utf-8")
        before, after = page.split(BEGIN)[0], page.split(END)[1]
        PAGE.write_text(
            f"{before}{BEGIN}\n\n{text}\n\n{END}{after}", encoding="utf-8", newline="\n"
        )


if __name__ == "__main__":
    main()
