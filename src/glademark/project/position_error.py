"""
Position errors as they are stated, brought to the horizontal root mean square error.

A statement names its measure: ``4 m`` or ``4 m RMSE``, ``6.9 m 95 %`` (the national standard's
accuracy, CE95), ``6 m CE90``, ``3.3 m CEP``. The conversions are those of a circular normal error.

References
----------
Federal Geographic Data Committee 1998, National Standard for Spatial Data Accuracy,
FGDC-STD-007.3-1998, appendix 3-A.
"""

import math
import re
from collections.abc import Mapping
from types import MappingProxyType

from glademark.units import LENGTH_M, QUANTITY_MAX, to_si

SHARE_HELD: Mapping[str, float] = MappingProxyType(
    {"rmse": 1 - math.exp(-1), "cep": 0.5, "ce90": 0.9, "ce95": 0.95}
)
"""Share of the fixes inside the circle whose radius is stated, by the name of the measure."""

_NAMES = {"95 %": "ce95", "95%": "ce95", "nssda": "ce95", "90 %": "ce90", "90%": "ce90"}
_STATED = re.compile(r"(.*?)\s*(rmse|cep|ce90|ce95|nssda|9[05] ?%)?\s*", re.IGNORECASE)


def stated_error_m(text: str) -> float:
    """
    Horizontal root mean square error behind a statement.

    Parameters
    ----------
    text
        A length, with the name of its measure behind it where it is not the root mean square.

    Returns
    -------
    error
        In metres.

    Raises
    ------
    UnitError
        If there is no length.

    Examples
    --------
    >>> stated_error_m("4 m"), round(stated_error_m("6.9233 m 95 %"), 3)
    (4.0, 4.0)
    """
    found = _STATED.fullmatch(text) if len(text) <= QUANTITY_MAX else None
    length, name = found.groups() if found else (text, None)
    measure = (name or "rmse").casefold()
    return to_si(length, LENGTH_M) * error_per_radius(_NAMES.get(measure, measure))


def error_per_radius(measure: str) -> float:
    """
    Root mean square error over the stated radius.

    Parameters
    ----------
    measure
        A key of `SHARE_HELD`.

    Returns
    -------
    factor
        1 for the error itself.

    Examples
    --------
    >>> round(error_per_radius("cep"), 4)
    1.2011
    """
    return 1 / math.sqrt(-math.log1p(-SHARE_HELD[measure]))
