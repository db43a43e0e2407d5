"""What can still be read of a damaged file: one record after the other, and which are lost."""

import logging
import sqlite3
from contextlib import closing
from dataclasses import dataclass, field
from typing import Any

import shapely

from glademark.errors import FileError
from glademark.intake.formats import geopackage
from glademark.intake.formats.files import FieldFile
from glademark.offline import all_drivers

log = logging.getLogger(__name__)


@dataclass(kw_only=True, slots=True)
class Salvage:
    """
    Records of a damaged file.

    Attributes
    ----------
    crs
        Well-known text, or nothing.
    numbers
        Feature numbers of those that could be read.
    rows
        Their fields.
    shapes
        Their geometries, None where there is none.
    lost
        Feature numbers of those that could not.
    """

    crs: str
    numbers: list[int] = field(default_factory=list)
    rows: list[dict[str, Any]] = field(default_factory=list)
    shapes: list[shapely.Geometry | None] = field(default_factory=list)
    lost: list[int] = field(default_factory=list)


def salvaged(file: FieldFile, layer: str, *, driver: str) -> Salvage:
    """
    Every record that can still be read, one after the other.

    Parameters
    ----------
    file
        One that cannot be read as a whole.
    layer
        Its name.
    driver
        The only one that may open it.

    Returns
    -------
    salvage
        At least one record.

    Raises
    ------
    FileError
        If the file does not open, or no record can be read.
    """
    with all_drivers():
        import fiona  # noqa: PLC0415 - only for damaged files
    from fiona._err import CPLE_BaseError  # noqa: PLC0415 - its base of driver errors has no other home
    from fiona.errors import FionaError  # noqa: PLC0415 - only for damaged files

    broken = (FionaError, CPLE_BaseError, OSError, ValueError, RuntimeError, sqlite3.Error)
    unreadable = (*broken, LookupError, TypeError, AttributeError, shapely.GEOSException)
    msg = f"{file.name}: the {file.format} file is damaged. Export it again."
    try:
        with fiona.open(file.copy, layer=layer, allowed_drivers=[driver]) as source:
            salvage = Salvage(crs=source.crs_wkt)
            for number in _numbers(file, layer, len(source)):
                try:
                    _keep(salvage, source[number], number)
                except unreadable as error:
                    log.debug("%s, feature %d: %s", file.name, number, error)
                    salvage.lost.append(number)
    except broken as error:
        raise FileError(msg) from error
    if not salvage.rows:
        raise FileError(msg)
    return salvage


def _numbers(file: FieldFile, layer: str, count: int) -> list[int]:
    """Feature numbers of a layer: a GeoPackage has them stored, other formats count from 0."""
    if file.format != "GeoPackage":
        return list(range(count))
    with closing(geopackage.connected(file)) as database:
        return geopackage.feature_numbers(database, layer)


def _keep(salvage: Salvage, feature: Any, number: int) -> None:  # noqa: ANN401 - fiona ships no types
    """Enter one record that was read."""
    shape = feature.geometry
    shape = None if shape is None else shapely.force_2d(shapely.geometry.shape(shape))
    salvage.rows.append(dict(feature.properties))
    salvage.shapes.append(shape)
    salvage.numbers.append(number)
