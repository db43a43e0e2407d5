"""Synthetic stands of stated density, cut and walked, whose truth is known."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest

from glademark.compare.matching import Match, Rates
from glademark.compare.shift import Shifts

SPECIES = np.array(["sugar maple", "hemlock", "yellow birch", "red maple", "basswood", "beech"])
SHARES = (0.42, 0.22, 0.12, 0.12, 0.07, 0.05)

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Stand:
    """Trees, stumps, what each stump truly is (-1: of no known tree), and the ground [m2]."""

    trees: pd.DataFrame
    stumps: pd.DataFrame
    truth: npt.NDArray[np.intp]
    ground_m2: float
    left_share: float
    shift: tuple[float, float]
    misread: float

    @property
    def known(self) -> Rates:
        """The rates that the stand was made with."""
        return Rates(
            cut_share=np.array([1 - self.left_share]),
            unmarked_per_m2=np.array([max((self.truth < 0).sum(), 0.5) / self.ground_m2]),
            scale=1.0,
            odd_share=self.misread,
            shifts=Shifts(tree=np.zeros((1, 2)), stump=np.array([self.shift])),
        )

    def right(self, match: Match) -> float:
        """Share of the stumps of known trees that are matched to their own."""
        mate = np.full(len(self.truth), -1)
        mate[match.pairs.column[match.chosen]] = match.pairs.row[match.chosen]
        return float((mate == self.truth)[self.truth >= 0].mean())


def make_stand(  # noqa: PLR0913 - what a stand can be
    seed: int,
    *,
    trees: int = 500,
    per_ha: float = 150.0,
    error_m: float = 2.0,
    unmarked: int = 20,
    left_share: float = 0.04,
    shift: tuple[float, float] = (0.0, 0.0),
    misread: float = 0.0,
) -> Stand:
    """Trees at random places; each axis of a position has the error over the root of 2."""
    rng = np.random.default_rng(seed)
    side = float(np.sqrt(trees / per_ha * 1e4))
    cut = rng.random(trees) >= left_share
    truth = np.concatenate([np.flatnonzero(cut), np.full(unmarked, -1)])
    xy = rng.uniform(0, side, (trees + unmarked, 2))
    species = rng.choice(SPECIES, trees + unmarked, p=SHARES)
    dbh = np.clip(rng.normal(30, 8, trees + unmarked), 12, 60)
    of = np.concatenate([np.flatnonzero(cut), np.arange(trees, trees + unmarked)])
    wrong = rng.random(len(of)) < 0.03
    named = np.where(wrong, rng.choice(SPECIES, len(of), p=SHARES), species[of])
    order = rng.permutation(len(of))
    stumps = frame(
        xy[of] + shift + rng.normal(0, error_m / np.sqrt(2), (len(of), 2)),
        named,
        dbh[of] * np.exp(rng.normal(0, 0.078, len(of))),
        error_m,
    ).assign(ground=0, low_mark=np.nan)
    known = frame(
        xy[:trees] + rng.normal(0, error_m / np.sqrt(2), (trees, 2)),
        species[:trees],
        dbh[:trees] * np.exp(rng.normal(0, 0.018, trees)),
        error_m,
    ).assign(to_cut=True, looked_at=1.0, **{"class": 0})
    odd = rng.random(len(stumps)) < misread  # read or written as any other tree's
    stumps["dbh_cm"] = stumps["dbh_cm"].mask(odd, rng.permutation(stumps["dbh_cm"]))
    return Stand(
        trees=known.assign(edge_m=edge_m(known, side)),
        stumps=stumps.assign(edge_m=edge_m(stumps, side, shift)).iloc[order].reset_index(drop=True),
        truth=truth[order],
        ground_m2=side**2,
        left_share=left_share,
        shift=shift,
        misread=misread,
    )


def edge_m(points: pd.DataFrame, side: float, shift: tuple[float, float] = (0.0, 0.0)) -> Floats:
    """Distance of points to the edge of their square, negative beyond it."""
    xy = points[["x", "y"]].to_numpy() - shift
    return np.minimum(xy, side - xy).min(axis=1)


def frame(
    xy: Floats, species: npt.ArrayLike, dbh_cm: npt.ArrayLike, error_m: float
) -> pd.DataFrame:
    """Rows at places, all of one day."""
    columns = {"x": xy[:, 0], "y": xy[:, 1], "species": species, "dbh_cm": dbh_cm}
    return pd.DataFrame(columns).assign(error_m=error_m, day=0)


@pytest.fixture(scope="session")
def stand_of() -> Callable[..., Stand]:
    """Builder of stands."""
    return make_stand
