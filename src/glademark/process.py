"""
What a run does with its process: no network, private folders, standard streams, plug-ins.

No file from the field makes this program reach for the network: pyogrio, fiona, rasterio and pyproj
each bring a GDAL or PROJ of their own, which reads these variables from the environment when it is
loaded or used. So they are set when the package is imported, before any of the four.
"""

import contextlib
import ctypes
import io
import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import cache
from importlib.metadata import EntryPoints, entry_points
from pathlib import Path
from typing import Any

from glademark.errors import OutputError

_SKIPPED = {
    "GDAL_SKIP": ("VRT", "GTI", "STACIT", "STACTA", "HTTP", "WMS", "WMTS", "WCS", "PLMOSAIC"),
    "OGR_SKIP": ("OGR_VRT",),
}
"""Drivers that follow what a data set says to other files or to the network."""

_SET = {
    "PROJ_NETWORK": "OFF",  # or PROJ fetches grids between datums
    "CPL_VSIL_CURL_ALLOWED_FILENAME": "none",  # the one address that GDAL may read
}

_STDOUT = 1

PREFIX = "glademark-"
"""First part of the name of every such folder."""

_LOCK = "glademark-in-use"  # marks a folder as ours; its maker holds a lock on it to its end

_FILES = "files"


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


class _Stream(io.FileIO):
    """A stream that is no terminal; whoever reads it may stop early, and a disk be full."""

    told = False
    """Whether a loss is told, or nobody is left who could be told."""
    _lost = False

    def write(self, content: Any, /) -> int:  # noqa: ANN401 - bytes or a view of them
        """Bytes that were written, or that nobody wants any more."""
        if not self._lost:
            try:
                return super().write(content)
            except OSError as fault:
                self._lost = True
                if self.told and not isinstance(fault, BrokenPipeError):
                    msg = (
                        f"the answer could not be printed: {(fault.strerror or str(fault)).lower()}"
                        ". Files that the command writes are in place"
                    )
                    raise OutputError(msg) from fault
        return len(content)


def open_streams() -> None:
    """Make the standard streams fit for any text, and for being closed, full or read in part."""
    for name in ("stdin", "stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:  # closed: the next file that is opened would take its place
            setattr(sys, name, open(os.devnull, "r+", encoding="utf-8"))  # noqa: SIM115, PTH123 - for the whole run
        elif name != "stdin" and isinstance(stream, io.TextIOWrapper):
            if stream is getattr(sys, f"__{name}__") and not stream.isatty():
                raw = _Stream(stream.fileno(), "w", closefd=False)
                raw.told = name == "stdout"
                stream = io.TextIOWrapper(
                    io.BufferedWriter(raw), encoding=stream.encoding, line_buffering=not raw.told
                )
                setattr(sys, name, stream)
            stream.reconfigure(errors="backslashreplace")


@contextlib.contextmanager
def without_native_lines() -> Iterator[None]:
    """Standard output without what a library in C prints past Python."""
    library = ctypes.CDLL(None if os.name == "posix" else "ucrtbase")
    library.fflush(None)  # what others wrote before
    try:
        kept = os.dup(_STDOUT)
    except OSError:  # closed: nothing can be printed
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, _STDOUT)
        yield
        library.fflush(None)
    finally:
        os.dup2(kept, _STDOUT)
        os.close(kept)
        os.close(nowhere)


@contextmanager
def temporary_folder(home: Path | None = None, *, prefix: str = PREFIX) -> Iterator[Path]:
    """A new folder in another (the system's for temporary files), gone at the end of the block."""
    place = Path(tempfile.gettempdir()) if home is None else home
    _clear_left(place, prefix)
    folder = Path(tempfile.mkdtemp(prefix=prefix, dir=place))
    handle = None
    try:
        handle = _locked(folder)
        (folder / _FILES).mkdir()
        yield folder / _FILES
    finally:
        _remove(folder)
        if handle is not None:
            os.close(handle)


def _remove(folder: Path) -> None:
    """Remove a folder of ours, its marker last: a kill meanwhile leaves it to the next run."""
    for part in (folder / _FILES, folder):
        shutil.rmtree(part, ignore_errors=True)


def _locked(folder: Path) -> int | None:
    """Handle of the lock of a new folder of ours; None where the system has none."""
    if sys.platform == "win32":
        return None
    draft = folder / f"{_LOCK}.draft"
    handle = os.open(draft, os.O_CREAT | os.O_RDWR, 0o600)
    if not _lock(handle):
        os.close(handle)
        return None
    draft.replace(folder / _LOCK)  # nobody ever sees the marker without the lock
    return handle


def _lock(handle: int) -> bool:
    """Whether a file could be locked; the lock ends with the process."""
    import fcntl  # noqa: PLC0415 - there is none on Windows

    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:  # held by another process, or a disk without locks
        return False
    return True


def _clear_left(home: Path, prefix: str) -> None:
    """Remove folders of ours whose makers have ended without removing them."""
    if sys.platform == "win32":
        return
    with suppress(OSError), os.scandir(home) as entries:
        for entry in entries:
            if entry.name.startswith(prefix) and entry.is_dir(follow_symlinks=False):
                _clear_if_left(Path(entry.path))


def _clear_if_left(folder: Path) -> None:
    """Remove a folder that is this user's and carries our marker, if nobody holds its lock."""
    with suppress(OSError):
        if folder.lstat().st_uid != os.getuid():
            return
        handle = os.open(folder / _LOCK, os.O_RDWR | os.O_NOFOLLOW)
        try:
            if _lock(handle):
                _remove(folder)
        finally:
            os.close(handle)


def registered(group: str) -> EntryPoints:
    """Entry points of a group."""
    return _every().select(group=group)


@cache
def _every() -> EntryPoints:
    """All of them: each look goes through the metadata of every installed package."""
    every: EntryPoints = entry_points()  # type: ignore[assignment] # as Python 3.11 has it
    return every
