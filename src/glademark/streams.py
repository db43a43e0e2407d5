"""The standard streams: whatever they are tied to, a run is neither lost nor garbled by it."""

import contextlib
import ctypes
import io
import os
import sys
from collections.abc import Iterator
from typing import Any

from glademark.errors import OutputError

_STDOUT = 1


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
