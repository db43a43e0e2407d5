"""A table made from equations, carried into the woods, read back."""

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given

from glademark.errors import InputError
from glademark.forestry import (
    SizeClasses,
    Trees,
    VolumeTable,
    equation_sets,
    make_volume_table,
    tree_volume,
)
from glademark.forestry.volume_table import read_rows
from glademark.units import INCH_CM

SETS = equation_sets()


@given(
    width=st.sampled_from([1, 2, 4]),
    height_m=st.floats(12, 35),
    species=st.lists(st.sampled_from([318, 833, 129, 746]), min_size=1, unique=True),
)
def test_made_table_reads_back_to_the_equation(
    width: float, height_m: float, species: list[int]
) -> None:
    """A tree in the middle of its class has the same volume by table and by equation."""
    classes = SizeClasses.from_width(width, "in").up_to(30)
    middles = np.arange(width, 30, width, dtype=float)
    made = make_volume_table(
        classes,
        equation_set=SETS["national-2024"],
        part="merchantable",
        species_code=species,
        assumed={"height_m": height_m},
    )

    cells = read_rows(made.rows, unit=made.unit, dbh_unit="in")
    table = VolumeTable(rows=cells, dbh_unit="in")

    for code in species:
        trees = Trees(dbh_cm=middles * INCH_CM, height_m=height_m, species_code=code)
        wanted = tree_volume(trees, equation_set=SETS["national-2024"], part="merchantable").volume
        read, found = table.lookup(middles, species=code)
        assert found.all()
        assert read == pytest.approx(wanted, rel=1e-12)


def test_made_table_by_logs_reads_back() -> None:
    """A table by DBH and logs gives each cell of the form-class formula again."""
    classes = SizeClasses.from_edges([12, 16, 20, 24], "in")
    made = make_volume_table(
        classes,
        equation_set=SETS["form-class-1986"],
        part="doyle",
        species_code=[833],
        assumed={"logs": [1.0, 2.0, 3.0], "form_class": 80},
    )
    cells = read_rows(made.rows, unit=made.unit, dbh_unit="in")
    table = VolumeTable(rows=cells, dbh_unit="in")

    read, found = table.lookup([14.0, 18.0, 22.0], species=833, height=[1, 2, 3])

    trees = Trees(dbh_cm=np.array([14, 18, 22]) * INCH_CM, logs=[1.0, 2.0, 3.0], form_class=80)
    wanted = tree_volume(trees, equation_set=SETS["form-class-1986"], part="doyle").volume
    assert found.all()
    assert read == pytest.approx(wanted, rel=1e-12)


def test_made_table_says_what_it_is() -> None:
    """The head names publication, part, bark, assumption and rule, and warns of the range."""
    made = make_volume_table(
        SizeClasses.from_edges([8, 12], "in"),
        equation_set=SETS["form-class-1986"],
        part="scribner",
        species_code=[833],
        assumed={"logs": 2.0},
    )

    assert made.heading == (
        "Board feet by DBH, 16-ft logs and form class (Wiant 1986)",
        "board foot (Scribner formula) per tree, stump to the tallied top",
        "assumed: logs 2.0 16-ft logs",
        (
            "volume of the tree in the middle of its class; "
            "8 to 12 in means 8.0 up to but not including 12.0 in"
        ),
        (
            "1 tree is outside the range of Wiant 1986 (DBH 12 to 30 in (30.5 to 76.2 cm); "
            "1 to 4 16-ft logs); no volume is given"
        ),
    )


def test_metric_table_is_in_centimetres() -> None:
    """A table of 5-cm classes names its diameters in cm."""
    made = make_volume_table(
        SizeClasses.from_width(5, "cm").up_to(40),
        equation_set=SETS["sharma-2021"],
        part="total",
        species_code=[318],
        assumed={"height_m": 20},
    )

    assert made.rows[-1]["dbh_cm"] == 37.5
    assert made.rows[-1]["size_class"] == "40 cm and up"
    assert made.unit == "m3"


def test_species_without_equation_has_no_rows() -> None:
    """What the set has no equation for is not printed as nothing."""
    made = make_volume_table(
        SizeClasses.from_edges([20], "cm"),
        equation_set=SETS["sharma-2021"],
        part="total",
        species_code=[901],
        assumed={"height_m": 20},
    )

    assert made.rows == ()
    assert "of a species that Sharma 2021 has no equation for" in made.heading[-1]


def test_unknown_input_is_refused() -> None:
    """An input that no equation has is answered with those that there are."""
    with pytest.raises(InputError, match="the inputs age are not known; expected some of dbh_cm"):
        make_volume_table(
            SizeClasses.from_edges([20], "cm"),
            equation_set=SETS["sharma-2021"],
            part="total",
            species_code=[318],
            assumed={"age": 80},
        )


def test_only_one_input_may_vary() -> None:
    """A table has two sides and no more."""
    with pytest.raises(InputError, match="logs and form_class both vary"):
        make_volume_table(
            SizeClasses.from_edges([20], "cm"),
            equation_set=SETS["form-class-1986"],
            part="doyle",
            species_code=[318],
            assumed={"logs": [1.0, 2.0], "form_class": [78.0, 80.0]},
        )
