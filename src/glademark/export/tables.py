"""
Tables as CSV, and as a workbook in the units of the project, ready to sort and to print.

CSV is UTF-8 with a byte order mark, commas, line feeds, quoted text, plain numbers; a text that a
spreadsheet would take for a formula gets an apostrophe in front: take it away to have the text as
it was recorded. In the workbook numbers are unrounded and only shown with fewer digits, and texts
are texts: none becomes a formula or a link.
"""

from __future__ import annotations

import csv
import io
import re
from codecs import BOM_UTF8
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from glademark.contracts.layers import LAYERS, MARKS, Column, Layer, Units, present
from glademark.contracts.measured_layers import OPENINGS as OPENINGS_LAYER
from glademark.contracts.residual_layers import RESIDUAL_TABLES
from glademark.contracts.result_tables import ALLOWANCE as ALLOWANCE_LAYER
from glademark.contracts.result_tables import REJECTED
from glademark.contracts.result_tables import VOLUME_BY_ZONE as VOLUME_LAYER
from glademark.errors import OutputError, shown
from glademark.report.delivery import Deliverable, Delivery
from glademark.report.layer_frames import table_frame
from glademark.report.quantities import (
    CHECKS_SHOWN,
    basal_area_unit,
    sale_decimals,
    shown_unit,
    with_shown_units,
    written_frame,
)
from glademark.report.wood import left_out, opening_volumes
from glademark.report.wording import approval_words, cautions, edge_words, edition_words, newest_day
from glademark.units import ACRE_M2, HECTARE_M2

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from glademark.contracts.layout import Layout

WORKBOOK_FILE = "layout.xlsx"

_NO_DAY = "2000-01-01"  # of a file without one: equal input must give equal bytes
_PAPERS = {"letter": 1, "tabloid": 3, "A3": 8, "A4": 9}  # numbers of the file format
_WIDEST, _NARROWEST = 48, 8  # letters that a column shows
_LONGEST = 32_000  # letters that a cell can hold
_SHARES = ("share", "allowable_share")
_SI_NUMBERS = ("measured", "limit_value", "margin", "unit")

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\N{FULLWIDTH EQUALS SIGN}",
                  "\N{FULLWIDTH PLUS SIGN}", "\N{FULLWIDTH HYPHEN-MINUS}",
                  "\N{FULLWIDTH COMMERCIAL AT}")  # fmt: skip
"""First characters that make a spreadsheet take a text for a formula."""

