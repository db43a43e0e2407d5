"""Names in any script: forty of them on a page, joined, turned and inside their place."""
# ruff: noqa: RUF001 - letters of other scripts are what is tested

import io
import re
import unicodedata
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pypdf
import pytest
from rich.console import Console

from glademark.export.output import deliver
from glademark.jobs.layout import asked_for
from glademark.project.model import Project
from glademark.report.delivery import Delivery
from glademark.report.papers.printed_page import Grid, Paper, table, write_pdf
from glademark.report.papers.printed_text import (
    LACKING,
    NO_LETTER,
    SANS,
    line_width,
    lines_that_fit,
    printable,
    printed_runs,
)
from glademark.report.terminal.layout import print_summary

LEFT = (
    """
Oak Hill|Łąka Świętokrzyska|Þórsmörk|Côte d'Épinay|Cafe\u0301 Naïve|Ağaçlı Köyü|Mežāpils purvs
Nyírség keleti erdő|Škofja Loka|Rừng thông Đà Lạt|Δάσος Πευκών|Подлесный участок № 4
Біловезька пуща|Тайга́|Սևանի անտառ|საბურთალოს ტყე|Compartment 7(b)/12
Donaudampfschifffahrtsgesellschaftswaldabteilungsleiterbezirk
Unterer Buchenloch Nord Unterer Buchenloch Nord Unterer Buchenloch Nord Unterer Buchenloch Nord
Compartment_without_any_space_as_exports_from_tables_have_them_00000000000000000000000000000001
北坡|北坡第三林班采伐区|東京都奥多摩町水源林|ひのき・スギ林 3|臺大實驗林第十二林班
북한산 국립공원 남쪽|전나무숲
北坡第三林班采伐区北坡第三林班采伐区北坡第三林班采伐区北坡第三林班采伐区
Parcel 北坡 3|林班 12/小班 4, 2号
""".strip()
    .replace("\n", "|")
    .split("|")
)
TURNED = (
    """
חורשה|חלקה 7 צפון|יער (דרום) 12|غابة الأرز|محمية (شمال) ۱۲|جنگل\u200cهای شمالی
غابة الأرز الشمالية الكبيرة غابة الأرز الشمالية الكبيرة غابة الأرز الشمالية الكبيرة
شمالی جنگل ۳|Block غابة 3|חלקה ב (מזרח)
""".strip()
    .replace("\n", "|")
    .split("|")
)
NAMES = [*LEFT, *TURNED]


def read_back(path: Path) -> str:
    """Letters of a paper, without what stands between them, forms of Arabic letters undone."""
    words = " ".join(page.extract_text() for page in pypdf.PdfReader(path).pages)
    return re.sub(r"\W", "", unicodedata.normalize("NFKC", words))


def test_lines_of_any_script_stay_inside_their_place() -> None:
    """Each of forty names in a narrow and a wide column: no line is wider, no letter is lost."""
    assert len(NAMES) == 40
    for width in (55.0, 200.0):
        for name in map(printable, NAMES):
            lines = lines_that_fit(name, width, 9.0, SANS)

            assert max(line_width(line, 9.0, SANS) for line in lines) <= width
            assert re.sub(r"\s", "", "".join(lines)) == re.sub(r"\s", "", name)


def test_names_in_forty_scripts_and_lengths_are_on_the_page(
    project_of: Callable[..., Project], tmp_path: Path
) -> None:
    """A table of them is read back letter by letter; nothing of it is said to be lacking."""
    paper = Paper(title="Test", subject="A test", project=project_of())
    grid = Grid(heads=("Name", "Trees"), rows=[(name, "12") for name in NAMES], widths=(1, 3))
    write_pdf(tmp_path / "a.pdf", paper, [table(grid, paper)])
    read = read_back(tmp_path / "a.pdf")

    wanted = [unicodedata.normalize("NFKC", printable(name)) for name in LEFT]
    assert [name for name in wanted if re.sub(r"\W", "", name) not in read] == []
    assert {*"".join(TURNED)} - {*" ()\u200c"} <= {*read}
    assert NO_LETTER not in pypdf.PdfReader(tmp_path / "a.pdf").pages[0].extract_text()


@pytest.mark.parametrize(
    ("text", "seen"),
    [
        ("\u05d0\u05d1", "\u05d1\u05d0"),  # alef bet: bet is left
        ("A \u05d0\u05d1 12", "A \u05d1\u05d0 12"),  # what follows a name stays right of it
        ("\u05d0 7 \u05d1, 3", "\u05d1 7 \u05d0, 3"),
        ("(\u05d0)", "(\u05d0)"),
        ("\u05d0 (\u05d1) \u05d2", "\u05d2 (\u05d1) \u05d0"),  # brackets are mirrored
        ("\u0628\u0628\u0628", "\ufe90\ufe92\ufe91"),  # beh: final, medial, initial from the left
        ("\u0644\u0627", "\ufefb"),  # lam and alef are one letter
    ],
)
def test_right_to_left_is_turned_and_joined(text: str, seen: str) -> None:
    """Forms and order are those of the Unicode charts and its bidirectional algorithm."""
    assert "".join(run.letters for run in printed_runs(text, SANS)) == seen


def test_letters_that_no_font_has_are_said(small: Delivery, tmp_path: Path) -> None:
    """A Devanagari name is boxes on the check sheet; the sheet and the terminal say so."""
    heading = small.project.heading.model_copy(update={"name": "\u0935\u0928 stand"})
    named = replace(small, project=small.project.model_copy(update={"heading": heading}))
    deliver(named, tmp_path, asked_for(("stump_check",), ()))
    printed = io.StringIO()
    print_summary(named, Console(file=printed, width=400))

    assert LACKING in printed.getvalue()
    text = " ".join(pypdf.PdfReader(tmp_path / "stump_check.pdf").pages[0].extract_text().split())
    assert f"{NO_LETTER * 2} stand" in text
    assert LACKING[:60] in text
