"""
Field files as files: found, told by their first bytes, hashed, and copied before use.

One data set is taken out of a zip file, within limits and into a private folder.

Sizes and names in the directory of an archive are claims of whoever made it: bytes are counted as
they are read, and no member decides where it is written.
"""

import hashlib
import lzma
import os
import re
import shutil
import stat
import struct
import zipfile
import zlib
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import count
from pathlib import Path, PurePosixPath
from typing import Literal

from glademark.errors import FileError, quoted, shown

MEMBERS_MAX = 32
"""Most files in an archive."""

UNPACKED_MAX = 512 * 2**20
"""Most bytes that an archive may unpack to."""

RATIO_MAX = 200
"""Most times that an archive may be larger unpacked than packed."""

RATIO_FREE = 2**20
"""Bytes that may come out of any archive, however well they were packed."""

PARTS_MAX = 2000
"""Most files in a workbook, which is an archive with one or more for each of its sheets."""

_BLOCK = 2**20
_LETTER = re.compile(r"^[A-Za-z]:")
_ENCRYPTED = 0x1
_MAIN = frozenset({
    ".gpkg", ".shp", ".geojson", ".json", ".gpx", ".kml", ".csv", ".tsv", ".tab", ".txt", ".xlsx",
    ".tif", ".tiff",
})  # fmt: skip
_REMARKS = frozenset({".txt"})
_NESTED = frozenset({".zip", ".kmz"})
_BROKEN = (
    zipfile.BadZipFile, zlib.error, lzma.LZMAError, struct.error, EOFError, LookupError,
    OverflowError, RuntimeError, ValueError, OSError,
)  # fmt: skip

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


def taken_out(path: Path, name: str, *, into: Path) -> Path:
    """The one data set of an archive, with its side files, in a private folder."""
    try:
        with zipfile.ZipFile(path) as archive:
            members = _members(archive, name)
            main = _main(members, name)
            stem = PurePosixPath(main.orig_filename).stem
            wanted = _belonging(members, main, stem)
            _copy(archive, wanted, stem, name, into)
    except FileError:
        raise
    except _BROKEN as error:
        raise _damaged(name) from error
    return into / f"data{PurePosixPath(main.orig_filename).suffix.lower()}"


def refuse_unsafe_workbook(path: Path, name: str) -> tuple[str, ...]:
    """Sheets with formulas, after every part was unpacked once to see that it keeps the limits."""
    try:
        with zipfile.ZipFile(path) as archive:
            infos = archive.infolist()
            _refuse_encrypted(infos, name)
            _refuse_many(len(infos), PARTS_MAX, name)
            counter = _Counter(path, name)
            return tuple(
                info.filename for info in infos if _has_formulas(archive, info, counter, name)
            )
    except FileError:
        raise
    except _BROKEN as error:
        raise _damaged(name, what="workbook") from error


class _Counter:
    """Bytes that came out of an archive so far."""

    def __init__(self, path: Path, name: str) -> None:
        self._packed = path.stat().st_size
        self._name = name
        self._unpacked = 0

    def add(self, size: int) -> None:
        """Count more bytes, and stop where they pass a limit."""
        self._unpacked += size
        if self._unpacked > UNPACKED_MAX:
            msg = f"{self._name}: it unpacks to more than {UNPACKED_MAX // 2**20} MiB. Cut it down."
            raise FileError(msg)
        if self._unpacked > max(RATIO_FREE, RATIO_MAX * self._packed):
            msg = (
                f"{self._name}: it unpacks to more than {RATIO_MAX} times its size, as no field "
                "data does. Unpack it yourself if you trust it."
            )
            raise FileError(msg)


def _damaged(name: str, what: str = "archive") -> FileError:
    """One sentence about an archive that cannot be read."""
    msg = f"{name}: the {what} is damaged or cut off. Copy it again."
    return FileError(msg)


def _members(archive: zipfile.ZipFile, name: str) -> list[zipfile.ZipInfo]:
    """Files in the archive, every one of them with a name that stays inside."""
    infos = [info for info in archive.infolist() if not info.is_dir()]
    _refuse_many(len(infos), MEMBERS_MAX, name)
    _refuse_encrypted(infos, name)
    for info in infos:
        _refuse_outside(info, name)
    return [info for info in infos if not _is_litter(info)]


def _refuse_many(members: int, most: int, name: str) -> None:
    """More files than any data set has."""
    if members > most:
        msg = (
            f"{name}: {members:,} files in the archive; at most {most:,} are read. "
            "Pack only the one data set."
        )
        raise FileError(msg)


def _refuse_encrypted(infos: Iterable[zipfile.ZipInfo], name: str) -> None:
    """A password cannot be asked for."""
    if any(info.flag_bits & _ENCRYPTED for info in infos):
        msg = f"{name}: it is protected by a password. Save it without one."
        raise FileError(msg)


