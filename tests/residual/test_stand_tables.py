"""Stand tables by hand and by a second implementation, their target and what is still to mark."""

import json
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely
from scipy import stats

from glademark.contracts.layout import Layout
from glademark.errors import InputError
from glademark.report.wood import structure_rows

HECTARE = shapely.box(0, 0, 100, 100)
AREA_HA = 1.0
PLOT_M2 = 500.0
Build = Callable[..., Layout]

PLOTS = {
    "1": [12, 12, 22, 33],
    "2": [12, 22, 22, 45],
    "3": [],
    "4": [12, 12, 12, 22, 33, 33],
    "5": [22, 33, 45],
    "6": [12, 12, 22, 22, 22, 33],
}
"""Diameters [cm] of the trees on six plots of 500 m2; one has none."""


def _cruise(kinds: dict[str, list[int]] | None = None) -> dict[str, Any]:
    """The six plots."""
    marked = kinds or {}
    trees = [
        {
            "plot": plot, "dbh": float(dbh), "dbh_cm": float(dbh), "species": "red oak",
            **({"is_marked": place in marked.get(plot, [])} if kinds is not None else {}),
        }
        for plot, diameters in PLOTS.items()
        for place, dbh in enumerate(diameters)
    ]  # fmt: skip
    plots = [
        {"plot": plot, "plot_area_m2": PLOT_M2, "geometry": shapely.Point(50, 50)} for plot in PLOTS
    ]
    return {"plots": plots, "plot_trees": [{**tree, "geometry": None} for tree in trees]}


def _marks(*diameters: float) -> list[dict[str, object]]:
    """Marks of one species in a row."""
    return [
        {
            "geometry": shapely.Point(5 + 8 * i, 50), "species": "red oak", "dbh": dbh,
            "dbh_cm": dbh, "tree_id": f"m{i}", "label": f"m{i}", "crown_radius_m": 2.0,
        }
        for i, dbh in enumerate(diameters)
    ]  # fmt: skip


WIDTH = {"volume": {"size_classes": "10 cm"}}


def _of(layout: Layout, row: str, size_class: str = "") -> pd.Series:
    """One row of the stand table."""
    table = layout.residual_by_class
    rows = table[(table["row"] == row) & (table["size_class"] == size_class)]
    (found,) = [one for _, one in rows.iterrows()]
    return found


def _by_plot(size: tuple[float, float], weigh: Callable[[float], float]) -> np.ndarray:
    """Amount per hectare of each plot, by hand."""
    return np.array(
        [
            sum(weigh(dbh) for dbh in diameters if size[0] <= dbh < size[1]) * 10_000 / PLOT_M2
            for diameters in PLOTS.values()
        ]
    )


def _basal(dbh: float) -> float:
    """Basal area of a tree [m2]."""
    return float(np.pi / 40_000 * dbh**2)


CLASSES = {"10 cm": (5, 15), "20 cm": (15, 25), "30 cm": (25, 35), "40 cm": (35, 45)}


@pytest.mark.parametrize("size", ["10 cm", "20 cm", "30 cm"])
def test_each_class_has_the_interval_of_its_plots(layout_of: Build, size: str) -> None:
    """Trees and basal area, scipy's t interval of the six plots less the marked count."""
    layout = layout_of(HECTARE, marks=_marks(12, 22, 33), project=WIDTH, **_cruise())
    row = _of(layout, "class", size)
    for name, weigh in (("trees", lambda _: 1.0), ("basal_area", _basal)):
        by_plot = _by_plot(CLASSES[size], weigh)
        low, high = stats.t.interval(0.95, len(by_plot) - 1, by_plot.mean(), stats.sem(by_plot))
        cut = (
            weigh(sum(CLASSES[size]) / 2)
            if name == "trees"
            else _basal({"10 cm": 12, "20 cm": 22, "30 cm": 33}[size])
        )
        end = "" if name == "trees" else "_m2"

        assert row[f"standing_{name}{end}"] == pytest.approx(by_plot.mean())
        assert row[f"residual_{name}{end}"] == pytest.approx(by_plot.mean() - cut)
        assert row[f"standing_{name}_high{end}"] == pytest.approx(high)
        assert row[f"residual_{name}_high{end}"] == pytest.approx(high - cut)
        assert row[f"residual_{name}_low{end}"] == pytest.approx(max(max(low, 0) - cut, 0))


