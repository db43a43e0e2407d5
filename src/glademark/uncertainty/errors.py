"""
Position error of marks, and where the trees of a stated group may truly stand.

Fixes of one receiver taken close in time err together: a surveyor states a part of each fix alone
and a part that fixes share. The shared part moves them all alike, so it shifts an opening against a
line without changing its area.

Noise on top of recorded positions would spread the group a second time. So a model of the group is
fitted to the records instead, and true positions are drawn from what the model and the records say
together (a Bayesian measurement-error model). The model: trees fill an elliptic patch of unknown
place, size and shape, evenly with a soft edge; none stands in another; each record is its tree with
a normal error. The patch's spread has a weak prior: that the crowns of the group, side by side,
would fill it.

References
----------
Cook and Stefanski 1994, Simulation-extrapolation estimation in parametric measurement error models,
JASA 89:1314-1328, for the bias; Gelman and others, Bayesian Data Analysis, for the conjugate parts.
The patch and its sampler are our own.
"""

from dataclasses import dataclass
from math import gamma
from typing import Literal

import numpy as np
import pandas as pd

from glademark.contracts.frames import FloatArray, IntArray

LEAST_ERROR_M = 0.01
"""No fix is taken to be better than this [m]."""

Together = Literal["day", "file", "time"]

LEAST_SPACING_M = (1.0, 3.0)
"""Range of the distance under which two trees hardly stand [m]; drawn for each chain."""

EDGE = 4
"""Power of the patch's edge: 1 is a normal cloud, infinity a sharp ellipse."""

CLEAR = np.pi * gamma(2 / 3)
"""Ground that one tree keeps clear of another, over the least distance squared: the integral of 1 -
exp(-1 / d^6) over the plane."""

PRIOR_WEIGHT = 5.0
"""Degrees of freedom of the spread's prior: it weighs as much as two trees."""

PATCH_TRIES = 3
"""New patches tried in each sweep."""

_REACH = 2 * gamma(1 / EDGE) / gamma(2 / EDGE)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PositionErrors:
    """Standard errors of positions along each axis."""

    alone_m: FloatArray  # part of each fix alone [m]; shape (n,)
    shared_m: FloatArray  # part that it shares with the others of its set [m]; shape (n,)
    together: IntArray  # number of the set of fixes that err together, 0 upward; shape (n,)

    @property
    def total_m(self) -> FloatArray:
        """
        Standard error of each position along one axis.

        Returns
        -------
        total
            Both parts together [m].
        """
        return np.hypot(self.alone_m, self.shared_m)

    def only(self, rows: IntArray) -> "PositionErrors":
        """
        Errors of some of the positions.

        Parameters
        ----------
        rows
            Their places; shape (m,).
        """
        return PositionErrors(
            alone_m=self.alone_m[rows], shared_m=self.shared_m[rows], together=self.together[rows]
        )


def position_errors(
    marks: pd.DataFrame, *, shared_share: float, together: Together, minutes: float
) -> PositionErrors:
    """
    Errors of marks by the figures that stand with them.

    Parameters
    ----------
    marks
        `position_error_m` (horizontal root mean square error [m]), `time` (text), `source_file`.

    Examples
    --------
    >>> marks = pd.DataFrame({"position_error_m": [4.0], "time": [""], "source_file": ["a"]})
    >>> found = position_errors(marks, shared_share=0.5, together="day", minutes=30)
    >>> found.alone_m.round(6).tolist(), found.shared_m.round(6).tolist()
    ([2.0], [2.0])
    """
    axis = marks["position_error_m"].to_numpy(dtype=float) / np.sqrt(2)
    axis = np.maximum(axis, LEAST_ERROR_M)
    return PositionErrors(
        alone_m=axis * np.sqrt(1 - shared_share),
        shared_m=axis * np.sqrt(shared_share),
        together=_sets(marks, together, minutes),
    )


def _sets(marks: pd.DataFrame, together: Together, minutes: float) -> IntArray:
    """Number of the set of fixes that each mark belongs to."""
    files = marks["source_file"].astype(str)
    if together == "file":
        return np.asarray(files.factorize()[0], dtype=np.intp)
    times = pd.to_datetime(marks["time"].astype(str), format="ISO8601", errors="coerce", utc=True)
    step = "D" if together == "day" else f"{round(minutes * 60)}s"
    names = times.dt.floor(step).astype(str).where(times.notna(), "")
    return np.asarray((names + "|" + files.where(names == "", "")).factorize()[0], dtype=np.intp)


