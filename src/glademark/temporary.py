"""Private folders that go at the end of a run; those of killed runs go with the next one."""

import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

PREFIX = "glademark-"
"""First part of the name of every such folder."""

_LOCK = "glademark-in-use"  # marks a folder as ours; its maker holds a lock on it to its end
_FILES = "files"


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
