"""An unconfirmed tree on every screen and paper: counted apart, and not drawn as cut."""

import io
from collections.abc import Callable

import pytest
import shapely
from rich.console import Console

from glademark.contracts.survey import Survey
from glademark.export.handheld import placed_layers
from glademark.export.handheld_files import gpx_bytes, kml_bytes
from glademark.jobs.layout import lay_out_survey
from glademark.project.model import Project
from glademark.report.delivery import Delivery
from glademark.report.map_sheets.content import map_content
from glademark.report.map_sheets.tables import records_table
from glademark.report.papers.field_guide import guide_content
from glademark.report.papers.field_sheets import standing_group, stump_groups
from glademark.report.papers.filing_figures import filing_tables
from glademark.report.review_page.content import map_content as page_content
from glademark.report.review_page.page import facts
from glademark.report.terminal.layout import print_summary

TOTALS = "3 trees on the map, 0.2 m2 basal area"  # three stems of 30 cm: 0.21 m2


@pytest.fixture(scope="module")
def delivery(survey_of: Callable[..., Survey], project_of: Callable[..., Project]) -> Delivery:
    """Two trees to cut, and one of which nobody knows."""
    marks = [
        {"geometry": shapely.Point(50 + 20 * n, 50), "tree_id": name, "kind": kind}
        for n, (name, kind) in enumerate({"1": "cut", "2": "cut", "U3": "unconfirmed"}.items())
    ]
    project = project_of(
        project={"name": "Unconfirmed", "units": "metric"},
        marks={"paint": {"white": "cut"}},
        openings={"cleared_to_dbh": "5 cm", "min_trees": 1, "min_area": "1 m2"},
    )
    survey = survey_of(shapely.box(0, 0, 200, 100), marks=marks)
    return lay_out_survey(survey, project, (), earlier={})


def test_the_terminal_counts_it_apart(delivery: Delivery) -> None:
    """First what is cut, then what is not known to be, then the figures with it."""
    text = io.StringIO()
    print_summary(delivery, Console(file=text, width=200))

    assert "2 trees to cut on the map" in text.getvalue()
    assert "UNCONFIRMED: 1 unconfirmed tree, without listed paint: NOT to be cut" in text.getvalue()
    assert f"With the 1 unconfirmed tree: {TOTALS}" in text.getvalue()
    assert "With the 1 unconfirmed tree: 3 openings" in text.getvalue()


def test_the_filing_figures_and_the_map_have_both_figures(delivery: Delivery) -> None:
    """The planner files what is cut, and sees what is open."""
    filed = dict(filing_tables(delivery)["Stand and system"].rows)
    on_map = dict(records_table(delivery).rows)
    on_page = {fact.name: (fact.value, fact.beside) for fact in facts(delivery)}

    assert filed["Trees to cut"] == "2 with a position, 0 counted on paper"
    assert filed["Not among them"].startswith("1 unconfirmed tree, NOT to be cut")
    assert TOTALS in filed["Not among them"]
    assert on_map["Trees to cut on the map"] == "2"
    assert on_map["   with them"].startswith(TOTALS)
    assert on_page["Not among them"][0] == "1 unconfirmed tree"
    assert TOTALS in on_page["Not among them"][1]


def test_the_crew_is_told_to_leave_it(delivery: Delivery) -> None:
    """Guide and stump check say the same: it stands until the forester says otherwise."""
    content = guide_content(delivery)

    assert "NOT to be cut until the forester says so. 1 unconfirmed tree: U3." in (
        content.unconfirmed
    )
    assert "and unconfirmed trees" in str(content.paint.rows)
    assert [row[1:3] for row in standing_group(delivery).rows] == [("U3", "UNCONFIRMED")]
    assert sum(found.trees for found in stump_groups(delivery)) == 2


def test_it_is_not_drawn_as_a_tree_to_cut(delivery: Delivery) -> None:
    """Maps and handhelds show it with a symbol and a name of its own."""
    trees = map_content(delivery).trees
    layers = placed_layers(delivery)

    assert trees["cut"].names.tolist() == ["1", "2"]
    assert trees["unconfirmed"].names.tolist() == ["U3"]
    assert layers["marks"]["tree_id"].tolist() == ["1", "2"]
    assert layers["unconfirmed_trees"]["name"].tolist() == ["DO NOT CUT unconfirmed tree U3"]
    assert b"DO NOT CUT unconfirmed tree U3" in gpx_bytes(delivery)
    assert b"DO NOT CUT unconfirmed tree U3" in kml_bytes(delivery)
    assert len(page_content(delivery, {}).trees["unconfirmed"].row) == 1
