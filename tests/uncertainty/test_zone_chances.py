"""The chance of each zone for a mark beside a corridor."""

import numpy as np
import pandas as pd
import pytest
import shapely
from scipy.stats import norm

from glademark.contracts.layout import ZONE_NAMES
from glademark.uncertainty.errors import PositionErrors
from glademark.uncertainty.zone_chances import (
    Places,
    final_zones,
    nodes_of_normal,
    zone_draws,
    zones_at,
)

STAND = shapely.box(0, 0, 400, 400)
CORRIDOR = shapely.box(0, 0, 200, 400)
ZONES = {"corridor": CORRIDOR, "matrix": shapely.difference(STAND, CORRIDOR)}


def places(at: np.ndarray, sigma: float, *, kind: int, shared: float = 0.0) -> Places:
    """Marks without paint."""
    n = len(at)
    return Places(
        recorded=at,
        errors=PositionErrors(
            alone_m=np.full(n, sigma * (1 - shared) ** 0.5),
            shared_m=np.full(n, sigma * shared**0.5),
            together=np.zeros(n, dtype=np.intp),
        ),
        final=final_zones(pd.Series([""] * n), pd.Series([False] * n)),
        layer=np.full(n, kind, dtype=np.intp),
    )


@pytest.mark.parametrize("distance", [-3.0, -1.0, 0.0, 0.7, 2.5])
def test_chance_beside_a_straight_edge_is_the_normal_distribution(distance: float) -> None:
    """Where no zone is denser than another, a mark d from an edge is beyond it with Phi(-d/s)."""
    marks = places(np.array([[200 + distance, 200.0]]), 2.0, kind=-1)
    found = zone_draws(
        marks,
        ZONES,
        shared=np.zeros((4000, 1, 2)),
        line=(0.0, 20.0),
        rng=np.random.default_rng(1),
    )
    chance = (found == ZONE_NAMES.index("corridor")).mean()

    assert chance == pytest.approx(norm.cdf(-distance / 2), abs=0.03)


def test_shared_error_counts_as_much_as_the_own() -> None:
    """However the error is split, the chance of one mark is that of the whole error."""
    rng = np.random.default_rng(2)
    marks = places(np.array([[202.0, 200.0]]), 2.0, kind=-1, shared=0.5)
    found = zone_draws(
        marks,
        ZONES,
        shared=rng.standard_normal((4000, 1, 2)) * 2**0.5,
        line=(0.0, 20.0),
        rng=rng,
    )

    assert (found == 2).mean() == pytest.approx(norm.cdf(-1), abs=0.03)


def test_dense_corridor_gets_its_strays_back() -> None:
    """Half of the trees of a narrow corridor plot outside; the chances add up to all of them."""
    rng = np.random.default_rng(3)
    strip = shapely.box(198, 0, 202, 400)
    true = np.column_stack([rng.uniform(198, 202, 150), rng.uniform(0, 400, 150)])
    recorded = np.clip(true + rng.normal(0, 3, true.shape), 1, 399)
    plotted = int(shapely.intersects_xy(strip, *recorded.T).sum())
    found = zone_draws(
        places(recorded, 3.0, kind=0),
        {"corridor": strip, "matrix": shapely.difference(STAND, strip)},
        shared=np.zeros((300, 150, 2)),
        line=(0.0, 20.0),
        rng=rng,
    )
    low, high = np.quantile((found == 2).sum(axis=1), [0.05, 0.95])

    assert plotted < 90
    assert low > plotted
    assert high > 130


def test_mark_far_from_every_edge_is_where_it_plots() -> None:
    """Beyond 4.5 standard errors of every edge it is certain."""
    found = zone_draws(
        places(np.array([[300.0, 200.0]]), 2.0, kind=0),
        ZONES,
        shared=np.zeros((100, 1, 2)),
        line=(0.0, 20.0),
        rng=np.random.default_rng(4),
    )

    assert set(found.ravel()) == {ZONE_NAMES.index("matrix")}


@pytest.mark.parametrize(
    ("painted", "grouped", "zones"),
    [
        ("corridor", False, ["corridor"] * 5),
        ("not_corridor", False, ["exclusion", "landing", "matrix", "opening", "matrix"]),
        ("", False, ["exclusion", "landing", "corridor", "opening", "matrix"]),
        ("not_corridor", True, ["exclusion", "opening", "opening", "opening", "opening"]),
        ("", True, ["exclusion", "opening", "corridor", "opening", "opening"]),
    ],
)
def test_paint_and_group_decide_before_the_position(
    painted: str,
    grouped: bool,  # noqa: FBT001 - a case of the table
    zones: list[str],
) -> None:
    """The final zone for each zone that a mark may stand in, by the rules of the tally."""
    found = final_zones(pd.Series([painted]), pd.Series([grouped]))

    assert [ZONE_NAMES[number] for number in found[0]] == zones


def test_nodes_have_the_normal_distribution() -> None:
    """Mean 0, standard deviation 1, and 39.3 % within one standard error (1 - exp(-1/2))."""
    nodes = nodes_of_normal(256)

    assert np.abs(nodes.mean(axis=0)).max() < 0.02
    assert nodes.std(axis=0).tolist() == pytest.approx([1.0, 1.0], abs=0.02)
    assert (np.hypot(*nodes.T) < 1).mean() == pytest.approx(1 - np.exp(-0.5), abs=0.01)


def test_point_outside_the_stand_has_no_zone() -> None:
    """Trees to cut stand inside the stand."""
    assert zones_at(np.array([[-1.0, 5.0], [5.0, 5.0]]), ZONES).tolist() == [-1, 2]
