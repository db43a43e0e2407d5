"""Grades with their lengths, as a limit states them."""

import re
from collections.abc import Mapping

from glademark.errors import UnitError
from glademark.units import LENGTH_M, share, to_si

_GRADE = re.compile(r"(?P<grade>.+?)(?:\s+over\s+(?P<length>.+))?")


def stated_grades(text: str) -> Mapping[str, tuple[float, str]]:
    """
    Grades of a limit, each with the length over which it holds.

    Parameters
    ----------
    text
        Such as ``20 % over 30 m``; several are separated by commas. Where no length is named, the
        shortest of ``[terrain] grade_lengths`` is meant.

    Returns
    -------
    grades
        Grade as a fraction of 1 and ``share``, by length in metres as text, empty where none is
        named.

    Examples
    --------
    >>> stated_grades("30 % over 10 m, 20 % over 30 m")
    {'10.0': (0.3, 'share'), '30.0': (0.2, 'share')}
    """
    grades: dict[str, tuple[float, str]] = {}
    for part in text.split(","):
        found = _GRADE.fullmatch(part.strip())
        if found is None:
            msg = f"{text!r} is no grade; expected one such as '20 % over 30 m'"
            raise UnitError(msg)
        length = "" if found["length"] is None else str(to_si(found["length"], LENGTH_M))
        if length in grades or (length and float(length) <= 0):
            msg = f"{text!r}: each grade needs a length of its own, above 0"
            raise UnitError(msg)
        grades[length] = (share(found["grade"]), "share")
    return grades
