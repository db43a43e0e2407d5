"""The tally: cut trees by zone, product, species and size class, summed by hand."""

import itertools
import math
from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
import shapely

from glademark.contracts.layout import Layout
from glademark.contracts.result_tables import VOLUME_BY_ZONE
from glademark.measure.openings import volume_by_product
from glademark.measure.tally import tally_of_openings

Rows = list[dict[str, object]]
LayoutOf = Callable[..., Layout]
MarksAt = Callable[..., Rows]
STAND = shapely.box(0, 0, 200, 100)  # 2 ha
AREA_OF_STEM = math.pi / 4 * 0.3**2  # of a tree of 30 cm [m2]

PRODUCTS = {"sawlog": {"unit": "m3"}, "pulpwood": {"unit": "cord"}, "post": {"unit": "m3"}}


@pytest.fixture(scope="module")
def layout(layout_of: LayoutOf, marks_at: MarksAt) -> Layout:
    """A stand with one corridor (800 m2), trees of both zones and a paper tally."""
    maple = {"species": "red maple", "product": "sawlog"}
    return layout_of(
        STAND,
        project={"volume": {"products": PRODUCTS, "size_classes": [20.0, 40.0]}},
        corridors=[shapely.LineString([(0, 50), (200, 50)])],
        marks=[
            *marks_at((20, 20), volume=1 / 3, volume_unit="m3", **maple),
            *marks_at((60, 20), volume=2 / 3, volume_unit="m3", defect_share=0.5, **maple),
            *marks_at((100, 50), volume=0.4, volume_unit="cord", product="pulpwood", count=4),
            *marks_at((140, 50), volume=1.5, volume_unit="m3", dbh=45.0, dbh_cm=45.0, **maple),
            *marks_at((180, 20), volume=0.1, volume_unit="m3", product="post"),
        ],
        tally=[
            {
                "zone": "matrix",
                "product": "pulpwood",
                "dbh": 10.0,
                "dbh_unit": "in",
                "count": 7,
                "volume": 0.6,
                "volume_unit": "cord",
            }
        ],
    )


def rows(layout: Layout, **wanted: object) -> pd.DataFrame:
    """Rows of the tally table with these values."""
    table = layout.volume_by_zone
    for name, value in wanted.items():
        table = table[table[name] == value]
    return table


def one(layout: Layout, **wanted: object) -> pd.Series:
    """The only row of the tally table with these values."""
    found = rows(layout, **wanted)
    assert len(found) == 1
    return found.iloc[0]


def test_the_tally_has_its_declared_columns(layout: Layout) -> None:
    """The table has the columns that are declared for it, in their order."""
    assert tuple(layout.volume_by_zone.columns) == ("stand", *VOLUME_BY_ZONE.names)


def test_a_cell_sums_trees_of_one_kind(layout: Layout) -> None:
    """Two maple sawlogs of 30 cm in the matrix: 1/3 + 2/3 m3 gross, 1/3 + 1/3 net."""
    cell = one(layout, row="cell", zone="matrix", product="sawlog")

    assert (cell["species"], cell["size_class"]) == ("red maple", "20 to 40 cm")
    assert (cell["trees"], cell["volume_unit"]) == (2, "m3")
    assert cell["volume_gross"] == pytest.approx(1.0)
    assert cell["volume_net"] == pytest.approx(2 / 3)
    assert cell["volume_m3"] == pytest.approx(2 / 3)
    assert cell["basal_area_m2"] == pytest.approx(2 * AREA_OF_STEM)
    assert cell["volume_source"] == "recorded with the mark"


def test_size_classes_keep_their_cells_apart(layout: Layout) -> None:
    """A tree of 45 cm is in the class of 40 cm and up."""
    cell = one(layout, row="cell", zone="corridor", product="sawlog")

    assert cell["size_class"] == "40 cm and up"
    assert cell["trees"] == 1


