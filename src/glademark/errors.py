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
result. An interrupt is no error; `changed` says what a run had changed when it came. A message says
what is wrong, where, what was expected and what to do.
"""

import re
import unicodedata
from collections.abc import Iterable, Sequence
from contextvars import ContextVar
from itertools import pairwise

NOTHING = "nothing was changed"

_CHANGED: ContextVar[str] = ContextVar("changed", default=NOTHING)

_VARYING = re.compile(r"'[^']*'|\"[^\"]*\"|\d[\d.,]*\d|\d")
"""What may differ in faults of equal wording: quoted words and numbers."""

_TOLD = 3
"""Faults of equal wording that are told; the rest are counted."""

NAMED_MAX = 10
"""Records named in one sentence; the rest is counted."""

TEXT_MAX = 80
"""Characters of a text from a file that are shown."""

_JOINERS = "\N{ZERO WIDTH NON-JOINER}\N{ZERO WIDTH JOINER}"  # Persian and Indic words need them

_UNSEEN = {"Cc", "Cf", "Cs", "Zl", "Zp"}  # controls, direction marks, halves of characters, breaks


def changed() -> str:
    """What this run has changed so far, in words for whoever interrupts it."""
    return _CHANGED.get()


def tell_changed(words: str) -> None:
    """Say what this run has changed so far, in place of what was said before."""
    _CHANGED.set(words)


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


def shown(text: object, *, longest: int = TEXT_MAX) -> str:
    r"""
    Text from a file, fit for terminal, log and paper: nothing moves the cursor, turns or hides.

    Examples
    --------
    >>> print(shown("oak\x1b[2J"), shown("a long remark", longest=6))
    oak\x1b[2J a lon…
    """
    plain = str(text)
    seen = (
        plain
        if plain.isprintable()
        else "".join(
            letter.encode("unicode_escape").decode("ascii")
            if unicodedata.category(letter) in _UNSEEN
            and not (letter in _JOINERS and unicodedata.category(before) in {"Lo", "Mn", "Mc"})
            else letter
            for before, letter in pairwise(f" {plain}")
        )
    )
    return seen if len(seen) <= longest else f"{seen[: longest - 1]}…"


def listed(names: Iterable[object], *, between: str = ", ") -> str:
    """
    Up to ten names, separated by commas if not told otherwise, and how many more there are.

    Examples
    --------
    >>> listed(range(1, 13))
    '1, 2, 3, 4, 5, 6, 7, 8, 9, 10 and 2 more'
    """
    every = list(names)
    text = between.join(shown(name) for name in every[:NAMED_MAX])
    more = len(every) - NAMED_MAX
    return f"{text} and {more:,} more" if more > 0 else text


def counted(number: int, noun: str) -> str:
    """
    A number with its noun in the right form.

    Examples
    --------
    >>> counted(1, "mark"), counted(1200, "mark")
    ('1 mark', '1,200 marks')
    """
    return f"{number:,} {noun if number == 1 else noun + 's'}"


def quoted(names: Sequence[object]) -> str:
    """
    Names in quotes, separated by commas.

    Examples
    --------
    >>> quoted(["DBH", "spp"])
    "'DBH', 'spp'"
    """
    return ", ".join(f"'{shown(name)}'" for name in names) or "none"
