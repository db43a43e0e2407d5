"""The allowance by hand: allowable, marked, remaining, marked ground, and its notices."""

import math
from collections.abc import Callable
from typing import Any

import pandas as pd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from glademark.contracts.layout import Layout
from glademark.forestry import estimate_mean
from glademark.measure.allowance import allowance_table, corridor_wood_notice
from glademark.measure.standing import BASAL, Stock

HECTARE = shapely.box(0, 0, 100, 100)
WEST_HALF = shapely.box(0, 0, 50, 100)
ZONES = ("corridor", "opening", "matrix", "landing")
CORD_M3 = 79 * 0.3048**3  # 79 ft3 of solid wood (Minnesota Statutes 239.33)
Build = Callable[..., Layout]


def cut(basal_area_m2: float = 0.5, *, x: float = 25.0, **columns: object) -> dict[str, object]:
    """A record of ten cut trees with a basal area in all."""
    dbh_cm = math.sqrt(basal_area_m2 / 10 * 40_000 / math.pi)
    tree = {"geometry": shapely.Point(x, 50), "dbh": dbh_cm, "dbh_cm": dbh_cm, "count": 10}
    return {**tree, **columns}


def sold(**units: str) -> dict[str, Any]:
    """Products with their sale units."""
    return {"products": {name: {"unit": unit} for name, unit in units.items()}}


def stands(**amounts: str) -> dict[str, Any]:
    """The table ``[allowance]`` with 40 % allowable of a given stock."""
    return {"removal_share_max": "40 %", "standing": amounts}


def row_of(layout: Layout, quantity: str = BASAL) -> dict[str, Any]:
    """Row of the allowance for one quantity."""
    return dict(layout.allowance.set_index("quantity").loc[quantity])


def test_part_marked_stand(layout_of: Build) -> None:
    """With half a hectare marked, 3 of 20 m2 are 15 % of all, 30 % there; 5 m2 go on the rest."""
    layout = layout_of(
        HECTARE,
        marks=[cut(3.0)],
        marked_ground=[WEST_HALF],
        project={"allowance": stands(basal_area="20 m2/ha")},
    )
    row = row_of(layout)

    assert row["share"] == pytest.approx(0.15)
    assert row["share_on_marked_ground"] == pytest.approx(0.30)
    # (8 - 3) m2 on the other 0.5 ha
    assert row["remaining_per_ha_elsewhere"] == pytest.approx(10.0)


@pytest.mark.parametrize(
    ("marked_ground", "remaining_per_ha"),
    [
        ([HECTARE], math.nan),
        ([shapely.box(0, 0, 100 - 1e-10, 100)], math.nan),
        ([shapely.box(500, 500, 600, 600)], 5.0),
        ([], math.nan),
    ],
)
def test_what_is_left_for_the_rest(
    layout_of: Build, marked_ground: list[shapely.Polygon], remaining_per_ha: float
) -> None:
    """Where all is marked there is no rest; where nothing is, the rest is all."""
    layout = layout_of(
        HECTARE,
        marks=[cut(3.0)],
        marked_ground=marked_ground,
        project={"allowance": stands(basal_area="20 m2/ha")},
    )

    assert row_of(layout)["remaining_per_ha_elsewhere"] == pytest.approx(
        remaining_per_ha, nan_ok=True
    )


def test_trees_outside_the_marked_ground_are_noticed(layout_of: Build) -> None:
    """Marks on ground that is said not to be marked make the marked ground doubtful."""
    layout = layout_of(
        HECTARE,
        marks=[cut(x=25.0), cut(x=52.0), cut(x=80.0)],
        marked_ground=[WEST_HALF],
        project={"allowance": stands(basal_area="20 m2/ha")},
    )

    (notice,) = (notice for notice in layout.notices if "outside the marked ground" in notice)

    assert notice.startswith("allowance: 10 cut trees stand outside the marked ground")


def test_exclusions_hold_none_of_the_stock(layout_of: Build) -> None:
    """With a fifth of a hectare kept out, 20 m2/ha stand on 0.8 ha: 16 m2."""
    layout = layout_of(
        HECTARE,
        exclusions=[shapely.box(0, 0, 20, 100)],
        marks=[cut(4.0)],
        project={"allowance": stands(basal_area="20 m2/ha")},
    )

    assert row_of(layout)["standing"] == pytest.approx(16.0)
    assert row_of(layout)["share"] == pytest.approx(0.25)


def test_the_paper_tally_draws_too(layout_of: Build) -> None:
    """Two cords tallied on paper and one on the map are three of ten."""
    layout = layout_of(
        HECTARE,
        marks=[cut(product="pulpwood", volume=1.0, volume_unit="cord", paint_meaning="corridor")],
        tally=[{"product": "pulpwood", "volume": 2.0, "volume_unit": "cord", "zone": "matrix"}],
        project={"volume": sold(pulpwood="cord"), "allowance": stands(pulpwood="10 cord")},
    )
    row = row_of(layout, "pulpwood")

    assert [row["marked_corridor"], row["marked_matrix"], row["marked"]] == pytest.approx([1, 2, 3])
    assert row["remaining"] == pytest.approx(4.0 - 3.0)


