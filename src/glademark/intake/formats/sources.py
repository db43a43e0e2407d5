"""
One input, whatever its format, as records.

To add a format: tell it by its first bytes in `files`, read it into a `Reading`, and name it here.
"""

from collections.abc import Sequence
from dataclasses import replace

from glademark.errors import FileError
from glademark.intake.columns.meanings import Meaning
from glademark.intake.formats.delimited import read_delimited
from glademark.intake.formats.files import FieldFile
from glademark.intake.formats.geoparquet import read_geoparquet
from glademark.intake.formats.gpx import Want, read_gpx
from glademark.intake.formats.kml import read_kml
from glademark.intake.formats.spreadsheet import read_spreadsheet
from glademark.intake.formats.vector import read_vector
from glademark.intake.records import Reading
from glademark.project.model import Source


def read_source(
    file: FieldFile, source: Source, meanings: Sequence[Meaning], *, want: Want = "points"
) -> Reading:
    """
    Records of one input, as they stand in the file.

    Where a format holds points and lines side by side, those that are wanted are taken. A file that
    is damaged, or of a format without records, is a `FileError`.
    """
    return replace(_records(file, source, meanings, want=want), layer=source.layer or "")


def _records(
    file: FieldFile, source: Source, meanings: Sequence[Meaning], *, want: Want
) -> Reading:
    """Records of a file of any format."""
    if file.format == "text":
        return read_delimited(file, meanings)
    if file.format == "GPX":
        return read_gpx(file, meanings, want=want)
    if file.format == "KML":
        return read_kml(file, meanings, want=want, layer=source.layer)
    if file.format == "workbook":
        return read_spreadsheet(file, meanings, sheet=source.layer)
    if file.format == "GeoParquet":
        return read_geoparquet(file)
    if file.format == "GeoTIFF":
        msg = (
            f"{file.name}: this is a raster, which can only be the terrain. Name a layer with "
            "features."
        )
        raise FileError(msg)
    return read_vector(file, layer=source.layer)


def read_table(file: FieldFile, source: Source, meanings: Sequence[Meaning]) -> Reading:
    """Records of a CSV, TSV, workbook (its layer is a sheet) or Parquet file without positions."""
    if file.format == "workbook":
        return read_spreadsheet(file, meanings, sheet=source.layer)
    if file.format == "GeoParquet":
        return read_geoparquet(file)
    if file.format != "text":
        msg = (
            f"{file.name}: a table is expected here, and this is {file.format}. "
            "Save the table as CSV or as a workbook."
        )
        raise FileError(msg)
    return read_delimited(file, meanings)
