"""
How often an inspection calls a limit exceeded, on made stands whose truth is known, as a table.

``python scripts/check_inspection.py`` prints it; ``--write`` puts it into docs/after_the_cut.md
between its two comment lines. 500 stands of each kind take an hour and a half of processor time.
The tests hold a few.
"""

import argparse
import importlib.util
import sys
from collections import Counter
from pathlib import Path
from types import ModuleType

from scipy.stats import beta

from glademark.comparison.comparison import Comparison, compare
from glademark.comparison.questions import questions_of
from glademark.project.job_settings import CompareSettings

ROOT = Path(__file__).resolve().parent.parent
PAGE = ROOT / "docs" / "after_the_cut.md"
BEGIN, END = "<!-- check_inspection: begin -->", "<!-- check_inspection: end -->"
KINDS = (
    ("cut as told", 0.0, (0.0, 0.03)),
    ("6 % of stumps of no mark", 0.06, (0.03,)),
    ("at the limit: 3 % of stumps of no mark", 0.03, (0.03,)),
)
"""Words, share of stumps that nobody marked, limits."""
REPORT_EVERY = 20


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
    """Answers to the question of unmarked trees, by kind of stand and limit."""
    suite = loaded("suite", ROOT / "tests" / "conftest.py")
    made = loaded("made", ROOT / "tests" / "compare" / "conftest.py")
    answers: dict[tuple[str, float], Counter[str]] = {
        (words, limit): Counter() for words, _, limits in KINDS for limit in limits
    }
    for number in range(1, stands + 1):
        for place, (words, share, limits) in enumerate(KINDS, start=1):
            one = made.make_inspected(
                1_000_000 * place + number,
                suite.build_survey,
                suite.build_project,
                unmarked_share=share,
            )
            found = compare(one.survey, one.layout, one.project, one.seen)
            for limit in limits:
                answers[words, limit][answer(found, limit, one.project.compare)] += 1
        if number % REPORT_EVERY == 0:
            print("\n".join(lines(answers)), file=sys.stderr, flush=True)
    return lines(answers)


def lines(answers: dict[tuple[str, float], Counter[str]]) -> list[str]:
    """The table of the answers so far."""
    return [
        "| stands | limit | number | beyond | 95 % interval of that | not settled | within |",
        "|---|---|---|---|---|---|---|",
        *(row(words, limit, counted) for (words, limit), counted in answers.items()),
    ]


def answer(found: Comparison, limit: float, settings: CompareSettings) -> str:
    """Whether the share of unmarked stumps is within a limit, beyond it, or open."""
    asked = settings.model_copy(update={"unmarked_share_max": limit})
    stumps = len(found.stumps)
    (one,) = questions_of(found.findings, found.sample_check, stumps=stumps, settings=asked)
    return one.answer


def row(words: str, limit: float, answers: Counter[str]) -> str:
    """A line of the table, with the exact interval of a share (Clopper and Pearson 1934)."""
    called, stands = answers["beyond"], answers.total()
    low = beta.ppf(0.025, called, stands - called + 1) if called else 0.0
    high = beta.ppf(0.975, called + 1, stands - called) if called < stands else 1.0
    return (
        f"| {words} | {limit:.0%} | {stands} | {called / stands:.1%} | {low:.1%} to "
        f"{high:.1%} | {answers['open'] / stands:.1%} | {answers['within'] / stands:.1%} |"
    )


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
