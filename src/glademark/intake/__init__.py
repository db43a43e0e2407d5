"""
Field files in, one Survey out.

GDAL can be made to follow a "virtual" data set to other files and to the network, whatever the
name of the file. Its drivers are listed when the first of pyogrio, fiona and rasterio is imported,
and each of them brings a GDAL of its own that reads these two variables then. So they are set here,
before any module of this folder is loaded; what the user has set stays.
"""

import os


def _skip_driver(variable: str, driver: str) -> None:
    """Add a driver to the list of those that GDAL leaves out."""
    skipped = os.environ.get(variable, "").replace(",", " ").split()
    if driver not in skipped:
        os.environ[variable] = " ".join([*skipped, driver])


_skip_driver("GDAL_SKIP", "VRT")
_skip_driver("OGR_SKIP", "OGR_VRT")