BEYOND_REACH_LAYER = "beyond_reach"
"""Name of the table of marks beyond the machine's reach."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Sheet:
    """One sheet: a table under a frozen head."""

    title: str  # on its tab
    name: str  # of the table
    heads: Sequence[str]  # headings with units; no two alike
    formats: Sequence[str]  # how the numbers of each column are shown; empty for text
    rows: Sequence[Sequence[str | float | None]]
    """Cells: text, numbers, or None where there is nothing."""


def workbook_sheets(delivery: Delivery) -> tuple[Sheet, ...]:
    """Tables of the workbook."""
    units, layout = delivery.project.heading.units, delivery.layout
    checks = replace(
        CHECKS_SHOWN,
        columns=tuple(c for c in CHECKS_SHOWN.columns if c.name not in _SI_NUMBERS),
    )
    sheets = [
        _sheet(layout.volume_by_zone, VOLUME_LAYER, units),
        _openings_sheet(layout, units),
        _sheet(with_shown_units(delivery.checks, units), checks, units),
    ]
    if len(layout.allowance):
        sheets.append(_sheet(_allowance_shown(layout.allowance, units), ALLOWANCE_LAYER, units))
    sheets += [
        _sheet(getattr(layout, one.name), one, units)
        for one in RESIDUAL_TABLES
        if len(getattr(layout, one.name))
    ]
    return (*sheets, _sheet(delivery.survey.rejected, REJECTED, units))


def write_workbook(delivery: Delivery, path: Path) -> None:
    """Write the workbook."""
    import xlsxwriter  # noqa: PLC0415 - heavy

    options = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    name = shown(delivery.project.heading.name)
    with xlsxwriter.Workbook(str(path), options) as book:
        made = datetime.fromisoformat(newest_day(delivery) or _NO_DAY).replace(tzinfo=UTC)
        book.set_properties({"title": f"Layout of {name}", "created": made})
        for sheet in workbook_sheets(delivery):
            _write_sheet(book, sheet, delivery)
        _write_notes(book, delivery)


def _allowance_shown(allowance: pd.DataFrame, units: Units) -> pd.DataFrame:
    """The allowance with its amounts in the units of the project, which its column `unit` names."""
    stem, size = basal_area_unit(units)
    solid, volume = shown_unit("m3", units)
    names = {"m2": (stem, size), "m3": (solid, volume)}
    known = allowance["unit"].map(lambda unit: names.get(unit, (unit, 1.0)))
    amounts = [
        column.name
        for column in ALLOWANCE_LAYER.columns
        if column.kind == "real" and not column.name.startswith(_SHARES)
    ]
    shown = allowance[amounts].div(known.str[1].astype(float), axis=0)
    return allowance.assign(unit=known.str[0], **{name: shown[name] for name in amounts})


def _sheet(frame: pd.DataFrame, layer: Layer, units: Units) -> Sheet:
    """A declared table in the units of the project."""
    layer = present(layer, frame.columns)
    table = table_frame(frame.reset_index(drop=True), layer, units)
    shown = [_shown(column, units) for column in layer.columns]
    sizes = [size for _, _, size in shown]
    values = [
        _sheet_cells(table[name], size) for name, size in zip(layer.names, sizes, strict=True)
    ]
    return Sheet(
        title=layer.title,
        name=layer.name,
        heads=unlike([head for head, _, _ in shown]),
        formats=[number_format for _, number_format, _ in shown],
        rows=list(zip(*values, strict=True)),
    )


def _openings_sheet(layout: Layout, units: Units) -> Sheet:
    """Openings, the net volume of each product in a column of its own behind the others."""
    sheet = _sheet(pd.DataFrame(layout.openings.drop(columns="geometry")), OPENINGS_LAYER, units)
    heads, formats, more = [*sheet.heads], [*sheet.formats], []
    for (product, unit), part in opening_volumes(layout).items():
        heads.append(f"Net volume, {shown(product)} ({unit})")
        formats.append("#,##0.00")
        more.append(_sheet_cells(part["volume_net"], 1.0))
        if part["trees_without"].any():
            heads.append(f"Trees without a volume, {shown(product)}")
            formats.append("#,##0")
            more.append(_sheet_cells(part["trees_without"], 1.0))
    rows = [(*row, *(column[at] for column in more)) for at, row in enumerate(sheet.rows)]
    return replace(sheet, heads=unlike(heads), formats=formats, rows=rows)


def _shown(column: Column, units: Units) -> tuple[str, str, float]:
    """Heading with unit, number format, and how many SI units the unit shown holds."""
    if column.kind == "text":
        return column.title, "", 1.0
    if column.kind == "integer":
        return column.title, "#,##0", 1.0
    if column.name.startswith(_SHARES):
        return column.title, "0.0%", 1.0
    per_acre = units == "us" and "per hectare" in column.title
    title = column.title.replace("per hectare", "per acre") if per_acre else column.title
    if not column.unit:
        return title, "#,##0.00", HECTARE_M2 / ACRE_M2 if per_acre else 1.0
    is_stem = column.unit == "m2" and "basal_area" in column.name
    unit, size = basal_area_unit(units) if is_stem else shown_unit(column.unit, units)
    decimals = max(1 if is_stem else sale_decimals(unit), 0)
    digits = "#,##0" + (f".{'0' * decimals}" if decimals else "")
    return f"{title} ({unit})", digits, size


def _sheet_cells(values: pd.Series, size: float) -> list[str | float | None]:
    """Values of one column; None where there is none."""
    if isinstance(values.dtype, pd.StringDtype):
        return [shown(value, longest=_LONGEST) or None for value in values.tolist()]
    if values.dtype.kind in "iub":
        return [None if value is pd.NA else value for value in values.tolist()]
    numbers = values.astype("float64") / size
    plain: list[str | float | None] = numbers.astype(object).where(numbers.notna(), None).tolist()
    return plain


def unlike(heads: Sequence[str]) -> list[str]:
    """Headings, each made unlike those before it, as a table of a spreadsheet wants them."""
    return [
        f"{head} {heads[:number].count(head) + 1}" if head in heads[:number] else head
        for number, head in enumerate(heads)
    ]


def _write_sheet(book: Any, sheet: Sheet, delivery: Delivery) -> None:  # noqa: ANN401 - ships no types
    """One sheet with its table."""
    page = book.add_worksheet(sheet.title)
    rows = sheet.rows or [[None] * len(sheet.heads)]
    head = book.add_format({"bold": True, "text_wrap": True, "valign": "top"})
    for number, words in enumerate(sheet.heads):
        column = [row[number] for row in rows]
        page.set_column(number, number, _width(words, column))
    page.add_table(
        0,
        0,
        len(rows),
        len(sheet.heads) - 1,
        {
            "name": sheet.name,
            "style": "Table Style Light 1",
            "data": rows,
            "columns": [
                _table_column(book, sheet, number, head) for number in range(len(sheet.heads))
            ],
        },
    )
    page.freeze_panes(1, 0)
    page.set_row(0, 45)
    _set_up_print(page, delivery)


def _table_column(book: Any, sheet: Sheet, number: int, head: Any) -> dict[str, Any]:  # noqa: ANN401 - ships no types
    """Heading and format of one column."""
    column = {"header": sheet.heads[number], "header_format": head}
    if sheet.formats[number]:
        column["format"] = book.add_format({"num_format": sheet.formats[number]})
    return column


def _width(head: str, cells: Sequence[str | float | None]) -> float:
    """Width of a column in letters: its longest text or the longest word of its head."""
    texts = [len(cell) for cell in cells if isinstance(cell, str)]
    words = [len(word) + 2 for word in head.split()]
    return float(min(max([_NARROWEST, *texts, *words]), _WIDEST))


def _set_up_print(page: Any, delivery: Delivery) -> None:  # noqa: ANN401 - ships no types
    """Paper, direction, repeated head, running lines."""
    by_units = "letter" if delivery.project.heading.units == "us" else "A4"
    page.set_paper(_PAPERS[delivery.project.deliver.paper or by_units])
    page.set_landscape()
    page.fit_to_pages(1, 0)
    page.repeat_rows(0)
    page.set_margins(left=0.5, right=0.5, top=0.8, bottom=0.8)
    name = shown(delivery.project.heading.name).replace("&", "&&")
    page.set_header(f"&L{name}&R&A")
    page.set_footer(f"&L&8{cautions()[0]}&R&8Page &P of &N")


def _write_notes(book: Any, delivery: Delivery) -> None:  # noqa: ANN401 - ships no types
    """What has to be said, and where the volumes come from."""
    page = book.add_worksheet("Notes")
    wrapped = book.add_format({"text_wrap": True, "valign": "top"})
    volume, openings = delivery.layout.figures.volume, delivery.layout.figures.openings
    lines = [
        *filter(None, [approval_words(delivery)]),
        edition_words(delivery),
        *cautions(),
        *(f"Volumes from: {source}" for source in volume.sources),
        *left_out(volume),
        f"Size classes: {volume.size_class_rule}",
        f"Areas of openings: {edge_words(openings, delivery.project.heading.units)}",
        *delivery.layout.notices,
    ]
    page.set_column(0, 0, 110, wrapped)
    for row, line in enumerate(lines):
        page.write_string(row, 0, shown(line, longest=_LONGEST), wrapped)
    _set_up_print(page, delivery)


def _write(delivery: Delivery, folder: Path) -> None:
    """Write ``layout.xlsx``."""
    write_workbook(delivery, folder / WORKBOOK_FILE)


WORKBOOK = Deliverable(
    id="workbook", title="Workbook of all tables", files=(WORKBOOK_FILE,), write=_write
)
"""The tables as a spreadsheet."""


def csv_text(table: pd.DataFrame) -> str:
    """
    A table as CSV.

    Examples
    --------
    >>> table = pd.DataFrame({"name": pd.array(["=1+1"], dtype="string"), "area_m2": [0.1]})
    >>> print(csv_text(table), end="")
    "name","area_m2"
    "'=1+1",0.1
    """
    header = ",".join(_quoted(str(name)) for name in table.columns)
    cells = [_cells(values) for _, values in table.items()]
    lines = [header, *map(",".join, zip(*cells, strict=True))]
    return "\n".join(lines) + "\n"


def _cells(values: pd.Series) -> list[str]:
    """Every value of a column as it stands in the file."""
    kinds, known = pd.api.types, values.notna().to_numpy()
    if kinds.is_float_dtype(values.dtype):
        numbers = values.to_numpy(dtype="float64", na_value=np.nan)
    elif kinds.is_bool_dtype(values.dtype) or kinds.is_integer_dtype(values.dtype):
        numbers = values.to_numpy(dtype="int64", na_value=0)
    else:
        codes, texts = pd.factorize(values.to_numpy(dtype=object, na_value=""))
        quoted = [_quoted(text) if isinstance(text, str) else "" for text in texts.tolist()]
        return [quoted[code] for code in codes.tolist()]
    cells = np.full(len(values), "", dtype=object)
    cells[known] = [repr(number) for number in numbers[known].tolist()]
    return list(cells.tolist())


def _quoted(text: str) -> str:
    """A text in quotes that no spreadsheet runs."""
    guarded = f"'{text}" if text.startswith(FORMULA_STARTS) else text
    doubled = guarded.replace('"', '""')
    return f'"{doubled}"' if doubled else ""


def write_csv(table: pd.DataFrame, path: Path) -> None:
    """Write a table as CSV and count its rows again."""
    path.write_bytes(BOM_UTF8 + csv_text(table).encode("utf-8", "replace"))
    text = path.read_bytes().decode("utf-8-sig")
    rows = sum(1 for _ in csv.reader(io.StringIO(text, newline=""), strict=True)) - 1
    if rows != len(table):
        msg = f"{path.name} holds {rows} rows; expected {len(table)}. Check the disk and run again"
        raise OutputError(msg)


def write_layer(frame: pd.DataFrame, layer: Layer, delivery: Delivery, folder: Path) -> None:
    """Write one layer's columns as the CSV of its name."""
    table = written_frame(frame, layer, delivery.project.heading.units)
    write_csv(table, folder / f"{layer.name}.csv")


