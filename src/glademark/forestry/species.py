"""
Tree species: one FIA code for every way that people write them; and the tables of the package.

Each table is a comma-separated file in ``forestry/data``; every row names its source by a short
key, which ``sources.csv`` spells out.

References
----------
.. [1] USDA Forest Service, Forest Inventory and Analysis database, table REF_SPECIES (2023 load):
       codes, PLANTS symbols, names, specific gravities and moisture of wood and bark. Other names
       of the trade, and the five species without gravities, are from memory.
"""

import csv
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from functools import cache, lru_cache
from importlib.resources import files
from types import MappingProxyType

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "PACKAGED_SPECIES",
    "UNKNOWN_SPECIES",
    "OwnSpecies",
    "Source",
    "SpeciesNames",
    "SpeciesTable",
    "common_names",
    "find_species",
    "nearest_species",
    "numbers",
    "packaged_table",
    "source",
    "species_key",
    "species_table",
]

UNKNOWN_SPECIES = 0

_NOT_A_LETTER = re.compile(r"[^a-z0-9]+")

_WHOLE_NUMBER = re.compile(r"\s*+0*+(\d++)(?:\.0*+)?\s*+")

_SIGNS = re.compile(r"[\W_]+")


@dataclass(frozen=True, kw_only=True, slots=True)
class Source:
    """Where a figure comes from."""

    key: str  # short key, as the packaged tables carry it
    short: str  # author and year, short enough for a table heading
    citation: str  # the publication in full
    address: str  # where it, or the restatement that was read, is found; may be empty
    basis: str  # ``published`` or ``from memory``


@cache
def packaged_table(name: str) -> Mapping[str, NDArray[np.str_]]:
    """Every column of a packaged table, as text."""
    text = (files("glademark.forestry") / "data" / f"{name}.csv").read_text("utf-8")
    header, *rows = csv.reader(text.splitlines())
    columns = {}
    for title, cells in zip(header, zip(*rows, strict=True), strict=True):
        columns[title] = np.array(cells, dtype=np.str_)
        columns[title].flags.writeable = False
    return MappingProxyType(columns)


def numbers(cells: NDArray[np.str_]) -> NDArray[np.float64]:
    """Numeric form of a text column, NaN where a cell is blank."""
    return np.where(cells == "", "nan", cells).astype(np.float64)


def source(key: str) -> Source:
    """
    The publication behind a short key.

    Examples
    --------
    >>> source("bechtold_2003").short
    'Bechtold 2003'
    """
    return _sources()[key]


@cache
def _sources() -> Mapping[str, Source]:
    """All sources by key."""
    table = packaged_table("sources")
    rows = zip(*table.values(), strict=True)
    fields = tuple(table)
    entries = (
        Source(**dict(zip(fields, (str(cell) for cell in row), strict=True))) for row in rows
    )
    return MappingProxyType({entry.key: entry for entry in entries})


@dataclass(frozen=True, kw_only=True, slots=True)
class SpeciesTable:
    """The species that the package knows, one array a column, in ascending order of code."""

    code: NDArray[np.int64]  # FIA species code
    plants_symbol: NDArray[np.str_]  # PLANTS symbol
    common_name: NDArray[np.str_]  # common name as the inventory writes it
    scientific_name: NDArray[np.str_]  # genus and epithet
    is_softwood: NDArray[np.bool_]  # true for conifers
    volume_group: NDArray[np.int64]
    """Species group of the national volume system, 1 to 9; 0 where not known."""
    wood_gravity: NDArray[np.float64]  # oven-dry weight over green volume, relative to water
    wood_moisture_pct: NDArray[np.float64]  # water in green wood, per cent of oven-dry weight
    bark_gravity: NDArray[np.float64]  # as `wood_gravity`, for bark
    bark_moisture_pct: NDArray[np.float64]  # as `wood_moisture_pct`, for bark
    bark_volume_pct: NDArray[np.float64]  # bark, per cent of the volume of wood

    def rows(self, species_code: ArrayLike) -> NDArray[np.intp]:
        """Row of each code."""
        codes = np.asarray(species_code, dtype=np.int64)
        at = np.minimum(np.searchsorted(self.code, codes), self.code.size - 1)
        return np.where(self.code[at] == codes, at, -1)

    def look_up(self, column: NDArray[np.float64], species_code: ArrayLike) -> NDArray[np.float64]:
        """
        Value of a numeric column for each code.

        Returns
        -------
        values
            NaN for a code that is not listed.
        """
        rows = self.rows(species_code)
        return np.where(rows < 0, np.nan, column[rows])


