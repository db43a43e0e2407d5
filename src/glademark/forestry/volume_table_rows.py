"""
Plain rows of a volume table, long or wide, turned into cells with every fault named.

*Long*: one row a cell, with the columns ``dbh`` and ``volume`` and, as needed, ``product``,
``species``, ``part``, ``height`` and ``unit``. *Wide*: no ``volume`` column; either the headings
are diameters (``species, 6, 10, 14``), or there is a ``dbh`` column and the headings are heights
(``dbh, 1, 1.5, 2``), or species, or products (``dbh, sawlog, pulpwood``).
"""

import math
import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

from glademark.errors import InputError
from glademark.forestry.species import UNKNOWN_SPECIES, find_species, nearest_species
from glademark.units import unit_name

__all__ = ["TableRow", "read_rows"]

_HEADING_ROW = 1  # people count the heading as row 1, so the first cell stands in row 2
_COLUMN_NAMES: Mapping[str, str] = MappingProxyType(
    {
        "product": "product", "products": "product",
        "species": "species", "species code": "species", "fia code": "species",
        "part": "part",
        "dbh": "dbh", "d": "dbh", "diameter": "dbh",
        "class": "class", "size class": "class", "dbh class": "class", "size": "class",
        "height": "height", "logs": "height", "log height": "height",
        "volume": "volume", "value": "volume", "volume per tree": "volume",
        "unit": "unit",
    }
)  # fmt: skip
_UNIT_IN_HEADING = re.compile(
    r"(?:_|(?<!\s)\s*+[\[(]\s*+|(?<!\s)\s++)(in|inches|cm|ft|feet|m|logs)[\])]?"
)
_NUMBER = re.compile(r"\s*(\d+(?:\.\d*)?|\.\d+)")
_SMALLER_TREES = re.compile(r"\s*(under|below|<)", re.IGNORECASE)
_MEANT_FOR_ANY = ("", "*", "any", "all")


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
        Product that the row is for, in small letters; empty for any.
    species_code
        FIA code that the row is for; None for any.
    part
        Product that this part of the tree is sold as, in small letters; empty for the tree's own.
    height
        Height or number of logs, as the table counts it; NaN where the table has none.
    """

    dbh: float
    volume: float
    unit: str
    product: str = ""
    species_code: int | None = None
    part: str = ""
    height: float = math.nan


def read_rows(
    rows: Sequence[Mapping[str, object]], *, unit: str, dbh_unit: str
) -> tuple[TableRow, ...]:
    """
    Every cell of a table in long or wide form.

    Parameters
    ----------
    rows
        One mapping a row, heading to cell; numbers or text.
    unit
        Sale unit of the volumes where a row does not name its own.
    dbh_unit
        Unit of the diameters; a unit in a heading must agree.

    Returns
    -------
    cells
        In the order of the table. Blank volumes are kept as NaN.

    Raises
    ------
    InputError
        With one sentence a fault: a missing column, no number, an unknown species, a cell given
        twice.
    """
    if not rows:
        msg = "volume table: there are no rows; expected a heading and one row a size. Fill it in"
        raise InputError(msg)
    headings, faults = _read_headings(list(rows[0]), dbh_unit)
    if faults:
        raise InputError(*faults)
    cells: list[TableRow] = []
    places: list[int] = []
    for place, row in enumerate(rows, start=_HEADING_ROW + 1):
        for record in _long_form(row, headings):
            cell, wrong = _read_cell(record, unit)
            faults += [f"volume table: row {place}: {fault}" for fault in wrong]
            cells += [cell]
            places += [place]
    faults = faults or _repeats(cells, places)
    if faults:
        raise InputError(*dict.fromkeys(faults))
    return tuple(cells)


def _read_headings(titles: Sequence[str], dbh_unit: str) -> tuple[dict[str, str], list[str]]:
    """Meaning of each column: a known name, or ``dbh:6``, ``height:2``, ``product:x`` and so on."""
    named = {title: _COLUMN_NAMES.get(_bare(title), "") for title in titles}
    faults = [
        f"volume table: the heading {title!r} is in another unit than the project's diameters; "
        f"expected {dbh_unit}. Correct the heading or the diameter unit"
        for title, meaning in named.items()
        if meaning in ("dbh", "class") and _heading_unit(title) not in ("", dbh_unit)
    ]
    meanings = set(named.values())
    has_size = bool(meanings & {"dbh", "class"})
    if "volume" not in meanings:
        named |= _wide_headings([title for title in titles if not named[title]], has_size=has_size)
    elif not has_size:
        faults.append(
            "volume table: there is no column for the size; expected a column 'dbh'. Add it"
        )
    if not any(meaning == "volume" or ":" in meaning for meaning in named.values()):
        faults.append(
            f"volume table: the columns {', '.join(titles)} hold no volumes; expected a column "
            "'volume', or one column a size, height, species or product. Name the columns"
        )
    return named, faults


def _wide_headings(titles: Sequence[str], *, has_size: bool) -> dict[str, str]:
    """Meaning of the value columns of a wide table."""
    if all(_NUMBER.match(_bare(title)) or _SMALLER_TREES.match(title) for title in titles):
        return {title: f"{'height' if has_size else 'dbh'}:{title}" for title in titles}
    if not has_size:
        return {}
    by_species = all(find_species([title])[0] != UNKNOWN_SPECIES for title in titles)
    return {title: f"{'species' if by_species else 'product'}:{title}" for title in titles}


def _long_form(row: Mapping[str, object], headings: Mapping[str, str]) -> Iterator[dict[str, str]]:
    """Records of a row under the known names: one, or one a value column of a wide row."""
    record = {headings[title]: _text(cell) for title, cell in row.items() if headings.get(title)}
    wide = {meaning: cell for meaning, cell in record.items() if ":" in meaning}
    keys = {meaning: cell for meaning, cell in record.items() if ":" not in meaning}
    if not wide:
        yield keys
    for meaning, cell in wide.items():
        name, _, key = meaning.partition(":")
        yield keys | {name: key, "volume": cell}


def _read_cell(record: Mapping[str, str], unit: str) -> tuple[TableRow, list[str]]:
    """A cell, and what is wrong with it."""
    faults: list[str] = []
    size = record.get("dbh") or record.get("class", "")
    dbh = _size(size)
    if math.isnan(dbh):
        faults.append(f"the size is {size!r}; expected a diameter such as 10. Correct the cell")
    cell = TableRow(
        dbh=dbh,
        volume=_amount(record.get("volume", ""), "volume", faults),
        height=_amount(record.get("height", ""), "height", faults),
        unit=unit_name(record.get("unit") or unit),
        product=_key(record.get("product", "")),
        part=_key(record.get("part", "")),
    )
    name = _key(record.get("species", ""))
    return (replace(cell, species_code=_species(name, faults)) if name else cell), faults


def _species(name: str, faults: list[str]) -> int:
    """FIA code of a species key; a fault with the nearest names where there is none."""
    code = int(find_species([name])[0])
    if code == UNKNOWN_SPECIES:
        near = nearest_species(name)
        mend = f"Did you mean {' or '.join(near)}?" if near else "Use a FIA code or a PLANTS symbol"
        faults.append(f"the species {name!r} is not known. {mend}")
    return code


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
    """Leading number of ``10``, ``10 to 14 in`` or ``18 in and up``; 0 for smaller trees."""
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
    """A product or species in small letters; nothing where the row is for any."""
    plain = " ".join(text.casefold().split())
    return "" if plain in _MEANT_FOR_ANY else plain


def _bare(title: str) -> str:
    """A heading in small letters, without its unit."""
    plain = title.strip().casefold()
    found = _UNIT_IN_HEADING.search(plain)
    without = plain[: found.start()] if found and found.end() == len(plain) else plain
    return " ".join(without.replace("_", " ").split())


def _heading_unit(title: str) -> str:
    """Unit at the end of a heading; empty for none."""
    plain = title.strip().casefold()
    found = _UNIT_IN_HEADING.search(plain)
    return unit_name(found[1]) if found and found.end() == len(plain) else ""
