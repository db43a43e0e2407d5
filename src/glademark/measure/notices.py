"""What a reader of the layout should know, one plain sentence each."""

import numpy as np
import pandas as pd

from glademark.contracts.layout import Figures
from glademark.measure.zones import LISTED_ERRORS, Disagreement
from glademark.project.model import OpeningSettings
from glademark.units import INCH_CM

NOTICED_GEODESIC_SHARE = 0.001
"""Difference of planar and geodesic area that is worth a notice."""

NAMED = 10
"""Records named in a notice; the rest are counted."""


def layout_notices(
    figures: Figures, disagreement: Disagreement, *, marks: pd.DataFrame, settings: OpeningSettings
) -> tuple[str, ...]:
    """
    Notices on distortion, paint against position, line trees and unpainted stems.

    Parameters
    ----------
    figures
        Totals of the layout.
    disagreement
        Of paint and position.
    marks
        `tree_id` and `corridor_distance_m`, in the order that `disagreement` speaks of.
    settings
        The table ``[openings]``.

    Returns
    -------
    notices
        Only those that there is a reason for.
    """
    found = (
        _distortion(figures),
        _disagreement(disagreement),
        _strays(disagreement, marks),
        _line_trees(figures),
        _unpainted(figures, settings),
    )
    return tuple(notice for notice in found if notice)


def _distortion(figures: Figures) -> str:
    """Planar against geodesic area."""
    off = figures.stand.area_geodesic_m2 / figures.stand.area_m2 - 1
    if abs(off) <= NOTICED_GEODESIC_SHARE:
        return ""
    return (
        f"The area on the ellipsoid differs from the planar area by {off:+.2%}: a working CRS with "
        "less distortion here would be better."
    )


def _disagreement(disagreement: Disagreement) -> str:
    """How many trees plot on the other side than their paint says."""
    if not disagreement.trees:
        return ""
    return (
        f"Paint and position name different zones for {disagreement.trees} trees; about "
        f"{disagreement.expected:.0f} are to be expected from the position error alone."
    )


def _strays(disagreement: Disagreement, marks: pd.DataFrame) -> str:
    """Those that the position error does not explain."""
    listed = disagreement.listed
    if not len(listed):
        return ""
    away = np.abs(marks["corridor_distance_m"].to_numpy(dtype=float)[listed])
    names = [
        f"{tree} ({metres:.1f} m)"
        for tree, metres in zip(marks["tree_id"].array[listed], away, strict=True)
    ]
    more = f" and {len(listed) - NAMED} more" if len(listed) > NAMED else ""
    return (
        f"{disagreement.listed_trees} of them lie beyond {LISTED_ERRORS:g} standard errors of the "
        f"corridor edge: {', '.join(names[:NAMED])}{more}."
    )


def _line_trees(figures: Figures) -> str:
    """Line trees that nobody has confirmed."""
    if not figures.marks.line_trees:
        return ""
    return (
        f"{figures.marks.line_trees} line trees are tallied apart and not to be cut until their "
        "owners agree and the project file says line_trees_confirmed = true."
    )


def solid_notice(count: pd.Series, parts: pd.DataFrame) -> str:
    """Trees of a stand that the solid volume leaves out, those without any volume apart."""
    unknown = parts["m3"].isna()
    of_none = set(parts.loc[unknown & parts["gross"].isna(), "tree"])
    none = int(count.loc[sorted(of_none)].sum())
    lost = int(count.loc[sorted(set(parts.loc[unknown, "tree"]) - of_none)].sum())
    said = [f"{none:,} trees without a volume"] if none else []
    said += [f"{lost:,} trees whose volume has no conversion to m3"] if lost else []
    return f"The solid volume leaves out {' and '.join(said)}." if said else ""


def _unpainted(figures: Figures, settings: OpeningSettings) -> str:
    """Stems that openings are cleared of and no tally holds."""
    size = settings.cleared_to_dbh_cm
    if size is None or not figures.openings.count:
        return ""
    return (
        f"Openings are cut clean down to {size / INCH_CM:.1f} in ({size:.1f} cm) DBH: unpainted "
        "stems of that size and larger in them go too, and the tally does not hold them."
    )
