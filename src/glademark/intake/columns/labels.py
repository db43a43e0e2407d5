"""Labels under which trees are shown: unique in their stand, though markers number alike."""

from itertools import count, product
from string import ascii_uppercase

import numpy as np
import numpy.typing as npt
import pandas as pd

from glademark.contracts.frames import STAND
from glademark.intake.record_log import RecordLog
from glademark.wording import listed

MARKER_MAX = 12
"""Longest name of a marker that stands in a label; the letter of the file does instead."""

LEAVE = "L"
"""Stands before the numbers of leave trees where marked trees have the same."""


def mark_labels(marks: pd.DataFrame, log: RecordLog) -> pd.Series:
    """
    Label of each mark: its number, behind its marker or the letter of its file where files repeat.

    A mark without a number is called after its record, as in ``#14``; the second of two records of
    one file with one number is ``5/2``. `_file` of the marks is the place of their file.
    """
    stand = marks[STAND].to_numpy()
    own = marks["tree_id"].where(marks["tree_id"] != "", "#" + marks["record"].astype("str"))
    source, by_marker = _sources(marks, stand)
    once = pd.MultiIndex.from_arrays([stand, own, source]).unique()
    repeat = once[once.droplevel(2).duplicated(keep=False)].get_level_values(0).unique()
    if len(repeat):
        before = np.isin(stand, repeat)
        own = own.where(~before, pd.Series(source, index=own.index) + "-" + own)
        for number in repeat.tolist():
            here = stand == number
            _note(marks[here], log, number, by_marker=bool(by_marker[here].all()))
    return _told_apart(own, stand)


def leave_labels(leave: pd.DataFrame, marks: pd.DataFrame | None) -> pd.Series:
    """Label of each leave tree, unlike those of the marks of its stand."""
    stand = leave[STAND].to_numpy()
    place = pd.Series(np.arange(1, len(leave) + 1), index=leave.index).astype("str")
    own = leave["tree_id"].where(leave["tree_id"] != "", "#" + place)
    if marks is not None and len(leave):
        taken = pd.MultiIndex.from_arrays([marks[STAND], marks["label"]])
        shared = pd.MultiIndex.from_arrays([stand, own]).isin(taken)
        before = np.isin(stand, stand[shared])
        own = own.where(~before, f"{LEAVE}-" + own)
    return _told_apart(own, stand)


def _sources(
    marks: pd.DataFrame, stand: npt.NDArray[np.int64]
) -> tuple[npt.NDArray[np.object_], npt.NDArray[np.bool_]]:
    """What stands before a number: the marker where all of a stand are named, else a letter."""
    named = (marks["marker"] != marks["source_file"]) & (marks["marker"].str.len() <= MARKER_MAX)
    by_marker = named.groupby(stand).transform("all").to_numpy()
    letters = np.array(_letters(int(marks["_file"].max()) + 1 if len(marks) else 0), dtype=object)
    letter = letters[marks["_file"].to_numpy()]
    return np.where(by_marker, marks["marker"].to_numpy(dtype=object), letter), by_marker


def _letters(number: int) -> list[str]:
    """A to Z, then AA, AB and so on."""
    words = ("".join(word) for size in count(1) for word in product(ascii_uppercase, repeat=size))
    return [word for word, _ in zip(words, range(number), strict=False)]


def _note(marks: pd.DataFrame, log: RecordLog, stand: int, *, by_marker: bool) -> None:
    """Say how trees are shown in a stand whose files repeat numbers."""
    if by_marker:
        how = "its marker and its number"
    else:
        files = marks.drop_duplicates("_file").sort_values("_file")
        letters = _letters(int(files["_file"].max()) + 1)
        names = [
            f"{letters[place]} {name}"
            for place, name in zip(files["_file"], files["source_file"], strict=True)
        ]
        how = f"the letter of its file and its number: {listed(names)}"
    text = f"Numbers of trees repeat between files or markers; every tree is shown by {how}."
    log.notice(text, stand=stand)


def _told_apart(label: pd.Series, stand: npt.NDArray[np.int64]) -> pd.Series:
    """Labels, the second and further trees of one label with their place among them."""
    while True:
        place = label.groupby([stand, label.to_numpy()]).cumcount()
        if not place.any():
            return label
        label = label.where(place == 0, label + "/" + (place + 1).astype("str"))
