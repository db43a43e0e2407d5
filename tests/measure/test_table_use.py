"""A local volume table is never passed over in silence: what it did not serve is counted."""

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
import shapely

from glademark.contracts.layout import Layout
from glademark.errors import InputError
from glademark.forestry import Product, VolumeTable
from glademark.forestry.volume_table import read_rows
from glademark.measure.volume import volumes

Rows = list[dict[str, object]]
LayoutOf = Callable[..., Layout]
MarksAt = Callable[..., Rows]
STAND = shapely.box(0, 0, 200, 100)
HERE = (50.0, 50.0)
M3 = {"sawlog": {"unit": "m3"}, "fuelwood": {"unit": "m3"}}


def tables(products: dict[str, dict[str, str]], **more: object) -> dict[str, object]:
    """Project tables in centimetres with products and a volume table read by class."""
    volume = {"table": "tarif.csv", "table_reading": "class", "products": products, **more}
    return {"project": {"name": "Invented", "units": "metric"}, "volume": volume}


def frame(columns: str, *rows: tuple[str, ...]) -> pd.DataFrame:
    """Rows of a volume table as text."""
    return pd.DataFrame(list(rows), columns=columns.split(), dtype=object)


def beech(dbh: float, species: str = "European beech", **more: object) -> dict[str, object]:
    """Columns of a tree of 1 m3 by the tables below, where they hold it."""
    return {
        "dbh": dbh,
        "dbh_unit": "cm",
        "dbh_cm": dbh,
        "species": species,
        "crown_radius_m": np.nan,
        **more,
    }


