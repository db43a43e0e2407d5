"""Wood of what was found: a tree without a volume is counted, never taken for a tree of none."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapely

from glademark.comparison.comparison import Comparison, compare
from glademark.comparison.expected import amounts_of, in_words
from glademark.contracts.survey import Survey
from glademark.intake.comparison import AfterCutInputs, read_after_cut
from glademark.measure.layout import measure_layout
from glademark.measure.volume import Sold
from glademark.project.model import Project, Source
from glademark.report.comparison.wording import _amount_words, findings_table

STAND = shapely.box(400_000, 5_000_000, 400_200, 5_000_200)
CORDS = {"product": "pulpwood", "volume_unit": "cord"}

Compared = Callable[..., Comparison]


@pytest.fixture
def compared(
    tmp_path: Path, survey_of: Callable[..., Survey], project_of: Callable[..., Project]
) -> Compared:
    """Four trees of the given cords, of which the stumps of the first three are found."""

    def step(cords: list[float]) -> Comparison:
        places = [(400_050.0 + 30 * n, 5_000_050.0) for n in range(4)]
        marks = [
            {"geometry": shapely.Point(xy), "dbh_cm": 30.0, "dbh": 30.0, "dbh_unit": "cm",
             "species": "beech", "position_error_m": 1.0, "volume": volume, **CORDS}
            for xy, volume in zip(places, cords, strict=True)
        ]  # fmt: skip
        survey = survey_of(STAND, marks=marks)
        project = project_of(compare={"stump_error": "1 m", "adjust_error": False})
        text = "\n".join(
            ["stump,x,y,dbh_cm,species", *(f"{x},{x},{y},30,beech" for x, y in places[:3])]
        )
        (tmp_path / "stumps.csv").write_text(f"{text}\n", encoding="utf-8")
        inputs = AfterCutInputs(stumps=(Source(file=Path("stumps.csv"), crs="EPSG:26916"),))
        seen = read_after_cut(inputs, {"": survey}, project, folder=tmp_path).seen[""]
        return compare(survey, measure_layout(survey, project, earlier={}), project, seen)

    return step


def cords_of(found: Comparison, finding: str) -> pd.Series:
    """The row of cords."""
    rows = found.findings
    (at,) = np.flatnonzero((rows["finding"] == finding) & (rows["quantity"] == "pulpwood"))
    return rows.iloc[at]


def test_a_sum_without_a_tree_says_so(compared: Compared) -> None:
    """Of three trees cut, one has no volume: at least 0.7 cord, with no end above and no share."""
    found = compared([0.25, 0.45, np.nan, 0.25])
    row = cords_of(found, "matched")
    table = findings_table(found, "us")
    (shown,) = [line for line in table.rows if "at least 0.7 cord" in line[2]]

    assert row["amount"] == pytest.approx(0.7, abs=1e-3)
    assert row["trees_without"] == pytest.approx(1, abs=1e-3)
    assert np.isnan(row["high"])
    assert np.isnan(row["share_of_marked"])
    assert shown[2] == "at least 0.7 cord; 1 tree without a volume"
    assert shown[3] == "0.7 cord or more"


def test_a_whole_sum_is_plain(compared: Compared) -> None:
    """All four trees with 0.25 cord: three quarters of what was marked."""
    row = cords_of(compared([0.25] * 4), "matched")

    assert row["trees_without"] == 0
    assert row["amount"] == pytest.approx(0.75, abs=1e-3)
    assert row["share_of_marked"] == pytest.approx(0.75, abs=1e-3)
    assert np.isfinite(row["high"])


def test_a_share_of_an_incomplete_sum_is_a_most(compared: Compared) -> None:
    """Three trees of 0.3 cord cut, the fourth unknown: the sum is whole, its share at most 1."""
    found = compared([0.3, 0.3, 0.3, np.nan])
    row = cords_of(found, "matched")
    rows = findings_table(found, "us").rows

    assert row["trees_without"] == pytest.approx(0, abs=1e-3)
    assert row["marked_without"] == 1
    assert [line[4] for line in rows if line[2] == "0.9 cord"] == ["at most 100.0 %"]


def test_a_tree_without_a_volume_has_none_in_the_layer(compared: Compared) -> None:
    """A diameter and a volume that are not known are blank, not 0."""
    found = compared([0.25, 0.45, np.nan, 0.25])

    assert list(found.trees["volume"]) == [
        "pulpwood 0.25 cord", "pulpwood 0.45 cord", "pulpwood not computed", "pulpwood 0.25 cord",
    ]  # fmt: skip


def test_a_stump_without_a_diameter_has_no_basal_area() -> None:
    """Its basal area is left out and counted."""
    trees = pd.DataFrame(
        {"species": "beech", "product": "", "dbh": [30.0, np.nan], "dbh_cm": [30.0, np.nan]}
    ).assign(dbh_unit="cm")
    wood = amounts_of(trees, Sold(table=None, products={}))

    assert wood.of["basal_area"] == pytest.approx([np.pi * 0.15**2, 0])
    assert list(wood.without["basal_area"]) == [0, 1]
    assert np.isnan(wood.known("basal_area", 2)[1])


def test_one_product_in_two_units_is_two_quantities() -> None:
    """Recorded in cords and in m3 without a product: amounts in different units never add."""
    trees = pd.DataFrame(
        {"species": "beech", "product": "", "dbh": 30.0, "dbh_cm": 30.0, "dbh_unit": "cm",
         "volume": [1.0, 2.0], "volume_unit": ["cord", "m3"]}
    )  # fmt: skip
    wood = amounts_of(trees, Sold(table=None, products={}))

    assert {name: wood.of[name].sum() for name in wood.of if "not stated" in name} == {
        "not stated (cord)": 1.0, "not stated (m3)": 2.0,
    }  # fmt: skip
    assert in_words(wood, 2) == ["not stated (cord) 1.00 cord", "not stated (m3) 2.00 m3"]


def test_a_stump_that_states_no_product_may_be_of_any() -> None:
    """It has no volume in any product, and is counted in each, whatever trees like it are."""
    trees = pd.DataFrame(
        {"species": "beech", "product": ["sawlog", "pulpwood", ""], "dbh": 30.0, "dbh_cm": 30.0,
         "dbh_unit": "cm", "volume": [1.0, 2.0, np.nan], "volume_unit": ["m3", "cord", ""]}
    )  # fmt: skip
    wood = amounts_of(trees, Sold(table=None, products={}))

    assert {name: list(wood.without[name]) for name in ("sawlog", "pulpwood")} == {
        "sawlog": [0, 0, 1], "pulpwood": [0, 0, 1],
    }  # fmt: skip
    assert wood.unlisted.sum() == 0


def test_trees_that_are_left_out_are_counted_whole_or_said_to_be_expected() -> None:
    """A sum of chances is no count of trees."""
    assert _amount_words(0.0, "m2", 4.7, "metric").endswith(
        "an expected 4.7 trees without a diameter"
    )
    assert _amount_words(0.0, "m2", 5.0, "metric").endswith("; 5 trees without a diameter")


def test_what_no_product_holds_is_told(compared: Compared) -> None:
    """Where no volume at all is known, a notice says how many trees and stumps it leaves out."""
    found = compared([np.nan] * 4)

    (told,) = [one for one in found.notices if "without a volume" in one]
    assert told.startswith("4 trees marked to cut and 3 stumps without a volume")
    assert "pulpwood" not in set(found.findings["quantity"])
