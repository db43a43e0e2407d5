"""
Coordinates that a map frame carries in the file, so that a phone or a GIS puts it in its place.

References
----------
.. [1] ISO 32000-2:2020, Document management, Portable document format, part 2: PDF 2.0, section
       12.9 (measurement properties) and 12.10 (geospatial features). Read in restatements and
       checked with an outside reader.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from pyproj.exceptions import ProjError

from glademark.report.map_sheets.drawing.coordinates import lon_lat

if TYPE_CHECKING:
    from pyproj import CRS

    from glademark.report.map_sheets.drawing.map_frame import MapFrame

_DECIMALS = 12  # of degrees: far below a millimetre
_CORNERS = ((0, 0), (0, 1), (1, 1), (1, 0))


def viewport(frame: MapFrame, crs: CRS) -> dict[str, Any] | None:
    """
    The viewport dictionary of a map frame, in plain Python values.

    Parameters
    ----------
    frame
        The map.
    crs
        Working CRS.

    Returns
    -------
    viewport
        Names begin with a slash; corners are in latitude and longitude of the datum of the CRS, in
        the order of the local points. None where the CRS has no geographic base or no code and text
        that the format knows.
    """
    system = _coordinate_system(crs)
    west, south, east, north = frame.ground
    x = np.array([west, east])[[right for right, _ in _CORNERS]]
    y = np.array([south, north])[[upper for _, upper in _CORNERS]]
    longitude, latitude = lon_lat(crs, x, y)
    if system is None or not np.isfinite([longitude, latitude]).all():
        return None
    box = frame.box
    ends = [float(end) for corner in _CORNERS for end in corner]
    places = np.column_stack([latitude, longitude]).ravel()
    return {
        "/Type": "/Viewport",
        "/Name": frame.name,
        "/BBox": [box.left, box.bottom, box.right, box.top],
        "/Measure": {
            "/Type": "/Measure",
            "/Subtype": "/GEO",
            "/Bounds": ends,
            "/LPTS": ends,
            "/GPTS": [round(float(place), _DECIMALS) for place in places],
            "/GCS": system,
        },
    }


def _coordinate_system(crs: CRS) -> dict[str, Any] | None:
    """Code and text of a projected CRS."""
    system: dict[str, Any] = {"/Type": "/PROJCS"}
    code = crs.to_authority()
    if code is not None and code[0] == "EPSG":
        system["/EPSG"] = int(code[1])
    for version in ("WKT1_ESRI", "WKT1_GDAL"):
        try:
            system["/WKT"] = crs.to_wkt(version)
        except ProjError:
            continue
        break
    return system if len(system) > 1 else None