@cache
def species_table() -> SpeciesTable:
    """All species that the package knows."""
    table = packaged_table("species")
    return SpeciesTable(
        code=table["fia_code"].astype(np.int64),
        plants_symbol=table["plants_symbol"],
        common_name=table["common_name"],
        scientific_name=np.char.add(np.char.add(table["genus"], " "), table["epithet"]),
        is_softwood=table["wood"] == "softwood",
        volume_group=np.nan_to_num(numbers(table["volume_group"])).astype(np.int64),
        wood_gravity=numbers(table["wood_gravity"]),
        wood_moisture_pct=numbers(table["wood_moisture_pct"]),
        bark_gravity=numbers(table["bark_gravity"]),
        bark_moisture_pct=numbers(table["bark_moisture_pct"]),
        bark_volume_pct=numbers(table["bark_volume_pct"]),
    )


def find_species(names: ArrayLike) -> NDArray[np.int64]:
    """
    FIA code of each species as people write it.

    Examples
    --------
    >>> find_species(["sugar maple", "ACSA3", "318", "Acer saccharum Marsh."]).tolist()
    [318, 318, 318, 318]
    >>> find_species(["palm", None, ""]).tolist()
    [0, 0, 0]
    """
    written = np.asarray(names, dtype=object)
    place, distinct = pd.factorize(written.ravel())
    codes = np.array([*(_code(str(name)) for name in distinct), UNKNOWN_SPECIES], dtype=np.int64)
    return codes[place].reshape(written.shape)


def nearest_species(name: str, *, count: int = 3) -> list[str]:
    """
    Known species whose names look most like the one given.

    Examples
    --------
    >>> nearest_species("suger mapel", count=1)
    ['sugar maple (ACSA3)']
    """
    known = _codes_by_name()
    near = get_close_matches(_squeezed(name), known, n=4 * count, cutoff=0.6)
    table = species_table()
    rows = table.rows([known[key] for key in near])
    shown = [f"{table.common_name[row]} ({table.plants_symbol[row]})" for row in rows]
    return list(dict.fromkeys(shown))[:count]


def common_names(species_code: ArrayLike) -> NDArray[np.str_]:
    """
    Common name of each code, for showing.

    Examples
    --------
    >>> common_names([129, 999, 0]).tolist()
    ['eastern white pine', 'species 999', 'unknown species']
    """
    codes = np.asarray(species_code, dtype=np.int64)
    table = species_table()
    rows = table.rows(codes)
    unlisted = np.where(
        codes == 0, "unknown species", np.char.add("species ", codes.astype(np.str_))
    )
    return np.where(rows < 0, unlisted, table.common_name[rows])


def _squeezed(name: str) -> str:
    """Letters and digits of a name, in lower case, without gaps."""
    return _NOT_A_LETTER.sub("", name.casefold())


def _code(name: str) -> int:
    """FIA code of one name: a number, a whole name, or a scientific name with its author."""
    number = _WHOLE_NUMBER.fullmatch(name)
    known = _codes_by_name()
    code = known.get(number[1] if number else _squeezed(name), UNKNOWN_SPECIES)
    table = species_table()
    authored = table.scientific_name == " ".join(name.split()[:2]).capitalize()
    return code or int(table.code[authored].sum())


