"""
A local volume table: volume per tree by size, for products and species.

A table is read in its own diameter unit. Rows are size classes (``class``: the tree takes the
volume of the class that it falls in) or diameters (``interpolate``: straight between two rows). The
most particular rows speak: product and species, else product, else species, else rows for any tree.

*Long*: one row a cell, with ``dbh``, ``volume`` and, as needed, ``product``, ``species``, ``part``,
``height`` or ``logs``, ``unit``. *Wide*: no ``volume``; headings are diameters (``species, 5, 9``),
or beside ``dbh`` heights (``1 log, 2 logs``), species, or products (``sawlog, pulpwood``). A
heading may carry its unit: ``volume_m3``, ``vol (cuft)``, ``bf``, ``height_ft``, ``sawlog_mbf``.
"""

import math
import re
from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from glademark.errors import InputError
from glademark.forestry.log_rules import product_key
from glademark.forestry.size_classes import DiameterUnit
from glademark.forestry.species import PACKAGED_SPECIES, SpeciesNames
from glademark.units import VOLUME_HEADINGS, unit_name

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
HEIGHT_UNITS = ("logs", "ft", "m")  # what heights of a table are counted in
ReadRule = Literal["class", "interpolate"]


@dataclass(frozen=True, kw_only=True, slots=True)
class TableRow:
    """One cell of a volume table."""

    dbh: float  # smallest diameter, middle or diameter of the row, in the table's unit
    volume: float  # volume per tree in `unit`; NaN for a cell left blank
    unit: str  # sale unit of the volume
    product: str = ""  # product that the row is for, in lower case; empty for any
    species: str = ""  # the one name of the species that the row is for; empty for any
    part: str = ""  # product that this part is sold as, in lower case; empty for the tree's own
    height: float = math.nan  # or number of logs, as the table counts it; NaN where it has none
    height_unit: str = ""
    """One of `HEIGHT_UNITS`; empty where there is no height, or its unit is not said."""
    is_range: bool = False  # whether the size was written as a range, such as ``9 to 12 in``


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


