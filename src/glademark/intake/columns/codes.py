"""Codes that a project names itself, such as reasons to cut a tree and to retain one."""

from collections.abc import Mapping

import pandas as pd

from glademark.intake.columns.fields import Fields, each_word
from glademark.wording import counted, listed

SEPARATOR = "+"
"""Stands between several codes of one tree; the first is the main one."""


def named_codes(fields: Fields, name: str, known: Mapping[str, str]) -> pd.Series:
    """Codes of each record in the project's spelling; unlisted ones are kept and noticed."""
    spelt = {key.strip().casefold(): key.strip() for key in known}

    def _plain(cell: str) -> str:
        codes = (" ".join(code.split()) for code in cell.split(SEPARATOR))
        return SEPARATOR.join(spelt.get(one.casefold(), one) for one in codes if one)

    codes = each_word(fields.cells(name), _plain)
    if not known:
        return codes
    listed_codes = set(spelt.values())
    unlisted = {
        cell: [one for one in cell.split(SEPARATOR) if one and one not in listed_codes]
        for cell in codes.unique()
    }
    for stand, places in fields.reading.split(codes.map(unlisted).astype(bool)):
        found = {code for cell in codes.iloc[places].unique() for code in unlisted[cell]}
        fields.log.notice(
            f"{fields.reading.file.name}: {counted(len(places), 'record')} with a {name} that "
            f"[{_TABLE[name]}] does not list ({listed(sorted(found))}): kept as written.",
            stand=stand,
        )
    return codes


_TABLE = {"reason": "reasons", "retention": "retention"}
