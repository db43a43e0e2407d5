"""A volume table to carry into the woods: from words with units to rows, text and CSV."""

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Literal

import numpy as np

from glademark.errors import InputError, UnitError
from glademark.forestry import (
    UNKNOWN_SPECIES,
    MadeTable,
    Product,
    SizeClasses,
    choose_equation_set,
    equation_sets,
    find_species,
    make_volume_table,
    nearest_species,
    sale_volume,
)
from glademark.forestry.log_rules import SaleUnit
from glademark.forestry.volume_equations import EquationSet, TreeVolume, equation_set_faults
from glademark.units import BASAL_AREA_M2_HA, LENGTH_M, split_quantity, to_si

_OPTION: Mapping[str, str] = MappingProxyType(
    {
        "height_m": "--height",
        "logs": "--logs",
        "site_index_m": "--site-index",
        "basal_area_m2_ha": "--basal-area",
    }
)
_AVERAGE = "Averages of many trees: a single tree may differ by a tenth and much more."


@dataclass(frozen=True, kw_only=True, slots=True)
class TableAsked:
    """What a table is to hold, in the words of the command line."""

    species: Sequence[str]  # as people write them
    unit: SaleUnit  # sale unit
    rule: str = ""  # log rule, for board feet; empty otherwise
    equations: str = ""
    part: str = ""
    """equations and part: A set by name and one of its parts; chosen by what is assumed where
    empty."""
    classes: str = "2 in"  # A width such as ``2 in``, or lower edges such as ``5, 9, 12 in``
    up_to: float = 30.0  # largest class, in the unit of the classes
    height: str = ""
    site_index: str = ""
    basal_area: str = (
        ""  # height, site_index and basal_area: with their units; empty where not assumed
    )
    logs: Sequence[float] = ()  # numbers of 16-ft logs, a block of rows each
    region: str = ""  # ``lake states``, ``canada``, or empty


def table_to_carry(asked: TableAsked) -> MadeTable:
    """Volume by size class, species and, where asked, number of logs."""
    product = Product(name="wood", unit=asked.unit, log_rule=asked.rule)
    assumed = _assumed(asked)
    equation_set, part = _equations(asked, product, assumed)
    table = make_volume_table(
        _classes(asked),
        equation_set=equation_set,
        part=part,
        species_code=_codes(asked.species),
        assumed=assumed,
    )
    if not table.rows:
        raise InputError(_why_empty(table, equation_set, part, asked))
    return _in_sale_unit(_as_asked(table, asked), equation_set, part, product)


def _why_empty(table: MadeTable, equation_set: EquationSet, part: str, asked: TableAsked) -> str:
    """Sentence about a table without any volume."""
    bounds = equation_set.parts[part].range_in_words
    if any("outside the range" in line for line in table.heading):
        return (
            f"volume table: no class is inside the range of {equation_set.source} ({bounds}). "
            "Choose other --classes, or another set with --equations"
        )
    return (
        f"volume table: {equation_set.source} has no equation for {', '.join(asked.species)}. "
        "Choose another set with --equations"
    )


def _as_asked(table: MadeTable, asked: TableAsked) -> MadeTable:
    """The table with what was assumed in the words in which it was asked."""
    words = [
        ("height", asked.height),
        ("site index", asked.site_index),
        ("basal area of the stand", asked.basal_area),
        ("logs", ", ".join(f"{logs:g}" for logs in asked.logs)),
    ]
    said = ", ".join(f"{name} {text.strip()}" for name, text in words if text)
    heading = [
        f"assumed: {said}" if line.startswith("assumed: ") else line for line in table.heading
    ]
    return replace(table, heading=tuple(heading))


def _codes(species: Sequence[str]) -> list[int]:
    """FIA codes of the species."""
    codes = [int(code) for code in find_species(list(species))]
    for name, code in zip(species, codes, strict=True):
        if code == UNKNOWN_SPECIES:
            near = nearest_species(name)
            mend = f"did you mean {' or '.join(near)}?" if near else "use a FIA code"
            msg = f"volume table: the species {name!r} is not known; {mend}"
            raise InputError(msg)
    return codes


def _assumed(asked: TableAsked) -> dict[str, float | Sequence[float]]:
    """Inputs of the equations that hold for all trees of the table."""
    assumed: dict[str, float | Sequence[float]] = {}
    for name, text, factors in (
        ("height_m", asked.height, LENGTH_M),
        ("site_index_m", asked.site_index, LENGTH_M),
        ("basal_area_m2_ha", asked.basal_area, BASAL_AREA_M2_HA),
    ):
        if text:
            assumed[name] = to_si(text, factors)
    if asked.logs:
        assumed["logs"] = list(asked.logs) if len(asked.logs) > 1 else asked.logs[0]
    return assumed


