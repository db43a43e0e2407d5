"""Cruise plots from field files: counted, weighted, rejected or refused."""

import json
import math
from collections.abc import Callable
from pathlib import Path

import pytest

from glademark.contracts.survey import Survey
from glademark.errors import InputError
from glademark.intake.read import read_survey
from glademark.project.model import Project

WEST, SOUTH = 400_000.0, 4_500_000.0
Read = Callable[[str], Survey]


@pytest.fixture
def read(tmp_path: Path) -> Read:
    """Survey of a 400 m square stand with one mark and a cruise."""
    ring = [[0, 0], [400, 0], [400, 400], [0, 400], [0, 0]]
    stand = {
        "type": "Polygon",
        "coordinates": [[[WEST + x, SOUTH + y] for x, y in ring]],
        "crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::26916"}},
    }
    (tmp_path / "stand.geojson").write_text(json.dumps(stand), encoding="utf-8")
    (tmp_path / "marks.csv").write_text(
        f"id,x,y,dbh_in\n1,{WEST + 9},{SOUTH + 9},12\n", encoding="utf-8"
    )

    def call(cruise: str) -> Survey:
        (tmp_path / "cruise.csv").write_text(cruise, encoding="utf-8")
        inputs = {
            "stand": {"file": "stand.geojson", "crs": "EPSG:26916"},
            "marks": {"file": "marks.csv", "crs": "EPSG:26916"},
            "cruise": {"file": "cruise.csv", "crs": "EPSG:26916"},
        }
        project = Project.model_validate({"project": {"name": "invented"}, "inputs": inputs})
        return read_survey(project, folder=tmp_path)

    return call


def at(x: float, y: float = 50.0) -> str:
    """Cells of a position in the stand's own metres."""
    return f"{WEST + x},{SOUTH + y}"


def test_a_plot_without_trees_is_a_plot(read: Read) -> None:
    """A row without species and diameter stands for a plot without trees."""
    survey = read(
        f"plot,x,y,baf_ft2_ac,species,dbh_in\nA,{at(50)},10,red oak,12\nB,{at(90)},10,,\n"
    )

    assert survey.plots["plot"].tolist() == ["A", "B"]
    assert survey.plot_trees["plot"].tolist() == ["A"]
    # 10 ft2/acre, common practice
    assert survey.plots["baf_m2_ha"].tolist() == pytest.approx([2.2956841] * 2, rel=1e-7)


def test_trees_that_were_only_counted(read: Read) -> None:
    """A point with 11 trees counted has 11 trees; one with 0 or a blank count has none."""
    survey = read("plot,baf_ft2_ac,trees\nA,10,11\nB,10,0\nC,10,\n")

    assert survey.plots["plot"].tolist() == ["A", "B", "C"]
    assert survey.plot_trees[["plot", "count"]].to_numpy().tolist() == [["A", 11]]
    assert survey.plot_trees["dbh_cm"].isna().all()
    assert survey.rejected.empty


@pytest.mark.parametrize("heading", ["count", "tally", "trees in"])
def test_headings_of_a_count(read: Read, heading: str) -> None:
    """The number of trees at a point goes by several names."""
    survey = read(f"plot,baf_ft2_ac,{heading}\nA,10,11\nB,10,13\n")

    assert survey.plot_trees["count"].tolist() == [11, 13]


@pytest.mark.parametrize("word", ["none", "No trees", "nil"])
def test_a_word_for_no_tree_is_no_species(read: Read, word: str) -> None:
    """Who writes that there is none has counted a plot without trees."""
    survey = read(f"plot,baf_ft2_ac,species,dbh_in\nA,10,{word},\nB,10,red oak,12\n")

    assert survey.plots["plot"].tolist() == ["A", "B"]
    assert survey.plot_trees["species"].tolist() == ["red oak"]


def test_a_plot_within_the_position_error_is_kept(read: Read) -> None:
    """A plot that plots 3 m outside is in the stand as far as the receiver can tell."""
    survey = read(f"plot,x,y,baf_ft2_ac,dbh_in\nA,{at(50)},10,12\nedge,{at(403)},10,12\n")

    assert survey.plots["plot"].tolist() == ["A", "edge"]
    assert survey.rejected.empty


def test_a_plot_beyond_the_position_error_is_another_stands(read: Read) -> None:
    """Plots are kept 3.9 m outside, with the usual error of 4 m, and rejected 4.1 m outside."""
    survey = read(
        "plot,x,y,baf_ft2_ac,dbh_in\n"
        f"A,{at(50)},10,12\nedge,{at(403.9)},10,12\nbeyond,{at(404.1)},10,12\n"
    )

    assert survey.plots["plot"].tolist() == ["A", "edge"]


def test_a_plot_without_its_position_is_kept_beside_others(read: Read) -> None:
    """One plot whose position was lost still counts in the sample."""
    survey = read(f"plot,x,y,baf_ft2_ac,dbh_in\nA,{at(50)},10,12\nB,,,10,14\n")

    assert survey.plots.geometry.is_empty.tolist() == [False, True]
    assert survey.plot_trees["plot"].tolist() == ["A", "B"]
    assert "cruise.csv: no position of 1 plot (B), taken to lie in the stand." in survey.notices


