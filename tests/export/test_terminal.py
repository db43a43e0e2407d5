"""The summary on the terminal, read as a forester reads it."""

import io
import re
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console
from rich.table import Table
from rich.text import Text

from glademark.errors import shown
from glademark.jobs.layout import Outcome
from glademark.report.delivery import Delivery
from glademark.report.terminal.layout import print_summary
from glademark.report.terminal.limits import Fitted, opening_verdicts
from glademark.report.wording import cautions


def printed(delivery: Delivery, *, width: int = 80, files: tuple[Path, ...] = ()) -> str:
    """What stands on a terminal without colours."""
    text = io.StringIO()
    print_summary(delivery, Console(file=text, width=width), files=files)
    return text.getvalue()


def in_one_line(text: str) -> str:
    """Text without its line breaks."""
    return " ".join(text.split())


@pytest.mark.parametrize("width", [60, 80, 120])
def test_fits_the_terminal(delivery: Delivery, width: int) -> None:
    """No line is longer than the terminal is wide."""
    lines = printed(delivery, width=width).splitlines()

    assert max(map(len, lines)) <= width


def test_without_colour(delivery: Delivery) -> None:
    """A file or a pipe gets plain text."""
    assert "\x1b" not in printed(delivery)


def test_exceeded_in_words(delivery: Delivery) -> None:
    """What is exceeded comes first, with measured and allowed, in words."""
    text = in_one_line(printed(delivery))

    assert "2 EXCEEDED, 1 near, 1 not checked, 2 met" in text
    assert "EXCEEDED area of opening 3: 0.62 acre, at most 0.50 acre (plan)" in text
    assert "19.7 ft, at least 100.0 ft" in text
    assert text.index("EXCEEDED") < text.index("near share") < text.index("not checked share")


def test_not_checked_has_its_reason(delivery: Delivery) -> None:
    """A limit that could not be checked says why."""
    text = in_one_line(printed(delivery))

    assert "share of the standing volume taken: at most 35.0 % (no cruise is given)" in text


def test_main_figures(delivery: Delivery) -> None:
    """Stand, corridors and openings stand in the user's units: 40,000 m2 are 9.88 acres."""
    text = in_one_line(printed(delivery))

    assert "STAND 9.88 acres, 9.49 acres operable" in text
    assert "1,299 ft long, 0.39 acre: 4.0 % of the stand, 4.1 % of the operable area" in text
    assert "3 group openings, 1.41 acres: 14.2 % of the stand" in text


def test_metric(make_in: Callable[..., Delivery], tmp_path: Path) -> None:
    """A metric project reads in hectares and metres."""
    text = in_one_line(printed(make_in(tmp_path, units="metric")))

    assert "STAND 4.00 ha, 3.84 ha operable" in text
    assert "396 m long, 0.16 ha" in text
    assert " ft" not in text


def test_combined_openings(delivery: Delivery) -> None:
    """Openings that corridors join are told with the size of their common hole."""
    text = in_one_line(printed(delivery))

    assert "Openings 1, 2 and the corridors at them make one hole of 0.80 acre" in text
    assert "(0.71 acre without the corridors)" in text


def test_volume_adds_up(delivery: Delivery) -> None:
    """Volume stands by zone in its sale unit, what is not located apart, the sum at the end."""
    lines = [line.split() for line in printed(delivery).splitlines()]

    assert ["sawlog,", "board", "feet", "600", "-", "600", "1,200"] in lines
    assert ["pulpwood,", "cords", "-", "0.8", "0.8", "1.5"] in lines
    assert lines.count(["trees", "1", "2", "4", "7"]) == 1
    assert lines.count(["trees", "-", "-", "3", "3"]) == 1


def test_rejected_is_told(delivery: Delivery) -> None:
    """Records that could not be used are counted with file, number, own name and reason."""
    text = in_one_line(printed(delivery))

    assert "2 records could not be used:" in text
    assert "marks.csv, records 12 (11), 40 (39): longitude is empty. Fill it in" in text


def test_marks_and_people(delivery: Delivery) -> None:
    """Paint that disagrees is held against what position error makes; danger trees are named."""
    text = in_one_line(printed(delivery))

    assert "2 trees are plotted in another zone than the paint says" in text
    assert "position error alone would make about 1" in text
    assert "1 danger tree" in text
    assert "1 line tree (1.1 ft2 basal area), tallied apart" in text


def test_cautions_and_files(delivery: Delivery, tmp_path: Path) -> None:
    """Every caution stands there, and where the files are."""
    text = in_one_line(printed(delivery, width=200, files=(tmp_path / "layout.gpkg",)))

    assert all(caution in text for caution in cautions())
    assert "layout.gpkg" in text
    assert str(tmp_path) in text