def test_a_table_without_products_serves_every_product(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """Species, class and volume_m3 are enough: sawlogs and fuelwood take the same rows."""
    layout = layout_of(
        STAND,
        project=tables(M3),
        volume_table=frame(
            "species dbh_class_cm volume_m3 unit",
            ("European beech", "20", "0.4", ""),
            ("European beech", "30", "1.0", ""),
        ),
        marks=[
            *marks_at(HERE, product="sawlog", **beech(31)),
            *marks_at(HERE, product="fuelwood", **beech(22, "EUROPEAN BEECH")),
        ],
    )

    assert layout.marks["volume"].tolist() == pytest.approx([1.0, 0.4])
    assert layout.figures.volume.m3 == pytest.approx(1.4)
    assert not [one for one in layout.notices if "volume" in one]


def test_a_table_that_serves_no_tree_is_refused(layout_of: LayoutOf, marks_at: MarksAt) -> None:
    """The refusal says for each column what the trees have and what the table."""
    rows = frame(
        "product species dbh_cm volume unit",
        ("veneer", "European beech", "20", "0.4", "m3"),
        ("sawlog", "silver fir", "20", "0.4", "m3"),
        ("fuelwood", "European beech", "40", "1.4", "m3"),
    )

    with pytest.raises(InputError) as caught:
        layout_of(
            STAND,
            project=tables(M3),
            volume_table=rows,
            marks=[
                *marks_at(HERE, product="sawlog", **beech(31, count=3)),
                *marks_at(HERE, product="fuelwood", **beech(22)),
                *marks_at(HERE, product="post", **beech(22)),
            ],
        )

    text = str(caught.value)
    assert "tarif.csv gives none of 5 trees a volume" in text
    assert "product: the trees have post, the table fuelwood, sawlog, veneer" in text
    assert "species: the trees have European beech, the table European beech, silver fir" in text
    assert "size: the trees have 22 to 22 cm, the table 20 up (below 40 cm)" in text


def test_trees_and_rows_that_do_not_match_are_the_first_notice(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """Counted by product, species and class, with the reason; and rows that no tree uses."""
    layout = layout_of(
        STAND,
        project=tables(M3, size_classes=[10, 20, 30]),
        volume_table=frame(
            "product species dbh_cm volume unit",
            ("sawlog", "European beech", "20", "0.4", "m3"),
            ("sawlog", "silver fir", "20", "0.4", "m3"),
        ),
        marks=[
            *marks_at(HERE, product="sawlog", **beech(31, count=2)),
            *marks_at(HERE, product="sawlog", **beech(12, count=3)),
            *marks_at(HERE, product="fuelwood", **beech(22)),
        ],
    )

    assert layout.notices[0] == (
        "volume table tarif.csv gives 4 of 6 trees no volume: sawlog, European beech, 10 to 20 cm: "
        "3 (below 20 cm); fuelwood, European beech, 20 to 30 cm: 1 (no rows for the product). 1 of "
        "its 2 rows are used by no tree: sawlog, silver fir."
    )
    assert not [one for one in layout.notices if "conversion to m3" in one]
    assert layout.marks["volume_source"].tolist()[1].startswith("not computed: product, species or")


def test_units_turn_by_a_stated_conversion_only(layout_of: LayoutOf, marks_at: MarksAt) -> None:
    """2 m3 of the table are 1 cord where the project says 2 m3 a cord; else the run is refused."""
    rows = frame("dbh_cm volume_m3", ("20", "2.0"))
    marks = marks_at(HERE, product="pulpwood", **beech(22))

    stated = layout_of(
        STAND,
        project=tables({"pulpwood": {"unit": "cord", "solid": "2 m3"}}),
        volume_table=rows,
        marks=marks,
    )
    exact = layout_of(
        STAND, project=tables({"pulpwood": {"unit": "ft3"}}), volume_table=rows, marks=marks
    )
    with pytest.raises(InputError, match="pulpwood are in m3, and it is sold by the cord"):
        layout_of(
            STAND, project=tables({"pulpwood": {"unit": "cord"}}), volume_table=rows, marks=marks
        )

    assert stated.marks["volume"].tolist() == pytest.approx([1.0])
    assert "2 m3 of solid wood in a cord" in stated.marks["volume_source"][0]
    assert exact.marks["volume"].tolist() == pytest.approx([2.0 / 0.3048**3])


def test_a_reading_that_is_not_stated_is_told_with_what_the_others_give(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """25 cm: lower edge 1.0, middle of 10-cm classes 2.0, straight between rows 1.5 m3."""
    marks = marks_at(HERE, product="sawlog", **beech(25, count=4))
    rows = frame("dbh_cm volume_m3", ("20", "1.0"), ("30", "2.0"))

    def noticed(**stated: object) -> list[str]:
        layout = layout_of(STAND, project=tables(M3, **stated), volume_table=rows, marks=marks)
        return [one for one in layout.notices if "does not say how" in one]

    (said,) = noticed(table_reading=None)
    assert "taken as the lower edges of classes" in said
    assert "As middles of classes 10 cm wide, the total volume would be 100.0 % higher" in said
    assert "straight between its rows, the total volume would be 50.0 % higher" in said
    assert noticed(table_reading="class") == noticed(table_reading="interpolate") == []
    assert noticed(table_reading=None, table_class_width="10 cm") == []


def test_ranges_state_their_reading(layout_of: LayoutOf, marks_at: MarksAt) -> None:
    """A table whose sizes are ranges says itself how it is read."""
    layout = layout_of(
        STAND,
        project=tables(M3, table_reading=None),
        volume_table=frame("class volume_m3", ("20 to 30 cm", "1.0"), ("30 cm and up", "2.0")),
        marks=marks_at(HERE, product="sawlog", **beech(25)),
    )

    assert not [one for one in layout.notices if "does not say how" in one]


def test_one_species_is_one_row_however_it_is_written(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """Code, capitals and scientific name are one name; so are spellings of an own species."""
    own = {"bu": {"name": "European beech", "volume_as": "American beech"}}
    layout = layout_of(
        STAND,
        project={**tables(M3), "species": own},
        volume_table=frame(
            "species dbh_cm volume_m3", ("316", "10", "0.5"), ("silver fir", "10", "0.7")
        ),
        marks=[
            *marks_at(HERE, product="sawlog", **beech(25, "red maple")),
            *marks_at(HERE, product="sawlog", **beech(25, "Red Maple")),
            *marks_at(HERE, product="sawlog", **beech(25, "Acer rubrum")),
            *marks_at(HERE, product="sawlog", **beech(25, "Silver-Fir")),
            *marks_at(HERE, product="sawlog", **beech(25, "silver fir")),
            *marks_at(HERE, product="sawlog", **beech(25, "BU")),
        ],
        tally=[
            {"species": "EUROPEAN BEECH", "product": "sawlog", "dbh": 25.0, "dbh_unit": "cm"},
            {"species": "rowan?", "product": "sawlog", "dbh": 25.0, "dbh_unit": "cm", "count": 2},
        ],
    )
    cells = layout.volume_by_zone.query("row == 'cell'")
    rows = cells.groupby("species")["trees"].sum()

    assert rows.to_dict() == {"European beech": 2, "red maple": 3, "rowan": 2, "silver fir": 2}
    assert layout.marks["volume"].tolist()[:5] == pytest.approx([0.5] * 3 + [0.7] * 2)
    (unknown,) = [one for one in layout.notices if "not known" in one]
    assert unknown.startswith("2 trees are of species that are not known: 'rowan', 2")


def test_own_species_takes_the_crown_of_another(layout_of: LayoutOf, marks_at: MarksAt) -> None:
    """With crown = "American beech" a European beech has the same crown; without, the default."""
    marks = [
        *marks_at(HERE, **beech(30)),
        *marks_at(HERE, **beech(30, "American beech")),
        *marks_at(HERE, **beech(30, "silver fir")),
    ]
    own = {"beech": {"name": "European beech", "crown": "American beech"}}
    layout = layout_of(STAND, project={"species": own}, marks=marks)

    radii = layout.marks["crown_radius_m"].tolist()
    assert radii[0] == radii[1]
    assert layout.marks["crown_source"].tolist()[2] == "default"


def test_equations_of_an_unknown_species_are_refused(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """Crown and volume_as must name a species that equations are known for."""
    own = {"beech": {"name": "European beech", "volume_as": "Amercan beech"}}

    with pytest.raises(InputError, match=r"volume_as.*Did you mean American beech"):
        layout_of(STAND, project={"species": own}, marks=marks_at(HERE, **beech(30)))


def test_a_table_by_logs_reads_the_logs_of_the_trees() -> None:
    """A tree of 2 logs takes the column of 2 logs; without logs the reason is said."""
    rows = [{"dbh_in": 12, "1 log": 40, "2 logs": 70}]
    cells = read_rows(rows, unit="board foot", dbh_unit="in")
    table = VolumeTable(rows=cells, dbh_unit="in")
    sawlog = Product(name="sawlog", unit="board foot", log_rule="Doyle")
    trees = pd.DataFrame(
        {
            "stand": 0, "count": 1, "species": "white oak", "product": "sawlog", "dbh": 13.0,
            "dbh_unit": "in", "dbh_cm": 13 * 2.54, "height_m": np.nan, "volume": np.nan,
            "volume_unit": "", "defect_share": np.nan, "cull": False, "logs": [1.0, 2.0, np.nan],
        }
    )  # fmt: skip

    found = volumes(trees, table=table, products={"sawlog": sawlog})

    assert found["gross"].tolist() == pytest.approx([40, 70, np.nan], nan_ok=True)
    assert "no height or logs" in found["source"].tolist()[2]
