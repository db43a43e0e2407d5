"""Field files as files: found, told by their first bytes, hashed, and copied before use."""

import hashlib
import os
import re
import shutil
import stat
import zipfile
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from typing import Literal

from glademark.errors import FileError, shown
from glademark.intake.formats.archive import taken_out

Format = Literal[
    "GeoPackage",
    "Shapefile",
    "GeoJSON",
    "GPX",
    "KML",
    "text",
    "workbook",
    "GeoTIFF",
    "GeoParquet",
]

SIZE_MAX = 512 * 2**20
"""Largest input file [bytes]."""

_HEAD = 4096
_SIDE_FILES = {
    "GeoPackage": ("-wal", "-journal"),
    "Shapefile": (".shx", ".dbf", ".prj", ".cpg"),
}
_TEXT_SUFFIXES = frozenset({".csv", ".tsv", ".txt", ".tab"})
_NETWORK = re.compile(r"^/?vsi|^[A-Za-z][A-Za-z0-9+.-]+:/")
_SHAPEFILE_CODE = b"\x00\x00\x27\x0a"
_UTF16_MARKS = (b"\xff\xfe", b"\xfe\xff")
_ARCHIVE = b"PK\x03\x04"
_WORKBOOK_PART = b"xl/workbook.xml"
_DIRECTORY = 2**18  # bytes at the end of a zip file that hold its directory
_KINDS_TO_REFUSE = (
    (re.compile(rb"^\xd0\xcf\x11\xe0"), "an old workbook", "save it as CSV"),
    (re.compile(rb"^%PDF"), "a PDF document", "use the data that it was made from"),
    (re.compile(rb"^\x89PNG|^\xff\xd8\xff"), "a picture", "use the data that it was made from"),
    (
        re.compile(rb"^\s*(?:<!doctype\s+html|<html)", re.IGNORECASE),
        "a web page, perhaps a log-in page saved by mistake",
        "download the file again",
    ),
    (re.compile(rb"<(?:OGRVRTDataSource|VRTDataset)"), "a virtual data set", "name the file"),
)  # fmt: skip


@dataclass(frozen=True, kw_only=True, slots=True)
class FieldFile:
    """
    One input file, ready to be read.

    Attributes
    ----------
    input
        Key in the project file's ``[inputs]``.
    name
        As the user knows it.
    path
        The user's own file; never opened for writing.
    copy
        What is opened: a private copy with its side files, what was taken out of an archive, or
        `path` where the format has none.
    format
        Told by the first bytes.
    sha256
        Of the bytes; where there are side files, of the file and of them, in this order; of an
        archive as it is packed.
    """

    input: str
    name: str
    path: Path
    copy: Path
    format: Format
    sha256: str