def test_all_products_together_in_solid_wood(layout_of: Build) -> None:
    """10 cords and 20 m3 standing are 42.37 m3; a cord of them is 5.28 %."""
    layout = layout_of(
        HECTARE,
        marks=[cut(product="pulpwood", volume=1.0, volume_unit="cord")],
        project={
            "volume": sold(pulpwood="cord", bolts="m3"),
            "allowance": stands(pulpwood="10 cord", bolts="20 m3"),
        },
    )
    row = row_of(layout, "solid_volume")

    assert row["standing"] == pytest.approx(10 * CORD_M3 + 20)
    assert row["share"] == pytest.approx(CORD_M3 / (10 * CORD_M3 + 20))
    assert row["allowable"] == pytest.approx(0.4 * row["standing"])


def test_basal_area_alone_where_a_product_has_no_solid_volume(layout_of: Build) -> None:
    """Board feet have no general conversion: there is no limit in m3, and one in basal area."""
    product = {"sawlog": {"unit": "board foot", "rule": "doyle"}}
    layout = layout_of(
        HECTARE,
        marks=[cut(1.0, product="sawlog", volume=500.0, volume_unit="board foot")],
        project={
            "volume": {"products": product},
            "allowance": stands(sawlog="2 MBF", basal_area="20 m2/ha"),
        },
    )

    assert layout.allowance["quantity"].tolist() == [BASAL, "sawlog"]
    assert row_of(layout)["allowable"] == pytest.approx(8.0)


def test_what_is_not_known_of_any_tree_is_blank_and_said(layout_of: Build) -> None:
    """Ten bolts without a diameter: neither their volume nor what remains of it is zero."""
    layout = layout_of(
        HECTARE,
        marks=[cut(product="bolts", dbh=math.nan, dbh_cm=math.nan)],
        project={
            "volume": sold(bolts="m3"),
            "allowance": stands(bolts="20 m3", basal_area="20 m2/ha"),
        },
    )

    assert layout.allowance["quantity"].tolist() == [BASAL, "solid_volume", "bolts"]
    assert layout.allowance["trees_without"].tolist() == [10, 10, 10]
    unknown = ["marked", "marked_matrix", "remaining", "share", "marked_at_most"]
    assert layout.allowance[unknown].isna().all(axis=None)
    notices = [notice for notice in layout.notices if notice.startswith("allowance: ")]
    assert notices == [
        f"allowance: {name}: what is marked leaves out 10 cut trees without a {what}: it is more, "
        "and less remains"
        for name, what in (
            ("basal area", "diameter"),
            ("solid volume", "volume"),
            ("bolts", "volume"),
        )
    ]


def test_an_incomplete_sum_has_a_most(layout_of: Build) -> None:
    """Ten trees of 1 m3 and 2 of 0.3 m3 each, 5 unknown: 10.6 m3 at least, 15.6 m3 at most."""
    layout = layout_of(
        HECTARE,
        marks=[
            cut(product="bolts", volume=10.0, volume_unit="m3"),
            cut(product="bolts", volume=0.6, volume_unit="m3", count=2),
            cut(product="bolts", count=5),
        ],
        project={"volume": sold(bolts="m3"), "allowance": stands(bolts="100 m3")},
    )
    row = row_of(layout, "bolts")

    assert (row["marked"], row["marked_at_most"]) == pytest.approx((10.6, 15.6))
    assert row["trees_without"] == 5
    assert row["remaining"] == pytest.approx(40 - 10.6)


def test_shares_inside_a_zone_above_what_can_be_are_blank(layout_of: Build) -> None:
    """The corridor holds 4 % of even ground: 5 of 100 m3 would be 125 % of the stock there."""
    corridor = {"paint_meaning": "corridor", "product": "bolts"}
    layout = layout_of(
        HECTARE,
        corridors=[shapely.LineString([(50, -10), (50, 110)])],
        marks=[cut(0.5, volume=5.0, volume_unit="m3", **corridor)],
        project={
            "volume": sold(bolts="m3"),
            "allowance": stands(bolts="100 m3", basal_area="20 m2/ha"),
        },
    )

    assert layout.allowance["share_corridor"].isna().all()  # of basal area too: it alone is 62.5 %
    assert layout.allowance["share_matrix"].tolist() == [0.0, 0.0, 0.0]
    assert row_of(layout, "bolts")["share"] == pytest.approx(0.05)


def test_an_exceeded_allowance_leaves_less_than_nothing(layout_of: Build) -> None:
    """10 m2 marked of 8 m2 allowable leave 2 m2 too little."""
    layout = layout_of(
        HECTARE, marks=[cut(10.0)], project={"allowance": stands(basal_area="20 m2/ha")}
    )

    assert row_of(layout)["remaining"] == pytest.approx(-2.0)