def _write_volume_by_zone(delivery: Delivery, folder: Path) -> None:
    """Write ``volume_by_zone.csv``."""
    write_layer(delivery.layout.volume_by_zone, VOLUME_LAYER, delivery, folder)


def _write_checks(delivery: Delivery, folder: Path) -> None:
    """Write ``checks.csv``."""
    shown = with_shown_units(delivery.checks, delivery.project.heading.units)
    write_layer(shown, CHECKS_SHOWN, delivery, folder)


def _write_openings(delivery: Delivery, folder: Path) -> None:
    """Write ``openings.csv``."""
    openings, units = delivery.layout.openings, delivery.project.heading.units
    table = written_frame(openings, OPENINGS_LAYER, units)
    more = {
        (name, *key): part[name].astype("float64" if name == "volume_net" else "Int64").to_numpy()
        for key, part in opening_volumes(delivery.layout).items()
        for name in ("volume_net", "trees_without")
        if part["trees_without"].any() or name == "volume_net"
    }
    names = unlike([_plain("_".join(key)).replace("volume_net", "volume") for key in more])
    columns = dict(zip(names, more.values(), strict=True))
    write_csv(table.assign(**columns), folder / f"{OPENINGS_LAYER.name}.csv")


def _plain(words: str) -> str:
    """A name of a column, of letters and digits."""
    return re.sub(r"\W+", "_", words).strip("_").casefold()