def _equations(
    asked: TableAsked, product: Product, assumed: Mapping[str, object]
) -> tuple[EquationSet, str]:
    """Set and part: as named, else the first that gives the unit from what is assumed."""
    sets = equation_sets()
    if not asked.equations:
        measured = ["dbh_cm", "species_code", *assumed]
        choice = choose_equation_set(product, measured=measured, region=asked.region)
        if choice is None:
            msg = (
                f"volume table: no published equation gives {product.sale_unit} from what is "
                "assumed. Give --height, --logs, or --site-index and --basal-area"
            )
            raise InputError(msg)
        return sets[choice.equation_set], choice.part
    if asked.equations not in sets:
        msg = f"no set is called {asked.equations!r}; expected one of {', '.join(sets)}"
        raise InputError(msg, *equation_set_faults())
    chosen = sets[asked.equations]
    part = asked.part or next(iter(chosen.parts))
    known = {"dbh_cm", "species_code", "form_class", "division", *assumed}
    missing = [] if part not in chosen.parts else sorted(set(chosen.parts[part].needs) - known)
    if missing:
        options = " and ".join(_OPTION.get(name, name) for name in missing)
        msg = f"volume table: {chosen.source} needs more than DBH. Give {options}"
        raise InputError(msg)
    return chosen, part


def _classes(asked: TableAsked) -> SizeClasses:
    """Classes by width or by edges, cut at the largest asked for."""
    *edges, last = asked.classes.split(",")
    number, unit = split_quantity(last)
    if unit not in ("in", "cm"):
        msg = f"{asked.classes!r} has no diameter unit; expected one as in '2 in' or '5, 9, 12 in'"
        raise UnitError(msg)
    diameter: Literal["in", "cm"] = "in" if unit == "in" else "cm"
    if edges:
        return SizeClasses.from_edges([*map(_number, edges), number], diameter)
    return SizeClasses.from_width(number, diameter).up_to(asked.up_to)


def _number(text: str) -> float:
    """An edge without its unit."""
    return split_quantity(text)[0]


def _in_sale_unit(
    table: MadeTable, equation_set: EquationSet, part: str, product: Product
) -> MadeTable:
    """The table with its volumes in the product's sale unit, and the conversion said."""
    declared = equation_set.parts[part]
    names = [str(row["species"]) for row in table.rows]
    per_tree = TreeVolume(
        volume=np.array([float(str(row["volume"])) for row in table.rows]),
        status=np.full(len(names), "ok"),
        part=declared,
        source=equation_set.source,
    )
    amount, conversion = sale_volume(per_tree, product, species_code=find_species(names))
    if np.isnan(amount).any():
        lost = ", ".join(dict.fromkeys(np.array(names)[np.isnan(amount)].tolist()))
        msg = f"volume table: {conversion}: not for {lost}. Choose another --unit or --equations"
        raise InputError(msg)
    rows = tuple(
        {**row, "volume": float(value), "unit": product.unit}
        for row, value in zip(table.rows, amount, strict=True)
    )
    said = () if declared.unit == product.unit else (f"converted: {conversion}",)
    head = [
        line.replace(f"{declared.sale_unit} per tree", f"{product.sale_unit} per tree", 1)
        for line in table.heading
    ]
    return replace(table, rows=rows, unit=product.sale_unit, heading=(*head, *said))


def csv_of(table: MadeTable) -> str:
    """A table as CSV that the project's ``[volume] table`` reads back."""
    out = io.StringIO()
    writer = csv.DictWriter(out, fieldnames=list(table.rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(table.rows)
    return out.getvalue()


def text_of(table: MadeTable) -> str:
    """A table to print and carry: heading, then classes down and species or logs across."""
    columns = list(dict.fromkeys(_column(row) for row in table.rows))
    classes = list(dict.fromkeys(str(row["size_class"]) for row in table.rows))
    cells = {
        (str(row["size_class"]), _column(row)): float(str(row["volume"])) for row in table.rows
    }
    first = max(len("DBH"), *map(len, classes))
    lines = [*table.heading, _AVERAGE, "", "  ".join(["DBH".ljust(first), *columns])]
    lines.append("-" * len(lines[-1]))
    for name in classes:
        shown = [_shown(cells.get((name, column))).rjust(len(column)) for column in columns]
        lines.append("  ".join([name.ljust(first), *shown]))
    return "\n".join(lines) + "\n"


def _column(row: Mapping[str, object]) -> str:
    """Heading of the column that a row stands in."""
    if "logs" not in row:
        return str(row["species"])
    return f"{row['species']}, {row['logs']:g} log{'' if row['logs'] == 1 else 's'}"


def _shown(volume: float | None) -> str:
    """Three digits that count."""
    return "-" if volume is None else f"{volume:,.0f}" if volume >= 100 else f"{volume:.3g}"  # noqa: PLR2004 - three digits
