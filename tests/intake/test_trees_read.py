"""Trees that stand: the map or list of all of them, crop trees, and why trees stay or go."""

from collections.abc import Callable

import numpy as np
import pytest

from glademark.contracts.survey import Survey
from glademark.errors import InputError
from glademark.intake.trees import STANDING_COLUMNS

Read = Callable[..., Survey]
HEAD = "tree_id,x,y,species,dbh_cm,height_m,crown_width_m"


def _standing(text: Callable[..., str], rows: str, head: str = HEAD) -> dict[str, object]:
    """The input of standing trees."""
    return {"standing": {"file": text("standing.csv", f"{head}\n{rows}"), "crs": "EPSG:32616"}}


def test_a_map_of_all_trees_keeps_what_a_rule_may_name(survey: Read, text: Callable) -> None:
    """Measures come in SI; a column of the project's own stays as text under its own name."""
    head = f"{HEAD},grade,defect_pct,condition,lcr,risk_class"
    inputs = _standing(text, "7,500050,5000050,RM,30,21,8,2,10,dead top,0.35,high\n", head)

    found = survey(inputs=inputs).standing

    assert tuple(found.columns[: len(STANDING_COLUMNS)]) == STANDING_COLUMNS
    (tree,) = found.to_dict("records")
    assert (tree["tree_id"], tree["grade"], tree["condition"]) == ("7", "2", "dead top")
    assert (tree["dbh_cm"], tree["height_m"], tree["crown_radius_m"]) == (30.0, 21.0, 4.0)
    assert (tree["defect"], tree["live_crown_ratio"], tree["count"]) == (0.1, 0.35, 1)
    assert (tree["risk_class"], tree["stand"]) == ("high", 0)


def test_a_list_without_positions_counts_all_trees(survey: Read, text: Callable) -> None:
    """Where no tree has a position, none is lost, and that is said."""
    inputs = _standing(text, "1,RM,30,2\n2,SM,25,1\n", "tree_id,species,dbh_cm,count")

    result = survey(inputs=inputs)

    assert result.standing["count"].tolist() == [2, 1]
    assert result.standing.geometry.is_empty.all()
    assert any("2 standing trees without a position: counted" in one for one in result.notices)


def test_a_tree_far_outside_is_of_another_stand(survey: Read, text: Callable) -> None:
    """It is rejected with its distance class, and those near the boundary stay."""
    rows = "1,500050,5000050,RM,30,,\n2,500070,5000050,RM,30,,\n3,500500,5000050,RM,30,,\n"

    result = survey(inputs=_standing(text, rows))

    assert result.standing["tree_id"].tolist() == ["1", "2"]
    assert result.rejected["reason"].tolist() == [
        "it lies more than 100 m outside the stand; correct its position or leave it out"
    ]


@pytest.mark.parametrize(("cells", "expected"), [("0.4", 0.4), ("40", 0.4), ("", np.nan)])
def test_a_live_crown_ratio_is_a_share_or_per_cent(
    survey: Read, text: Callable, cells: str, expected: float
) -> None:
    """A ratio without a unit is what its size says: a crown is no 0.4 % of its tree."""
    inputs = _standing(text, f"1,RM,30,{cells}\n", "tree_id,species,dbh_cm,live_crown_ratio")

    assert survey(inputs=inputs).standing["live_crown_ratio"].tolist() == pytest.approx(
        [expected], nan_ok=True
    )


def test_defect_without_a_unit_is_not_guessed(survey: Read, text: Callable) -> None:
    """A defect of 0.5 may be a half or half a per cent."""
    inputs = _standing(text, "1,RM,30,0.5\n", "tree_id,species,dbh_cm,defect")

    with pytest.raises(InputError, match=r"'defect' may be per cent or a share"):
        survey(inputs=inputs)


def test_crop_trees_and_regeneration_are_read(
    survey: Read, text: Callable, layer: Callable, square: Callable
) -> None:
    """Crop trees with their crowns, patches of young growth cut at the stand."""
    crop = text(
        "crop.csv", "tree_id,x,y,species,dbh_cm,crown_radius_m\nC1,500050,5000050,SM,28,3\n"
    )
    patches = layer("regen.gpkg", [square(150, 150, 100)], {"name": ["Patch"]})

    result = survey(
        inputs={"crop_trees": {"file": crop, "crs": "EPSG:32616"}, "regeneration": patches}
    )

    assert result.crop_trees[["tree_id", "crown_radius_m"]].to_numpy().tolist() == [["C1", 3.0]]
    assert result.regeneration.area.tolist() == pytest.approx([2500.0])


def test_reasons_take_the_spelling_of_the_project(survey: Read, text: Callable) -> None:
    """A code that the project does not list is kept as written, and told of once."""
    marks = (
        "tree,DBH_cm,paint,reason,x,y\n1,30,white,Risk + DEFECT,500050,5000050\n"
        "2,30,white,whim,500060,5000060\n3,30,white,,500070,5000070\n"
    )
    tally = text("t.csv", "zone,count,dbh_cm,reason\nmatrix,2,30,risk\n")

    result = survey(marks, inputs={"tally": tally}, reasons={"risk": "broken", "defect": "rot"})

    assert result.marks["reason"].tolist() == ["risk+defect", "whim", ""]
    assert result.tally["reason"].tolist() == ["risk"]
    told = [one for one in result.notices if "[reasons]" in one]
    assert told == [
        "marks.csv: 1 record with a reason that [reasons] does not list (whim): kept as written."
    ]


def test_marks_without_reasons_have_no_such_column(survey: Read) -> None:
    """An input that was not given leaves no column behind."""
    result = survey()

    assert "reason" not in result.marks
    assert "reason" not in result.tally


def test_leave_trees_say_what_they_are_kept_for(survey: Read, text: Callable) -> None:
    """The kinds of retention are the project's own words."""
    trees = text(
        "leave.csv", "tree_id,x,y,species,dbh_cm,retention\nL1,500050,5000050,SM,60,Cavity\n"
    )
    inputs = {"leave_trees": {"file": trees, "crs": "EPSG:32616"}}

    assert survey(inputs=inputs, retention={"cavity": ""}).leave_trees["retention"].tolist() == [
        "cavity"
    ]


def test_a_cruise_may_say_crowns_and_marked_trees(survey: Read, text: Callable) -> None:
    """Whether a plot tree is marked is yes, no, or a record that cannot be used."""
    head = "plot,plot_area_ha,species,dbh_cm,crown_width_m,live_crown_ratio_pct,is_marked\n"
    cruise = text("c.csv", f"{head}1,0.05,SM,30,6,40,yes\n1,0.05,SM,20,,,no\n1,0.05,SM,20,,,hm\n")

    result = survey(inputs={"cruise": cruise})

    assert result.plot_trees["is_marked"].tolist() == [True, False]
    assert result.plot_trees["crown_radius_m"].tolist() == pytest.approx([3.0, np.nan], nan_ok=True)
    assert result.plot_trees["live_crown_ratio"].tolist() == pytest.approx(
        [0.4, np.nan], nan_ok=True
    )
    assert result.rejected["reason"].tolist() == [
        'is_marked is "hm"; expected yes or no; correct the cell'
    ]