def shared_draws(errors: PositionErrors, count: int, rng: np.random.Generator) -> FloatArray:
    """
    The part of the error that fixes share, drawn.

    Returns
    -------
    shifts
        Recorded less true [m]; shape (count, n, 2).
    """
    sets = int(errors.together.max()) + 1 if len(errors.together) else 0
    common = rng.standard_normal((count, sets, 2))
    return common[:, errors.together] * errors.shared_m[None, :, None]


def line_shifts(
    vertices: FloatArray, *, error_m: float, length_m: float, count: int, rng: np.random.Generator
) -> FloatArray:
    """
    Errors of the vertices of lines, drawn: vertices close together err together.

    Parameters
    ----------
    vertices
        Coordinates [m]; shape (n, 2).
    error_m
        Horizontal root mean square error of a vertex [m].
    length_m
        Distance over which errors are alike [m]; 0 for vertices that err alone.

    Returns
    -------
    shifts
        Recorded less true [m]; shape (count, n, 2). The correlation is exp(-(d / length)^2 / 2);
        vertices at one place move as one.
    """
    places, place = np.unique(np.round(vertices, 3), axis=0, return_inverse=True)
    noise = rng.standard_normal((count, len(places), 2)) * error_m / np.sqrt(2)
    if length_m > 0 and len(places):
        apart = np.square(places[:, None] - places[None]).sum(axis=2)
        alike = np.exp(-apart / (2 * length_m**2)) + 1e-6 * np.eye(len(places))
        noise = np.einsum("ij,cjk->cik", np.linalg.cholesky(alike), noise, optimize=True)
    return np.asarray(noise[:, place.reshape(-1)])


SETTLE, KEEP_EACH, KEPT = 25, 6, 4
"""Sweeps before the first draw, between draws, and draws kept of each chain."""


@dataclass(kw_only=True, slots=True, eq=False)
class _Chains:
    """Chains in step: positions (c, n, 2), middle (c, 2) and inverse spread (c, 2, 2)."""

    at: FloatArray
    middle: FloatArray
    precision: FloatArray


def draw_positions(
    recorded: FloatArray,
    *,
    radii_m: FloatArray,
    error_m: FloatArray,
    count: int,
    rng: np.random.Generator,
) -> FloatArray:
    """
    Positions that the trees of one group may truly have.

    Parameters
    ----------
    recorded
        Coordinates in which only errors of each fix alone are left [m]; shape (chains, n, 2), or
        (n, 2) for the same in all chains.
    radii_m
        Crown radii [m]; shape (n,).
    error_m
        Standard error of each record along one axis, > 0 [m]; shape (n,).
    """
    chains = chains_for(count)
    trees = recorded.shape[-2]
    start = np.array(np.broadcast_to(recorded, (chains, trees, 2)))
    origin = start.mean(axis=(0, 1))
    start -= origin
    spacing = rng.uniform(*LEAST_SPACING_M, chains) ** 6
    prior = np.eye(2) * np.square(radii_m).sum() / 4 * (PRIOR_WEIGHT - 3)
    crowded = trees * (trees - 1) / 2 * CLEAR * spacing ** (1 / 3)
    middle, precision = _new_patch(start, prior, rng)
    now = _Chains(at=start.copy(), middle=middle, precision=precision)
    kept = []
    for sweep in range(SETTLE + KEEP_EACH * (KEPT - 1) + 1):
        for _ in range(PATCH_TRIES):
            _move_patch(now, prior, crowded, rng)
        _move_trees(now, start, error_m, spacing, rng)
        if sweep >= SETTLE and (sweep - SETTLE) % KEEP_EACH == 0:
            kept.append(now.at.copy())
    return np.asarray(np.concatenate(kept)[:count] + origin)


