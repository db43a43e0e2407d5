"""
Area of the union of round crowns, exact, for many draws at once.

Each circle's arcs that no other circle covers bound the union; Green's theorem turns them into its
area. Our own derivation: over an arc from a to b of the circle at (x, y) with radius r the integral
of (X dY - Y dX) / 2 is r/2 [r (b - a) + x (sin b - sin a) - y (cos b - cos a)].
"""

import numpy as np
import numpy.typing as npt

TURN = 2 * np.pi
APART = 16.0
"""Offset between the arcs of two circles in one sorted row; more than two turns."""

CHUNK = 1_000_000
"""Pairs of crowns looked at together: keeps memory under some 50 MB."""

FloatArray = npt.NDArray[np.float64]


def union_areas(centres: FloatArray, radii: npt.ArrayLike) -> FloatArray:
    """
    Area of the union of discs, in each draw.

    Parameters
    ----------
    centres
        Coordinates [m]; shape (draws, n, 2).
    radii
        Radii, > 0 [m]; shape (n,) or (draws, n).

    Returns
    -------
    areas
        In square metres; shape (draws,); 0 without discs.

    Examples
    --------
    >>> round(float(union_areas(np.zeros((1, 2, 2)), [1.0, 2.0])[0] / np.pi), 9)
    4.0
    """
    draws, n, _ = centres.shape
    reach = np.broadcast_to(np.asarray(radii, dtype=np.float64), (draws, n))
    areas = np.zeros(draws)
    if n:
        step = max(1, CHUNK // n**2)
        for start in range(0, draws, step):
            part = slice(start, start + step)
            areas[part] = _union_areas(centres[part], reach[part])
    return areas


def _union_areas(centres: FloatArray, radii: FloatArray) -> FloatArray:
    """Areas of a few draws."""
    draws, n, _ = centres.shape
    middle = centres - centres.mean(axis=1, keepdims=True)
    x, y = middle[..., 0], middle[..., 1]
    squared = np.square(x[:, :, None] - x[:, None]) + np.square(y[:, :, None] - y[:, None])
    meets = squared < np.square(radii[:, :, None] + radii[:, None])
    meets[:, np.arange(n), np.arange(n)] = False
    draw, mine, other = np.nonzero(meets)
    distance = np.sqrt(squared[draw, mine, other])
    r, s = radii[draw, mine], radii[draw, other]
    circle = draw * n + mine
    hidden = np.zeros(draws * n, dtype=bool)
    hidden[circle[(distance <= s - r) & ((s > r) | (other < mine))]] = True
    cut = distance > np.abs(r - s)
    draw, mine, other, circle = draw[cut], mine[cut], other[cut], circle[cut]
    distance, r, s = distance[cut], r[cut], s[cut]
    half = np.arccos(np.clip((r**2 + distance**2 - s**2) / (2 * r * distance), -1.0, 1.0))
    towards = np.arctan2(y[draw, other] - y[draw, mine], x[draw, other] - x[draw, mine])
    start = (towards - half) % TURN
    owner, low, high = _bare_arcs(circle, start, start + 2 * half, count=draws * n)
    seen = ~hidden[owner]
    owner, low, high = owner[seen], low[seen], high[seen]
    r, x, y = radii.reshape(-1)[owner], x.reshape(-1)[owner], y.reshape(-1)[owner]
    across = x * (np.sin(high) - np.sin(low)) - y * (np.cos(high) - np.cos(low))
    part = r / 2 * (r * (high - low) + across)
    return np.bincount(owner // n, weights=part, minlength=draws).astype(np.float64)


def _bare_arcs(
    circle: npt.NDArray[np.intp], start: FloatArray, end: FloatArray, *, count: int
) -> tuple[npt.NDArray[np.intp], FloatArray, FloatArray]:
    """Arcs that no cover reaches: their circle, beginning and end [rad]."""
    wrapped = np.zeros(count)
    np.maximum.at(wrapped, circle, end - TURN)
    every = np.arange(count)
    owner = np.concatenate([every, circle, every])
    begins = np.concatenate([np.zeros(count), start, np.full(count, TURN)])
    ends = np.concatenate([wrapped, end, np.full(count, TURN)])
    order = np.argsort(owner * APART + begins, kind="stable")
    owner, begins, ends = owner[order], begins[order], ends[order]
    reach = np.maximum.accumulate(owner * APART + ends) - owner * APART
    bare = (owner[1:] == owner[:-1]) & (begins[1:] > reach[:-1])
    return owner[1:][bare], reach[:-1][bare], begins[1:][bare]