def _write_table(name: str, delivery: Delivery, folder: Path) -> None:
    """Write a layer or table of the layout under its name."""
    write_layer(getattr(delivery.layout, name), LAYERS[name], delivery, folder)


def _has_rows(name: str, delivery: Delivery) -> bool:
    """Whether a layer or table of the layout has any rows."""
    return bool(len(getattr(delivery.layout, name)))


def _if_any(name: str) -> Deliverable:
    """A table that is written only where it has rows."""
    return Deliverable(
        id=name,
        title=LAYERS[name].title,
        files=(f"{name}.csv",),
        write=partial(_write_table, name),
        wanted=partial(_has_rows, name),
    )


ALLOWANCE = _if_any("allowance")
"""Allowable removal, marked and remaining, quantity by quantity."""

CRUISE_PLOTS = _if_any("cruise_plots")
"""What each plot of the cruise says."""

STOCK_BY_CLASS = _if_any("stock_by_class")
"""Standing, marked and residual trees by size class."""

VOLUME_BY_ZONE = Deliverable(
    id="volume_by_zone",
    title=VOLUME_LAYER.title,
    files=("volume_by_zone.csv",),
    write=_write_volume_by_zone,
)
"""The tally by zone, product, species and size class."""

CHECKS = Deliverable(
    id="checks", title=CHECKS_SHOWN.title, files=("checks.csv",), write=_write_checks
)
"""Every thing that was held against a limit."""

