"""The one form of message: what is wrong, where, what was expected, what to do."""

import re
from collections.abc import Iterable, Sequence

NAMED_MAX = 10
"""Records named in one sentence; the rest is counted."""

TEXT_MAX = 80
"""Characters of a text from a file that are shown."""

# C0, DEL, C1, soft hyphen, zero-width and bidirectional controls, line separators, byte order mark.
_UNPRINTABLE = re.compile(
    "[\x00-\x1f\x7f-\x9f\xad\u061c\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufff9-\ufffb]"
)


def shown(text: object) -> str:
    r"""
    Text from a file, fit for a terminal: control characters escaped, cut at 80 characters.

    Examples
    --------
    >>> shown("red\x1b[2J")
    'red\\x1b[2J'
    """
    plain = _UNPRINTABLE.sub(_escaped, str(text)[: 2 * TEXT_MAX])
    return plain if len(plain) <= TEXT_MAX else plain[: TEXT_MAX - 1] + "…"


def _escaped(found: re.Match[str]) -> str:
    """Visible form of one control character."""
    code = ord(found[0])
    return f"\\x{code:02x}" if code <= 0xFF else f"\\u{code:04x}"  # noqa: PLR2004 - two hex digits


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
