"""Records that came twice: of one marker, with one number and one time."""

import pandas as pd

from glademark.intake.records import Ledger
from glademark.intake.wording import counted, listed

_KEY = ["marker", "tree_id"]
_NOT_CONTENT = frozenset({"source_file", "record", "inside"})


def repeated(marks: pd.DataFrame) -> pd.Series:
    """
    Marks that are a repeat of one that is kept.

    A numbered record with a time repeats another with the same marker, number and time; one without
    a time repeats another that is equal in everything, position included. Of records that repeat
    each other, the one that comes first by its content is kept, so that the order of rows changes
    nothing.

    Parameters
    ----------
    marks
        With `marker`, `tree_id`, `time`, all other columns, and the position as columns.

    Returns
    -------
    repeated
        Boolean, on the index of `marks`.
    """
    numbered = marks["tree_id"] != ""
    timed = marks["time"] != ""
    content = [name for name in marks.columns if name not in _NOT_CONTENT]
    result = pd.Series(data=False, index=marks.index)
    by_time = marks[numbered & timed]
    by_time = by_time[by_time.duplicated([*_KEY, "time"], keep=False)]
    if len(by_time):
        order = by_time.sort_values(content, kind="stable")
        result.loc[order.index[order.duplicated([*_KEY, "time"])]] = True
    alike = marks[numbered & ~timed]
    alike = alike[alike.duplicated(_KEY, keep=False)]
    if len(alike):
        result.loc[alike.index[alike.duplicated(content)]] = True
    return result


def note_near_repeats(marks: pd.DataFrame, ledger: Ledger) -> None:
    """
    Say so where numbers are used twice, or rows without a number are equal; all are kept.

    Parameters
    ----------
    marks
        Without repeats.
    ledger
        For the notices.
    """
    numbered = marks["tree_id"] != ""
    twice = numbered & marks.duplicated(_KEY, keep=False)
    if twice.any():
        names = listed(marks["tree_id"][twice].unique())
        ledger.notice(
            f"{counted(int(twice.sum()), 'mark')} with the number of another of the same marker, "
            f"but different from it, kept: {names}. Check that no tree was recorded twice."
        )
    content = [name for name in marks.columns if name not in _NOT_CONTENT]
    unnumbered = marks[~numbered]
    equal = unnumbered.duplicated(content, keep=False)
    if equal.any():
        ledger.notice(
            f"{counted(int(equal.sum()), 'mark')} without a number, equal to another in "
            "everything, kept as trees at one position."
        )
