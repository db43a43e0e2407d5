"""Standing stock and allowance: by hand from few plots, and as given."""

from collections.abc import Callable
from typing import Any

import pytest
import shapely

from glademark.errors import InputError
from glademark.layout import Layout

HECTARE = shapely.box(0, 0, 100, 100)
Build = Callable[..., Layout]
CORDS = {"volume": {"products": {"pulpwood": {"unit": "cord"}}}}


def plot(name: str, **columns: object) -> dict[str, object]:
    """A plot of factor 2 m2/ha without position."""
    return {"plot": name, "baf_m2_ha": 2.0, "geometry": shapely.Point(), **columns}


def tree(name: str, dbh_cm: float = 30.0, **columns: object) -> dict[str, object]:
    """A counted tree."""
    return {"plot": name, "dbh": dbh_cm, "dbh_cm": dbh_cm, "geometry": None, **columns}


def row_of(layout: Layout, quantity: str = "basal_area") -> dict[str, Any]:
    """Row of the allowance for one quantity."""
    return dict(layout.allowance.set_index("quantity").loc[quantity])


def mark(**columns: object) -> dict[str, object]:
    """A cut tree in the stand."""
    return {"geometry": shapely.Point(50, 50), **columns}


def test_empty_plots_are_zeros_in_the_sample(layout_of: Build) -> None:
    """Two points with 6 and 0 trees at factor 2 give 6 m2 on a hectare."""
    plots = [plot("A"), plot("B")]
    layout = layout_of(HECTARE, plots=plots, plot_trees=[tree("A", count=6)], marks=[mark()])

    assert row_of(layout)["standing"] == pytest.approx(6.0)
    assert layout.cruise_plots["basal_area_m2_ha"].tolist() == [12.0, 0.0]


def test_weights_and_walkthrough(layout_of: Build) -> None:
    """Half a plot counts half and is scaled up; a walkthrough tree counts twice."""
    plots = [plot("A", weight=0.5), plot("B")]
    trees = [tree("A"), tree("B", times=2)]
    layout = layout_of(HECTARE, plots=plots, plot_trees=trees, marks=[mark()])

    # plot A: 2/0.5 = 4, plot B: 2 x 2 = 4; weighted mean (0.5 x 4 + 1 x 4)/1.5
    assert layout.cruise_plots["basal_area_m2_ha"].tolist() == [4.0, 4.0]
    assert row_of(layout)["standing"] == pytest.approx(4.0)


def test_fixed_plots(layout_of: Build) -> None:
    """One 40 cm tree on a 0.05 ha plot is 20 trees and 2.513 m2 a hectare."""
    plots = [plot(name, baf_m2_ha=float("nan"), plot_area_m2=500.0) for name in "AB"]
    trees = [tree("A", 40.0), tree("B", 40.0)]
    layout = layout_of(HECTARE, plots=plots, plot_trees=trees, marks=[mark()])

    # pi/40,000 x 40^2 x 20
    assert row_of(layout)["standing"] == pytest.approx(2.513274, rel=1e-6)
    assert layout.stock_by_class["standing_trees"].sum() == pytest.approx(20.0)


def test_strata_are_weighted_by_area(layout_of: Build) -> None:
    """Strata of 3 and 1 ha with means of 2 and 10 m2/ha have a mean of 4."""
    names = {"A": "thin", "B": "thin", "C": "dense", "D": "dense"}
    counts = {"A": 1, "B": 1, "C": 5, "D": 5}
    layout = layout_of(
        HECTARE,
        plots=[plot(name, stratum=stratum) for name, stratum in names.items()],
        plot_trees=[tree(name, count=count) for name, count in counts.items()],
        marks=[mark()],
        project={"allowance": {"strata": {"thin": "3 ha", "dense": "1 ha"}}},
    )

    assert row_of(layout)["standing"] == pytest.approx(4.0)


def test_a_stratum_without_area_is_refused(layout_of: Build) -> None:
    """Every stratum of the cruise needs its area."""
    with pytest.raises(InputError, match="'wet' of the cruise has no area"):
        layout_of(
            HECTARE,
            plots=[plot("A", stratum="wet"), plot("B", stratum="dry")],
            plot_trees=[tree("A")],
            project={"allowance": {"strata": {"dry": "1 ha"}}},
        )


def test_corridors_draw_first(layout_of: Build) -> None:
    """Corridors that take 25 % of the stock leave 15 % under a 40 % cap (common practice)."""
    marks = [mark(product="pulpwood", volume=25.0, volume_unit="cord", paint_meaning="corridor")]
    layout = layout_of(
        HECTARE,
        marks=marks,
        project={
            **CORDS,
            "allowance": {"removal_share_max": "40 %", "standing": {"pulpwood": "100 cord"}},
        },
    )
    row = row_of(layout, "pulpwood")

    assert row["drawn_corridor"] == pytest.approx(25.0)
    assert row["left"] / row["standing"] == pytest.approx(0.15)
    assert row["standing_low"] == row["standing_high"] == row["standing"]


