"""
The workbook: the tables as a spreadsheet, in the units of the project, ready to sort and to print.

Numbers are unrounded and only shown with fewer digits. Texts are texts: none becomes a formula or a
link.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import pandas as pd

from glademark.contracts.layers import Column, Layer, Units, present
from glademark.contracts.measured_layers import OPENINGS
from glademark.contracts.residual_layers import RESIDUAL_TABLES
from glademark.contracts.result_tables import ALLOWANCE, REJECTED, VOLUME_BY_ZONE
from glademark.errors import shown
from glademark.report.columns import CHECKS_SHOWN, with_shown_units
from glademark.report.delivery import Deliverable, Delivery
from glademark.report.edge_words import edge_words
from glademark.report.layer_frames import table_frame
from glademark.report.quantities import basal_area_unit, sale_decimals, shown_unit
from glademark.report.site_rules import cautions
from glademark.report.verdicts import approval_words, edition_words, newest_day
from glademark.report.wood_by_zone import left_out, opening_volumes
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


@dataclass(frozen=True, kw_only=True, slots=True)
class Sheet:
    """
    One sheet: a table under a frozen head.

    Attributes
    ----------
    title
        On its tab.
    name
        Of the table.
    heads
        Headings with units; no two alike.
    formats
        How the numbers of each column are shown; empty for text.
    rows
        Cells: text, numbers, or None where there is nothing.
    """

    title: str
    name: str
    heads: Sequence[str]
    formats: Sequence[str]
    rows: Sequence[Sequence[str | float | None]]


def workbook_sheets(delivery: Delivery) -> tuple[Sheet, ...]:
    """Tables of the workbook."""
    units, layout = delivery.project.heading.units, delivery.layout
    checks = replace(
        CHECKS_SHOWN,
        columns=tuple(c for c in CHECKS_SHOWN.columns if c.name not in _SI_NUMBERS),
    )
    sheets = [
        _sheet(layout.volume_by_zone, VOLUME_BY_ZONE, units),
        _openings_sheet(layout, units),
        _sheet(with_shown_units(delivery.checks, units), checks, units),
    ]
    if len(layout.allowance):
        sheets.append(_sheet(_allowance_shown(layout.allowance, units), ALLOWANCE, units))
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
        for column in ALLOWANCE.columns
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
    sheet = _sheet(pd.DataFrame(layout.openings.drop(columns="geometry")), OPENINGS, units)
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
