"""Volume of cut trees, by hand: what was recorded, else the project's table; units never added."""

import math
from collections.abc import Callable

import pandas as pd
import pytest
import shapely

from glademark.contracts.layout import Layout
from glademark.errors import InputError, UnitError
from glademark.measure.volume import unit_factor

Rows = list[dict[str, object]]
LayoutOf = Callable[..., Layout]
MarksAt = Callable[..., Rows]
STAND = shapely.box(0, 0, 200, 100)
HERE = (50.0, 50.0)
FOOT_M3 = 0.3048**3

PRODUCTS = {
    "sawlog": {"unit": "board foot", "rule": "international-1/4"},
    "pulpwood": {"unit": "cord", "solid": "79 ft3"},
}


def table(*rows: tuple[str, ...], columns: str = "product,dbh,volume,unit") -> pd.DataFrame:
    """Rows of a volume table as text."""
    return pd.DataFrame(list(rows), columns=columns.split(","), dtype=object)


def volume_tables(**more: object) -> dict[str, object]:
    """Project tables with two products and a volume table."""
    volume = {"table": "table.csv", "products": PRODUCTS, "size_classes": [5, 9, 12], **more}
    return {"project": {"name": "Invented", "units": "us"}, "volume": volume}


def inches(dbh: float, **more: object) -> dict[str, object]:
    """Columns of a tree whose diameter was recorded in inches."""
    return {"dbh": dbh, "dbh_unit": "in", "dbh_cm": dbh * 2.54, **more}


SAWLOGS = table(
    ("sawlog", "10", "60", "board foot"),
    ("sawlog", "14", "150", "board foot"),
    ("pulpwood", "6", "0.05", "cord"),
)


def test_volume_is_read_from_the_class_of_the_tree(layout_of: LayoutOf, marks_at: MarksAt) -> None:
    """A 13.9 in sawlog has the 10 in row's volume, a 14.0 in one the 14 in row's; a clump adds."""
    layout = layout_of(
        STAND,
        project=volume_tables(),
        volume_table=SAWLOGS,
        marks=[
            *marks_at(HERE, product="sawlog", **inches(13.9)),
            *marks_at(HERE, product="sawlog", **inches(14.0, count=2)),
            *marks_at(HERE, product="pulpwood", **inches(6.0)),
        ],
    )
    found = layout.figures.volume.by_product

    assert layout.marks["volume"].tolist() == pytest.approx([60, 300, 0.05])
    assert layout.marks["volume_source"].tolist() == ["volume table table.csv"] * 3
    assert (found["sawlog"].unit, found["sawlog"].gross) == ("board foot", 360)
    assert found["sawlog"].rule == "international-1/4"
    assert (found["sawlog"].trees, found["pulpwood"].trees) == (3, 1)


def test_a_recorded_volume_stands_before_the_table(layout_of: LayoutOf, marks_at: MarksAt) -> None:
    """What was recorded with the mark, for all its trees, is taken before any table."""
    layout = layout_of(
        STAND,
        project=volume_tables(),
        volume_table=SAWLOGS,
        marks=marks_at(
            HERE, product="sawlog", volume=0.5, volume_unit="MBF", **inches(14, count=3)
        ),
    )

    assert layout.marks["volume"].tolist() == pytest.approx([500])
    assert layout.marks["volume_source"].tolist() == ["recorded with the mark"]


