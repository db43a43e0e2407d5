"""Days on which trees were marked, as far as their times say so."""

import re
from datetime import date

import pandas as pd

_DAY = re.compile(r"\s*(\d{4}-\d{2}-\d{2})(?:[T ].*)?")


def marking_days(marks: pd.DataFrame) -> tuple[str, ...]:
    """
    Days of the marks whose times are written in the order of ISO 8601.

    Parameters
    ----------
    marks
        With or without a column `time`.

    Returns
    -------
    days
        Such as ``2025-10-07``, from the first on; none where no mark has such a time.

    Examples
    --------
    >>> marking_days(pd.DataFrame({"time": ["2025-10-06 08:06", "7/10/25", "2025-13-01"]}))
    ('2025-10-06',)
    """
    times = marks["time"].astype("str").unique() if "time" in marks else ()
    days = {found[1] for text in times if (found := _DAY.fullmatch(text))}
    return tuple(sorted(day for day in days if _is_day(day)))


def _is_day(text: str) -> bool:
    """Whether the calendar has such a day."""
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True
