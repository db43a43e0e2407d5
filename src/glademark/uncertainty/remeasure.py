"""Where a better position would settle most of the uncertainty."""

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

from glademark.uncertainty.measure import Key, Uncertainty

FloatArray = npt.NDArray[np.float64]


def uncertainty_settled(
    uncertainty: Uncertainty, checks: Iterable[tuple[Key, float]]
) -> FloatArray:
    """
    How much of the uncertainty in some checks the true position of each mark would settle.

    Parameters
    ----------
    uncertainty
        What the figures may truly be.
    checks
        Quantity and feature of each, with the chance that its limit is exceeded.

    Returns
    -------
    settled
        On the rows of the layout's marks: from 0 up to the number of checks over 4. For each check
        the variance of its verdict, p (1 - p), times the share of the variance of the figure that
        a straight line on the mark's two coordinates explains, less what chance alone explains.
    """
    draws, marks, _ = uncertainty.shifts.shape
    settled = np.zeros(marks)
    moved = np.flatnonzero(np.ptp(uncertainty.shifts, axis=0).any(axis=1))
    if not len(moved):
        return settled
    away = uncertainty.shifts[:, moved].astype(np.float64)
    away -= away.mean(axis=0)
    away = away / away.std(axis=0)
    between = np.einsum("smk,sml->mkl", away, away, optimize=True) / draws
    for key, chance in checks:
        figure = uncertainty.draws[key]
        if 0 < chance < 1 and figure.std() > 0:
            score = (figure - figure.mean()) / figure.std()
            slope = np.einsum("s,smk->mk", score, away, optimize=True) / draws
            fitted = np.linalg.solve(between, slope[..., None])[..., 0]
            explained = (slope * fitted).sum(axis=1) - 2 / draws
            settled[moved] += chance * (1 - chance) * np.clip(explained, 0.0, 1.0)
    return settled
