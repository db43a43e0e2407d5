"""
Sheets of a workbook (.xlsx) as rows of text.

The cells' values are read, never their formulas; a formula whose value was never worked out is
refused, since it would look like an empty cell.
"""

import warnings
from collections.abc import Iterator, Sequence
from datetime import date, datetime, time
from typing import Any

from glademark.errors import FileError, quoted, shown
from glademark.intake.columns.fields import is_known
from glademark.intake.columns.meanings import Meaning
from glademark.intake.formats.archive import refuse_unsafe_workbook
from glademark.intake.formats.delimited import reading_of_rows
from glademark.intake.formats.files import FieldFile
from glademark.intake.records import COLUMNS_MAX, Reading

HEADER_ROWS = 20
"""The header stands in one of the first rows; titles and remarks may stand above it."""

_SheetRows = Sequence[tuple[int, list[str]]]


def read_spreadsheet(file: FieldFile, meanings: Sequence[Meaning], *, sheet: str | None) -> Reading:
    """Rows of one sheet, each cell as text."""
    sheets = sheets_of(file)
    name = _sheet(sheets, meanings, sheet, file)
    rows = sheets[name]
    start = header_place(rows, meanings)
    width = len(rows[start][1])
    padded = ((number, cells + [""] * (width - len(cells))) for number, cells in rows[start:])
    return reading_of_rows(padded, file, noun="row", decimal_comma=True)


def sheets_of(file: FieldFile) -> dict[str, _SheetRows]:
    """Rows with a value of every sheet."""
    with_formulas = refuse_unsafe_workbook(file.copy, file.name)
    sheets = _values(file, data_only=True)
    if with_formulas:
        _refuse_uncomputed(sheets, _values(file, data_only=False), file)
    return sheets


def header_place(rows: _SheetRows, meanings: Sequence[Meaning]) -> int:
    """Place of the header among rows: the first that names most of what is looked for."""
    known = [_known(cells, meanings) for _, cells in rows[:HEADER_ROWS]]
    return known.index(max(known)) if known else 0


def _sheet(
    sheets: dict[str, _SheetRows], meanings: Sequence[Meaning], wanted: str | None, file: FieldFile
) -> str:
    """Name of the sheet to read: the one that is stated, else the only one with known columns."""
    filled = [name for name, rows in sheets.items() if rows]
    if wanted is not None:
        if wanted in filled:
            return wanted
        msg = (
            f"{file.name}: there is no sheet '{shown(wanted)}' with rows; there are "
            f"{quoted(filled)}. Correct it in [inputs]."
        )
        raise FileError(msg)
    fitting = [
        name
        for name in filled
        if _known(sheets[name][header_place(sheets[name], meanings)][1], meanings) >= _KNOWN_MIN
    ]
    likely = fitting or filled
    if len(likely) == 1:
        return likely[0]
    if not likely:
        msg = f"{file.name}: the workbook holds no rows. Save it again."
        raise FileError(msg)
    msg = (
        f"{file.name}: there are {len(likely)} sheets: {quoted(likely)}. Say which in [inputs]: "
        f'{file.input} = {{file = "{file.name}", layer = "…"}}.'
    )
    raise FileError(msg)


def _values(file: FieldFile, *, data_only: bool) -> dict[str, _SheetRows]:
    """Every sheet with its rows; formulas instead of their values where these are not wanted."""
    from openpyxl import load_workbook  # noqa: PLC0415 - only where a workbook is read

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # about styles and extensions, which are not read
            book = load_workbook(file.copy, read_only=True, data_only=data_only, keep_links=False)
            try:
                return {sheet.title: list(_sheet_rows(sheet, file)) for sheet in book.worksheets}
            finally:
                book.close()
    except FileError:
        raise
    except Exception as error:  # a damaged part makes openpyxl raise almost anything
        msg = f"{file.name}: the workbook is damaged. Save it again with a spreadsheet program."
        raise FileError(msg) from error


def _sheet_rows(sheet: Any, file: FieldFile) -> Iterator[tuple[int, list[str]]]:  # noqa: ANN401 - ships no types
    """Number and cells of every row that holds something."""
    sheet.reset_dimensions()  # what a sheet says of its size is often wrong
    for number, values in enumerate(sheet.iter_rows(values_only=True), start=1):
        cells = [_text(value) for value in values]
        while cells and not cells[-1]:
            cells.pop()
        if len(cells) > COLUMNS_MAX:
            msg = (
                f"{file.name}, row {number} of '{shown(sheet.title)}': more than {COLUMNS_MAX:,} "
                "columns. Save the sheet with those that matter."
            )
            raise FileError(msg)
        if cells:
            yield number, cells


def _text(value: object) -> str:
    """A cell as text: whole numbers without a decimal point, moments in the order of ISO 8601."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 2**53 else repr(value)
    if isinstance(value, datetime):
        return value.isoformat(" ").removesuffix(" 00:00:00")
    return value.isoformat() if isinstance(value, date | time) else str(value).strip()


def _refuse_uncomputed(
    values: dict[str, _SheetRows], formulas: dict[str, _SheetRows], file: FieldFile
) -> None:
    """Refuse a sheet of which no program has worked out the formulas yet."""
    for name, rows in formulas.items():
        known = dict(values[name])
        places = [
            (number, place)
            for number, cells in rows
            for place, cell in enumerate(cells)
            if cell.startswith("=")
        ]
        if places and not any(any(known.get(row, [])[at : at + 1]) for row, at in places):
            msg = (
                f"{file.name}, row {places[0][0]} of '{shown(name)}': a formula without its value. "
                "Open the workbook in a spreadsheet program and save it there."
            )
            raise FileError(msg)
