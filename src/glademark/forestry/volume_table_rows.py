"""
Plain rows of a volume table, long or wide, turned into cells with every fault named.

*Long*: one row a cell, with the columns ``dbh`` and ``volume`` and, as needed, ``product``,
``species``, ``part``, ``height`` or ``logs``, and ``unit``. *Wide*: no ``volume`` column; either
the headings are diameters (``species, 5, 9, 12``), or there is a ``dbh`` column and the headings
are heights (``dbh, 1 log, 2 logs``), or species, or products (``dbh, sawlog, pulpwood``). A heading
may carry its unit: ``volume_m3``, ``vol (cuft)``, ``bf``, ``height_ft``, ``sawlog_mbf``.
"""

import math
import re
from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from glademark.errors import InputError
from glademark.forestry.species import PACKAGED_SPECIES, SpeciesNames
from glademark.units import VOLUME_HEADINGS, unit_name

__all__ = ["HEIGHT_UNITS", "TableRow", "heading_and_unit", "read_rows", "species_in"]

_HEADING_ROW = 1  # people count the heading as row 1, so the first cell stands in row 2
_COLUMN_NAMES: Mapping[str, str] = MappingProxyType(
    {
        "product": "product", "products": "product", "assortment": "product",
        "species": "species", "species code": "species", "fia code": "species", "spp": "species",
        "part": "part",
        "dbh": "dbh", "d": "dbh", "diameter": "dbh",
        "class": "class", "size class": "class", "dbh class": "class", "size": "class",
        "diameter class": "class", "d class": "class",
        "height": "height", "total height": "height",
        "logs": "logs", "log": "logs", "log height": "logs", "number of logs": "logs",
        "volume": "volume", "vol": "volume", "value": "volume", "volume per tree": "volume",
        "tree volume": "volume",
        "unit": "unit", "units": "unit", "volume unit": "unit",
    }
)  # fmt: skip
_LENGTHS = frozenset({"in", "inch", "inches", "cm", "ft", "feet", "m"})
_SIGNS = re.compile(r"[_\s\[\](),;:.]+")
_RUN_TOGETHER = re.compile(r"(dbh|diameter|volume|vol|height)([a-z]+\d?)")
_NUMBER = re.compile(r"\s*(\d+(?:\.\d*)?|\.\d+)")
_SMALLER_TREES = re.compile(r"\s*(under|below|<)", re.IGNORECASE)
_MEANT_FOR_ANY = ("", "*", "any", "all")
_RANGE = re.compile(r"\d\s*(to|and|-|\u2013|\+)|under|below|<|over|up", re.IGNORECASE)
_MOST_LOGS = 6  # a heading 6 without a unit is logs, 7 is not
HEIGHT_UNITS = ("logs", "ft", "m")
"""What heights of a table are counted in."""


@dataclass(frozen=True, kw_only=True, slots=True)
class TableRow:
    """
    One cell of a volume table.

    Parameters
    ----------
    dbh
        Smallest diameter, middle or diameter of the row, in the table's unit.
    volume
        Volume per tree in `unit`; NaN for a cell left blank.
    unit
        Sale unit of the volume.
    product
        Product that the row is for, in lower case; empty for any.
    species
        The one name of the species that the row is for; empty for any.
    part
        Product that this part of the tree is sold as, in lower case; empty for the tree's own.
    height
        Height or number of logs, as the table counts it; NaN where the table has none.
    height_unit
        One of `HEIGHT_UNITS`; empty where there is no height, or its unit is not said.
    is_range
        Whether the size was written as a range, such as ``9 to 12 in``.
    """

    dbh: float
    volume: float
    unit: str
    product: str = ""
    species: str = ""
    part: str = ""
    height: float = math.nan
    height_unit: str = ""
    is_range: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class _Heading:
    """What a column means; `key` is the size, height, species or product of a wide one."""

    meaning: str
    unit: str = ""
    key: str = ""

    @property
    def is_wide(self) -> bool:
        """Whether its cells are volumes of what the heading names."""
        return self.key != ""


@dataclass(frozen=True, kw_only=True, slots=True)
class _Known:
    """What a table is read with: defaults of units, and names that headings may have."""

    unit: str
    dbh_unit: str
    species: SpeciesNames
    products: frozenset[str] = field(default_factory=frozenset)


