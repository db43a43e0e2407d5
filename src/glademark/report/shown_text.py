"""Text from field files, made fit to be shown on a terminal or in a log."""

import unicodedata
from itertools import pairwise

_JOINERS = "\N{ZERO WIDTH NON-JOINER}\N{ZERO WIDTH JOINER}"  # Persian and Indic words need them
_UNSEEN = {"Cc", "Cf", "Cs", "Zl", "Zp"}  # controls, direction marks, halves of characters, breaks


def shown_text(text: object, *, longest: int = 80) -> str:
    r"""
    A text in which nothing moves the cursor, turns the line or hides.

    Examples
    --------
    >>> print(shown_text("oak\x1b[2J"), shown_text("a long remark", longest=6))
    oak\x1b[2J a l...
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
    return seen if len(seen) <= longest else f"{seen[: longest - 3]}..."