def chains_for(count: int) -> int:
    """Number of chains that a number of draws is taken from."""
    return -(-count // KEPT)


def _new_patch(
    at: FloatArray, prior: FloatArray, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    """Middle and inverse spread that positions suggest, by the normal cloud's own conjugate law."""
    chains, trees, _ = at.shape
    centre = at.mean(axis=1)
    away = at - centre[:, None]
    scatter = away.transpose(0, 2, 1) @ away + prior
    freedom = trees - 1 + PRIOR_WEIGHT
    bartlett = np.zeros((chains, 2, 2))
    bartlett[:, 0, 0] = np.sqrt(rng.chisquare(freedom, chains))
    bartlett[:, 1, 1] = np.sqrt(rng.chisquare(freedom - 1, chains))
    bartlett[:, 1, 0] = rng.standard_normal(chains)
    root = np.linalg.cholesky(scatter) @ _inverse(bartlett).transpose(0, 2, 1)
    spread = root @ root.transpose(0, 2, 1)
    step = (np.linalg.cholesky(spread) @ rng.standard_normal((chains, 2, 1)))[..., 0]
    return centre + step / np.sqrt(trees), _inverse(spread)


def _move_patch(
    now: _Chains, prior: FloatArray, crowded: FloatArray, rng: np.random.Generator
) -> None:
    """
    Take a new patch in those chains where the trees fit it.

    A wide patch makes room for trees that keep apart, which is no sign that it is wide: its chance
    of being free of crowding, exp(-crowded / area) to the first order, is divided out.
    """
    middle, precision = _new_patch(now.at, prior, rng)
    gain = _edge(now.at, middle, precision).sum(axis=1)
    gain -= _edge(now.at, now.middle, now.precision).sum(axis=1)
    gain += crowded * (1 / _area(precision) - 1 / _area(now.precision))
    taken = np.log(rng.random(len(gain))) < gain
    now.middle[taken] = middle[taken]
    now.precision[taken] = precision[taken]


def _area(precision: FloatArray) -> FloatArray:
    """Area of an even ellipse with such an inverse spread."""
    return np.asarray(4 * np.pi / np.sqrt(np.linalg.det(precision)))


def _move_trees(
    now: _Chains,
    recorded: FloatArray,
    error_m: FloatArray,
    spacing: FloatArray,
    rng: np.random.Generator,
) -> None:
    """
    Offer every tree a new place, in all chains at once.

    The loop over trees is the sampler's own: each move looks at the trees moved before it.
    """
    chains, trees, _ = recorded.shape
    certain = 1 / np.square(error_m)
    cover = _inverse(now.precision[:, None] + np.eye(2) * certain[None, :, None, None])
    pull = (now.precision @ now.middle[..., None])[:, None, :, 0] + recorded * certain[:, None]
    noise = np.linalg.cholesky(cover) @ rng.standard_normal((chains, trees, 2, 1))
    offered = (cover @ pull[..., None] + noise)[..., 0]
    chance = np.log(rng.random((chains, trees)))
    gain = _edge(offered, now.middle, now.precision) - _edge(now.at, now.middle, now.precision)
    x, y = np.ascontiguousarray(np.moveaxis(now.at, 2, 0))
    new_x, new_y = np.ascontiguousarray(np.moveaxis(offered, 2, 0))
    for tree in range(trees):
        to_x, to_y = new_x[:, tree, None], new_y[:, tree, None]
        new = _crowding(x - to_x, y - to_y, tree)
        old = _crowding(x - x[:, tree, None], y - y[:, tree, None], tree)
        taken = chance[:, tree] < gain[:, tree] - spacing * (new - old)
        x[taken, tree], y[taken, tree] = to_x[taken, 0], to_y[taken, 0]
    now.at = np.stack([x, y], axis=2)


def _crowding(x: FloatArray, y: FloatArray, tree: int) -> FloatArray:
    """Inverse sixth powers of the way from a place to every other tree of its chain, summed."""
    x *= x
    y *= y
    x += y
    x[:, tree] = np.inf
    np.maximum(x, 1e-3, out=x)
    np.multiply(x * x, x, out=y)
    return np.asarray(np.reciprocal(y, out=y).sum(axis=1))


def _edge(at: FloatArray, middle: FloatArray, precision: FloatArray) -> FloatArray:
    """Log density of the patch less that of the normal cloud it is proposed from."""
    away = at - middle[:, None]
    x, y = away[..., 0], away[..., 1]
    a, b, d = (precision[:, i, j, None] for i, j in ((0, 0), (0, 1), (1, 1)))
    squared = a * x * x + 2 * b * x * y + d * y * y
    return np.asarray(squared / 2 - np.square(np.square(squared / _REACH)))  # `EDGE`


def _inverse(matrices: FloatArray) -> FloatArray:
    """Inverse of 2 x 2 matrices in the last two axes."""
    a, b = matrices[..., 0, 0], matrices[..., 0, 1]
    c, d = matrices[..., 1, 0], matrices[..., 1, 1]
    turned = np.stack([np.stack([d, -b], axis=-1), np.stack([-c, a], axis=-1)], axis=-2)
    return np.asarray(turned / (a * d - b * c)[..., None, None])
