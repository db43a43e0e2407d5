"""A local volume table is read as it was meant, and every fault in it is named."""

import math
from typing import Any

import numpy as np
import pytest

from glademark.errors import InputError
from glademark.forestry import PACKAGED_SPECIES, OwnSpecies, SpeciesNames, VolumeTable
from glademark.forestry.size_classes import DiameterUnit
from glademark.forestry.volume_table import read_rows

Rows = list[dict[str, object]]
LONG: Rows = [
    {"Product": "Sawlog", "DBH": "10", "Volume": "60"},
    {"Product": "Sawlog", "DBH": "14", "Volume": "150"},
    {"Product": "Pulpwood", "DBH": "6", "Volume": "40"},
    {"Product": "Pulpwood", "DBH": "10", "Volume": ""},
]


def table_of(
    rows: Rows,
    *,
    unit: str,
    dbh_unit: DiameterUnit,
    species: SpeciesNames = PACKAGED_SPECIES,
    **reading: Any,  # noqa: ANN401 - how the table is read
) -> VolumeTable:
    """Volume table of plain rows, in long or wide form."""
    cells = read_rows(rows, unit=unit, dbh_unit=dbh_unit, species=species)
    return VolumeTable(rows=cells, dbh_unit=dbh_unit, species=species, **reading)


def test_class_holds_up_to_the_next_row() -> None:
    """The row 10 holds from 10.0 up to 14; the last row has no upper end."""
    table = table_of(LONG, unit="bf", dbh_unit="in")

    volume, found = table.lookup([9.9, 10.0, 13.99, 14.0, 40.0], product="sawlog")

    assert volume.tolist() == pytest.approx([math.nan, 60, 60, 150, 150], nan_ok=True)
    assert found.tolist() == [False, True, True, True, True]


def test_blank_cell_is_a_gap() -> None:
    """A blank cell has no volume: the class below does not reach over it."""
    table = table_of(LONG, unit="bf", dbh_unit="in")

    _, found = table.lookup([7.0, 11.0], product="PULPWOOD")

    assert found.tolist() == [True, False]


def test_trade_classes_are_named_by_their_middle() -> None:
    """With classes of 2 in, the row 10 holds 9.0 to under 11.0, and nothing above."""
    table = table_of(
        [{"dbh": 10, "volume": 1.0}, {"dbh": 12, "volume": 2.0}],
        unit="cord",
        dbh_unit="in",
        class_width=2,
    )

    volume, _ = table.lookup([8.9, 9.0, 10.9, 11.0, 13.0])

    assert volume.tolist() == pytest.approx([math.nan, 1, 1, 2, math.nan], nan_ok=True)


def test_interpolation_is_straight_and_stays_inside() -> None:
    """Halfway between 60 and 150 is 105; outside the table there is nothing."""
    table = table_of(LONG[:2], unit="bf", dbh_unit="in", read="interpolate")

    volume, found = table.lookup([10.0, 12.0, 14.0, 14.1], product="sawlog")

    assert volume.tolist() == pytest.approx([60, 105, 150, math.nan], nan_ok=True)
    assert found.tolist() == [True, True, True, False]


def test_most_particular_row_speaks() -> None:
    """Product and species come before product, product before species, species before any."""
    rows: Rows = [
        {"dbh": 10, "volume": 1, "product": "", "species": ""},
        {"dbh": 10, "volume": 2, "product": "", "species": "ACSA3"},
        {"dbh": 10, "volume": 3, "product": "sawlog", "species": "*"},
        {"dbh": 10, "volume": 4, "product": "sawlog", "species": "sugar maple"},
    ]
    table = table_of(rows, unit="m3", dbh_unit="in")

    volume, _ = table.lookup(
        [12.0] * 4,
        species=["red oak", 318, 833, "hard maple"],
        product=["pulp", "pulp", "sawlog", "Sawlog"],
    )

    assert volume.tolist() == [1, 2, 3, 4]


