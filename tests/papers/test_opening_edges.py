"""Every paper with the area of an opening says what it is measured to."""

import io
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pytest
import shapely
from rich.console import Console

from glademark.contracts.survey import Survey
from glademark.export.tables import write_workbook
from glademark.jobs.layout import lay_out_survey
from glademark.project.model import Project
from glademark.report.map_sheets.panel import facts
from glademark.report.papers.field_guide import guide_content
from glademark.report.terminal.layout import print_summary

WORDS = {
    "marked_crowns": "the crowns of the marked trees",
    "standing_crowns": "the standing crowns around (radius 3.0 m)",
    "boles": "at the boles around, a standing crown (radius 3.0 m)",
}
IN_SHORT = {
    "marked_crowns": "at the crowns of the marks",
    "standing_crowns": "at the standing crowns (radius 3.0 m)",
    "boles": "at the boles around (standing crown 3.0 m)",
}


@pytest.mark.parametrize("edge", list(WORDS))
def test_guide_workbook_map_and_terminal_say_the_edge(
    edge: str,
    survey_of: Callable[..., Survey],
    project_of: Callable[..., Project],
    tmp_path: Path,
) -> None:
    """Guide, notes of the workbook, facts of the map and terminal name the plan's edge."""
    marks = [{"geometry": shapely.Point(50 + 5 * n, 50), "group": "1"} for n in range(4)]
    project = project_of(
        project={"name": "Edges", "units": "metric"},
        openings={"edge": edge, "standing_crown_radius": "3 m"},
    )
    survey = survey_of(shapely.box(0, 0, 200, 100), marks=marks)
    delivery = lay_out_survey(survey, project, (), earlier={})

    write_workbook(delivery, tmp_path / "layout.xlsx")
    notes = openpyxl.load_workbook(tmp_path / "layout.xlsx")["Notes"]
    told = " ".join(str(row[0]) for row in notes.iter_rows(values_only=True))
    screen = io.StringIO()
    print_summary(delivery, Console(file=screen, width=300))

    assert IN_SHORT[edge] in guide_content(delivery).edge
    assert WORDS[edge] in told
    assert WORDS[edge] in screen.getvalue()
    assert dict(facts(delivery))["Their edge"].replace("\u00a0", " ") == IN_SHORT[edge]


@pytest.mark.parametrize("width", [80, 90, 100, 120])
def test_openings_are_a_table_on_a_narrow_screen(
    width: int, survey_of: Callable[..., Survey], project_of: Callable[..., Project]
) -> None:
    """From 80 columns on each opening has one row with its lower and upper figure."""
    marks = [
        {"geometry": shapely.Point(50 + 5 * n, 50 + 100 * group), "group": str(group + 1)}
        for group in (0, 1)
        for n in range(30)
    ]
    survey = survey_of(shapely.box(0, 0, 300, 300), marks=marks)
    project = project_of(project={"name": "Edges", "units": "us"})
    delivery = lay_out_survey(survey, project, (), earlier={})
    screen = io.StringIO()
    print_summary(delivery, Console(file=screen, width=width))

    lines = screen.getvalue().splitlines()
    (head,) = [line for line in lines if "Trees" in line and "Area" in line and "Nearest" in line]
    rows = [line for line in lines if line.split()[:2] in (["1", "30"], ["2", "30"])]
    assert "boles" in head
    assert len(rows) == 2
