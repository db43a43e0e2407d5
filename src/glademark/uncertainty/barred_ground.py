"""Cut trees that may truly stand in an exclusion or in a setback where nothing is cut."""

from collections.abc import Iterator, Mapping

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.base import BaseGeometry

from glademark.contracts.layout import ZONE_NAMES
from glademark.measure.figures import area_names
from glademark.uncertainty.drawn import Field
from glademark.uncertainty.zone_chances import Places, zone_draws

FloatArray = npt.NDArray[np.float64]

BARRED, OPEN = "exclusion", "matrix"
"""Names in `ZONE_NAMES` that stand for the ground inside and outside."""

BESIDE = 10.0
"""Ground within so many standard errors of the edge tells how dense trees stand on each side."""

BESIDE_LEAST_M = 20.0
"""The least of it [m]."""

ALIKE_M = 0.01
"""Edges this close are drawn alike [m]."""


def trees_inside(
    field: Field, places: Places, count: FloatArray, rng: np.random.Generator
) -> Iterator[tuple[tuple[str, str], FloatArray]]:
    """
    Cut trees inside each area where nothing may be cut, draw by draw.

    Parameters
    ----------
    field
        What was measured and asked, with the errors that cut marks share; shape (draws, n, 2).
    count
        Trees of each mark; shape (n,).
    """
    stand = field.layout.stand.geometry.iloc[0]
    margin = shapely.buffer(shapely.boundary(stand), ALIKE_M)  # no trees beyond it to stray in
    setbacks = field.layout.setbacks
    ruled = {
        "exclusion": field.layout.exclusions,
        "setbacks": setbacks[setbacks["rule"] == "no_cut"],
    }
    beside_m = max(BESIDE_LEAST_M, BESIDE * float(places.errors.total_m.max(initial=0.0)))
    for layer, areas in ruled.items():
        names = area_names(areas)
        for name, area in zip(names, areas.geometry, strict=True):
            inside = shapely.intersection(stand, area)
            if names.count(name) == 1 and shapely.area(inside) > 0:
                edge = shapely.difference(shapely.boundary(inside), margin)
                band = shapely.intersection(stand, shapely.buffer(edge, beside_m))
                at_edge = shapely.intersects_xy(band, *places.recorded.T)
                deep = shapely.intersects_xy(inside, *places.recorded.T) & ~at_edge
                ground = {
                    BARRED: shapely.intersection(band, inside),
                    OPEN: shapely.difference(band, inside),
                }
                here = np.flatnonzero(at_edge)
                drawn = _drawn(field, places, here, ground, rng)
                yield (f"trees_in_{layer}", name), drawn @ count[here] + count[deep].sum()


def _drawn(
    field: Field,
    places: Places,
    here: npt.NDArray[np.intp],
    ground: Mapping[str, BaseGeometry],
    rng: np.random.Generator,
) -> npt.NDArray[np.bool_]:
    """Whether each of some marks is inside, in each draw; the ground is only inside and outside."""
    if not len(here):
        return np.zeros((len(field.shared), 0), dtype=bool)
    located = Places(
        recorded=places.recorded[here],
        errors=places.errors.only(here),
        final=np.broadcast_to(np.arange(len(ZONE_NAMES)), (len(here), len(ZONE_NAMES))),
        layer=np.zeros(len(here), dtype=np.intp),
    )
    shared = field.shared[:, here]
    zones = zone_draws(located, ground, shared=shared, line=(0.0, 1.0), rng=rng)
    return np.asarray(zones == ZONE_NAMES.index(BARRED))
