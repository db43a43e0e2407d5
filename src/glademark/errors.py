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

import re
from collections.abc import Iterable, Sequence
from contextvars import ContextVar

NOTHING = "nothing was changed"

_CHANGED: ContextVar[str] = ContextVar("changed", default=NOTHING)


def changed() -> str:
    """What this run has changed so far, in words for whoever interrupts it."""
    return _CHANGED.get()


def tell_changed(words: str) -> None:
    """Say what this run has changed so far, in place of what was said before."""
    _CHANGED.set(words)


_VARYING = re.compile(r"'[^']*'|\"[^\"]*\"|\d[\d.,]*\d|\d")
"""What may differ in faults of equal wording: quoted words and numbers."""

_TOLD = 3
"""Faults of equal wording that are told; the rest are counted."""


def grouped_faults(faults: Iterable[str]) -> list[str]:
    """
    Faults of equal wording as one sentence: the first, where the next two differ, how many more.

    Examples
    --------
    >>> grouped_faults(f"row {row}: the size is 'x'. Correct it." for row in range(2, 9))
    ["row 2: the size is 'x'. Correct it. Likewise: 3; 4; and 4 more."]
    """
    alike: dict[str, list[str]] = {}
    for fault in dict.fromkeys(faults):
        alike.setdefault(_VARYING.sub("#", fault), []).append(fault)
    return [
        text
        for same in alike.values()
        for text in (same if len(same) <= _TOLD else [_as_one(same)])
    ]


def _as_one(faults: Sequence[str]) -> str:
    """Many faults of equal wording in one sentence."""
    first, *others = (_VARYING.findall(fault) for fault in faults)
    differing = [
        ", ".join(word for word, before in zip(words, first, strict=True) if word != before)
        for words in others[: _TOLD - 1]
    ]
    end = "" if faults[0].endswith((".", "?", "!")) else "."
    return f"{faults[0]}{end} Likewise: {'; '.join(differing)}; and {len(faults) - _TOLD:,} more."


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
        super().__init__("\n".join(grouped_faults(faults)))
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
