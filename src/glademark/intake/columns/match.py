"""Columns recognised by their meaning."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from glademark.errors import FileError
from glademark.intake.columns.meanings import Meaning
from glademark.wording import quoted, shown

_UNIT_WORDS_MAX = 3


@dataclass(frozen=True, kw_only=True, slots=True)
class Found:
    """
    Which column holds what.

    Attributes
    ----------
    header
        By meaning: the column as it is called in the file.
    unit
        By meaning: the unit that its header says, or nothing.
    notices
        What was left aside.
    """

    header: Mapping[str, str]
    unit: Mapping[str, str]
    notices: tuple[str, ...] = ()


@lru_cache(maxsize=1024)
def words(header: str) -> tuple[str, ...]:
    """
    A header's words in lower case and digits.

    Examples
    --------
    >>> words('DBH (in)'), words("Tree No."), words('Cull %'), words('Vol_m³')
    (('dbh', 'in'), ('tree', 'no'), ('cull', 'pct'), ('vol', 'm3'))
    """
    plain = header.casefold()
    for sign, word in (('"', " in "), ("%", " pct "), ("²", "2"), ("³", "3")):
        plain = plain.replace(sign, word)
    return tuple(word for word in re.split(r"[\W_]+", plain) if word)


def recognise(
    headers: Sequence[str],
    meanings: Iterable[Meaning],
    *,
    stated: Mapping[str, str] | None = None,
    where: str,
) -> Found:
    """Which column holds what, by its header."""
    _refuse_twins(headers, where)
    found: dict[str, str] = {}
    units: dict[str, str] = {}
    notices: list[str] = []
    stated = stated or {}
    taken = set()
    for meaning in meanings:
        if meaning.name in stated:
            header = _stated_header(meaning, stated[meaning.name], headers, where)
            found[meaning.name], units[meaning.name] = header, _trailing_unit(meaning, header)
            taken.add(header)
    for meaning in meanings:
        claims = [] if meaning.name in found else _claims(meaning, headers, taken)
        if not claims:
            continue
        _refuse_tie(meaning, claims, where)
        _, units[meaning.name], found[meaning.name] = claims[0]
        if meaning.strict and len(claims) > 1:
            others = quoted([header for *_, header in claims[1:]])
            notices.append(
                f"{where}: '{shown(claims[0][2])}' is read as {meaning.name}; {others} is kept as "
                "it stands."
            )
    return Found(header=found, unit=units, notices=tuple(notices))


def _claims(
    meaning: Meaning, headers: Sequence[str], taken: set[str]
) -> list[tuple[int, str, str]]:
    """Rank, unit and header of each column that may have this meaning, best first."""
    fits = [(_claim(meaning, header), header) for header in headers if header not in taken]
    claims = [(*claim, header) for claim, header in fits if claim is not None]
    return sorted(claims, key=lambda claim: claim[0])


@lru_cache(maxsize=16_384)  # every meaning asks of every column, and of every file of many stands
def _claim(meaning: Meaning, header: str) -> tuple[int, str] | None:
    """Rank and unit, where the column may have this meaning."""
    return meaning.claim(words(header))


def is_known(header: str, meanings: Iterable[Meaning]) -> bool:
    """Whether a header names one of these meanings."""
    return any(_claim(meaning, header) is not None for meaning in meanings)


def _refuse_twins(headers: Sequence[str], where: str) -> None:
    """Two columns with one name cannot be told apart."""
    seen: dict[str, str] = {}
    for header in headers:
        key = header.strip().casefold()
        if key in seen:
            msg = (
                f"{where}: two columns are called {quoted([seen[key], header])}. "
                "Rename or remove one of them."
            )
            raise FileError(msg)
        seen[key] = header


def _refuse_tie(meaning: Meaning, claims: Sequence[tuple[int, str, str]], where: str) -> None:
    """Two columns of one meaning, one as plain as the other."""
    tied = [header for rank, _, header in claims if rank == claims[0][0]]
    if meaning.strict and len(tied) > 1:
        msg = (
            f"{where}: {quoted(tied)} could each be the {meaning.name}. "
            f"Say which under [marks] columns, or remove one of them."
        )
        raise FileError(msg)


def _stated_header(meaning: Meaning, wanted: str, headers: Sequence[str], where: str) -> str:
    """The file's column that the project file names."""
    for header in headers:
        if header == wanted or header.strip().casefold() == wanted.strip().casefold():
            return header
    msg = (
        f"{where}: there is no column '{shown(wanted)}', which the project file names for "
        f"{meaning.name}; the columns are {quoted(headers)}. Correct the name."
    )
    raise FileError(msg)


def _trailing_unit(meaning: Meaning, header: str) -> str:
    """Unit at the end of a header that the project file names: binding all the same."""
    parts = words(header)
    claim = _claim(meaning, header)
    if claim is not None:
        return claim[1]
    ends = ("".join(parts[-size:]) for size in range(_UNIT_WORDS_MAX, 0, -1))
    return next((meaning.units[end] for end in ends if end in meaning.units), "")
