"""
No file from the field makes this program reach for the network.

pyogrio, fiona, rasterio and pyproj each bring a GDAL or PROJ of their own, which reads these
variables from the environment when it is loaded or used. So they are set when the package is
imported, before any of the four.
"""

import os
from collections.abc import Iterator
from contextlib import contextmanager

_SKIPPED = {
    "GDAL_SKIP": ("VRT", "GTI", "STACIT", "STACTA", "HTTP", "WMS", "WMTS", "WCS", "PLMOSAIC"),
    "OGR_SKIP": ("OGR_VRT",),
}
"""Drivers that follow what a data set says to other files or to the network."""

_SET = {
    "PROJ_NETWORK": "OFF",  # or PROJ fetches grids between datums
    "CPL_VSIL_CURL_ALLOWED_FILENAME": "none",  # the one address that GDAL may read
}


def stay_offline() -> None:
    """Tell the libraries, and the processes that this one starts, to keep off the network."""
    for variable, drivers in _SKIPPED.items():
        known = os.environ.get(variable, "").replace(",", " ").split()
        os.environ[variable] = ",".join([*known, *(one for one in drivers if one not in known)])
    os.environ.update(_SET)


@contextmanager
def all_drivers() -> Iterator[None]:
    """Import a library here that lacks some of the drivers, and would complain of it."""
    kept = {variable: os.environ.pop(variable, "") for variable in _SKIPPED}
    try:
        yield
    finally:
        os.environ.update(kept)