def test_amounts_in_different_units_are_not_added(layout: Layout) -> None:
    """The corridor holds m3 and cords: its total has no sale volume, but solid m3."""
    corridor = one(layout, row="zone", zone="corridor", located="all")

    assert corridor["trees"] == 5
    assert corridor["volume_unit"] == ""
    assert math.isnan(corridor["volume_net"])
    assert corridor["volume_m3"] == pytest.approx(1.5 + 0.4 * 79 * 0.3048**3)


def test_amounts_in_one_unit_are_added_over_products(layout: Layout) -> None:
    """Located wood of the matrix is sawlogs and posts, both by the m3."""
    matrix = one(layout, row="zone", zone="matrix", located="located")

    assert matrix["volume_unit"] == "m3"
    assert matrix["volume_gross"] == pytest.approx(1.1)


def test_paper_tally_is_tallied_apart_and_together(layout: Layout) -> None:
    """Trees without a position are not located, and in the total all the same."""
    paper = one(layout, row="total", located="not_located")
    located = one(layout, row="total", located="located")
    both = one(layout, row="total", located="all")

    assert (located["trees"], paper["trees"], both["trees"]) == (8, 7, 15)
    assert paper["basal_area_m2"] == pytest.approx(7 * math.pi / 4 * 0.254**2)
    assert layout.figures.marks.not_located == 7
    assert layout.figures.marks.trees == 8
    assert len(layout.marks) == 5


def test_zone_counts_on_the_map_leave_the_paper_tally_out(layout: Layout) -> None:
    """What stands on the map are located trees only."""
    assert layout.figures.zones["matrix"].marks == 3
    assert layout.zones.set_index("zone")["trees"].to_dict() == {"corridor": 5, "matrix": 3}


def test_per_hectare_values_are_over_the_area_of_the_zone(layout: Layout) -> None:
    """The corridor has 0.08 ha, the matrix the other 1.92 of 2 ha."""
    corridor = one(layout, row="zone", zone="corridor", located="all")
    matrix = one(layout, row="zone", zone="matrix", located="all")
    total = one(layout, row="total", located="all")

    assert corridor["trees_per_ha"] == pytest.approx(5 / 0.08)
    assert matrix["trees_per_ha"] == pytest.approx(10 / 1.92)
    assert total["trees_per_ha"] == pytest.approx(15 / 2)
    assert total["basal_area_m2_ha"] == pytest.approx(total["basal_area_m2"] / 2)
    assert corridor["volume_m3_ha"] == pytest.approx(corridor["volume_m3"] / 0.08)


@pytest.mark.parametrize("column", ["trees", "basal_area_m2", "volume_m3"])
def test_every_total_is_the_sum_of_its_unrounded_cells(layout: Layout, column: str) -> None:
    """By zone, by product and overall, located or not: sums of cells, not of printed numbers."""
    cells = rows(layout, row="cell")
    totals = rows(layout).query("row != 'cell'")
    for total in totals.to_dict("records"):
        mine = cells
        for key in ("zone", "located", "product"):
            if total[key] != "all":
                mine = mine[mine[key] == total[key]]

        assert total[column] == pytest.approx(mine[column].sum(), rel=1e-12)


def test_a_cell_stands_once(layout: Layout) -> None:
    """No two rows have the same keys."""
    keys = ["row", "zone", "located", "product", "species", "size_class"]

    assert not layout.volume_by_zone.duplicated(keys).any()


