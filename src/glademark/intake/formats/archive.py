"""
Archives: one data set taken out of a zip file, within limits and into a private folder.

Sizes and names in the directory of an archive are claims of whoever made it: bytes are counted as
they are read, and no member decides where it is written.
"""

import lzma
import re
import stat
import struct
import zipfile
import zlib
from collections.abc import Iterable
from pathlib import Path, PurePosixPath

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