class Snapshots:
    """
    Private copies of input files in one temporary folder.

    Parameters
    ----------
    folder
        Exists, and is removed by the one who made it.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._number = count(1)

    def take(self, key: str, path: Path, *, folder: Path) -> FieldFile:
        """Copy of one file, told by its first bytes and hashed."""
        name = _name(path, folder)
        if parts := _partitions(folder / path):
            return _partitioned(key, folder / path, name, parts)
        whole = _regular_file(folder / path, name)
        if _is_archive(whole, name):
            return self._unpacked(key, whole, name)
        form = _format(whole, name)
        parts = [whole, *_side_files(whole, form)]
        try:
            copy = self._copied(parts) if form in {*_SIDE_FILES, "GeoJSON"} else whole
            sha256 = sha256_of([copy, *_side_files(copy, form)])
        except OSError as error:
            raise _unreadable(name, error) from error
        return FieldFile(input=key, name=name, path=whole, copy=copy, format=form, sha256=sha256)

    def _unpacked(self, key: str, whole: Path, name: str) -> FieldFile:
        """The one data set of an archive."""
        place = self._folder / f"archive_{next(self._number)}"
        place.mkdir()
        main = taken_out(whole, name, into=place)
        form: Format = "workbook" if _is_workbook(main) else _format(main, name)
        sha256 = sha256_of([whole])
        return FieldFile(input=key, name=name, path=whole, copy=main, format=form, sha256=sha256)

    def _copied(self, parts: list[Path]) -> Path:
        """Copies under one plain name: GDAL takes some characters of a path for its own."""
        target = self._folder / f"input_{next(self._number)}"
        stem = parts[0].stem if parts[0].suffix else parts[0].name
        for part in parts:
            shutil.copyfile(part, f"{target}{part.name[len(stem) :].lower()}")
        return Path(f"{target}{parts[0].name[len(stem) :].lower()}")


def _partitions(path: Path) -> list[Path]:
    """Files of a folder of Parquet files; none where it is no such folder."""
    if path.suffix.lower() != ".parquet" or not os.path.isdir(path):  # noqa: PTH112 - is_dir() raises
        return []
    return sorted(path.rglob("*.parquet"))


def _partitioned(key: str, path: Path, name: str, parts: list[Path]) -> FieldFile:
    """A folder of files that are read as one."""
    for part in parts:
        _regular_file(part, f"{name}/{shown(part.relative_to(path).as_posix())}")
    digest = sha256_of(parts)
    whole = path.resolve()
    return FieldFile(
        input=key, name=name, path=whole, copy=whole, format="GeoParquet", sha256=digest
    )


def _name(path: Path, folder: Path) -> str:
    """Path as the user typed it, or nearly so."""
    for start in (folder, folder.resolve()):  # the folder may be reached through a link
        if path.is_absolute() and path.is_relative_to(start):
            path = path.relative_to(start)
    return shown(path.as_posix())


def _unreadable(name: str, error: OSError) -> FileError:
    """One sentence for what the operating system says."""
    reasons = {
        FileNotFoundError: "no such file. Correct the path in [inputs]; it starts at the project "
        "file.",
        PermissionError: "the file may not be read. Close the program that holds it, or change its "
        "rights.",
    }  # fmt: skip
    why = reasons.get(type(error), f"the file cannot be read ({error.strerror or error}).")
    msg = f"{name}: {why}"
    return FileError(msg)


def _regular_file(path: Path, name: str) -> Path:
    """Refuse what is no plain local file, before anything opens it: a pipe would wait for ever."""
    if _NETWORK.match(path.as_posix()) or _NETWORK.match(name):
        msg = f"{name}: only local files are read. Save it on this computer and name it there."
        raise FileError(msg)
    try:
        found = path.stat()
    except OSError as error:
        raise _unreadable(name, error) from error
    except (RuntimeError, ValueError) as error:
        msg = f"{name}: not a path to a file. Correct it in [inputs]."
        raise FileError(msg) from error
    problems = (
        (stat.S_ISDIR(found.st_mode), "is a folder. Name the file in it."),
        (not stat.S_ISREG(found.st_mode), "is no plain file. Copy the data to a file."),
        (found.st_size == 0, "is empty. Export it again."),
        (found.st_size > SIZE_MAX, f"is larger than {SIZE_MAX // 2**20} MiB. Cut it to the stand."),
    )
    for applies, what in problems:
        if applies:
            msg = f"{name}: {what}"
            raise FileError(msg)
    return path.resolve()


def _is_archive(path: Path, name: str) -> bool:
    """Whether it is a zip file with a data set in it; a workbook is one too, but read as it is."""
    try:
        with path.open("rb") as file:
            return file.read(len(_ARCHIVE)) == _ARCHIVE and not _is_workbook(path)
    except OSError as error:
        raise _unreadable(name, error) from error


def _is_workbook(path: Path) -> bool:
    """Whether a zip file holds the parts of a workbook, whatever its name."""
    if path.suffix.lower() in {".xlsx", ".xlsm"}:
        with path.open("rb") as file:
            return file.read(len(_ARCHIVE)) == _ARCHIVE
    if not zipfile.is_zipfile(path):
        return False
    with path.open("rb") as file:
        file.seek(max(0, path.stat().st_size - _DIRECTORY))
        return _WORKBOOK_PART in file.read()


def _format(path: Path, name: str) -> Format:
    """Format by the first bytes; the ending decides only between kinds of plain text."""
    try:
        with path.open("rb") as file:
            head = file.read(_HEAD)
    except OSError as error:
        raise _unreadable(name, error) from error
    form = "workbook" if head.startswith(_ARCHIVE) else _binary_format(head)
    if form is not None:
        return form
    for pattern, what, mend in _KINDS_TO_REFUSE:
        if pattern.search(head):
            msg = f"{name}: this is {what}, not field data in a known format. Please {mend}."
            raise FileError(msg)
    form = _text_format(head, path.suffix.lower())
    if form is None:
        msg = (
            f"{name}: the format is not known. Expected GeoPackage, Shapefile, GeoJSON, GPX, KML, "
            "CSV, a workbook (.xlsx) or (terrain) GeoTIFF; save it as one of these."
        )
        raise FileError(msg)
    return form


def _binary_format(head: bytes) -> Format | None:
    """Format by its magic number."""
    magic: tuple[tuple[tuple[bytes, ...], Format], ...] = (
        ((b"SQLite format 3\x00",), "GeoPackage"),
        ((_SHAPEFILE_CODE,), "Shapefile"),
        ((b"PAR1",), "GeoParquet"),
        ((b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+"), "GeoTIFF"),
    )
    return next((form for starts, form in magic if head.startswith(starts)), None)


def _text_format(head: bytes, suffix: str) -> Format | None:
    """Kind of plain text: GPX, KML, GeoJSON, or rows and columns."""
    start = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    if re.search(rb"<(?:\w+:)?gpx[\s>]", head) or (suffix == ".gpx" and start.startswith(b"<")):
        return "GPX"
    if re.search(rb"<(?:\w+:)?kml[\s>]", head) or (suffix == ".kml" and start.startswith(b"<")):
        return "KML"
    if suffix in _TEXT_SUFFIXES:
        return "text"
    if start[:1] in {b"{", b"["}:
        return "GeoJSON"
    return "text" if head.startswith(_UTF16_MARKS) else None


def _side_files(path: Path, form: Format) -> list[Path]:
    """Files that belong to a file, in any letter case, in the order of their endings."""
    endings = _SIDE_FILES.get(form, ())
    if not endings:
        return []
    base = path.name if form == "GeoPackage" else path.stem
    exact = {entry.name: entry for entry in sorted(path.parent.iterdir(), reverse=True)}
    beside = {name.casefold(): entry for name, entry in exact.items()}
    wanted = [base + ending for ending in endings]
    found = [exact.get(name, beside.get(name.casefold())) for name in wanted]
    return [entry for entry in found if entry is not None]


def sha256_of(parts: list[Path]) -> str:
    """Digest of the bytes of all parts, one after the other."""
    digest = hashlib.sha256()
    for part in parts:
        with part.open("rb") as file:
            while block := file.read(2**20):
                digest.update(block)
    return digest.hexdigest()
