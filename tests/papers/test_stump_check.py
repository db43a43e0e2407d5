"""The stump check: every mark once, where it is looked up."""

from pathlib import Path

import pypdf

from glademark.jobs.layout import Outcome
from glademark.report.delivery import Delivery
from glademark.report.papers.field_sheets import STUMP_CHECK, standing_group, stump_groups

BOX = "\N{BALLOT BOX}"


def test_groups_hold_every_tree_once(sample: Outcome) -> None:
    """Trees of all groups add up to the located trees of the summary."""
    groups = stump_groups(sample.delivery)

    assert sum(group.trees for group in groups) == sample.delivery.summary["marks"]["trees"]


def test_opening_groups_are_the_openings(sample: Outcome) -> None:
    """Each opening is a group with its own trees."""
    groups = {group.title: group.trees for group in stump_groups(sample.delivery)}
    openings = sample.delivery.layout.openings
    expected = dict(zip(openings["opening"], openings["trees"], strict=True))

    assert {number: groups[f"Opening {number}"] for number in expected} == expected


def test_every_mark_has_a_box_on_paper(small: Delivery, tmp_path: Path) -> None:
    """Eight trees of two groups, a record of three corridor trees, a leave tree and a line tree."""
    STUMP_CHECK.write(small, tmp_path)
    pages = pypdf.PdfReader(tmp_path / "stump_check.pdf").pages
    words = " ".join(page.extract_text() for page in pages)

    assert words.count(BOX) == 8 + 1 + 2


def test_record_of_several_trees_says_so(small: Delivery) -> None:
    """A record that stands for three trees is looked up three times."""
    corridor = next(group for group in stump_groups(small) if group.title == "Corridor 1")

    assert corridor.trees == 3
    assert corridor.rows[0][1].endswith("\N{MULTIPLICATION SIGN}3")


def test_trees_that_must_stand_are_listed(small: Delivery) -> None:
    """Leave trees and unconfirmed line trees are looked for as well."""
    rows = standing_group(small).rows

    assert [row[1] for row in rows] == ["L1", "X9"]
    assert rows[1][2] == "LINE TREE"


def test_two_markers_are_told_apart(sample: Outcome) -> None:
    """Two markers may both start at 1: a letter before the number says whose mark it is."""
    rows = [row for group in stump_groups(sample.delivery) for row in group.rows]
    names = [row[1] for row in rows]

    assert {name[0] for name in names} == {"A", "B"}
    assert len(set(names)) == len(names)