def test_rows_of_classes_add_up_to_the_total(layout_of: Build) -> None:
    """Class rows, species rows and cells each make the row total, in every state."""
    layout = layout_of(HECTARE, marks=_marks(12, 22, 33), project=WIDTH, **_cruise())
    table = layout.residual_by_class
    names = [f"{state}_trees" for state in ("standing", "marked", "residual")]
    total = _of(layout, "total")[names].astype(float)

    for row in ("class", "species", "cell"):
        sums = table.loc[table["row"] == row, names].sum()
        assert sums.to_numpy() == pytest.approx(total.to_numpy())
    assert total.tolist() == pytest.approx([460 / 6 * 1, 3, 460 / 6 - 3])
    assert table["plot_trees"].tolist()[-1] == 23
    assert not table["thin"].iloc[-1]
    assert table["thin"].iloc[0]


def test_figures_of_the_stand_are_those_of_its_plots(layout_of: Build) -> None:
    """Mean diameter and both density indices of the six plots, worked out apart."""
    layout = layout_of(HECTARE, marks=_marks(12, 22, 33), project=WIDTH, **_cruise())
    every = np.array([dbh for diameters in PLOTS.values() for dbh in diameters], dtype=float)
    per_ha = 10_000 / PLOT_M2 / len(PLOTS)
    mean_cm = np.sqrt((every**2).mean())
    before = layout.residual["standing"]

    assert before["quadratic_mean_diameter_cm"] == pytest.approx(mean_cm)
    assert before["stand_density_index"] == pytest.approx(
        per_ha * len(every) * (mean_cm / 25.4) ** 1.605
    )
    assert before["stand_density_index_summed"] == pytest.approx(
        per_ha * ((every / 25.4) ** 1.605).sum()
    )
    assert layout.residual["residual"]["basal_area_m2_ha"] == pytest.approx(
        before["basal_area_m2_ha"] - sum(map(_basal, (12, 22, 33)))
    )
    assert json.dumps(layout.residual["marked"]["species"]["northern red oak"])


def test_marked_plot_trees_leave_the_error_of_the_unmarked(layout_of: Build) -> None:
    """Where the cruise says which trees are marked, only the others are estimated."""
    kinds = {"1": [0], "4": [0, 1], "6": [0]}
    marks = _marks(*[12.0] * 12)  # 4 marked trees on 0.3 ha of plots: 13.3 in all are expected
    layout = layout_of(HECTARE, marks=marks, project=WIDTH, **_cruise(kinds))
    row = _of(layout, "class", "10 cm")
    stays = np.array([1, 1, 0, 1, 0, 1]) * 20.0
    low, high = stats.t.interval(0.95, 5, stays.mean(), stats.sem(stays))

    assert row["residual_trees"] == pytest.approx(stays.mean())
    assert row["standing_trees"] == pytest.approx(stays.mean() + 12)
    assert row["residual_trees_high"] == pytest.approx(high)
    assert row["residual_trees_low"] == pytest.approx(max(low, 0))


def test_marked_plot_trees_that_contradict_the_count_are_not_used(layout_of: Build) -> None:
    """A cruise taken before most of the marking says nothing of what is unmarked now."""
    kinds: dict[str, list[int]] = {"1": [0]}
    layout = layout_of(HECTARE, marks=_marks(*[12.0] * 12), project=WIDTH, **_cruise(kinds))
    plain = layout_of(HECTARE, marks=_marks(*[12.0] * 12), project=WIDTH, **_cruise())

    assert _of(layout, "total")["standing_trees"] == _of(plain, "total")["standing_trees"]
    assert any("12 trees marked in all, and the marked trees on" in one for one in layout.notices)


