"""Tables without positions: the paper tally, and rows that stay text."""

from collections.abc import Callable

import numpy as np
import pytest

from glademark.contracts.survey import Survey
from glademark.errors import InputError

Read = Callable[..., Survey]
PRODUCTS = {"products": {"sawlog": {"unit": "MBF"}, "pulpwood": {"unit": "cord"}}}


def test_a_paper_tally_is_read_without_positions(survey: Read, text: Callable[..., str]) -> None:
    """Zone, class and count are what paper holds."""
    content = "zone,spp,product,DBH class (in),trees\nMatrix,SM,sawlogs,12,7\ncorridors,RM,,,3\n"
    tally = survey(inputs={"tally": text("t.csv", content)}, volume=PRODUCTS).tally

    assert tally["zone"].tolist() == ["matrix", "corridor"]
    assert tally["count"].tolist() == [7, 3]
    assert tally["product"].tolist() == ["sawlog", ""]
    assert tally["dbh"].tolist() == pytest.approx([12, np.nan], nan_ok=True)
    assert tally["dbh_unit"].tolist() == ["in", ""]


def test_rows_of_a_tally_that_say_nothing_are_rejected(
    survey: Read, text: Callable[..., str]
) -> None:
    """A zone that is not known and a count that is no number have no place in the table."""
    content = "zone,count,dbh_in\nmatrix,2,12\nhill,3,12\nmatrix,,12\nmatrix,two,12\n"
    result = survey(inputs={"tally": text("t.csv", content)})

    assert len(result.tally) == 1
    assert [reason.split(";")[0] for reason in result.rejected["reason"]] == [
        'zone is "hill"',
        'count is ""',
        'count is "two"',
    ]
    assert result.rejected["record"].tolist() == [3, 4, 5]


def test_a_tally_keeps_trees_whose_diameter_cannot_be_read(
    survey: Read, text: Callable[..., str]
) -> None:
    """Nine trees were counted, whatever was written as their diameter, and the cell is named."""
    content = "zone,count,dbh_in\nmatrix,2,12\nmatrix,4,ca. 35\ncorridor,3,0\n"
    result = survey(inputs={"tally": text("t.csv", content)})

    assert result.rejected.empty
    assert result.tally["count"].sum() == 9
    assert result.tally["dbh"].tolist() == pytest.approx([12, np.nan, np.nan], nan_ok=True)
    told = 'cannot be used; counted without a diameter: line 3 "ca. 35", line 4 "0".'
    assert any(f"t.csv: the diameter of 2 records {told}" in notice for notice in result.notices)


@pytest.mark.parametrize(
    ("content", "missing"),
    [("area_name,count\na,1\n", "zone"), ("zone,dbh_in\nmatrix,1\n", "count")],
)
def test_a_tally_needs_zones_and_counts(
    survey: Read, text: Callable[..., str], content: str, missing: str
) -> None:
    """The columns that are there are named."""
    with pytest.raises(InputError, match=f"a paper tally needs a column '{missing}'; the columns"):
        survey(inputs={"tally": text("t.csv", content)})


def test_a_volume_table_stays_text(survey: Read, text: Callable[..., str]) -> None:
    """Its rows are read by those who know what they mean; decimal commas become points."""
    content = "product;dbh;volume\nsawlog;10;0,045\nsawlog;12;0,08\n"
    result = survey(volume={"table": text("v.csv", content)})

    assert result.volume_table is not None
    assert result.volume_table.to_numpy().tolist() == [
        ["sawlog", "10", "0.045"],
        ["sawlog", "12", "0.08"],
    ]
    assert any("'volume' are read with a decimal comma" in notice for notice in result.notices)


def test_a_map_layer_is_no_table(survey: Read, layer: Callable[..., str], at: Callable) -> None:
    """What is expected is said."""
    with pytest.raises(InputError, match="a table is expected here, and this is GeoPackage"):
        survey(inputs={"tally": layer("t.gpkg", [at(1, 1)], {"zone": ["matrix"]})})


def test_a_paper_tally_may_name_its_group(survey: Read, text: Callable[..., str]) -> None:
    """Trees counted for a group are trees of an opening, whether the zone is written or not."""
    content = "zone,group,count,dbh_in\nopening,G 7,11,12\n,G 8,4,12\nmatrix,,2,12\n"
    tally = survey(inputs={"tally": text("t.csv", content)}).tally

    assert tally["zone"].tolist() == ["opening", "opening", "matrix"]
    assert tally["group"].tolist() == ["G 7", "G 8", ""]


def test_a_tally_by_groups_needs_no_zone(survey: Read, text: Callable[..., str]) -> None:
    """A sheet of groups alone says where its trees stand."""
    tally = survey(inputs={"tally": text("t.csv", "opening,trees,dbh_in\n7,11,12\n")}).tally

    assert tally[["zone", "group", "count"]].iloc[0].tolist() == ["opening", "7", 11]


def test_a_group_in_another_zone_is_told(survey: Read, text: Callable[..., str]) -> None:
    """The zone that is written holds, and the forester may look at the sheet again."""
    content = "zone,group,count,dbh_in\nmatrix,G 7,11,12\nmatrix,,2,12\n"
    result = survey(inputs={"tally": text("t.csv", content)})

    assert result.tally[["zone", "group"]].to_numpy().tolist() == [["matrix", ""], ["matrix", ""]]
    assert any(
        "t.csv: 1 record with a group in a zone other than opening" in n for n in result.notices
    )