@pytest.mark.parametrize(
    ("heading", "number", "area_m2"),
    [
        # 43,560 ft2 in an acre, 0.3048 m in a foot
        ("plot_area_ac", "0.2", 0.2 * 43_560 * 0.3048**2),
        ("plot_area_ha", "0.05", 500.0),
        ("plot_area_m2", "400", 400.0),
        ("plot_area_ft2", "10000", 10_000 * 0.3048**2),
        # pi r^2
        ("plot_radius_ft", "37.2", math.pi * (37.2 * 0.3048) ** 2),
    ],
)
def test_units_of_plot_sizes(read: Read, heading: str, number: str, area_m2: float) -> None:
    """The size of a plot is read in the unit of its heading."""
    survey = read(f"plot,{heading},dbh_in\nA,{number},12\n")

    assert survey.plots["plot_area_m2"].tolist() == pytest.approx([area_m2])
    assert survey.plots["baf_m2_ha"].isna().all()


def test_one_row_speaks_for_the_position_of_its_plot(read: Read) -> None:
    """Only the first row of a plot need have its position."""
    survey = read(f"plot,x,y,baf_ft2_ac,dbh_in\nA,{at(50)},10,12\nA,,,10,14\n")

    assert len(survey.plots) == 1
    assert survey.plots.geometry.iloc[0].x == pytest.approx(WEST + 50)
    assert len(survey.plot_trees) == 2


def test_plots_outside_the_stand_are_rejected(read: Read) -> None:
    """A plot 30 m outside is left out with its trees; read is used plus rejected."""
    rows = [f"P{i},{at(40 + i)},10,12" for i in range(4)]
    survey = read(
        "plot,x,y,baf_ft2_ac,dbh_in\n" + "\n".join([*rows, f"out,{at(430)},10,12"]) + "\n"
    )
    count = next(one for one in survey.counts if one.input == "cruise")

    assert "out" not in set(survey.plots["plot"])
    assert survey.rejected["reason"].tolist() == ["its plot lies 30 m outside the stand"]
    assert (count.read, count.used, count.rejected) == (5, 4, 1)


def test_plots_without_positions_are_kept(read: Read) -> None:
    """A cruise without coordinates is used, and that is said."""
    survey = read("plot,plot_area_ac,dbh_in\nA,0.1,12\nB,0.1,14\n")

    assert survey.plots.geometry.is_empty.all()
    # a tenth of 4,046.8564224 m2
    assert survey.plots["plot_area_m2"].tolist() == pytest.approx([404.68564224] * 2)
    assert any("no positions" in notice for notice in survey.notices)


def test_a_radius_makes_the_area_of_its_circle(read: Read) -> None:
    """A radius of 10 m is a plot of 314.16 m2."""
    survey = read("plot,plot_radius_m,dbh_in\nA,10,12\nB,10,14\n")

    assert survey.plots["plot_area_m2"].iloc[0] == pytest.approx(314.159265, rel=1e-8)


def test_walkthrough_counts_a_tree_twice(read: Read) -> None:
    """A tree marked yes under walkthrough counts twice, weight is the plot's share in the stand."""
    survey = read(
        "plot,baf_m2_ha,weight,walkthrough,dbh_cm\nA,2,0.5,yes,30\nA,2,0.5,no,30\nB,2,,,30\n"
    )

    assert survey.plot_trees["times"].tolist() == [2, 1, 1]
    assert survey.plots["weight"].tolist() == [0.5, 1.0]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("tree,baf_ft2_ac,dbh_in\n1,10,12\n", "a cruise needs a column 'plot'"),
        ("plot,baf,dbh_in\nA,10,12\n", "'baf' has no unit"),
        ("plot,dbh_in\nA,12\n", "A have neither or both of a basal area factor and a plot area"),
        ("plot,baf_ft2_ac,dbh_in\nA,10,12\nA,20,12\n", "the plots A have two different factors"),
        ("plot,baf_ft2_ac,dbh\nA,10,12\n", "the diameters in 'dbh' have no unit"),
    ],
)
def test_refusals(read: Read, text: str, message: str) -> None:
    """A cruise that could be read in two ways is refused with the mend."""
    with pytest.raises(InputError, match=message):
        read(text)


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        ("A,10,oak,12,0", "a whole number from 1"),
        ("A,-10,oak,12,1", "no number above 0"),
        (",10,oak,12,1", "it names no plot"),
    ],
)
def test_rows_rejected(read: Read, row: str, reason: str) -> None:
    """A row that cannot be used is rejected with its reason, the others are used."""
    survey = read(f"plot,baf_ft2_ac,species,dbh_in,count\nB,10,oak,12,1\n{row}\n")

    assert len(survey.rejected) == 1
    assert reason in survey.rejected["reason"].iloc[0]
    assert "B" in set(survey.plots["plot"])


@pytest.mark.parametrize("cell", ["ca. 35", "3O", "-12", "900"])
@pytest.mark.parametrize("species", ["oak", ""])
def test_a_tree_whose_diameter_cannot_be_read_was_counted(
    read: Read, cell: str, species: str
) -> None:
    """A tree in a plot is basal area at a point, and is never lost for a cell that says nothing."""
    survey = read(f"plot,baf_ft2_ac,species,dbh_in\nA,10,{species},{cell}\nB,10,oak,12\n")

    assert survey.rejected.empty
    assert survey.plot_trees["plot"].tolist() == ["A", "B"]
    assert survey.plot_trees["dbh_cm"].isna().tolist() == [True, False]
    assert any(f'counted without a diameter: A "{cell}"' in notice for notice in survey.notices)


def test_a_diameter_of_nothing_is_a_plot_without_trees(read: Read) -> None:
    """0 in a row that names no tree and counts none is an empty plot, not a tree of no size."""
    survey = read("plot,baf_ft2_ac,species,dbh_in\nA,10,,0\nB,10,oak,12\n")

    assert survey.plots["plot"].tolist() == ["A", "B"]
    assert survey.plot_trees["plot"].tolist() == ["B"]