def test_given_stock_in_its_units(layout_of: Build) -> None:
    """110 ft2/acre on a hectare are 25.25 m2; MBF are read as the product's board feet."""
    layout = layout_of(
        HECTARE,
        marks=[mark(product="sawlog", volume=500.0, volume_unit="board foot")],
        project={
            "volume": {"products": {"sawlog": {"unit": "board foot", "rule": "international-1/4"}}},
            "allowance": {"standing": {"sawlog": "2 MBF", "basal_area": "110 ft2/acre"}},
        },
    )

    # a hectare at 110 times 0.09290304 m2 on 0.40468564224 ha
    assert row_of(layout)["standing"] == pytest.approx(25.2525, rel=1e-5)
    assert row_of(layout, "sawlog")["share"] == pytest.approx(0.25)


@pytest.mark.parametrize(
    ("standing", "message"),
    [
        ({"pulpwood": "310 MBF"}, "standing.pulpwood: '310 MBF' cannot be read"),
        ({"firewood": "3 cord"}, "standing.firewood"),
        ({"basal_area": "110 ft2"}, "standing.basal_area"),
    ],
)
def test_given_stock_in_the_wrong_unit(
    layout_of: Build, standing: dict[str, str], message: str
) -> None:
    """An amount that does not fit its quantity is refused with what was expected."""
    with pytest.raises(InputError, match=message):
        layout_of(HECTARE, project={**CORDS, "allowance": {"standing": standing}})


def test_residual_mean_diameter(layout_of: Build) -> None:
    """Of 10 trees of 30 cm and 10 of 40 cm, cutting all of 40 cm leaves a mean of 30 cm."""
    plots = [plot(name, baf_m2_ha=float("nan"), plot_area_m2=10_000.0) for name in "AB"]
    trees = [tree(name, dbh, count=10) for name in "AB" for dbh in (30.0, 40.0)]
    layout = layout_of(
        HECTARE,
        plots=plots,
        plot_trees=trees,
        marks=[mark(dbh=40.0, dbh_cm=40.0, count=10)],
    )

    assert layout.residual["quadratic_mean_diameter_cm"] == pytest.approx(30.0)
    # the root of the mean of 30 squared and 40 squared
    assert layout.residual["standing_quadratic_mean_diameter_cm"] == pytest.approx(
        35.3553, rel=1e-5
    )
    assert layout.stock_by_class["residual_trees"].sum() == pytest.approx(10.0)


def test_cruise_and_tally_that_differ_are_noticed(layout_of: Build) -> None:
    """A cruise from 12.7 cm and a tally from 25 cm do not count the same trees."""
    layout = layout_of(
        HECTARE,
        plots=[plot("A"), plot("B")],
        plot_trees=[tree("A", 12.7), tree("B", 30.0)],
        marks=[mark(dbh=25.0, dbh_cm=25.0)],
    )

    assert any("12.7 cm" in notice and "25 cm" in notice for notice in layout.notices)


def test_share_in_each_zone(layout_of: Build) -> None:
    """A share over the whole stand does not hide what the matrix loses."""
    layout = layout_of(
        HECTARE,
        corridors=[shapely.LineString([(50, -10), (50, 110)])],
        marks=[mark(paint_meaning="corridor", count=10), mark(paint_meaning="cut", count=10)],
        project={"allowance": {"standing": {"basal_area": "20 m2/ha"}}},
    )
    row = row_of(layout)

    # 10 trees of 30 cm are 0.706858 m2; corridor 400 m2, matrix 9,600 m2 of a 20 m2/ha stand
    assert row["share_corridor"] == pytest.approx(0.706858 / (20 * 0.04), rel=1e-5)
    assert row["share_matrix"] == pytest.approx(0.706858 / (20 * 0.96), rel=1e-5)


def test_without_a_known_stock_there_is_no_allowance(layout_of: Build) -> None:
    """Nothing is invented where the standing stock is not known."""
    layout = layout_of(HECTARE, marks=[mark()])

    assert layout.allowance.empty
    assert layout.stock_by_class.empty
    assert not layout.residual


def test_solid_volume_carries_the_cap_where_all_of_it_is_known(layout_of: Build) -> None:
    """One cord of 2.237 m3 out of 22.37 m3 standing is a tenth."""
    layout = layout_of(
        HECTARE,
        marks=[mark(product="pulpwood", volume=1.0, volume_unit="cord")],
        project={**CORDS, "allowance": {"standing": {"solid_volume": "790 ft3"}}},
    )

    # 79 ft3 in a cord (Minnesota Statutes 239.33)
    assert row_of(layout, "solid_volume")["share"] == pytest.approx(0.1)


def test_tally_shares_of_the_standing_stock(layout_of: Build) -> None:
    """The tally says what share of the product's standing volume each row takes."""
    layout = layout_of(
        HECTARE,
        marks=[mark(product="pulpwood", volume=2.0, volume_unit="cord")],
        project={**CORDS, "allowance": {"standing": {"pulpwood": "8 cord"}}},
    )
    table = layout.volume_by_zone
    product = table[(table["row"] == "product") & (table["located"] == "all")]

    assert product["share_of_volume"].tolist() == pytest.approx([0.25])