@cache
def _codes_by_name() -> Mapping[str, int]:
    """Codes under every spelling that is taken for the species."""
    raw = packaged_table("species")
    table = species_table()
    found: dict[str, int] = {}
    columns = (
        raw["fia_code"],
        table.plants_symbol,
        table.common_name,
        table.scientific_name,
    )
    for column in columns:
        found |= {
            _squeezed(str(name)): int(code) for name, code in zip(column, table.code, strict=True)
        }
    for others, code in zip(raw["other_names"], table.code, strict=True):
        found |= {_squeezed(name): int(code) for name in str(others).split(";") if name}
    return MappingProxyType(found)


def species_key(name: str) -> str:
    """A name in lower case, its signs and gaps as single blanks."""
    return _SIGNS.sub(" ", name.casefold()).strip()


@dataclass(frozen=True, kw_only=True, slots=True)
class OwnSpecies:
    """A species as a project names it."""

    name: str  # by which it is shown
    group: str = ""
    """Name in the volume table whose rows it takes where it has none of its own; empty for none."""
    crown: int = UNKNOWN_SPECIES
    volume: int = UNKNOWN_SPECIES
    """crown and this: FIA codes whose crown width and volume equations it takes; 0 for none."""


@dataclass(frozen=True, kw_only=True, slots=True)
class SpeciesNames:
    """Names of species in a project: `own` by the key of each spelling, before the package's."""

    own: Mapping[str, OwnSpecies] = field(default_factory=dict)

    @classmethod
    def of(cls, spellings: Iterable[tuple[str, OwnSpecies]]) -> "SpeciesNames":
        """Names from spellings, the first of two equal ones; a name is a spelling of itself."""
        own: dict[str, OwnSpecies] = {}
        for spelling, species in spellings:
            own.setdefault(species_key(spelling), species)
            own.setdefault(species_key(species.name), species)
        return cls(own=own)

    def fold(self, names: ArrayLike) -> NDArray[np.object_]:
        """One name for each species; lower case for one that is not known, empty for none."""
        return self._each(names, self._name, dtype=object)

    def group(self, name: str) -> str:
        """Group of a species as the volume table names it; empty for none."""
        group = self._own(name).group
        return self._name(group) if group else ""

    def crown_codes(self, names: ArrayLike) -> NDArray[np.int64]:
        """FIA code whose crown width each species takes; 0 for none."""
        return self._each(names, lambda name: self._own(name).crown, dtype=np.int64)

    def volume_codes(self, names: ArrayLike) -> NDArray[np.int64]:
        """FIA code whose volume equations and green weight each species takes; 0 for none."""
        return self._each(names, lambda name: self._own(name).volume, dtype=np.int64)

    def known(self, names: ArrayLike) -> NDArray[np.bool_]:
        """Which names are known to the project or the package; a blank is."""
        return self._each(names, self._is_known, dtype=np.bool_)

    def _own(self, name: str) -> OwnSpecies:
        """What is known of a name."""
        return self.own.get(species_key(name)) or _packaged(name)

    def _name(self, name: str) -> str:
        """The one name of a species."""
        return self._own(name).name

    def _is_known(self, name: str) -> bool:
        """Whether a name is known."""
        key = species_key(name)
        return not key or key in self.own or _code(name) != UNKNOWN_SPECIES

    @staticmethod
    def _each(names: ArrayLike, find: Callable[[str], object], *, dtype: object) -> NDArray:  # type: ignore[type-arg] # of the dtype asked for
        """What is found of each different name, in the shape of all."""
        written = np.asarray(names, dtype=object)
        place, distinct = pd.factorize(written.ravel())
        found = [find(str(name)) for name in distinct] + [find("")]
        values = np.empty(len(found), dtype=dtype)  # type: ignore[call-overload] # the same
        values[:] = found
        return np.asarray(values[place]).reshape(written.shape)


@lru_cache(maxsize=1000)
def _packaged(name: str) -> OwnSpecies:
    """What the package knows of a name."""
    code = _code(name)
    written = " ".join(name.casefold().split()).rstrip(" ?")
    called = str(common_names(code)) if code != UNKNOWN_SPECIES else written
    return OwnSpecies(name=called, crown=code, volume=code)


PACKAGED_SPECIES = SpeciesNames()
"""Names of the package alone."""
