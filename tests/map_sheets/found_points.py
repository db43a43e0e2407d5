"""
Run by the system's Python, which has GDAL: where red dots lie on a page of a georeferenced PDF.

Arguments: file, page number, resolution. Prints one line with the coordinate system's authority
code and one line for each dot: x, y in the file's coordinate system.
"""

import sys

import numpy as np
from osgeo import gdal

gdal.UseExceptions()
LEAST_PIXELS = 4


def dots(bands: np.ndarray) -> list[tuple[float, float]]:
    """Columns and rows of the middles of the red dots."""
    red, green, blue = bands.astype(int)
    found = (red > 225) & (green < 60) & (blue < 60)
    waiting = set(zip(*np.nonzero(found), strict=True))
    middles = []
    while waiting:
        dot, edge = [], [waiting.pop()]
        while edge:
            row, column = edge.pop()
            dot.append((row, column))
            near = {(row + i, column + j) for i in (-1, 0, 1) for j in (-1, 0, 1)} & waiting
            waiting -= near
            edge.extend(near)
        if len(dot) >= LEAST_PIXELS:
            rows, columns = np.mean(dot, axis=0)
            middles.append((columns + 0.5, rows + 0.5))
    return middles


def main(file: str, page: str, dpi: str) -> None:
    """Print what is found."""
    data = gdal.OpenEx(f"PDF:{page}:{file}", open_options=[f"DPI={dpi}"])
    reference = data.GetSpatialRef()
    lines = [reference.GetAuthorityCode(None) if reference else "none"]
    turn = data.GetGeoTransform()
    for column, row in dots(data.ReadAsArray()[:3]):
        lines.append("{} {}".format(*gdal.ApplyGeoTransform(turn, column, row)))
    sys.stdout.write("\n".join(lines) + "\n")


main(*sys.argv[1:])
