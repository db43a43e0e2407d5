"""Geometry brought to the type that its layer declares."""

from collections.abc import Callable

import numpy as np
import shapely

from glademark.contracts.valid_shapes import sound

_PARTS = {"Point": 0, "MultiLineString": 1, "MultiPolygon": 2}  # dimension of the parts
_OF_TYPE = {"MultiLineString": (1, 5), "MultiPolygon": (3, 6)}  # GEOS: a part, the whole
_FLAT = 2  # coordinates without height


def of_declared_type(geometries: np.ndarray, geometry: str) -> np.ndarray:
    """
    Geometries of exactly the type that a layer declares.

    Parameters
    ----------
    geometries
        Of any type.
    geometry
        ``Point``, ``MultiLineString`` or ``MultiPolygon``.

    Returns
    -------
    geometries
        Flat; of each its parts of the declared dimension in one multi-geometry, empty where it has
        none; rings of polygons run counter-clockwise. Points come back as they are.

    Examples
    --------
    >>> of_declared_type(np.array([shapely.box(0, 0, 1, 1)]), "MultiPolygon")[0].geom_type
    'MultiPolygon'
    """
    flat = np.asarray(geometries, dtype=object)
    if (shapely.get_coordinate_dimension(flat) > _FLAT).any():
        flat = shapely.force_2d(flat)
    if geometry == "Point":
        return np.asarray(flat)
    kind, single, multi = shapely.get_type_id(flat), *_OF_TYPE[geometry]
    alone = (kind == single) & ~shapely.is_empty(flat)
    whole = np.flatnonzero(kind == multi)
    parts, of = shapely.get_parts(flat[whole], return_index=True)
    whole = np.delete(whole, of[shapely.is_empty(parts)])
    result = flat.copy()
    _collect(geometry)(flat[alone], indices=np.flatnonzero(alone), out=result)
    others = ~alone
    others[whole] = False
    if others.any():
        result[others] = _collected(flat[others], geometry)
    return np.asarray(shapely.orient_polygons(result))


def _collected(flat: np.ndarray, geometry: str) -> np.ndarray:
    """Of each geometry, whatever its type, its parts of the declared dimension in one."""
    parts, rows = shapely.get_parts(shapely.get_parts(flat), return_index=True)
    outer = np.repeat(np.arange(len(flat)), shapely.get_num_geometries(flat))
    wanted = shapely.get_dimensions(parts) == _PARTS[geometry]
    wanted &= ~shapely.is_empty(parts)
    result = np.full(len(flat), shapely.from_wkt(f"{geometry.upper()} EMPTY"), dtype=object)
    _collect(geometry)(parts[wanted], indices=outer[rows[wanted]], out=result)
    return sound(result, what="layout.gpkg")


def _collect(geometry: str) -> Callable[..., object]:
    """What makes a multi-geometry of a type."""
    return shapely.multipolygons if geometry == "MultiPolygon" else shapely.multilinestrings
