"""Standing stock and allowance: by hand from few plots, and as given."""

import math
from collections.abc import Callable
from typing import Any

import pandas as pd
import pytest
import shapely
from scipy import stats

from glademark.contracts.layout import Layout
from glademark.errors import InputError

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


def test_error_of_strata(layout_of: Build) -> None:
    """The variance of a mean over strata is the sum of theirs by the square of the area share."""
    names = {"A": "thin", "B": "thin", "C": "dense", "D": "dense"}
    counts = {"A": 1, "B": 3, "C": 5, "D": 9}
    layout = layout_of(
        HECTARE,
        plots=[plot(name, stratum=stratum) for name, stratum in names.items()],
        plot_trees=[tree(name, count=count) for name, count in counts.items()],
        marks=[mark()],
        project={"allowance": {"strata": {"thin": "3 ha", "dense": "1 ha"}}},
    )
    row = row_of(layout)

    # 2 and 6 m2/ha, 10 and 18 m2/ha: means 4 and 14, standard errors 2 and 4
    assert row["standing"] == pytest.approx(0.75 * 4 + 0.25 * 14)
    # variance (0.75 x 2)^2 + (0.25 x 4)^2 = 2.25 + 1; degrees of freedom 3.25^2/(2.25^2 + 1^2)
    freedom = 3.25**2 / (2.25**2 + 1)
    half = stats.t.ppf(0.975, freedom) * math.sqrt(3.25)
    assert row["standing_high"] - row["standing"] == pytest.approx(half)


def test_an_area_without_plots_is_refused(layout_of: Build) -> None:
    """Ground that was not sampled is not passed over in silence."""
    with pytest.raises(InputError, match="'bog' has an area and no plot of the cruise"):
        layout_of(
            HECTARE,
            plots=[plot("A", stratum="dry"), plot("B", stratum="dry")],
            plot_trees=[tree("A")],
            project={"allowance": {"strata": {"dry": "1 ha", "bog": "1 ha"}}},
        )


def test_one_plot_has_no_interval(layout_of: Build) -> None:
    """A single plot gives a mean and says nothing of its error."""
    layout = layout_of(HECTARE, plots=[plot("A")], plot_trees=[tree("A", count=6)], marks=[mark()])
    row = row_of(layout)

    assert row["standing"] == pytest.approx(12.0)
    assert math.isnan(row["standing_low"])
    assert "cruise: one plot says nothing of the sampling error; take more" in layout.notices


def test_a_cruise_that_found_nothing(layout_of: Build) -> None:
    """Plots without trees, all of them, are an estimate of nothing."""
    layout = layout_of(HECTARE, plots=[plot("A"), plot("B")], marks=[mark()])

    assert row_of(layout)["standing"] == 0.0
    assert "cruise: 2 plots, all of them without trees" in layout.notices


def test_how_many_plots_would_do(layout_of: Build) -> None:
    """Two points with 10 and 14 m2/ha have a sampling error of 211.8 %; 24 would reach 10 %."""
    plots = [plot("A"), plot("B")]
    trees = [tree("A", count=5), tree("B", count=7)]
    layout = layout_of(HECTARE, plots=plots, plot_trees=trees, marks=[mark()])
    # standard error 2, t(1, 0.975) = 12.7062: 25.4124 of 12 are 211.8 %; CV 23.570 %,
    # and n = 24 is the least with t(n - 1) x 23.570/sqrt(n) <= 10: t(23) = 2.0687 gives 9.953,
    # t(22) = 2.0739 at n = 23 gives 10.193
    notice = next(notice for notice in layout.notices if "would reach" in notice)

    assert notice == (
        "cruise: 2 plots, sampling error of basal area 211.8 % at 95 %; 24 plots would reach 10 %"
    )


def test_trees_that_were_only_counted(layout_of: Build) -> None:
    """Counts at points give basal area; nothing is said by size class or of mean diameters."""
    nothing = float("nan")
    plots = [plot("A"), plot("B")]
    trees = [tree("A", nothing, count=5), tree("B", nothing, count=7)]
    layout = layout_of(HECTARE, plots=plots, plot_trees=trees, marks=[mark()])

    assert row_of(layout)["standing"] == pytest.approx(12.0)
    assert layout.stock_by_class.empty
    assert "quadratic_mean_diameter_cm" not in layout.stock_left
    assert any("12 trees without a diameter" in notice for notice in layout.notices)


