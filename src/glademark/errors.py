"""
What can go wrong, as a small tree.

    GlademarkError
    ├── InputError          the input is refused (exit code 2)
    │   ├── ProjectError    the project file is refused
    │   ├── FileError       a field file cannot be trusted as a whole
    │   └── CrsError        a coordinate system is missing or unfit
    ├── OutputError         the output could not be written (exit code 3)
    ├── UnitError           a text is no quantity of the kind asked for
    └── PluginError         a plug-in does not load or breaks its contract

A record that cannot be used is no error: it is rejected. A broken limit is no error: it is a
result. An interrupt is no error; `changed` says what a run had changed when it came.
"""

from collections.abc import Iterable
from contextvars import ContextVar

NOTHING = "nothing was changed"

_CHANGED: ContextVar[str] = ContextVar("changed", default=NOTHING)


def changed() -> str:
    """What this run has changed so far, in words for whoever interrupts it."""
    return _CHANGED.get()


def tell_changed(words: str) -> None:
    """Say what this run has changed so far, in place of what was said before."""
    _CHANGED.set(words)


class GlademarkError(Exception):
    """Base of every error that the package raises on purpose."""


class InputError(GlademarkError, ValueError):
    """
    The input is refused; every fault that was found is in it.

    Parameters
    ----------
    *faults
        One plain sentence each: what, where, what was expected, what to do.
    stands
        Numbers of the stands on whose account it is, where several are read together.
    """

    def __init__(self, *faults: str, stands: Iterable[int] = ()) -> None:
        super().__init__("\n".join(faults))
        self.faults = faults
        self.stands = frozenset(stands)


class ProjectError(InputError):
    """The project file is refused."""


class FileError(InputError):
    """A field file cannot be trusted as a whole."""


class CrsError(InputError):
    """A coordinate system is missing, or unfit for measuring."""


class OutputError(GlademarkError, OSError):
    """The output could not be written; what stood there before is untouched."""


class UnitError(GlademarkError, ValueError):
    """A text is no quantity of the kind asked for."""


class PluginError(GlademarkError, RuntimeError):
    """A plug-in does not load or breaks its contract."""
