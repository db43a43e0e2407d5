"""The one form of message: what is wrong, where, what was expected, what to do."""

import unicodedata
from collections.abc import Iterable, Sequence
from itertools import pairwise

NAMED_MAX = 10
"""Records named in one sentence; the rest is counted."""

TEXT_MAX = 80
"""Characters of a text from a file that are shown."""

_JOINERS = "\N{ZERO WIDTH NON-JOINER}\N{ZERO WIDTH JOINER}"  # Persian and Indic words need them
_UNSEEN = {"Cc", "Cf", "Cs", "Zl", "Zp"}  # controls, direction marks, halves of characters, breaks


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