def read_rows(
    rows: Sequence[Mapping[str, object]],
    *,
    unit: str,
    dbh_unit: str,
    species: SpeciesNames = PACKAGED_SPECIES,
    products: Collection[str] = (),
) -> tuple[TableRow, ...]:
    """
    Every cell of a table in long or wide form, in its order; blank volumes are kept as NaN.

    `unit` holds where neither a row nor a heading has its own; `products` are those that headings
    may name. All faults are raised at once.
    """
    if not rows:
        msg = "volume table: there are no rows; expected a heading and one row a size. Fill it in"
        raise InputError(msg)
    known = _Known(
        unit=unit, dbh_unit=dbh_unit, species=species, products=frozenset(map(_key, products))
    )
    headings, faults = _read_headings(list(rows[0]), known)
    if faults:
        raise InputError(*faults)
    cells: list[TableRow] = []
    places: list[int] = []
    for place, row in enumerate(rows, start=_HEADING_ROW + 1):
        for record in _long_form(row, headings):
            cell, wrong = _read_cell(record, known)
            faults += [f"volume table: row {place}: {fault}" for fault in wrong]
            cells += [cell]
            places += [place]
    faults = faults or _repeats(cells, places)
    if faults:
        raise InputError(*dict.fromkeys(faults))
    return tuple(cells)


def species_in(
    rows: Sequence[Mapping[str, object]], *, species: SpeciesNames, products: Collection[str] = ()
) -> list[str]:
    """Species that a table names, as written, each once; also of a table with faults."""
    known = _Known(unit="", dbh_unit="", species=species, products=frozenset(map(_key, products)))
    headings, _ = _read_headings(list(rows[0]) if rows else [], known)
    wide = [head.key for head in headings.values() if head.is_wide and head.meaning == "species"]
    columns = [title for title, head in headings.items() if head == _Heading(meaning="species")]
    cells = [_text(row[title]) for title in columns for row in rows]
    return list(dict.fromkeys(name for name in (*wide, *cells) if _key(name)))


def heading_and_unit(title: str) -> tuple[str, str]:
    """A heading in lower case without its unit, and that unit; empty for none."""
    plain = _SIGNS.sub(" ", title.casefold()).strip()
    together = _RUN_TOGETHER.fullmatch(plain)
    if together and _unit(together[2]):
        return together[1], _unit(together[2])
    words = plain.split()
    for size in (2, 1):
        unit = _unit("".join(words[-size:])) if len(words) >= size else ""
        if unit:
            return " ".join(words[:-size]), unit
    return plain, ""


def _unit(text: str) -> str:
    """Unit of volume or length that a heading may end in; empty for another word."""
    return VOLUME_HEADINGS.get(text, "") or (unit_name(text) if text in _LENGTHS else "")


def _read_headings(titles: Sequence[str], known: _Known) -> tuple[dict[str, _Heading], list[str]]:
    """Meaning of each column, and what is wrong with them."""
    headings = {title: _plain_heading(title) for title in titles}
    faults = [
        f"volume table: the heading {title!r} is in another unit than the project's diameters; "
        f"expected {known.dbh_unit}. Correct the heading or the diameter unit"
        for title, head in headings.items()
        if head.meaning in ("dbh", "class") and head.unit not in ("", known.dbh_unit)
    ]
    volumes = [title for title, head in headings.items() if head.meaning == "volume"]
    has_size = any(head.meaning in ("dbh", "class") for head in headings.values())
    if not volumes:
        left = [title for title, head in headings.items() if not head.meaning]
        headings |= _wide_headings(left, known, has_size=has_size)
    elif not has_size:
        faults.append(
            "volume table: there is no column for the size; expected a column 'dbh'. Add it"
        )
    if len(volumes) > 1:
        faults.append(
            f"volume table: the columns {', '.join(volumes)} are all volumes; expected one, or "
            "headings that name the product, such as sawlog_bf. Rename them"
        )
    if not volumes and not any(head.is_wide for head in headings.values()):
        faults.append(
            f"volume table: the columns {', '.join(titles)} hold no volumes; expected a column "
            "'volume', or one column a size, height, species or product. Name the columns"
        )
    return headings, faults


def _plain_heading(title: str) -> _Heading:
    """Meaning of a column by its own name; a bare sale unit is a volume."""
    base, unit = heading_and_unit(title)
    meaning = _COLUMN_NAMES.get(base, "")
    is_volume = unit in VOLUME_HEADINGS.values()
    if not base and is_volume:
        meaning = "volume" if len(title.strip()) > 2 or unit in ("m3", "board foot") else ""  # noqa: PLR2004 - CD and CF may be species
    if is_volume and meaning != "volume":
        return _Heading(meaning="")  # a product or species with its unit, in a wide table
    if meaning == "logs":
        return _Heading(meaning="height", unit="logs")
    return _Heading(meaning=meaning, unit=unit)


