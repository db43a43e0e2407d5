"""Page and sheet of the findings: safe to open, complete, and told by form as well as by colour."""

from collections.abc import Callable
from dataclasses import replace
from html import unescape
from html.parser import HTMLParser
from pathlib import Path

import pandas as pd
import pypdf
import pytest
import shapely

from glademark.comparison.comparison import Comparison, compare
from glademark.comparison.questions import Question
from glademark.contracts.survey import Survey
from glademark.intake.comparison import AfterCutInputs, read_after_cut
from glademark.measure.layout import measure_layout
from glademark.project.model import Project, Source
from glademark.report.comparison.papers import comparison_page, write_sheet
from glademark.report.comparison.wording import check_lines, question_lines
from glademark.report.delivery import Delivery
from glademark.report.summary import build_summary

STAND = shapely.box(400_000, 5_000_000, 400_200, 5_000_200)
EVIL = "<script>alert(1)</script>"

Made = tuple[Comparison, Delivery]


class Reader(HTMLParser):
    """Elements and text of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.words: list[str] = []
        self.loads: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Keep the name, and what it would load."""
        self.tags.append(tag)
        self.loads += [v or "" for k, v in attrs if k in ("src", "href")]

    def handle_data(self, data: str) -> None:
        """Keep the text."""
        self.words.append(data)


@pytest.fixture
def made(
    tmp_path: Path,
    survey_of: Callable[..., Survey],
    project_of: Callable[..., Project],
    marks_at: Callable[..., list[dict[str, object]]],
) -> Made:
    """Four marks, of which one was left, and a stump of no mark with an evil species."""
    places = [(400_050.0 + 30 * n, 5_000_050.0) for n in range(4)]
    survey = survey_of(STAND, marks=marks_at(*places, position_error_m=1.0))
    project = project_of(compare={"stump_error": "1 m", "adjust_error": False})
    layout = measure_layout(survey, project, earlier={})
    rows = [f"{n},{x},{y},30,sugar maple" for n, (x, y) in enumerate(places[:3], 1)]
    rows.append(f"9,400050,5000150,30,{EVIL}")
    text = "\n".join(["stump,x,y,dbh_cm,species", *rows]) + "\n"
    (tmp_path / "stumps.csv").write_text(text, encoding="utf-8")
    source = Source(file=Path("stumps.csv"), crs="EPSG:26916")
    inputs = AfterCutInputs(stumps=(source,))
    seen = read_after_cut(inputs, {"": survey}, project, folder=tmp_path).seen[""]
    comparison = compare(survey, layout, project, seen)
    summary = build_summary(project, survey, layout, comparison.checks.assign(verdict=[]))
    delivery = Delivery(
        project=project, survey=survey, layout=layout, checks=comparison.checks, summary=summary
    )
    return comparison, delivery


def test_small_walk_is_told_as_it_was(made: Made) -> None:
    """Three marks cut, one left, one stump without a mark: each by its own finding."""
    comparison, _ = made
    trees = comparison.findings[comparison.findings["quantity"] == "trees"]
    amounts = trees.set_index("finding")["amount"]

    assert comparison.stumps["finding"].tolist() == ["matched"] * 3 + ["unmarked"]
    assert comparison.trees["finding"].tolist() == ["cut"] * 3 + ["no_stump"]
    assert amounts["matched"] == pytest.approx(3, abs=0.1)
    assert amounts["left_standing"] == pytest.approx(1, abs=0.1)
    assert amounts["unmarked"] == pytest.approx(1, abs=0.1)


def test_page_runs_and_loads_nothing(made: Made) -> None:
    """No script, no address, and what came from the field is text."""
    page = comparison_page(*made)
    reader = Reader()
    reader.feed(page)

    assert "script" not in reader.tags
    assert all(one.startswith(("data:,", "#")) for one in reader.loads)
    assert "script-src 'none'" in unescape(page)
    assert EVIL not in page


def test_page_says_findings_cautions_and_forms(made: Made) -> None:
    """What was seen, how to read it, and a key that tells symbols by their words."""
    reader = Reader()
    reader.feed(comparison_page(*made))
    said = " ".join(" ".join(reader.words).split())

    for words in (
        "These are findings, not verdicts on anyone",
        "Felling and extraction kill",
        "marked, no stump found",
        "cut, no mark matched (1)",
    ):
        assert words in said


def test_sheet_says_the_same(made: Made, tmp_path: Path) -> None:
    """The printed pages carry findings, map key and cautions."""
    write_sheet(*made, tmp_path / "a.pdf")
    pages = [page.extract_text() for page in pypdf.PdfReader(tmp_path / "a.pdf").pages]
    said = " ".join(" ".join(pages).split())

    for words in ("These are findings", "marked and cut", "no stump found", "North is up"):
        assert words in said
    assert all("licensed practice" in page for page in pages)


@pytest.mark.parametrize("times", range(1, 9))
def test_map_stands_under_its_heading(made: Made, tmp_path: Path, times: int) -> None:
    """However much stands before it, heading and key of the map are on one page."""
    comparison, delivery = made
    findings = pd.concat([comparison.findings] * times, ignore_index=True)
    write_sheet(replace(comparison, findings=findings), delivery, tmp_path / "a.pdf")

    pages = [page.extract_text() for page in pypdf.PdfReader(tmp_path / "a.pdf").pages]
    assert [page for page in pages if "\nMap\n" in page and "North is up" in page]


def test_a_limit_says_whether_it_is_a_most_or_a_least(made: Made) -> None:
    """The largest and the least area of one opening are told apart, each with its verdict."""
    shared = {
        "subject": "area of opening 7",
        "unit": "m2",
        "measured": 1200.0,
        "reason": "",
        "authority": "plan",
    }
    checks = pd.DataFrame(
        [
            {**shared, "limit": "opening_area_max", "limit_value": 1000.0, "margin": -200.0,
             "verdict": "exceeded"},
            {**shared, "limit": "opening_area_min", "limit_value": 400.0, "margin": 800.0,
             "verdict": "met"},
        ]
    )  # fmt: skip

    assert check_lines(replace(made[0], checks=checks), "metric") == [
        "Area of opening 7: 0.12 ha, at most 0.10 ha (plan): EXCEEDED",
        "Area of opening 7: 0.12 ha, at least 0.04 ha (plan): met",
    ]


@pytest.mark.parametrize(("answer", "said"), [("open", 1), ("within", 0)])
def test_an_open_question_says_which_trees_would_settle_it(
    made: Made, answer: str, said: int
) -> None:
    """Trees counted on paper that may stand are to be looked for, where the answer hangs on it."""
    asked = Question(
        key="unmarked_share_max", title="share", limit=0.03, estimate=0.02, low=0.01, high=0.04,
        answer=answer, places=0, more_places=0,
    )  # fmt: skip
    row = {"finding": "tallied_standing", "quantity": "trees", "amount": 0.0, "high": 9.96}
    found = replace(made[0], questions=(asked,), findings=pd.DataFrame([row]))

    lines = question_lines(found)
    assert len(lines) == 1 + said
    assert ("Up to 10 trees counted on paper may still stand" in lines[-1]) == bool(said)