def test_marked_trees_without_a_diameter_are_left_out_and_counted(layout_of: Build) -> None:
    """Basal area marked is at least, and after at most, what the others make; all are told."""
    layout = layout_of(HECTARE, marks=_marks(12, np.nan), project=WIDTH, **_cruise())
    total = _of(layout, "total")

    assert total["residual_trees"] == pytest.approx(460 / 6 - 2)
    assert total["marked_basal_area_m2"] == pytest.approx(_basal(12))
    assert total["trees_without_dbh"] == 1
    assert np.isnan(_of(layout, "class", "no diameter")["residual_trees"])
    assert layout.residual["marked"]["quadratic_mean_diameter_cm"] == pytest.approx(12)
    rows = {name: cells for name, *cells in structure_rows(layout, "metric")}
    assert rows["Basal area"][1].startswith("at least ")
    assert rows["Basal area"][2].startswith("at most ")
    assert any("1 marked tree without a diameter" in one for one in layout.notices)


def _standing(numbers: dict[float, int]) -> list[dict[str, object]]:
    """A map of so many trees of each diameter, rows from the west."""
    sizes = [dbh for dbh, trees in numbers.items() for _ in range(trees)]
    return [
        {
            "geometry": shapely.Point(1 + 2 * (i % 49), 1 + 2 * (i // 49)), "tree_id": f"T{i}",
            "species": "red oak", "dbh": dbh, "dbh_cm": dbh, "crown_radius_m": 0.9,
        }
        for i, dbh in enumerate(sizes)
    ]  # fmt: skip


def _as_marks(trees: list[dict[str, object]]) -> list[dict[str, object]]:
    """Standing trees as marks of their numbers."""
    return [{**tree, "label": tree["tree_id"], "position_error_m": 0.2} for tree in trees]


TARGET = {"basal_area": "3 m2/ha", "dbh_max": "45 cm", "q": 2.0, "class_width": "10 cm"}


def test_a_full_list_is_its_own_interval(layout_of: Build) -> None:
    """Before and after are counts, the marked trees are those of the marks."""
    trees = _standing({12.0: 40, 22.0: 30, 32.0: 20})
    layout = layout_of(HECTARE, standing=trees, marks=_as_marks(trees[:10]), project=WIDTH)
    row = _of(layout, "class", "10 cm")

    assert [row[f"{s}_trees"] for s in ("standing", "marked", "residual")] == [40, 10, 30]
    assert (row["residual_trees_low"], row["residual_trees_high"]) == (30, 30)
    assert layout.residual["basis"] == "standing"
    cover = 90 * np.pi * 0.81 / 10_000
    assert layout.residual["standing"]["canopy_cover"] == pytest.approx(cover, rel=0.02)
    assert layout.allowance["basis"].tolist() == ["standing"]


def test_a_target_is_met_missed_or_not_judged(layout_of: Build) -> None:
    """Met within the tolerance, outside it exceeded, and an untouched deficit was there before."""
    n = 3 / sum(2 ** (3 - i) * _basal(10 + 10 * i) for i in range(4))
    target = {f"{10 + 10 * i} cm": n * 2 ** (3 - i) for i in range(4)}
    trees = _standing({12.0: 200, 22.0: 25, 32.0: 20, 42.0: 3, 52.0: 1})
    marks = _as_marks([*trees[:10], *trees[200:202]])
    layout = layout_of(HECTARE, standing=trees, marks=marks, project={"target_structure": TARGET})
    table = layout.residual_by_class
    rows = table[table["row"] == "class"].set_index("size_class")

    assert rows["target_trees"].tolist() == pytest.approx([*target.values(), 0.0])
    assert rows["verdict"].to_dict() == {
        "10 cm": "exceeded",
        "20 cm": "met" if abs(23 - target["20 cm"]) <= 0.2 * target["20 cm"] else "exceeded",
        "30 cm": "met" if abs(20 - target["30 cm"]) <= 0.2 * target["30 cm"] else "exceeded",
        "40 cm": "not_checked",
        "50 cm": "exceeded",
    }
    assert rows["deviation"].to_dict()["40 cm"] == "deficit"


def test_a_marker_is_told_what_is_still_to_mark_of_the_trees_between(layout_of: Build) -> None:
    """300 standing, target 200, 60 taken in a corridor: 40 of the 240 between, not 1 of 3."""
    trees = _standing({12.0: 300})
    corridor = [tree for tree in trees if tree["geometry"].x < 20]  # type: ignore[attr-defined]
    assert len(corridor) == 66
    settings = {**TARGET, "dbh_max": "15 cm", "basal_area": f"{200 * _basal(10)!r} m2/ha"}
    layout = layout_of(
        HECTARE,
        standing=trees,
        marks=_as_marks(corridor[:60]),
        corridors=[{"geometry": shapely.LineString([(10, -5), (10, 105)]), "width_m": 20.0}],
        project={"target_structure": settings},
    )
    (row,) = layout.marking_ratio.to_dict("records")

    assert (row["standing_trees"], row["marked_trees"]) == (300, 60)
    assert row["still_to_mark_trees"] == pytest.approx(40)
    assert row["unmarked_between_trees"] == 234
    assert row["still_to_mark_of"] == "1 of 6"
    assert row["prescribed_of"] == "1 of 3"


def test_a_largest_diameter_on_an_edge_ends_the_class_below(layout_of: Build) -> None:
    """45 cm is the upper end of the 40 cm class; 5 cm the lower end of the 10 cm class."""
    trees = _standing({12.0: 5, 42.0: 5, 52.0: 5})
    for dbh_max in ("45 cm", "44 cm", "36 cm"):
        settings = {**TARGET, "dbh_max": dbh_max, "dbh_min": "5 cm"}
        layout = layout_of(
            HECTARE,
            standing=trees,
            marks=_as_marks(trees[:1]),
            project={"target_structure": settings},
        )

        assert list(layout.residual["target"]["trees_per_ha"]) == [
            "10 cm", "20 cm", "30 cm", "40 cm",
        ]  # fmt: skip


def test_q_needs_classes_of_one_width(layout_of: Build) -> None:
    """Classes by uneven edges have no quotient, and the run says what to state."""
    trees = _standing({12.0: 5})
    settings = {**TARGET}
    settings.pop("class_width")

    with pytest.raises(InputError, match=r"are not all of one width.*class_width"):
        layout_of(
            HECTARE,
            standing=trees,
            marks=_as_marks(trees[:1]),
            project={
                "target_structure": settings,
                "volume": {"size_classes": [5.0, 9.0, 20.0, 45.0, 50.0]},
            },
        )


def test_a_stand_without_trees_before_has_no_tables(layout_of: Build) -> None:
    """An absent input leaves absent blocks."""
    layout = layout_of(HECTARE, marks=_marks(12))

    assert layout.residual == {}
    assert layout.residual_by_class.empty
    assert layout.marking_ratio.empty


def test_unmatched_marks_are_taken_off_all_the_same(layout_of: Build) -> None:
    """A mark of no tree of the list counts as marked, is told of, and hides the cover after."""
    trees = _standing({12.0: 10})
    stray = _as_marks([{**trees[0], "tree_id": "x", "geometry": shapely.Point(90, 90)}])
    layout = layout_of(HECTARE, standing=trees, marks=stray, project=WIDTH)

    assert _of(layout, "total")["residual_trees"] == 9
    assert np.isnan(layout.residual["residual"]["canopy_cover"])
    assert any("1 cut tree not found among the standing trees" in one for one in layout.notices)


def test_cover_is_that_of_the_crowns_inside_the_stand(layout_of: Build) -> None:
    """Crowns that overlap count once, and what hangs out over the boundary does not count."""
    tree = {"species": "", "dbh": 20.0, "dbh_cm": 20.0, "crown_radius_m": 4.0}
    places = [(50, 50), (52, 50), (0, 20), (100, 100)]
    trees = [{**tree, "geometry": shapely.Point(x, y), "tree_id": f"T{x}"} for x, y in places]
    layout = layout_of(HECTARE, standing=trees, marks=_as_marks(trees[1:2]))
    discs = [shapely.Point(x, y).buffer(4.0, quad_segs=256) for x, y in places]
    before, after = (shapely.union_all(some) for some in (discs, [discs[0], *discs[2:]]))

    for state, crowns in (("standing", before), ("residual", after)):
        cover = shapely.intersection(crowns, HECTARE).area / HECTARE.area
        assert layout.residual[state]["canopy_cover"] == pytest.approx(cover, rel=1e-3)


def test_a_target_from_a_table_holds_for_the_classes_it_names(layout_of: Build) -> None:
    """Classes that the table leaves out have no target; a name that is no class is refused."""
    table = pd.DataFrame({"size_class": ["10", "20 cm"], "trees_per_ha": [30.0, 12.0]})
    trees = _standing({12.0: 40, 22.0: 12, 32.0: 5})
    settings = {"target_structure": {"table": "target.csv", "class_width": "10 cm"}}
    layout = layout_of(
        HECTARE, standing=trees, marks=_as_marks(trees[:4]), target_table=table, project=settings
    )
    rows = layout.residual_by_class.set_index("size_class")

    assert rows.loc["10 cm", "target_trees"].iloc[0] == 30
    assert layout.marking_ratio["size_class"].tolist() == ["10 cm", "20 cm"]
    assert layout.residual["target"]["trees_per_ha"] == {"10 cm": 30.0, "20 cm": 12.0}
    with pytest.raises(InputError, match="no class is called '11'"):
        layout_of(
            HECTARE,
            standing=trees,
            marks=_as_marks(trees[:1]),
            target_table=table.assign(size_class=["11", "20"]),
            project=settings,
        )


def test_a_mark_without_a_diameter_takes_that_of_its_tree(layout_of: Build) -> None:
    """The list knows what the marker did not write down."""
    trees = _standing({12.0: 10, 22.0: 5})
    bare = {**trees[12], "dbh": np.nan, "dbh_cm": np.nan, "dbh_unit": ""}
    layout = layout_of(HECTARE, standing=trees, marks=_as_marks([bare]), project=WIDTH)

    assert _of(layout, "class", "20 cm")["marked_trees"] == 1
    assert _of(layout, "total")["residual_basal_area_m2"] == pytest.approx(
        10 * _basal(12) + 4 * _basal(22)
    )


def test_trees_of_variable_radius_plots_stand_for_the_factor(layout_of: Build) -> None:
    """At a factor of 2 m2/ha each counted tree is 2 m2/ha, and 2 over its basal area trees."""
    plots = [
        {"plot": name, "baf_m2_ha": 2.0, "weight": weight, "geometry": shapely.Point(50, 50)}
        for name, weight in (("a", 1.0), ("b", 0.5))
    ]
    trees = [
        {"plot": "a", "dbh": 20.0, "dbh_cm": 20.0, "times": 2, "geometry": None},
        {"plot": "b", "dbh": 40.0, "dbh_cm": 40.0, "geometry": None},
    ]
    layout = layout_of(HECTARE, plots=plots, plot_trees=trees, marks=_marks(12), project=WIDTH)
    before = layout.residual["standing"]

    assert before["basal_area_m2_ha"] == pytest.approx((4.0 + 0.5 * 4.0) / 1.5)
    assert before["trees_per_ha"] == pytest.approx(
        (4.0 / _basal(20) + 0.5 * 4.0 / _basal(40)) / 1.5
    )
    assert layout.allowance.loc[0, "standing"] == pytest.approx(before["basal_area_m2_ha"])


def test_trees_counted_on_paper_have_the_crowns_of_their_size(layout_of: Build) -> None:
    """With a cruise the cover after is known, though the paper tally has no crowns."""
    tally = [{"zone": "matrix", "count": 5, "species": "red oak", "dbh": 22.0, "dbh_unit": "cm"}]
    layout = layout_of(HECTARE, marks=_marks(12), tally=tally, project=WIDTH, **_cruise())
    before, marked, after = (
        layout.residual[state]["canopy_cover"] for state in ("standing", "marked", "residual")
    )

    assert np.log1p(-after) == pytest.approx(np.log1p(-before) - np.log1p(-marked))
    assert after < before