def _wide_headings(titles: Sequence[str], known: _Known, *, has_size: bool) -> dict[str, _Heading]:
    """Meaning of the value columns of a wide table."""
    if all(_NUMBER.match(title) or _SMALLER_TREES.match(title) for title in titles):
        meaning = "height" if has_size else "dbh"
        return {
            title: _Heading(
                meaning=meaning, unit=_height_unit(title) if has_size else "", key=title
            )
            for title in titles
        }
    if not has_size:
        return {}
    parted = {title: heading_and_unit(title) for title in titles}
    names = [base for base, _ in parted.values()]
    sold = any(_key(name) in known.products for name in names)
    meaning = "species" if not sold and known.species.known(names).any() else "product"
    return {
        title: _Heading(meaning=meaning, unit=unit, key=title if not unit else base)
        for title, (base, unit) in parted.items()
    }


def _height_unit(title: str) -> str:
    """What a heading such as ``2 logs`` or ``40 ft`` counts in; a small bare number is logs."""
    plain = title.casefold()
    if "log" in plain:
        return "logs"
    unit = heading_and_unit(title)[1]
    if unit in HEIGHT_UNITS:
        return unit
    found = _NUMBER.match(title)
    return "logs" if found and float(found[1]) <= _MOST_LOGS else ""


def _long_form(
    row: Mapping[str, object], headings: Mapping[str, _Heading]
) -> Iterator[dict[str, str]]:
    """Records of a row under the known names: one, or one a value column of a wide row."""
    keys: dict[str, str] = {}
    for title, cell in row.items():
        head = headings[title]
        if not head.meaning or head.is_wide:
            continue
        keys[head.meaning] = _text(cell)
        if head.meaning in ("volume", "height"):
            keys[f"{head.meaning} unit"] = head.unit
    wide = {title: head for title, head in headings.items() if head.is_wide}
    if not wide:
        yield keys
    for title, head in wide.items():
        named = {head.meaning: head.key, "volume": _text(row[title])}
        yield (
            keys
            | named
            | {f"{head.meaning} unit" if head.meaning == "height" else "volume unit": head.unit}
        )


def _read_cell(record: Mapping[str, str], known: _Known) -> tuple[TableRow, list[str]]:
    """A cell, and what is wrong with it."""
    faults: list[str] = []
    size = record.get("dbh") or record.get("class", "")
    dbh = _size(size)
    if math.isnan(dbh):
        faults.append(f"the size is {size!r}; expected a diameter such as 10. Correct the cell")
    own, heading = unit_name(record.get("unit", "")), record.get("volume unit", "")
    if own and heading and own != heading:
        faults.append(f"the unit is {own!r}, but the heading says {heading}. Correct one of them")
    name = record.get("species", "")
    cell = TableRow(
        dbh=dbh,
        volume=_amount(record.get("volume", ""), "volume", faults),
        height=_amount(_leading(record.get("height", "")), "height", faults),
        height_unit=record.get("height unit", ""),
        unit=own or heading or unit_name(known.unit),
        product=_key(record.get("product", "")),
        part=_key(record.get("part", "")),
        species=str(known.species.fold([name])[0]) if _key(name) else "",
        is_range=_RANGE.search(record.get("class", "") or size) is not None,
    )
    return cell, faults


def _leading(text: str) -> str:
    """The number that a text such as ``2 logs`` begins with, else the text."""
    found = _NUMBER.match(text)
    return found[1] if found else text


def _repeats(cells: Sequence[TableRow], places: Sequence[int]) -> list[str]:
    """Cells that stand twice."""
    keys = [repr(replace(cell, volume=0.0, unit="")) for cell in cells]
    counts = Counter(keys)
    return [
        f"volume table: row {place}: the size {cell.dbh:g} stands twice for the same product and "
        "species; expected one volume. Remove one"
        for cell, key, place in zip(cells, keys, places, strict=True)
        if counts[key] > 1
    ]


def _size(text: str) -> float:
    """Leading number of ``10``, ``9 to 12 in`` or ``20 in and up``; 0 for smaller trees."""
    if _SMALLER_TREES.match(text):
        return 0.0
    found = _NUMBER.match(text)
    return float(found[1]) if found else math.nan


def _amount(text: str, name: str, faults: list[str]) -> float:
    """A number from zero up, NaN for a blank; anything else is a fault."""
    if not text:
        return math.nan
    try:
        amount = float(text.replace(",", ""))
    except ValueError:
        amount = -1.0
    if not 0 <= amount < math.inf:
        faults.append(f"the {name} is {text!r}; expected a number from zero up. Correct the cell")
    return amount


def _text(cell: object) -> str:
    """A cell as trimmed text; nothing for a missing one."""
    text = "" if cell is None else str(cell).strip()
    return "" if text.casefold() in ("nan", "none", "<na>") else text


def _key(text: str) -> str:
    """A product or species in lower case; nothing where the row is for any."""
    plain = " ".join(text.casefold().split())
    return "" if plain in _MEANT_FOR_ANY else plain