OPENINGS = Deliverable(
    id="openings", title=OPENINGS_LAYER.title, files=("openings.csv",), write=_write_openings
)
"""The group openings with all their measures."""


def _write_beyond_reach(delivery: Delivery, folder: Path) -> None:
    """Write the cut marks that the machine does not reach, the farthest first."""
    marks = delivery.layout.marks
    beyond = marks[_beyond(delivery)].sort_values("reach_m", ascending=False)
    write_layer(beyond, replace(MARKS, name=BEYOND_REACH_LAYER), delivery, folder)


def _is_any_beyond(delivery: Delivery) -> bool:
    """Whether the machine's reach is stated and a cut mark is beyond it."""
    return "within_reach" in delivery.layout.marks and bool(_beyond(delivery).any())


def _beyond(delivery: Delivery) -> pd.Series:
    """Cut marks beyond reach."""
    marks = delivery.layout.marks
    kinds = ["cut", "line_tree"] if delivery.project.marks.line_trees_confirmed else ["cut"]
    return marks["kind"].isin(kinds) & ~marks["within_reach"].astype(bool)


CORRIDOR_GRADES = _if_any("corridor_grades")
"""Corridors piece by piece with their grades."""

EXTRACTION = _if_any("extraction")
"""Stretches of corridor with the wood that passes over them."""

WATER_CROSSINGS = _if_any("water_crossings")
"""Crossings of water and setbacks."""

RESIDUAL_BY_CLASS = _if_any("residual_by_class")
"""The stand before, marked and after, by size class and species."""

MARKING_RATIO = _if_any("marking_ratio")
"""Trees still to be marked by size class."""

REMOVALS_BY_REASON = _if_any("removals_by_reason")
"""Marked trees by reason, zone and product."""

RETENTION = _if_any("retention")
"""Retained trees by what they are kept for."""

CROP_TREES = _if_any("crop_trees")
"""Crop trees with the sides of their crowns."""

REGENERATION = _if_any("regeneration")
"""Patches of young growth."""

EXPOSED_EDGES = _if_any("exposed_edges")
"""Trees at new edges that are worth a look."""

BEYOND_REACH = Deliverable(
    id=BEYOND_REACH_LAYER,
    title="Marks beyond reach",
    files=(f"{BEYOND_REACH_LAYER}.csv",),
    write=_write_beyond_reach,
    wanted=_is_any_beyond,
)
"""Cut marks that the machine does not reach from a corridor."""