@pytest.mark.parametrize(
    ("rows", "asked"),
    [
        ([{"species": "ACSA3", "10": "1", "14": "2"}], {"species": "ACSA3"}),
        ([{"DBH_in": "10", "ACSA3": "1"}, {"DBH_in": "14", "ACSA3": "2"}], {"species": 318}),
        ([{"dbh": "10", "pulp": "1"}, {"dbh": "14", "pulp": "2"}], {"product": "pulp"}),
        ([{"size class": "9 to 12 in", "volume": 1}, {"size class": "12+", "volume": 2}], {}),
    ],
)
def test_wide_forms_mean_the_same(rows: Rows, asked: dict[str, object]) -> None:
    """Sizes, species or products may stand in the headings; the tree takes the same volume."""
    table = table_of(rows, unit="cord", dbh_unit="in")

    volume, _ = table.lookup([10.0, 15.0], **asked)  # type: ignore[arg-type] # a test's own mix

    assert volume.tolist() == [1, 2]


def test_heights_in_the_headings() -> None:
    """Between 10 in, 1 log (50) and 12 in, 2 logs (130), the middle is the mean of four cells."""
    rows: Rows = [{"dbh": 10, "1": 50, "2": 90}, {"dbh": 12, "1": 70, "2": 130}]
    table = table_of(rows, unit="bf", dbh_unit="in", read="interpolate")

    volume, found = table.lookup([11.0, 12.0, 12.0, 12.0], height=[1.5, 2, 3, math.nan])

    assert volume[:2].tolist() == [(50 + 90 + 70 + 130) / 4, 130]
    assert found.tolist() == [True, True, False, False]


def test_height_classes_are_lower_edges() -> None:
    """Read by class, 2.5 logs take the column of 2 logs."""
    rows: Rows = [{"dbh": 10, "1": 50, "2": 90}]
    table = table_of(rows, unit="bf", dbh_unit="in")

    volume, _ = table.lookup([11.0, 11.0, 11.0], height=[0.5, 1.0, 2.5])

    assert volume.tolist() == pytest.approx([math.nan, 50, 90], nan_ok=True)


def test_single_height_is_no_range() -> None:
    """Interpolated, a table of one height holds for that height alone."""
    table = table_of([{"dbh": 10, "2": 90}], unit="bf", dbh_unit="in", read="interpolate")

    _, found = table.lookup([10.0, 10.0], height=[2, 1])

    assert found.tolist() == [True, False]


def test_tree_has_parts() -> None:
    """A sawlog tree gives board feet, and cords of topwood beside them."""
    rows: Rows = [
        {"product": "sawlog", "part": "", "dbh": 14, "volume": 150, "unit": "board feet"},
        {"product": "sawlog", "part": "Pulpwood", "dbh": 14, "volume": 0.05, "unit": "cord"},
    ]
    table = table_of(rows, unit="", dbh_unit="in")

    own, _ = table.lookup([15.0], product="sawlog")
    topwood, _ = table.lookup([15.0], product="sawlog", part="pulpwood")

    assert (own.tolist(), topwood.tolist()) == ([150], [0.05])
    assert table.parts_of("sawlog") == ("", "pulpwood")
    assert table.unit_of("sawlog") == "board foot"
    assert table.unit_of("sawlog", part="pulpwood") == "cord"
    assert table.unit_of("veneer") == ""


def test_no_trees_give_no_volumes() -> None:
    """An empty tally is looked up like any other."""
    table = table_of(LONG, unit="bf", dbh_unit="in")

    volume, found = table.lookup(np.array([]), species=[], product=[])

    assert (volume.size, found.size) == (0, 0)


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ({"dbh": "ten", "volume": "1"}, "row 2: the size is 'ten'; expected a diameter"),
        ({"dbh": "10", "volume": "x"}, "row 2: the volume is 'x'; expected a number"),
        ({"dbh": "10", "volume": "-1"}, "row 2: the volume is '-1'; expected a number from zero"),
        (
            {"dbh": "10", "volume_m3": "1", "unit": "cord"},
            "row 2: the unit is 'cord', but the heading says m3",
        ),
        ({"dbh": "10", "bf": "1", "cords": "1"}, "the columns bf, cords are all volumes"),
        ({"dbh_cm": "10", "volume": "1"}, "heading 'dbh_cm' is in another unit"),
        ({"product": "x", "volume": "1"}, "no column for the size; expected a column 'dbh'"),
        ({"anything": "1"}, "the columns anything hold no volumes"),
    ],
)
def test_faulty_cell_is_named(row: dict[str, object], message: str) -> None:
    """A fault is told with its row, what was expected and what to do."""
    with pytest.raises(InputError, match=message):
        table_of([row], unit="m3", dbh_unit="in")


