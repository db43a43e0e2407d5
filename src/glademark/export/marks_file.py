"""The marks file that results from the advice; what the user gave is never written over."""

import hashlib
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

NOTE = "applied.sha256"
"""Digests of the marks files that were written, in the folder of the advice."""

_DRIVERS = {".gpkg": "GPKG", ".geojson": "GeoJSON"}


def refuse_marks_file(path: Path, *, inputs: Iterable[Path], out: Path) -> None:
    """Refuse a name that is no marks file, or a file that is not as we wrote it."""
    if path.suffix.casefold() not in FORMATS:
        msg = f"{path}: marks are written as {', '.join(FORMATS)}. Choose a name that ends so"
        raise OutputError(msg)
    here = Path(os.path.abspath(path))  # noqa: PTH100 - resolve() would follow links
    try:
        same = any(
            here == Path(os.path.abspath(other))  # noqa: PTH100 - the same
            or (path.exists() and other.exists() and path.samefile(other))
            for other in inputs
        )
        there = os.path.lexists(path) and not _is_own(path, out)
    except OSError as error:
        msg = f"{path} cannot be written: {(error.strerror or str(error)).lower()}"
        raise OutputError(msg) from error
    if same:
        msg = f"{path} is an input of this project and would be overwritten. Choose another name"
        raise OutputError(msg)
    if there:
        msg = (
            f"{path} is there already, and is not as an earlier --apply into {out} wrote it. "
            "Choose another name, or move it away"
        )
        raise OutputError(msg)


def _is_own(path: Path, out: Path) -> bool:
    """Whether a file is, byte for byte, one that an earlier advice into a folder noted."""
    return path.is_file() and _digest(path) in _noted(out)


def _noted(out: Path) -> list[str]:
    """Digests of the marks files of earlier advice."""
    note = out / NOTE
    if not note.is_file():
        return []
    lines = note.read_text(encoding="utf-8", errors="replace").splitlines()
    return [line.partition(" ")[0] for line in lines]


def _digest(path: Path) -> str:
    """SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def write_marks_file(marks: gpd.GeoDataFrame, path: Path, *, out: Path) -> None:
    """Write rows of `marks_again` into a file, whole or not at all, and note it in the folder."""
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
            if (digest := _digest(draft)) not in _noted(out):
                with (out / NOTE).open("a", encoding="utf-8") as note:
                    note.write(f"{digest}  {path.name}\n")
            draft.replace(path)
            tell_changed(f"all files had been written, {path} among them")
    except (OSError, DataSourceError, DataLayerError) as error:
        msg = f"{path} cannot be written. Check the folder and the space on its disk"
        raise OutputError(msg) from error
