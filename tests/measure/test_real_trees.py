"""
Real mapped trees: 504 trees of a 100 m x 100 m plot in Waka National Park, Gabon.

Data set `waka` of the R package spatstat.data 3.0 (GPL-2 or later), with diameters in cm; the
plot's place on the map is invented, and so is the harvest. Crown radii are made from the diameters
by a rule of this test.
"""

import math
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import shapely

from glademark.contracts.layout import Layout

Array = npt.NDArray[np.float64]
WEST, SOUTH = 412_000.0, 5_138_000.0
LINK_M = 0.5


@pytest.fixture(scope="module")
def trees(mapped_data: Callable[[str], Any]) -> tuple[Array, Array]:
    """Positions [m] and diameters [cm] of the mapped trees."""
    waka: Mapping[str, Any] = mapped_data("waka")
    spots = np.column_stack([np.asarray(waka["x"]), np.asarray(waka["y"])]).astype(float)
    return spots + np.array([WEST, SOUTH]), np.asarray(waka["marks"], dtype=float)


@pytest.fixture(scope="module")
def radii(trees: tuple[Array, Array]) -> Array:
    """Crown radii [m]: 0.8 m and 5 cm more for each cm of diameter."""
    radius: Array = 0.8 + 0.05 * trees[1]
    return radius


@pytest.fixture(scope="module")
def layout(
    trees: tuple[Array, Array],
    radii: Array,
    layout_of: Callable[..., Layout],
    marks_at: Callable[..., list[dict[str, object]]],
) -> Layout:
    """All trees marked to be cut, crowns linked over 0.5 m."""
    marks = [
        row
        for spot, dbh, radius in zip(*map(np.ndarray.tolist, (*trees, radii)), strict=True)
        for row in marks_at(tuple(spot), dbh_cm=dbh, dbh=dbh, crown_radius_m=radius)
    ]
    project = {"openings": {"min_trees": 3, "min_area": "100 m2", "link_distance": f"{LINK_M} m"}}
    return layout_of(
        shapely.box(WEST, SOUTH, WEST + 100, SOUTH + 100), project=project, marks=marks
    )


def crown_sets(spots: Array, radii: Array) -> list[list[int]]:
    """Trees whose crowns come within the link distance, from all distances, by merging sets."""
    gaps = np.hypot(*(spots[:, None] - spots[None, :]).transpose(2, 0, 1))
    gaps -= radii[:, None] + radii[None, :]
    owner = list(range(len(spots)))

    def root(i: int) -> int:
        while owner[i] != i:
            i = owner[i]
        return i

    for i, j in np.argwhere(np.triu(gaps <= LINK_M, k=1)).tolist():
        owner[root(j)] = root(i)
    sets: dict[int, list[int]] = {}
    for i in range(len(spots)):
        sets.setdefault(root(i), []).append(i)
    return list(sets.values())


def test_the_trees_are_those_of_the_data_set(trees: tuple[Array, Array], layout: Layout) -> None:
    """504 trees of 2.4 cm to 132.5 cm; the ten positions that occur twice are kept."""
    spots, dbh = trees
    repeated = len(spots) - len(np.unique(spots, axis=0))

    assert len(spots) == len(layout.marks) == layout.figures.marks.trees == 504
    assert (dbh.min(), dbh.max()) == (2.4, 132.5)
    assert repeated == 10
    assert layout.marks["dbh_cm"].tolist() == dbh.tolist()


def test_basal_area_is_that_of_the_diameters(trees: tuple[Array, Array], layout: Layout) -> None:
    """The sum of pi/4 d^2 over all trees, those at one position included."""
    expected = sum(math.pi / 4 * (d / 100) ** 2 for d in trees[1].tolist())

    assert layout.figures.volume.basal_area_m2 == pytest.approx(expected, rel=1e-12)


def test_crown_sets_are_those_of_all_distances(
    trees: tuple[Array, Array], radii: Array, layout: Layout
) -> None:
    """As many crown-linked sets as a comparison of every pair gives, single trees included."""
    assert layout.figures.openings.components == len(crown_sets(trees[0], radii))


def test_openings_are_the_large_crown_sets(
    trees: tuple[Array, Array], radii: Array, layout: Layout
) -> None:
    """Trees share an opening if, and only if, they share a crown set of three trees and 100 m2."""
    number = layout.marks["opening"]
    found = {
        frozenset(rows.index.tolist()) for _, rows in layout.marks[number.notna()].groupby(number)
    }
    sets = {frozenset(members) for members in crown_sets(trees[0], radii)}
    large = {s for s in sets if len(s) >= 3}

    covered = {s: cells_covered(trees[0][list(s)], radii[list(s)]) * 0.01 for s in large}

    assert found
    assert found <= large
    assert {s for s in large if covered[s] > 102} <= found
    assert all(covered[s] > 90 for s in found)