def test_fixed_plots_with_a_tree_without_a_diameter(layout_of: Build) -> None:
    """Basal area of fixed plots is not known where a tree has no diameter, and none is made up."""
    fixed = {"baf_m2_ha": float("nan"), "plot_area_m2": 1000.0}
    plots = [plot("A", **fixed), plot("B", **fixed)]
    trees = [tree("A", 40.0), tree("B", float("nan"), count=3)]
    layout = layout_of(HECTARE, plots=plots, plot_trees=trees, marks=[mark()])

    assert layout.allowance.empty
    assert layout.cruise_plots["basal_area_m2_ha"].isna().tolist() == [False, True]
    assert (
        "cruise: the standing basal area is not computed: 3 trees on fixed plots have no diameter"
        in layout.notices
    )


def test_cruise_volumes_say_how_many_trees_they_lack(layout_of: Build) -> None:
    """Sawlogs of the plots are not computed where two trees have no volume, and that is counted."""
    plots = [plot("A"), plot("B")]
    trees = [
        tree("A", product="pulpwood", volume=1.0, volume_unit="cord"),
        tree("B", float("nan"), product="pulpwood", count=2),
    ]
    layout = layout_of(HECTARE, plots=plots, plot_trees=trees, marks=[mark()], project=CORDS)

    assert any(
        "pulpwood is not computed: 2 trees on plots have no such volume" in notice
        for notice in layout.notices
    )


def test_designs_of_two_kinds_in_one_cruise(layout_of: Build) -> None:
    """Points of two factors and a fixed plot each say their own basal area per hectare."""
    fixed = plot("C", baf_m2_ha=float("nan"), plot_area_m2=1000.0)
    plots = [plot("A"), plot("B", baf_m2_ha=4.0), fixed]
    trees = [tree("A", count=3), tree("B", count=2), tree("C", 40.0, count=5)]
    layout = layout_of(HECTARE, plots=plots, plot_trees=trees, marks=[mark()])

    # 3 x 2, 2 x 4, and 5 trees of pi/40,000 x 40^2 m2 on a tenth of a hectare
    expected = [6.0, 8.0, 50 * math.pi / 40_000 * 40**2]
    assert layout.cruise_plots["basal_area_m2_ha"].tolist() == pytest.approx(expected)
    assert row_of(layout)["standing"] == pytest.approx(sum(expected) / 3)


def test_volume_of_parts_defect_and_cull(layout_of: Build) -> None:
    """A cruise adds sawlog and topwood of a tree, takes defect off, and no volume from cull."""
    table = pd.DataFrame(
        [("sawlog", "", "20", "0.4", "m3"), ("sawlog", "pulpwood", "20", "0.1", "m3"),
         ("pulpwood", "", "20", "0.3", "m3")],
        columns=["product", "part", "dbh_cm", "volume", "unit"],
        dtype=object,
    )  # fmt: skip
    plots = [plot(name, baf_m2_ha=float("nan"), plot_area_m2=1000.0) for name in "AB"]
    trees = [
        tree("A", product="sawlog", count=2),
        tree("A", product="sawlog", defect_share=0.25),
        tree("B", product="pulpwood"),
        tree("B", product="sawlog", cull=True),
    ]
    products = {name: {"unit": "m3"} for name in ("sawlog", "pulpwood")}
    layout = layout_of(
        HECTARE,
        plots=plots,
        plot_trees=trees,
        volume_table=table,
        marks=[mark(product="sawlog")],
        project={"volume": {"table": "table.csv", "products": products}},
    )

    # ten of each on a hectare, mean of two plots
    assert row_of(layout, "sawlog")["standing"] == pytest.approx((2 * 0.4 + 0.3) * 10 / 2)
    assert row_of(layout, "pulpwood")["standing"] == pytest.approx((2 * 0.1 + 0.075 + 0.3) * 10 / 2)
    assert row_of(layout, "solid_volume")["standing"] == pytest.approx(
        (0.8 + 0.3 + 0.2 + 0.075 + 0.3) * 10 / 2
    )
    # cull keeps its basal area: five trees of 30 cm on two tenths of a hectare
    assert row_of(layout)["standing"] == pytest.approx(5 * math.pi / 40_000 * 900 * 10 / 2)


