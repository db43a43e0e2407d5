"""Gross and net volume: what defect takes, and cull that has no volume at all."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glademark.errors import InputError

__all__ = ["net_volume"]


def net_volume(
    gross: ArrayLike, *, defect_pct: ArrayLike = 0.0, is_cull: ArrayLike = False
) -> NDArray[np.float64]:
    """
    Sound volume of each tree, or part of a tree.

    Parameters
    ----------
    gross
        Volume as the table or the equation gives it, in any unit.
    defect_pct
        Share that is not sound [per cent, 0 to 100]; NaN counts as no defect noted.
    is_cull
        True for a tree that is sold as nothing. It keeps its basal area and its crown.

    Returns
    -------
    net
        In the unit of `gross`; 0 for cull, NaN where a sound tree's gross volume is not known.

    Raises
    ------
    InputError
        If a defect is outside 0 to 100 per cent.

    Examples
    --------
    >>> net_volume([10.0, 10.0, 10.0], defect_pct=[0, 20, 5], is_cull=[False, False, True]).tolist()
    [10.0, 8.0, 0.0]
    """
    defect = np.nan_to_num(np.asarray(defect_pct, np.float64))
    wrong = (defect < 0) | (defect > 100)  # noqa: PLR2004 - the whole, in per cent
    if np.any(wrong):
        msg = (
            f"defect: {int(np.sum(wrong))} values are outside 0 to 100 %; expected the per cent of "
            "the volume that is not sound. Correct them"
        )
        raise InputError(msg)
    return np.where(is_cull, 0.0, np.asarray(gross, np.float64) * (100 - defect) / 100)