def cells_covered(spots: Array, radii: Array) -> int:
    """Cells of 0.1 m whose middle lies under a crown."""
    low = np.floor(spots.min(axis=0) - radii.max())
    size = np.ceil(spots.max(axis=0) + radii.max() - low).astype(int) * 10
    x, y = (low[i] + (np.arange(size[i]) + 0.5) / 10 for i in (0, 1))
    hit = np.zeros(size, dtype=bool)
    for (east, north), radius in zip(spots.tolist(), radii.tolist(), strict=True):
        i = slice(*np.searchsorted(x, [east - radius, east + radius]))
        j = slice(*np.searchsorted(y, [north - radius, north + radius]))
        hit[i, j] |= (x[i, None] - east) ** 2 + (y[None, j] - north) ** 2 <= radius**2
    return int(hit.sum())


def test_the_ground_under_the_crowns_by_counting_cells(
    trees: tuple[Array, Array],
    radii: Array,
    layout_of: Callable[..., Layout],
    marks_at: Callable[..., list[dict[str, object]]],
) -> None:
    """
    The union of all crowns agrees with a count of 0.1 m cells within the count's own error.

    A cell on an edge is in or out by its middle, so that errors along an edge that runs every way
    nearly cancel: they stay under 0.1 %.
    """
    spots, _ = trees
    marks = [
        row
        for spot, radius in zip(spots.tolist(), radii.tolist(), strict=True)
        for row in marks_at(tuple(spot), crown_radius_m=radius)
    ]
    stand = shapely.box(WEST, SOUTH, WEST + 100, SOUTH + 100)
    found = layout_of(stand, marks=marks).figures.openings.components_area_m2

    assert found == pytest.approx(cells_covered(spots, radii) * 0.01, rel=1e-3)


def test_zones_of_a_real_pattern_add_up(layout: Layout) -> None:
    """Trees on the plot's edge and beyond no zone: areas and trees add up to all there are."""
    zones = layout.figures.zones

    assert sum(zone.area_m2 for zone in zones.values()) == pytest.approx(10_000, rel=1e-9)
    assert sum(zone.marks for zone in zones.values()) == 504


def _stand_of(trees: tuple[Array, Array], radii: Array) -> list[dict[str, object]]:
    """All trees as a map."""
    return [
        {
            "geometry": shapely.Point(*spot), "tree_id": str(i), "dbh": dbh, "dbh_cm": dbh,
            "crown_radius_m": radius,
        }
        for i, (spot, dbh, radius) in enumerate(zip(trees[0], trees[1], radii, strict=True))
    ]  # fmt: skip


def test_the_stand_that_stays_is_known_from_all_trees(
    trees: tuple[Array, Array], radii: Array, layout_of: Callable[..., Layout]
) -> None:
    """Before and after equal numpy's sums over all trees and over the unmarked ones."""
    every = _stand_of(trees, radii)
    ground = shapely.box(WEST, SOUTH, WEST + 100, SOUTH + 100)
    marks = [{**tree, "label": tree["tree_id"], "position_error_m": 0.1} for tree in every[::5]]
    layout = layout_of(ground, standing=every, marks=marks)
    stays = np.delete(trees[1], np.arange(0, len(trees[1]), 5))

    for state, dbh in (("standing", trees[1]), ("residual", stays)):
        found = layout.residual[state]
        assert found["trees_per_ha"] == pytest.approx(len(dbh))
        assert found["basal_area_m2_ha"] == pytest.approx((np.pi / 40_000 * dbh**2).sum())
        assert found["quadratic_mean_diameter_cm"] == pytest.approx(np.sqrt((dbh**2).mean()))
        assert found["stand_density_index_summed"] == pytest.approx(((dbh / 25.4) ** 1.605).sum())


def test_plots_of_the_real_stand_hold_its_truth(
    trees: tuple[Array, Array], radii: Array, layout_of: Callable[..., Layout]
) -> None:
    """A grid of 16 plots of 8 m radius gives intervals that hold trees and basal area after."""
    every = _stand_of(trees, radii)
    ground = shapely.box(WEST, SOUTH, WEST + 100, SOUTH + 100)
    centres = [(WEST + x, SOUTH + y) for x in (14, 38, 62, 86) for y in (14, 38, 62, 86)]
    plots = [
        {"plot": str(i), "plot_area_m2": np.pi * 64, "geometry": shapely.Point(*spot)}
        for i, spot in enumerate(centres)
    ]
    on_plots = [
        {"plot": str(i), "dbh": dbh, "dbh_cm": dbh, "geometry": None}
        for i, centre in enumerate(centres)
        for dbh in trees[1][np.hypot(*(trees[0] - centre).T) <= 8].tolist()
    ]
    marks = [{**tree, "label": tree["tree_id"]} for tree in every[::5]]
    layout = layout_of(ground, plots=plots, plot_trees=on_plots, marks=marks)
    stays = np.delete(trees[1], np.arange(0, len(trees[1]), 5))
    found = layout.residual["residual"]

    assert found["trees_per_ha_low"] <= len(stays) <= found["trees_per_ha_high"]
    basal = (np.pi / 40_000 * stays**2).sum()
    assert found["basal_area_m2_ha_low"] <= basal <= found["basal_area_m2_ha_high"]