@dataclass(frozen=True, kw_only=True, slots=True)
class VolumeTable:
    """Volume per tree by size class or diameter."""

    rows: tuple[TableRow, ...]
    """One row a cell of the table."""
    dbh_unit: DiameterUnit  # unit of the diameters in the table
    read: ReadRule = "class"
    """``class``: each row holds from its diameter up to the next row, the last one upwards without
    end; ``interpolate``: straight between rows, and nothing outside them."""
    class_width: float | None = None
    """For ``class``: width of classes that are named by their middle (2: the row 10 holds from 9.0
    up to but not including 11.0); None where rows give the smallest diameter."""
    source: str = "the project's volume table"
    """What the table says of itself: who made it, where and when."""
    species: SpeciesNames = PACKAGED_SPECIES
    """Names of species, for those of the trees; their groups may have rows of their own."""

    def __post_init__(self) -> None:
        """Refuse a table that could be read in two ways."""
        faults = [*self._rule_faults(), *self._unit_faults()]
        if faults:
            raise InputError(*(f"volume table: {fault}" for fault in faults))

    def lookup(
        self,
        dbh: ArrayLike,
        *,
        species: ArrayLike | None = None,
        product: ArrayLike | None = None,
        height: ArrayLike | None = None,
        part: str = "",
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        """Volume of each tree in the unit that `unit_of` says, or NaN; and whether it is held."""
        diameter = np.atleast_1d(np.asarray(dbh, np.float64))
        tall = np.broadcast_to(
            np.asarray(np.nan if height is None else height, float), diameter.shape
        )
        names = np.atleast_1d(self.species.fold("" if species is None else species))
        sold = np.atleast_1d(np.asarray("" if product is None else product, dtype=object))
        species_place, kinds = pd.factorize(names)
        product_place, products = pd.factorize(sold, use_na_sentinel=False)
        group = np.broadcast_to(species_place * len(products) + product_place, diameter.shape)
        volume = np.full(diameter.shape, np.nan)
        for place in np.unique(group):
            kind, name = divmod(int(place), len(products))
            here = group == place
            rows = self.rows_for(products[name], str(kinds[kind]), part)
            volume[here] = self._read_rows(rows, diameter[here], tall[here])
        return volume, np.isfinite(volume)

    def unit_of(self, product: str = "", *, part: str = "") -> str:
        """Sale unit of the volumes of a product."""
        wanted = ("", product_key(_text(product)))
        rows = [
            row
            for row in self.rows
            if row.product in wanted and row.part == product_key(_text(part))
        ]
        return max(rows, key=lambda row: row.product).unit if rows else ""

    def parts_of(self, product: str = "") -> tuple[str, ...]:
        """Every product that one tree of a product gives."""
        wanted = ("", product_key(_text(product)))
        return tuple(dict.fromkeys(row.part for row in self.rows if row.product in wanted))

    @property
    def height_unit(self) -> str:
        """What heights are counted in: logs, ft or m; empty for a table without heights."""
        return max((row.height_unit for row in self.rows if not math.isnan(row.height)), default="")

    def rows_for(self, product: object, species: str, part: str = "") -> list[TableRow]:
        """Rows of the most particular key that the table has for a tree of a folded species."""
        group = self.species.group(species)
        own = dict.fromkeys(name for name in (species, group) if name)
        for name in dict.fromkeys((product_key(_text(product)), "")):
            for kind in (*own, ""):
                key = (name, kind, product_key(_text(part)))
                rows = [row for row in self.rows if (row.product, row.species, row.part) == key]
                if rows:
                    return rows
        return []

    def _read_rows(
        self, rows: Sequence[TableRow], dbh: NDArray[np.float64], height: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Volumes from the rows of one key, by height where they have one."""
        heights = sorted({row.height for row in rows if not math.isnan(row.height)})
        if not heights:
            return self._read_curve(rows, dbh)
        curves = [
            self._read_curve([row for row in rows if row.height == step], dbh) for step in heights
        ]
        if self.read == "class":
            place = np.searchsorted(heights, height, side="right") - 1
            held = np.choose(np.maximum(place, 0), curves)
            return np.where((place < 0) | np.isnan(height), np.nan, held)
        return _between(np.array(heights), np.array(curves), height)

    def _read_curve(
        self, rows: Sequence[TableRow], dbh: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Volumes by diameter from the rows of one key and height."""
        ordered = sorted(rows, key=lambda row: row.dbh)
        sizes = np.array([row.dbh for row in ordered])
        volumes = np.array([row.volume for row in ordered])
        if not sizes.size:
            return np.full(dbh.shape, np.nan)
        if self.read == "interpolate":
            return np.asarray(np.interp(dbh, sizes, volumes, left=np.nan, right=np.nan))
        half = 0 if self.class_width is None else self.class_width / 2
        place = np.searchsorted(sizes - half, dbh, side="right") - 1
        top = np.inf if self.class_width is None else sizes[np.maximum(place, 0)] + half
        return np.where((place < 0) | ~(dbh < top), np.nan, volumes[np.maximum(place, 0)])

    def _rule_faults(self) -> list[str]:
        """What is wrong with the rule of reading."""
        if self.read not in ("class", "interpolate"):
            return [f"read is {self.read!r}; expected 'class' or 'interpolate'"]
        if self.class_width is not None and (self.read != "class" or not self.class_width > 0):
            expected = "a width above zero, with read = 'class'"
            return [f"class_width is {self.class_width}; expected {expected}. Correct or remove it"]
        return []

    def _unit_faults(self) -> list[str]:
        """Products whose volumes are in two units."""
        units: dict[tuple[str, str], set[str]] = {}
        for row in self.rows:
            units.setdefault((row.product, row.part), set()).add(row.unit)
        return [
            f"the volumes of {part or product or 'any product'} are in {', '.join(sorted(given))}; "
            "expected one unit. Convert the rows or name the product"
            for (product, part), given in units.items()
            if len(given) > 1
        ]


def _between(
    heights: NDArray[np.float64], curves: NDArray[np.float64], height: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Volumes straight between the curves of two heights; NaN outside them."""
    if heights.size == 1:
        return np.where(height == heights[0], curves[0], np.nan)
    upper = np.clip(np.searchsorted(heights, height), 1, heights.size - 1)
    share = (height - heights[upper - 1]) / (heights[upper] - heights[upper - 1])
    tree = np.arange(height.size)
    low, high = curves[upper - 1, tree], curves[upper, tree]
    value = np.where(share == 0, low, np.where(share == 1, high, low + share * (high - low)))
    return np.where((share >= 0) & (share <= 1), value, np.nan)
