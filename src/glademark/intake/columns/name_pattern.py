"""Names such as ``ns 38 pink`` as species, diameter and paint, by the pattern that is stated."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace

import pandas as pd

from glademark.intake.columns import meanings
from glademark.intake.columns.match import recognise
from glademark.intake.record_log import RecordLog
from glademark.intake.records import Reading
from glademark.project.model import NAME_FIELD
from glademark.wording import listed, shown

_NAME = "name"
_NUMBERS = frozenset({"dbh", "height", "count", "logs"})
_ABOUT = r"(?:(?:ca|circa|abt|about|approx|~|\?)\.?\s*)?"
_UNITS = r"""(?:\s?(?:cm|mm|m|inches|inch|in|ft|["\u201d'\u2019]))?"""
_NUMBER = rf"{_ABOUT}[-+]?[.,]?\d\S*?{_UNITS}"
_WORDS = r".+?"

_SEPARATORS = (" ", "-", "_", "/", ",", ";")
_PLAIN_NUMBER = re.compile(rf"\d+(?:[.,]\d+)?{_UNITS}")
_COLOURS = frozenset(
    {
        "red", "orange", "yellow", "green", "blue", "white", "pink", "purple", "violet", "black",
        "brown", "grey", "gray", "silver", "magenta", "cyan", "turquoise", "lime",
        "rot", "gelb", "grün", "blau", "weiß", "weiss", "rosa", "lila", "schwarz", "braun", "grau",
    }
)  # fmt: skip
_FEWEST_NAMES = 3
_MOST_PARTS = 4
_ALIKE_SHARE = 0.8
_FITTING_SHARE = 0.6
_STEM = (2.0, 150.0)
"""Between these lies the median of numbers that may be diameters, in whichever unit."""


def with_names_read(
    reading: Reading, pattern: str, stated: Mapping[str, str], log: RecordLog
) -> Reading:
    """
    Records with what their names say in the columns of its meaning, added where there are none.

    A name that fits wins over what such a column holds; where it has no number of the tree, that
    of the record stands for it. Names that do not fit stay, and are told. A file without a column
    of names comes back as it is.
    """
    header = _name_header(reading.headers)
    if not header or not pattern or not len(reading):
        return reading
    names = reading.text(header)
    parts = names.str.extract(_expression(pattern))
    fits = parts.notna().any(axis=1)
    if not fits.all():
        _note_unfit(reading, names, fits, pattern, log)
    if "id" not in parts:
        parts["id"] = reading.record.astype("str").where(fits)
    found = recognise(reading.headers, meanings.MARKS, stated=stated, where=reading.file.name)
    rows = reading.rows
    for meaning in map(str, parts.columns):
        said = parts[meaning].where(fits, names if meaning == "id" else "").fillna("").str.strip()
        own = found.header.get(meaning, header)
        if own != header:
            rows = rows.assign(**{own: said.where(fits, reading.text(own))})
        else:
            rows = rows.assign(**{meaning: said.astype("str")})
    return replace(reading, rows=rows)


def _name_header(headers: Sequence[str]) -> str:
    """The column of names, or nothing."""
    return next((head for head in headers if head.strip().casefold() == _NAME), "")


def _expression(pattern: str) -> re.Pattern[str]:
    """A stated pattern as a regular expression of the whole name."""
    text, end = r"\s*", 0
    for found in NAME_FIELD.finditer(pattern):
        text += _literal(pattern[end : found.start()])
        name = found[1]
        text += f"(?P<{name}>{_NUMBER if name in _NUMBERS else _WORDS})"
        end = found.end()
    return re.compile(f"^{text}{_literal(pattern[end:])}\\s*$", re.IGNORECASE)


def _literal(text: str) -> str:
    """What stands between fields: any spaces for spaces, signs with or without spaces around."""
    words = [re.escape(word) for word in text.split()]
    return r"\s*".join(["", *words, ""]) if words else r"\s+" * bool(text)


def _note_unfit(
    reading: Reading, names: pd.Series, fits: pd.Series, pattern: str, log: RecordLog
) -> None:
    """Say which names do not fit."""
    for stand, places in reading.split(~fits):
        told = listed(f'"{shown(name)}"' for name in names.iloc[places])
        log.notice(
            f"{reading.file.name}: {len(places):,} of {int((reading.stand == stand).sum()):,} "
            f'names do not fit [marks] name_pattern "{shown(pattern)}" and are kept as they are, '
            f"without species, diameter or paint: {told}.",
            stand=stand,
        )


def likely_pattern(reading: Reading) -> str:
    """The pattern that most names seem to follow; nothing where columns say it, or none does."""
    header = _name_header(reading.headers)
    found = recognise(reading.headers, meanings.MARKS, where=reading.file.name).header
    if not header or {"dbh", "species", "paint"} & set(found):
        return ""
    names = reading.text(header)
    names = names[names != ""]
    if len(names) < _FEWEST_NAMES:
        return ""
    return next((pattern for sign in _SEPARATORS if (pattern := _by_parts(names, sign))), "")


def _by_parts(names: pd.Series, sign: str) -> str:
    """Pattern of names whose parts are separated by a sign, nothing where none is seen."""
    parts = names.str.split(sign) if sign != " " else names.str.split()
    size = parts.map(len)
    usual = int(size.mode().iloc[0])
    alike = parts[size == usual]
    if not 1 < usual <= _MOST_PARTS or len(alike) < _FITTING_SHARE * len(names):
        return ""
    fields: list[str] = []
    for place in range(usual):
        fields.append(_field_of(alike.str[place].str.strip().str.casefold(), fields))
    if "" in fields or not {"dbh", "paint"} & set(fields):
        return ""
    return sign.join(f"{{{name}}}" for name in fields)


def _field_of(words: pd.Series, taken: Sequence[str]) -> str:
    """What one part of the names may be, nothing where it cannot be told."""
    numbers = pd.to_numeric(
        words[words.str.fullmatch(_PLAIN_NUMBER)]
        .str.extract(r"(\d+(?:[.,]\d+)?)")[0]
        .str.replace(",", ".")
    )
    if len(numbers) >= _ALIKE_SHARE * len(words):
        running = numbers.is_unique and (numbers.sort_values().diff().dropna() == 1).all()
        name = "id" if running or not _STEM[0] <= numbers.median() <= _STEM[1] else "dbh"
    elif words.isin(_COLOURS).mean() >= _FITTING_SHARE:
        name = "paint"
    else:
        name = "species"
    return "" if name in taken else name