def test_recorded_volumes_are_those_of_the_whole_record(layout_of: Build) -> None:
    """A record of four trees with 2 cords holds half a cord a tree, whatever each stands for."""
    plots = [plot(name, baf_m2_ha=float("nan"), plot_area_m2=1000.0) for name in "AB"]
    wood = tree("A", product="pulpwood", count=4, times=2, volume=2.0, volume_unit="cord")
    layout = layout_of(
        HECTARE,
        plots=plots,
        plot_trees=[wood],
        marks=[mark(product="pulpwood", volume=1.0, volume_unit="cord")],
        project=CORDS,
    )

    # 4 trees twice at half a cord, ten times on a hectare, mean with a plot of nothing
    assert row_of(layout, "pulpwood")["standing"] == pytest.approx(4 * 2 * 0.5 * 10 / 2)


def test_a_given_stock_gives_way_to_a_cruise(layout_of: Build) -> None:
    """Where both are there, the plots speak, and the reader is told."""
    layout = layout_of(
        HECTARE,
        plots=[plot("A"), plot("B")],
        plot_trees=[tree("A", count=6)],
        marks=[mark()],
        project={"allowance": {"standing": {"basal_area": "99 m2/ha"}}},
    )

    assert row_of(layout)["standing"] == pytest.approx(6.0)
    assert "[allowance] standing is not used: the cruise says what stands" in layout.notices


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
    """Corridors that take 25 % of the stock leave 15 % of 40 % allowable (common practice)."""
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

    assert row["marked_corridor"] == pytest.approx(25.0)
    assert row["remaining"] / row["standing"] == pytest.approx(0.15)
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

    assert layout.stock_left["quadratic_mean_diameter_cm"] == pytest.approx(30.0)
    # the root of the mean of 30 squared and 40 squared
    assert layout.stock_left["standing_quadratic_mean_diameter_cm"] == pytest.approx(
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

    assert any(
        "12.7 cm (5.0 in)" in notice and "25.0 cm (9.8 in)" in notice for notice in layout.notices
    )


def test_products_and_tops_that_differ_are_noticed(layout_of: Build) -> None:
    """A tally of sawlogs to another top is not the cruise's pulpwood."""
    layout = layout_of(
        HECTARE,
        plots=[plot("A"), plot("B")],
        plot_trees=[tree("A", product="pulpwood"), tree("B", product="pulpwood")],
        marks=[mark(product="sawlog", volume=1.0, volume_unit="m3")],
        project={"allowance": {"top": "4-in top", "tally_top": "8-in top"}},
    )
    differ = [notice for notice in layout.notices if notice.startswith("cruise and tally differ")]

    assert differ == [
        "cruise and tally differ: the tally has no pulpwood",
        "cruise and tally differ: the cruise has no sawlog",
        "cruise and tally differ: the cruise goes to a 4-in top, the tally to a 8-in top",
    ]


def test_the_paper_tally_is_part_of_the_tally(layout_of: Build) -> None:
    """A tree of 5 in on paper is smaller than the cruise's stated 9 in."""
    layout = layout_of(
        HECTARE,
        plots=[plot("A"), plot("B")],
        plot_trees=[tree("A"), tree("B")],
        marks=[mark()],
        tally=[{"dbh": 5.0, "dbh_unit": "in"}],
        project={"allowance": {"smallest_dbh": "9 in"}},
    )

    assert (
        "cruise and tally differ: the cruise starts at 22.9 cm (9.0 in) DBH, the tally at 12.7 cm "
        "(5.0 in)"
    ) in layout.notices


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
    assert not layout.stock_left


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
