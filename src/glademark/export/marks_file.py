"""The marks file that results from the advice; what the user gave is never written over."""

import os
from collections.abc import Iterable
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio
from pyogrio.errors import DataLayerError, DataSourceError

from glademark.errors import OutputError, tell_changed
from glademark.temporary import temporary_folder

FORMATS = (".csv", ".gpkg", ".geojson")
"""Endings of a file of marks that can be written."""

_DRIVERS = {".gpkg": "GPKG", ".geojson": "GeoJSON"}


def refuse_marks_file(path: Path, *, inputs: Iterable[Path]) -> None:
    """
    Refuse a name under which no marks file may be written.

    Parameters
    ----------
    path
        Of the file to come.
    inputs
        Files of the project, which stay as they are.

    Raises
    ------
    OutputError
        If the ending is no format of marks, or the file is an input.
    """
    if path.suffix.casefold() not in FORMATS:
        msg = f"{path}: marks are written as {', '.join(FORMATS)}. Choose a name that ends so"
        raise OutputError(msg)
    here = Path(os.path.abspath(path))  # noqa: PTH100 - resolve() would follow links
    for other in inputs:
        same = path.exists() and other.exists() and path.samefile(other)
        if same or here == Path(os.path.abspath(other)):  # noqa: PTH100 - the same
            msg = (
                f"{path} is an input of this project and would be overwritten. Choose another name"
            )
            raise OutputError(msg)
    if path.is_dir():
        msg = f"{path} is a folder; expected the name of a file. Choose another name"
        raise OutputError(msg)


def write_marks_file(marks: gpd.GeoDataFrame, path: Path) -> None:
    """
    Write marks into a file, whole or not at all.

    Parameters
    ----------
    marks
        Rows as `glademark.intake.marks_again.marks_again` gives them: with columns of longitude and
        latitude for CSV, else by their geometry.
    path
        One of `FORMATS`.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    suffix = path.suffix.casefold()
    try:
        with temporary_folder(path.parent, prefix=".marks-") as folder:
            draft = folder / f"marks{suffix}"
            if suffix == ".csv":
                table = pd.DataFrame(marks.drop(columns="geometry"))
                table.to_csv(draft, index=False, lineterminator="\n", encoding="utf-8")
            else:
                shaped = marks.to_crs("EPSG:4326") if suffix == ".geojson" else marks
                options = {"COORDINATE_PRECISION": "12"} if suffix == ".geojson" else {}
                pyogrio.write_dataframe(
                    shaped, draft, layer="marks", driver=_DRIVERS[suffix], **options
                )
            draft.replace(path)
            tell_changed(f"all files had been written, {path} among them")
    except (OSError, DataSourceError, DataLayerError) as error:
        msg = f"{path} cannot be written. Check the folder and the space on its disk"
        raise OutputError(msg) from error
