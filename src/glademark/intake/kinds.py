"""What a mark is: its kind and what its paint says."""

import re
from collections.abc import Mapping

import pandas as pd

from glademark.intake.cells import each_word, translated
from glademark.intake.fields import Fields
from glademark.intake.records import Ledger
from glademark.intake.wording import counted, listed, shown
from glademark.survey import KINDS

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
        filled = int((words != "").sum())
        if filled and (not weak or (known != "").sum() >= _WEAK_SHARE * filled):
            return name, known, (words != "") & (known == "")
    nothing = pd.Series("", index=fields.reading.rows.index, dtype="str")
    return "", nothing, nothing != ""


def _plain(cells: pd.Series) -> pd.Series:
    """Words in small letters with single spaces."""
    return each_word(cells, lambda word: re.sub(r"[\s_-]+", " ", word.casefold()).strip())


def _note_paint(
    fields: Fields, colours: pd.Series, listed_paint: pd.Series, ledger: Ledger
) -> None:
    """One notice for paint that says nothing."""
    blank = colours == ""
    unlisted = ~blank & ~listed_paint
    parts = []
    if blank.any():
        parts.append(f"{counted(int(blank.sum()), 'mark')} without paint")
    if unlisted.any():
        names = listed(colours[unlisted].unique())
        number = counted(int(unlisted.sum()), "mark")
        parts.append(f"{number} with paint that [marks.paint] does not list ({names})")
    if parts:
        ledger.notice(
            f"{fields.reading.file.name}: {' and '.join(parts)}; their zone is where they stand."
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
