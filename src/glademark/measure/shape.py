"""Length and width of a hole as a crew would tape them: longest axis, widest across it."""

import numpy as np
import numpy.typing as npt
import shapely
from scipy.spatial.distance import pdist, squareform
from shapely.geometry.base import BaseGeometry


def axes(polygons: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """
    Longest axis of each polygon, its widest extent at right angles to that, and its bearing.

    Parameters
    ----------
    polygons
        Polygons or MultiPolygons, projected CRS [m]; shape (n,). Pieces of one count together.

    Returns
    -------
    axes
        Length and width of each [m], 0 for an empty polygon; bearing of the length clockwise from
        north, from 0 to below 180 [deg], NaN for an empty one; shape (n, 3). One loop over
        openings, because each hull has its own number of corners; cost grows with the square of
        those corners.

    Examples
    --------
    >>> axes([shapely.box(0, 0, 4, 3)]).round(3).tolist()
    [[5.0, 4.8, 53.13]]
    """
    hulls = shapely.convex_hull(np.asarray(polygons, dtype=object))
    return np.array([_axes(hull) for hull in hulls], dtype=np.float64).reshape(-1, 3)


def _axes(hull: BaseGeometry) -> tuple[float, float, float]:
    """Length, width and bearing of one hull."""
    corners = shapely.get_coordinates(hull)
    if not len(corners):
        return 0.0, 0.0, float("nan")
    apart = squareform(pdist(corners))
    i, j = np.unravel_index(np.argmax(apart), apart.shape)
    length = float(apart[i, j])
    along = (corners[j] - corners[i]) / length
    across = corners @ np.array([-along[1], along[0]])
    return length, float(np.ptp(across)), float(np.degrees(np.arctan2(*along)) % 180)