def _refuse_outside(info: zipfile.ZipInfo, name: str) -> None:
    """Names that lead elsewhere, and links."""
    member = info.orig_filename
    path = PurePosixPath(member)
    leads_out = path.is_absolute() or ".." in path.parts or "\\" in member or "\0" in member
    if leads_out or _LETTER.match(member) or stat.S_ISLNK(info.external_attr >> 16):
        msg = (
            f"{name}: the member '{shown(member)}' is a link or leads out of the archive, which is "
            "not safe. Pack the files again, without folders."
        )
        raise FileError(msg)


def _is_litter(info: zipfile.ZipInfo) -> bool:
    """What desktop programs leave in archives."""
    path = PurePosixPath(info.orig_filename)
    return path.parts[0] == "__MACOSX" or path.name.startswith(".")


def _main(members: list[zipfile.ZipInfo], name: str) -> zipfile.ZipInfo:
    """The one member that is a data set."""
    ends = [(info, PurePosixPath(info.orig_filename).suffix.lower()) for info in members]
    if any(end in _NESTED for _, end in ends):
        msg = f"{name}: there is an archive in the archive. Unpack it, and name the data set in it."
        raise FileError(msg)
    mains = [(info, end) for info, end in ends if end in _MAIN]
    plain = [pair for pair in mains if pair[1] not in _REMARKS]
    mains = plain or mains
    if len(mains) == 1:
        return mains[0][0]
    if not mains:
        names = quoted([info.orig_filename for info in members][:10])
        msg = f"{name}: there is no data set in the archive, only {names}. Name another file."
        raise FileError(msg)
    names = quoted([info.orig_filename for info, _ in mains][:10])
    msg = (
        f"{name}: there are {len(mains)} data sets in the archive: {names}. Pack each by itself, "
        "or unpack them."
    )
    raise FileError(msg)


def _belonging(
    members: list[zipfile.ZipInfo], main: zipfile.ZipInfo, stem: str
) -> list[zipfile.ZipInfo]:
    """The data set and what has its name, in its folder; of two in other letter case the first."""
    path = PurePosixPath(main.orig_filename)
    suffixes = {path.suffix.lower()}
    wanted = [main]
    for info in members:
        other = PurePosixPath(info.orig_filename)
        suffix = other.name[len(stem) :].lower()
        beside = other.parent == path.parent and other.name.casefold().startswith(stem.casefold())
        if beside and suffix[:1] == "." and suffix not in suffixes:
            suffixes.add(suffix)
            wanted.append(info)
    return wanted


def _copy(
    archive: zipfile.ZipFile, wanted: list[zipfile.ZipInfo], stem: str, name: str, into: Path
) -> None:
    """Write members under plain names of our own."""
    counter = _Counter(Path(str(archive.filename)), name)
    for info in wanted:
        ending = PurePosixPath(info.orig_filename).name[len(stem) :].lower()
        target = into / f"data{re.sub(r'[^a-z0-9.-]', '_', ending)}"
        with archive.open(info) as packed, target.open("xb") as plain:
            while block := packed.read(_BLOCK):
                counter.add(len(block))
                plain.write(block)


def _has_formulas(
    archive: zipfile.ZipFile, info: zipfile.ZipInfo, counter: _Counter, name: str
) -> bool:
    """Whether a part of a workbook holds a formula; a document type declaration is refused."""
    found, tail = False, b""
    with archive.open(info) as packed:
        while block := packed.read(_BLOCK):
            counter.add(len(block))
            text = (tail + block).replace(b"\0", b"")  # UTF-16 as well
            if b"<!DOCTYPE" in text or b"<!ENTITY" in text:
                msg = (
                    f"{name}: the workbook declares entities or a document type, which is not read "
                    "for safety. Save it again with a spreadsheet program."
                )
                raise FileError(msg)
            found = found or re.search(rb"<(?:\w+:)?f[ />]", text) is not None
            tail = text[-16:]
    return found and info.filename.startswith("xl/worksheets/")


@dataclass(frozen=True, kw_only=True, slots=True)
class FieldFile:
    """One input file, ready to be read."""

    input: str  # key in the project file's ``[inputs]``
    name: str  # as the user knows it
    path: Path  # the user's own file; never opened for writing
    copy: Path
    """What is opened: a private copy with its side files, what was taken out of an archive, or
    `path` where the format has none."""
    format: Format  # told by the first bytes
    sha256: str
    """Of the bytes; where there are side files, of the file and of them, in this order; of an
    archive as it is packed."""


class Snapshots:
    """Private copies of input files in a temporary folder, which is there; its maker removes it."""

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
