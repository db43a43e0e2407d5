"""What a mark is: its kind and what its paint says."""

import re
from collections.abc import Mapping

import numpy as np
import pandas as pd

from glademark.contracts.survey import KINDS
from glademark.intake.columns.cells import each_word, translated
from glademark.intake.columns.fields import Fields
from glademark.intake.record_log import Ledger
from glademark.intake.records import by_stand
from glademark.intake.wording import counted, listed, shown

_WORDS = {
    "cut": ("cut", "cut tree", "take", "remove", "removal", "harvest", "marked", "fell"),
    "leave": (
        "leave", "leave tree", "keep", "keep tree", "retain", "retention", "reserve",
        "reserve tree", "wildlife tree", "legacy tree", "seed tree",
    ),
    "group_boundary": (
        "group boundary", "group edge", "edge", "perimeter", "group perimeter", "opening boundary",
        "opening edge",
    ),
    "group_centre": (
        "group centre", "group center", "centre", "center", "opening centre", "opening center",
        "centre tree", "center tree",
    ),
    "line_tree": ("line tree", "line", "property line tree"),
    "danger": ("danger", "danger tree", "hazard", "hazard tree", "dangerous"),
}  # fmt: skip
_KIND_OF: Mapping[str, str] = {word: kind for kind, words in _WORDS.items() for word in words}
_WEAK_SHARE = 0.5


def kinds(
    fields: Fields, paint: Mapping[str, str], ledger: Ledger
) -> tuple[pd.DataFrame, pd.Series]:
    """
    Kind and paint of each record.

    Parameters
    ----------
    fields
        Records with or without columns of kind and paint.
    paint
        The project's key: colour to meaning.
    ledger
        For notices about paint that is blank or unlisted.

    Returns
    -------
    frame
        `kind` (one of `KINDS`), `paint` (case-folded) and `paint_meaning`
        (``corridor``, ``cut`` or nothing).
    reason
        Why a record cannot be used; empty where it can.
    """
    key = {colour.strip().casefold(): meaning for colour, meaning in paint.items()}
    colours = each_word(fields.cells("paint"), str.casefold)
    meaning = translated(colours, key)
    by_paint = meaning.replace({"corridor": "cut", "": "cut"})
    name, own, unknown = _own_kinds(fields)
    ledger.alone |= _with_other_kinds(fields, name)
    frame = pd.DataFrame(
        {
            "kind": own.where(own != "", by_paint),
            "paint": colours,
            "paint_meaning": meaning.where(meaning.isin(["corridor", "cut"]), ""),
        }
    )
    reason = pd.Series("", index=colours.index, dtype="str")
    if unknown.any():
        cells = fields.cells(name)[unknown].map(shown)
        reason[unknown] = (
            'kind is "' + cells + f'"; expected one of {", ".join(KINDS)}; correct the cell'
        )
    if key:
        _note_paint(fields, colours, colours.isin(list(key)), ledger)
    return frame, reason


def _own_kinds(fields: Fields) -> tuple[str, pd.Series, pd.Series]:
    """Meaning of the column that says kinds, the kinds, and which are unknown words."""
    for name, weak in (("kind", False), ("type", True)):
        if not fields.has(name):
            continue
        words = _plain(fields.cells(name))
        known = translated(words, _KIND_OF)
        if _says_kinds(words, known, weak=weak):
            return name, known, (words != "") & (known == "")
    nothing = pd.Series("", index=fields.reading.rows.index, dtype="str")
    return "", nothing, nothing != ""


def _says_kinds(words: pd.Series, known: pd.Series, *, weak: bool) -> bool:
    """Whether a column says kinds: it says something, and one of a vague name mostly kinds."""
    filled = int((words != "").sum())
    return bool(filled and (not weak or (known != "").sum() >= _WEAK_SHARE * filled))


def _with_other_kinds(fields: Fields, name: str) -> set[int]:
    """Stands whose records alone would have their kinds in another column."""
    if fields.reading.stand is None or not fields.has("type"):
        return set()
    columns = {
        one: (words := _plain(fields.cells(one)), translated(words, _KIND_OF), weak)
        for one, weak in (("kind", False), ("type", True))
        if fields.has(one)
    }
    other = set()
    for stand, places in by_stand(fields.reading.stand, np.arange(len(fields.reading.rows))):
        says = (
            one
            for one, (words, known, weak) in columns.items()
            if _says_kinds(words.iloc[places], known.iloc[places], weak=weak)
        )
        if next(says, "") != name:
            other.add(stand)
    return other


def _plain(cells: pd.Series) -> pd.Series:
    """Words in small letters with single spaces."""
    return each_word(cells, lambda word: re.sub(r"[\s_-]+", " ", word.casefold()).strip())


def _note_paint(
    fields: Fields, colours: pd.Series, listed_paint: pd.Series, ledger: Ledger
) -> None:
    """One notice for paint that says nothing."""
    blank = colours == ""
    unlisted = ~blank & ~listed_paint
    for stand, places in fields.reading.parts(blank | unlisted):
        parts = []
        without = int(blank.iloc[places].sum())
        if without:
            parts.append(f"{counted(without, 'mark')} without paint")
        if without < len(places):
            names = listed(colours.iloc[places][unlisted.iloc[places]].unique())
            number = counted(len(places) - without, "mark")
            parts.append(f"{number} with paint that [marks.paint] does not list ({names})")
        ledger.notice(
            f"{fields.reading.file.name}: {' and '.join(parts)}; their zone is where they stand.",
            stand=stand,
        )


def kind_column(fields: Fields) -> str:
    """
    Which column was read as the kind.

    Parameters
    ----------
    fields
        Records.

    Returns
    -------
    name
        ``kind``, ``type`` where a column of that name says kinds, or nothing.
    """
    return _own_kinds(fields)[0]