def test_without_a_cap_the_share_is_known(layout_of: Build) -> None:
    """What is taken can be said without a rule on what may be."""
    layout = layout_of(
        HECTARE,
        marks=[cut(5.0)],
        project={"allowance": {"standing": {"basal_area": "20 m2/ha"}}},
    )

    assert row_of(layout)["share"] == pytest.approx(0.25)
    assert math.isnan(row_of(layout)["allowable"])
    assert layout.stock_left["basal_area_m2_ha"] == pytest.approx(15.0)


amounts = st.floats(0, 1e4)


@given(
    plots=st.lists(st.floats(1, 80), min_size=2, max_size=12),
    marked=st.tuples(amounts, amounts, amounts, amounts),
    allowable=st.floats(0.01, 1),
    ground=st.floats(0.01, 0.99),
)
def test_accounts_balance(
    plots: list[float], marked: tuple[float, ...], allowable: float, ground: float
) -> None:
    """Zones add up to marked, marked and remaining to allowable; the interval holds the share."""
    stock = Stock(
        quantity=BASAL, unit="m2", log_rule="", basis="cruise", total=estimate_mean(plots)
    )
    cells = pd.DataFrame({"zone": ZONES, "product": "", "basal_area_m2": marked, "stems": 1})
    cells["trees"] = (cells["basal_area_m2"] > 0).astype(int)
    areas = dict.fromkeys(ZONES, 2_500.0)
    table = allowance_table(
        [stock],
        cells,
        allowable_share=allowable,
        zone_area_m2=areas,
        marked_ground_m2=ground * 10_000,
    )
    row = table.iloc[0].to_dict()
    total = sum(marked)

    assert sum(
        row[f"marked_{zone}"] for zone in ("corridor", "opening", "matrix", "other")
    ) == pytest.approx(total)
    assert row["remaining"] + row["marked"] == pytest.approx(row["allowable"])
    assert row["share"] == pytest.approx(row["share_on_marked_ground"] * ground)
    assert row["share_low"] <= row["share"] * (1 + 1e-9)
    assert not row["share_high"] < row["share"] * (1 - 1e-9)
    assert row["remaining_per_ha_elsewhere"] * (1 - ground) == pytest.approx(row["remaining"])


def test_far_too_little_corridor_wood_is_noticed() -> None:
    """44 ft2 on 1.94 acres where 115 ft2/acre stand: 223.1 ft2 were to be expected."""
    foot2, acre, hectare = 0.3048**2, 43_560 * 0.3048**2, 10_000.0
    notice = corridor_wood_notice(
        44 * foot2, least_m2_ha=115 * foot2 * hectare / acre, ground_m2=1.94 * acre, units="us"
    )

    assert len(notice) == 1
    assert "44.0 ft2 of basal area are marked on 1.94 acres of new corridor" in notice[0]
    assert "at least 223.1 ft2" in notice[0]


@pytest.mark.parametrize(
    ("marked_m2", "state", "marked_ground", "notices"),
    [
        (0.39, "new", [], 1),
        (0.41, "new", [], 0),
        (0.01, "existing", [], 0),
        (0.21, "new", [shapely.box(0, 0, 100, 50)], 0),
    ],
)
def test_corridor_wood_against_half_of_the_stock_on_new_corridors(
    layout_of: Build, marked_m2: float, state: str, marked_ground: list[Any], notices: int
) -> None:
    """20 m2/ha on 400 m2 of lane are 0.8 m2; on an existing lane, and beyond the marks, none."""
    lane = {"geometry": shapely.LineString([(50, 0), (50, 100)]), "state": state}
    layout = layout_of(
        HECTARE,
        corridors=[lane],
        marks=[cut(marked_m2 / 2, x=50.0)],
        tally=[{"zone": "corridor", **paper(marked_m2 / 2)}],
        marked_ground=marked_ground,
        project={"allowance": stands(basal_area="20 m2/ha")},
    )

    assert sum("routed through gaps" in notice for notice in layout.notices) == notices


def paper(basal_area_m2: float) -> dict[str, object]:
    """A line of the paper tally: one tree with a basal area."""
    return {"dbh": math.sqrt(basal_area_m2 * 40_000 / math.pi), "dbh_unit": "cm", "count": 1}


def test_the_lower_end_of_what_remains_is_that_of_the_stock() -> None:
    """
    Plots of 10, 12 and 14 m2: mean 12, standard error 2 / sqrt(3), t(2, 95 %) = 4.302653.

    So 12 +- 4.968276; half of it less 1 m2 marked remains.
    """
    stock = Stock(
        quantity=BASAL, unit="m2", log_rule="", basis="cruise", total=estimate_mean([10, 12, 14])
    )
    cells = pd.DataFrame(
        {"zone": ["matrix"], "product": "", "basal_area_m2": 1.0, "trees": 1, "stems": 1}
    )
    table = allowance_table(
        [stock],
        cells,
        allowable_share=0.5,
        zone_area_m2={"matrix": 10_000.0},
        marked_ground_m2=None,
    )
    ends = table[["remaining_low", "remaining", "remaining_high"]].to_numpy()[0]

    assert ends == pytest.approx([5 - 2.484138, 5, 5 + 2.484138], rel=1e-6)