def test_volume_is_interpolated_where_the_project_says_so(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """Straight between the rows: 11 in lies a quarter of the way from 60 to 150."""
    layout = layout_of(
        STAND,
        project=volume_tables(table_reading="interpolate"),
        volume_table=SAWLOGS,
        marks=marks_at(HERE, product="sawlog", **inches(11)),
    )

    assert layout.marks["volume"].tolist() == pytest.approx([60 + 0.25 * 90])


def test_a_tree_is_counted_once_and_its_parts_add_volume(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """A sawlog tree whose top is pulpwood is one tree, with board feet and cords beside it."""
    rows = table(
        ("sawlog", "", "10", "60", "board foot"),
        ("sawlog", "pulpwood", "10", "0.04", "cord"),
        columns="product,part,dbh,volume,unit",
    )
    layout = layout_of(
        STAND,
        project=volume_tables(),
        volume_table=rows,
        marks=marks_at(HERE, product="sawlog", **inches(12, count=5)),
    )
    found = layout.figures.volume.by_product
    overall = layout.volume_by_zone.query("row == 'total' and located == 'all'").iloc[0]

    assert {name: product.trees for name, product in found.items()} == {"sawlog": 5, "pulpwood": 0}
    assert found["sawlog"].gross == pytest.approx(300)
    assert found["pulpwood"].gross == pytest.approx(0.2)
    assert overall["trees"] == 5
    assert math.isnan(overall["volume_net"])
    assert overall["volume_unit"] == ""


def test_defect_comes_off_and_cull_has_gross_volume_only(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """A quarter defect leaves three quarters net; a cull tree of 150 board feet gross has none."""
    layout = layout_of(
        STAND,
        project=volume_tables(),
        volume_table=SAWLOGS,
        marks=[
            *marks_at(HERE, product="sawlog", **inches(14, defect_share=0.25)),
            *marks_at(HERE, product="sawlog", **inches(14, cull=True)),
        ],
    )
    found = layout.figures.volume

    assert found.by_product["sawlog"].gross == pytest.approx(300)
    assert found.by_product["sawlog"].net == pytest.approx(112.5)
    assert found.by_product["sawlog"].trees_without == 0
    assert found.basal_area_m2 == pytest.approx(2 * math.pi * (14 * 0.0254 / 2) ** 2)
    assert "cull: gross volume only" in found.sources


def test_solid_wood_stands_beside_sale_units(layout_of: LayoutOf, marks_at: MarksAt) -> None:
    """A cord is 79 ft3 of solid wood; board feet without a conversion leave no total to print."""
    layout = layout_of(
        STAND,
        project=volume_tables(),
        volume_table=SAWLOGS,
        marks=[
            *marks_at(HERE, product="pulpwood", **inches(6, count=40)),
            *marks_at(HERE, product="sawlog", **inches(14)),
        ],
    )
    found = layout.figures.volume

    pulpwood = layout.volume_by_zone.query("row == 'product' and product == 'pulpwood'")
    assert pulpwood["volume_m3"].tolist() == pytest.approx([40 * 0.05 * 79 * FOOT_M3])
    assert found.m3 is None
    assert found.m3_missing_trees == 1
    assert any("1 tree whose volume has no conversion" in notice for notice in layout.notices)


@pytest.mark.parametrize(
    ("given", "wanted", "factor"),
    [
        ("MBF", "board foot", 1000),
        ("board foot", "MBF", 0.001),
        ("ft3", "m3", FOOT_M3),
        ("m3", "m3", 1),
        ("cord", "", 1),
    ],
)
def test_units_of_one_kind_convert(given: str, wanted: str, factor: float) -> None:
    """A thousand board feet are 1,000 board feet, a cubic foot is 0.3048 cubed cubic metres."""
    assert unit_factor(given, wanted) == pytest.approx(factor, rel=1e-12)


@pytest.mark.parametrize(
    ("given", "wanted"), [("cord", "m3"), ("board foot", "m3"), ("green ton", "cord"), ("", "m3")]
)
def test_units_of_different_kinds_do_not_convert(given: str, wanted: str) -> None:
    """Cords, board feet, tons and solid volume are never made into each other unasked."""
    assert math.isnan(unit_factor(given, wanted))


def test_a_volume_recorded_in_a_foreign_unit_is_not_added(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """A sawlog recorded in cords does not go into the board feet."""
    layout = layout_of(
        STAND,
        project=volume_tables(),
        volume_table=SAWLOGS,
        marks=[
            *marks_at(HERE, product="sawlog", volume=2.0, volume_unit="cord", **inches(14)),
            *marks_at(HERE, product="sawlog", **inches(14)),
        ],
    )

    assert layout.figures.volume.by_product["sawlog"].gross == pytest.approx(150)
    assert layout.marks["volume_source"].iloc[0].startswith("not computed: recorded in a unit")


@pytest.mark.parametrize("first", ["m3", "cord", ""])
def test_a_product_that_the_project_does_not_name_has_one_unit_too(
    layout_of: LayoutOf, marks_at: MarksAt, first: str
) -> None:
    """
    Volumes recorded in two units under one name are not added up.

    The unit recorded most often is the product's; what does not convert stays out, whatever the
    order of the records.
    """
    recorded = [("m3", 0.5), ("ft3", 100.0), ("cord", 9.0), ("m3", 0.25), ("", math.nan)]
    recorded.sort(key=lambda pair: pair[0] != first)
    marks = [
        row
        for unit, volume in recorded
        for row in marks_at(HERE, product="Veneer", volume=volume, volume_unit=unit)
    ]
    found = layout_of(STAND, marks=marks).figures.volume.by_product["veneer"]

    assert found.unit == "m3"
    assert found.gross == pytest.approx(0.75 + 100 * FOOT_M3)
    assert found.trees == 5


def test_a_tree_without_a_volume_says_why(layout_of: LayoutOf, marks_at: MarksAt) -> None:
    """The layout still runs: such a tree counts, its volume is not computed, with the reason."""
    marks = [
        *marks_at(HERE, **inches(14, product="veneer")),
        *marks_at(HERE, **inches(14, product="")),
        *marks_at(HERE, **inches(math.nan, product="sawlog")),
    ]
    marks += marks_at(HERE, **inches(14, product="sawlog"))
    layout = layout_of(STAND, project=volume_tables(), volume_table=SAWLOGS, marks=marks)
    sources = layout.marks["volume_source"]

    assert layout.marks["volume"].isna().tolist() == [True, True, True, False]
    assert layout.figures.marks.trees == 4
    assert layout.figures.volume.m3 is None
    assert "not in the volume table" in sources.iloc[0]
    assert "no product" in sources.iloc[1]
    assert "no diameter" in sources.iloc[2]


def test_without_a_table_the_layout_still_runs(layout_of: LayoutOf, marks_at: MarksAt) -> None:
    """Without any table trees and basal area stand, and the volume says why it does not."""
    layout = layout_of(STAND, marks=marks_at(HERE, product="sawlog", dbh_cm=40.0, dbh=40.0))

    assert layout.figures.volume.basal_area_m2 == pytest.approx(math.pi * 0.2**2)
    (missing,) = layout.figures.volume.by_product["sawlog"].without
    assert layout.figures.volume.sources == ()
    assert (missing.reason, missing.trees) == ("no volume table", 1)


def test_a_table_in_another_diameter_unit_says_so(layout_of: LayoutOf, marks_at: MarksAt) -> None:
    """A table in inches is read for trees taped in centimetres: 36 cm is 14.2 in."""
    rows = table(("sawlog", "10", "60"), ("sawlog", "14", "150"), columns="product,dbh_in,volume")
    layout = layout_of(
        STAND,
        project={**volume_tables(), "project": {"name": "Invented", "units": "metric"}},
        volume_table=rows,
        marks=marks_at(HERE, product="sawlog", dbh=36.0, dbh_cm=36.0),
    )

    assert layout.marks["volume"].tolist() == pytest.approx([150])


def test_a_volume_table_without_a_sale_unit_is_refused(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """A volume without a unit is no volume."""
    rows = table(("veneer", "10", "60"), columns="product,dbh,volume")

    with pytest.raises(InputError, match=r"volume table: veneer has no sale unit"):
        layout_of(STAND, project=volume_tables(), volume_table=rows, marks=marks_at(HERE))


def test_a_class_width_in_the_wrong_unit_is_refused(layout_of: LayoutOf, marks_at: MarksAt) -> None:
    """A table in inches has no classes of 5 cm."""
    with pytest.raises(UnitError, match=r"table_class_width: '5 cm' is not in the table's"):
        layout_of(
            STAND,
            project=volume_tables(table_class_width="5 cm"),
            volume_table=SAWLOGS,
            marks=marks_at(HERE),
        )


def test_a_size_class_width_without_a_diameter_unit_is_refused(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """Size classes are so many inches or centimetres wide."""
    with pytest.raises(UnitError, match=r"size_classes: the width has the unit 'm'; expected in"):
        layout_of(STAND, project=volume_tables(size_classes="2 m"), marks=marks_at(HERE))


RED_MAPLE = {"species": "red maple", "product": "sawlog", "height_m": 38 * 0.3048}


@pytest.mark.parametrize(("count", "defect"), [(1, 0.0), (3, 0.5)])
def test_board_feet_have_solid_wood_by_the_equation_of_the_tree(
    layout_of: LayoutOf, marks_at: MarksAt, count: int, defect: float
) -> None:
    """
    A red maple of 11.1 in and 38 ft: 9.4271 ft3, 9.11 % of it in the stump, 58.02 % below 9 in.

    Westfall and others 2024, worked example 2: V_tot_ib (R_9in - R_1ft).
    """
    tree = inches(11.1, count=count, defect_share=defect, volume=60.0, volume_unit="board foot")
    layout = layout_of(
        STAND,
        project=volume_tables(division="M210"),
        marks=marks_at(HERE, **RED_MAPLE, **tree),
    )
    each_ft3 = 9.427112777611 * (0.580175217851 - 0.091117585499)

    found = layout.figures.volume
    assert found.m3 == pytest.approx(each_ft3 * FOOT_M3 * count * (1 - defect), rel=1e-5)
    assert any("solid wood of board feet by Westfall" in source for source in found.sources)


def test_a_stated_solid_content_of_board_feet_comes_first(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """With 5 m3 in a thousand board feet, 60 board feet are 0.3 m3."""
    stated = {"sawlog": {"unit": "MBF", "rule": "doyle", "solid": "5 m3"}}
    tree = inches(11.1, volume=60.0, volume_unit="board foot")
    layout = layout_of(
        STAND, project=volume_tables(products=stated), marks=marks_at(HERE, **RED_MAPLE, **tree)
    )

    assert layout.figures.volume.m3 == pytest.approx(0.3)


def test_a_top_is_unknown_where_its_tree_is(layout_of: LayoutOf, marks_at: MarksAt) -> None:
    """Of a sawlog without a diameter, neither the log nor the top sold as pulpwood is known."""
    with_tops = table(
        ("sawlog", "", "10", "60", "board foot"),
        ("sawlog", "pulpwood", "10", "0.1", "cord"),
        columns="product,part,dbh,volume,unit",
    )
    layout = layout_of(
        STAND,
        project=volume_tables(),
        volume_table=with_tops,
        marks=[
            *marks_at(HERE, product="sawlog", **inches(10)),
            *marks_at(HERE, product="sawlog", **inches(math.nan)),
        ],
    )
    found = layout.figures.volume.by_product
    total = layout.volume_by_zone.query("row == 'total'")

    assert (found["sawlog"].net, found["sawlog"].trees_without) == (60.0, 1)
    assert (found["pulpwood"].net, found["pulpwood"].parts_without) == (pytest.approx(0.1), 1)
    assert total["trees_without"].tolist() == [1]  # the tree is one, of two products


def test_openings_and_corridors_say_what_they_leave_out(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """An opening of four 0.5 m3 bolts, one without volume: at least 1.5 m3, no solid total."""
    bolt = {"product": "bolts", "volume": 0.5, "volume_unit": "m3"}
    layout = layout_of(
        STAND,
        corridors=[shapely.LineString([(0, 20), (200, 20)])],
        project={"volume": {"products": {"bolts": {"unit": "m3"}}}},
        marks=[
            *marks_at((50, 60), (52, 60), (54, 60), group="1", **bolt),
            *marks_at((56, 60), group="1", product="bolts"),
            *marks_at((100, 20), paint_meaning="corridor", **bolt),
            *marks_at((120, 20), paint_meaning="corridor", product="bolts", count=2),
        ],
    )
    columns = ["volume", "trees_without"]

    assert layout.openings[columns].to_numpy().tolist() == [["bolts at least 1.50 m3", 1]]
    assert layout.corridors[columns].to_numpy().tolist() == [["bolts at least 0.50 m3", 2]]
    zones = layout.zones.set_index("zone")
    assert zones.loc[["corridor", "opening", "matrix"], "trees_without"].tolist() == [2, 1, 0]
    for layer in (layout.openings, layout.corridors, zones.loc[["corridor", "opening"]]):
        assert layer["volume_m3"].isna().all()


def test_a_volume_in_cubic_units_is_solid_without_a_product(
    layout_of: LayoutOf, marks_at: MarksAt
) -> None:
    """Recorded in m3 or ft3, no product stated: solid as it stands; a cord has no such content."""
    marks = [
        mark
        for unit, count in (("m3", 1), ("ft3", 2), ("cord", 3))
        for mark in marks_at(HERE, volume=1.5 * count, volume_unit=unit, count=count)
    ]
    layout = layout_of(STAND, marks=marks)

    solid = layout.marks["volume_m3"].tolist()
    assert solid == pytest.approx([1.5, 3.0 * FOOT_M3, float("nan")], nan_ok=True)
    assert layout.figures.volume.m3_missing_trees == 3