def test_all_faults_come_at_once() -> None:
    """Three faulty cells are three sentences, not the first one only."""
    rows: Rows = [{"dbh": "x", "volume": "y"}, {"dbh": "10", "volume": "z"}]

    with pytest.raises(InputError) as caught:
        table_of(rows, unit="m3", dbh_unit="in")

    assert len(caught.value.faults) == 3


def test_repeated_size_is_refused() -> None:
    """Two volumes for one class of one product cannot both hold."""
    rows: Rows = [{"dbh": 10, "volume": 1}, {"dbh": "10.0", "volume": 2}]

    with pytest.raises(InputError, match="row 3: the size 10 stands twice"):
        table_of(rows, unit="m3", dbh_unit="in")


@pytest.mark.parametrize(
    ("heading", "unit"),
    [
        ("volume_m3", "m3"),
        ("Volume (m3)", "m3"),
        ("vol_cuft", "ft3"),
        ("bf", "board foot"),
        ("Vol. MBF", "MBF"),
        ("cords", "cord"),
        ("volumem3", "m3"),
        ("volume green tons", "green ton"),
    ],
)
def test_heading_of_the_volume_carries_its_unit(heading: str, unit: str) -> None:
    """A column such as volume_m3 is the volume, in the unit that it names."""
    rows: Rows = [{"species": "beech", "dbh_class_in": "10", heading: "0.4", "unit": ""}]

    table = table_of(rows, unit="", dbh_unit="in")

    assert table.unit_of() == unit
    assert table.lookup([11.0], species="Beech")[0].tolist() == [0.4]


def test_wide_headings_name_product_and_unit() -> None:
    """A heading sawlog_bf is board feet of sawlogs; cords of pulpwood stand beside it."""
    table = table_of(
        [{"dbh": 10, "sawlog_bf": 60, "pulpwood (cords)": 0.1}], unit="", dbh_unit="in"
    )

    assert table.unit_of("sawlog") == "board foot"
    assert table.lookup([10.0], product="pulpwood")[0].tolist() == [0.1]
    assert table.unit_of("pulpwood") == "cord"


def test_a_species_of_the_table_is_known_by_it() -> None:
    """European beech is in no list of the package; its rows serve it, in any case."""
    rows: Rows = [{"species": "European beech", "dbh": 10, "volume": 0.4}]
    table = table_of(rows, unit="m3", dbh_unit="in")

    volume, found = table.lookup([10.0, 10.0], species=["EUROPEAN BEECH", "silver fir"])

    assert volume[0] == 0.4
    assert found.tolist() == [True, False]


def test_rows_of_a_group_serve_its_species() -> None:
    """A species without rows of its own takes those of its group, before those for any species."""
    beech = OwnSpecies(name="European beech", group="Hardwood")
    names = SpeciesNames.of([("bu", beech), ("ei", OwnSpecies(name="oak"))])
    rows: Rows = [
        {"species": "hardwood", "dbh": 10, "volume": 0.4},
        {"species": "", "dbh": 10, "volume": 0.3},
        {"species": "oak", "dbh": 10, "volume": 0.5},
    ]
    table = table_of(rows, unit="m3", dbh_unit="in", species=names)

    assert table.lookup([10.0] * 3, species=["BU", "EI", "fir"])[0].tolist() == [0.4, 0.5, 0.3]


def test_empty_table_is_refused() -> None:
    """A table without rows is an oversight."""
    with pytest.raises(InputError, match="there are no rows"):
        table_of([], unit="m3", dbh_unit="in")


def test_two_units_for_one_product_are_refused() -> None:
    """A product is sold in one unit."""
    rows: Rows = [
        {"dbh": 10, "volume": 1, "unit": "cord"},
        {"dbh": 14, "volume": 1, "unit": "m3"},
    ]

    with pytest.raises(InputError, match="the volumes of any product are in cord, m3"):
        table_of(rows, unit="", dbh_unit="in")


def test_reading_rule_must_be_known() -> None:
    """A table is read by class or interpolated."""
    with pytest.raises(InputError, match="read is 'guess'; expected 'class' or 'interpolate'"):
        table_of(LONG, unit="m3", dbh_unit="in", read="guess")  # type: ignore[arg-type] # what the test is about


def test_class_width_goes_with_classes() -> None:
    """A width says nothing where volumes are interpolated."""
    with pytest.raises(InputError, match="class_width is 2; expected a width above zero"):
        table_of(LONG, unit="m3", dbh_unit="in", read="interpolate", class_width=2)
