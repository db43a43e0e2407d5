"""
Openings that corridors join: which candidates would make one hole that is too large together.

Pairs are known beforehand; of three and more, a choice is barred once it is found too large.
"""

from typing import Any

import numpy as np
import shapely
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import connected_components

from glademark.measure.openings import TOUCH_M, with_strips
from glademark.proposal.stock import Demands, GeometryArray, Ground, IntArray, sets_of

ROUNDING = 1e-9
"""Share of the limit by which joined openings stay below it."""


def joined_holes(shapes: GeometryArray, ground: Ground) -> GeometryArray:
    """Openings with the parts of corridors at them."""
    return with_strips(shapes, ground.strips, width_m=ground.strip_width_m)


def _no_rows(shapes: GeometryArray) -> csr_array:
    """No row for any candidate."""
    rows: Any = csr_array((0, len(shapes)), dtype=np.int32)
    return rows  # type: ignore[no-any-return]


def too_large_pairs(shapes: GeometryArray, ground: Ground, demands: Demands) -> csr_array:
    """Rows of two candidates each, apart by themselves, that are too large once joined."""
    if not np.isfinite(demands.combined_max_m2) or not len(ground.strips):
        return _no_rows(shapes)
    holes = joined_holes(shapes, ground)
    one, two = shapely.STRtree(holes).query(holes, predicate="dwithin", distance=TOUCH_M)
    once = one < two
    one, two = one[once], two[once]
    area = shapely.area(holes)
    may = area[one] + area[two] > demands.combined_max_m2 * (1 - ROUNDING)
    one, two = one[may], two[may]
    apart = shapely.distance(shapes[one], shapes[two]) >= demands.spacing_m
    one, two = one[apart], two[apart]
    both = shapely.area(shapely.union(holes[one], holes[two]))
    large = both > demands.combined_max_m2 * (1 - ROUNDING)
    pairs = np.column_stack([one, two])[large]
    rows = np.repeat(np.arange(len(pairs)), 2)
    return sets_of(rows, pairs.reshape(-1), (len(pairs), len(shapes)))


def too_large_choices(
    chosen: IntArray, shapes: GeometryArray, ground: Ground, demands: Demands
) -> csr_array:
    """A row for each hole of chosen candidates that corridors make too large together."""
    if not np.isfinite(demands.combined_max_m2) or not len(ground.strips) or not len(chosen):
        return _no_rows(shapes)
    holes = joined_holes(shapes[chosen], ground)
    pairs = shapely.STRtree(holes).query(holes, predicate="dwithin", distance=TOUCH_M)
    links = coo_array((np.ones(pairs.shape[1], bool), tuple(pairs)), shape=(len(holes),) * 2)
    label = connected_components(links, directed=False)[1]
    large = [
        chosen[label == one]
        for one in np.unique(label)  # one a hole
        if (label == one).sum() > 1
        and shapely.union_all(holes[label == one]).area > demands.combined_max_m2 * (1 - ROUNDING)
    ]
    rows = np.repeat(np.arange(len(large)), [len(one) for one in large])
    columns = np.concatenate(large) if large else np.zeros(0, dtype=np.intp)
    return sets_of(rows, columns, (len(large), len(shapes)))