def test_hostile_text_is_shown(delivery: Delivery) -> None:
    """Text from a field file neither moves the cursor nor is taken for a style."""
    checks = delivery.checks.assign(subject="[red]\x1b[2Jarea\u202e of opening")

    text = printed(replace(delivery, checks=checks), width=200)

    assert r"[red]\x1b[2Jarea\u202e of opening" in text


def test_empty_layout(delivery: Delivery) -> None:
    """A layout without openings, limits and cut trees still reads well."""
    layout = delivery.layout
    figures = layout.figures
    bare = replace(
        layout,
        volume_by_zone=layout.volume_by_zone.iloc[:0],
        openings=layout.openings.iloc[:0],
        combined_openings=layout.combined_openings.iloc[:0],
        by_stand={
            0: replace(
                layout.by_stand[0],
                figures=replace(
                    figures,
                    openings=replace(figures.openings, count=0),
                    corridors=replace(figures.corridors, length_m=0.0),
                ),
            )
        },
    )

    text = printed(replace(delivery, layout=bare, checks=delivery.checks.iloc[:0]))

    assert "CORRIDORS   none" in text
    assert "OPENINGS    none" in text
    assert "None given, so none checked" in text


def test_many_openings(delivery: Delivery) -> None:
    """With more openings than fit, those beyond a limit are still shown."""
    many = pd.concat([delivery.layout.openings.iloc[[0]]] * 40, ignore_index=True)
    many = many.assign(opening=range(1, 41), combined=range(1, 41), group="")
    checks = delivery.checks.iloc[[2]].assign(feature="40")
    layout = replace(delivery.layout, openings=many)

    lines = printed(replace(delivery, layout=layout, checks=checks)).splitlines()

    assert [line for line in lines if line.split()[:1] == ["40"] and "EXCEEDED:" in line]
    assert any("and 10 more in openings.csv" in line for line in lines)


def test_verdict_of_a_combined_hole(delivery: Delivery) -> None:
    """A limit on a combined hole is told at each opening in it."""
    checks = delivery.checks.iloc[[2]].assign(
        limit="combined_area_max", layer="combined_openings", feature="1"
    )

    verdicts = opening_verdicts(checks, delivery.layout.openings)

    assert [text.plain for text in verdicts.values()] == [
        "EXCEEDED: combined size", "EXCEEDED: combined size", "no limit",
    ]  # fmt: skip


def test_near_and_met(delivery: Delivery) -> None:
    """Near is told only where nothing is exceeded; met where all is well."""
    checks = delivery.checks.iloc[:3].assign(verdict=["near", "met", "not_checked"])

    verdicts = opening_verdicts(checks, delivery.layout.openings)

    assert [text.plain for text in verdicts.values()] == ["near: size", "met", "not checked"]


@given(text=st.text(max_size=200))
def test_shown_text_is_harmless(text: str) -> None:
    """Whatever stands in a file, what is shown stays on its line and is short."""
    words = shown(text, longest=80)

    assert not set(words) & {"\x1b", "\n", "\r", "\t", "\u202e", "\x9b"}
    assert len(words) <= 80


def test_target_is_at_least(delivery: Delivery) -> None:
    """A limit whose room grows with what is measured is told as the least, whatever its name."""
    row = {"limit": "target", "unit": "MBF", "measured": 18.33, "limit_value": 18.0, "margin": 0.33}
    checks = delivery.checks.iloc[[4]].assign(**row)

    text = in_one_line(printed(replace(delivery, checks=checks)))

    assert "18.33 MBF, at least 18.00 MBF" in text


NUMBER = re.compile(r"\d[\d,.]*")


@pytest.mark.parametrize("width", [30, 40, 60])
def test_a_narrow_terminal_shows_the_same_numbers(
    delivery: Delivery, sample_run: Outcome, width: int
) -> None:
    """What has no room beside each other stands below each other: nothing is cut."""
    for one in (delivery, sample_run.delivery):
        wide, narrow = printed(one, width=200), printed(one, width=width)

        assert set(NUMBER.findall(narrow)) == set(NUMBER.findall(wide))
        assert narrow.count("…") == wide.count("…")
        assert max(map(len, narrow.splitlines())) <= width


@given(
    rows=st.lists(
        st.lists(st.text("0123456789,. a…", max_size=14), min_size=3, max_size=3), max_size=4
    ),
    width=st.integers(16, 60),
)
def test_no_table_cuts_a_word(rows: list[list[str]], width: int) -> None:
    """Every word of every cell is printed whole, at any width that has room for the longest."""
    table = Table("name", "how many there are", "area", box=None, caption="and 3 more")
    for row in rows:
        table.add_row(*map(Text, row))
    text = io.StringIO()
    Console(file=text, width=width).print(Fitted(table))

    words = [word for row in rows for cell in row for word in cell.split()]
    assert not Counter(words) - Counter(text.getvalue().split())