def test_line_trees_are_tallied_apart_until_confirmed(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """A line tree is co-owned: no cut tree, no hole and no volume until the project confirms it."""
    given = {
        "marks": [
            *marks_at((50, 50), kind="line_tree", group="1", count=2),
            *marks_at((54, 50), group="1"),
        ]
    }
    asked = {"openings": {"min_trees": 1, "min_area": "1 m2"}}
    apart = layout_of(STAND, project=asked, **given)
    agreed = layout_of(STAND, project={**asked, "marks": {"line_trees_confirmed": True}}, **given)

    assert apart.figures.marks.line_trees == 2
    assert apart.figures.marks.line_trees_basal_area_m2 == pytest.approx(2 * AREA_OF_STEM)
    assert apart.openings["trees"].tolist() == [1]
    assert one(apart, row="total", located="all")["trees"] == 1
    assert any("2 line trees are tallied apart" in notice for notice in apart.notices)
    assert agreed.figures.marks.line_trees == 0
    assert agreed.openings["trees"].tolist() == [3]
    assert one(agreed, row="total", located="all")["trees"] == 3


def test_a_stand_without_marks_has_an_empty_tally(layout_of: LayoutOf) -> None:
    """With nothing marked the layout stands, its tally has columns and no rows."""
    layout = layout_of(STAND)

    assert layout.volume_by_zone.empty
    assert tuple(layout.volume_by_zone.columns) == ("stand", *VOLUME_BY_ZONE.names)
    assert layout.figures.volume.m3 is None
    assert layout.figures.openings.count == 0


def test_wood_of_an_opening_is_that_of_its_trees(layout_of: LayoutOf, marks_at: MarksAt) -> None:
    """Trees, basal area and volume by product of each opening add up from its marks."""
    marks = [
        *marks_at((50, 50), group="1", product="sawlog", volume=2.0, volume_unit="m3"),
        *marks_at((54, 50), group="1", product="pulpwood", volume=0.5, volume_unit="cord"),
        *marks_at((150, 50), group="2", product="sawlog", volume=1.0, volume_unit="m3", count=3),
    ]
    found = layout_of(STAND, project={"volume": {"products": PRODUCTS}}, marks=marks).openings

    assert found["trees"].tolist() == [2, 3]
    assert found["volume"].tolist() == ["pulpwood 0.50 cord; sawlog 2.00 m3", "sawlog 1.00 m3"]
    assert found["volume_m3"].tolist() == pytest.approx([2 + 0.5 * 79 * 0.3048**3, 1])
    assert found["basal_area_m2"].tolist() == pytest.approx([2 * AREA_OF_STEM, 3 * AREA_OF_STEM])


def test_zones_and_products_meet_in_every_table_row(layout: Layout) -> None:
    """Each zone with its product has one total, which is there for every pair that occurs."""
    cells = rows(layout, row="cell")
    pairs = set(itertools.chain(zip(cells["zone"], cells["product"], strict=True)))
    totals = rows(layout, row="zone_product", located="all")

    assert set(zip(totals["zone"], totals["product"], strict=True)) == pairs


def test_trees_counted_on_paper_alone(layout_of: LayoutOf) -> None:
    """Without one located mark the paper tally is the tally, and corridors hold no wood."""
    paper = layout_of(
        STAND,
        project={"volume": {"products": PRODUCTS}},
        corridors=[shapely.LineString([(0, 50), (200, 50)])],
        tally=[{"zone": "matrix", "product": "pulpwood", "count": 7, "volume": 0.6,
                "volume_unit": "cord"}],
    )  # fmt: skip

    total = one(paper, row="total", located="all")
    assert total["trees"] == 7
    assert total["volume_net"] == pytest.approx(0.6)
    assert paper.corridors["trees"].tolist() == [0]


def test_an_opening_whose_trees_have_no_volume_has_none() -> None:
    """Unknown is empty, never 0: beside it stands how many trees have no volume."""
    marks = pd.DataFrame({"is_cut": [True] * 3 + [False], "count": [1, 4, 2, 1]})
    parts = pd.DataFrame(
        {
            "tree": [0, 1, 2, 3],
            "product": ["sawlog", "sawlog", "sawlog", "sawlog"],
            "unit": "m3",
            "net": [1.5, np.nan, np.nan, 9.0],
            "m3": [1.5, np.nan, np.nan, 9.0],
        }
    )
    openings = pd.DataFrame({"stand": 0, "opening": [7, 3]})
    owner = pd.Series([0, 0, 1, 0], dtype="Int64")
    table = tally_of_openings(volume_by_product(owner, marks=marks, parts=parts), openings)

    assert table["opening"].tolist() == [3, 7]
    assert table["volume_net"].tolist() == pytest.approx([np.nan, 1.5], nan_ok=True)
    assert table["trees_without"].tolist() == [2, 4]
