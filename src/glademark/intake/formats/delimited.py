"""
Rows of text from text files, whatever wrote them, and from sheets of a workbook (.xlsx).

Of a workbook the cells' values are read, never their formulas; a formula whose value was never
worked out is refused, since it would look like an empty cell.
"""

import csv
import io
import re
import warnings
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import date, datetime, time
from itertools import chain, islice
from typing import Any

import pandas as pd

from glademark.errors import FileError, counted, listed, quoted, shown
from glademark.intake.columns.fields import is_known
from glademark.intake.columns.meanings import Meaning
from glademark.intake.formats.files import FieldFile, refuse_unsafe_workbook
from glademark.intake.record_log import COLUMNS_MAX, Reading, refuse_columns

LINE_MAX = 2**20
"""Longest cell [characters]; csv has a limit for the whole process, which is left alone."""

SEPARATORS = (",", ";", "\t", "|")
_SAMPLE_ROWS = 50
_LEAD_ROWS = 20  # above the header: what a receiver says of itself
_KNOWN_MIN = 2  # names in a row that make it the header
_UTF8_MARK = b"\xef\xbb\xbf"
_STATED_SEPARATOR = re.compile(r"sep=(.)\r?\n", re.IGNORECASE)

HEADER_ROWS = 20
"""The header stands in one of the first rows; titles and remarks may stand above it."""

_SheetRows = Sequence[tuple[int, list[str]]]


def read_delimited(file: FieldFile, meanings: Sequence[Meaning]) -> Reading:
    """Rows of a CSV or TSV file, each cell as trimmed text."""
    text, notices = _decoded(file)
    text, stated = _without_stated_separator(text)
    separator = stated or _separator(text, meanings)
    rows = _rows(text, separator, file, first_line=2 if stated else 1)
    rows, passed = _from_header(rows, meanings)
    reading = reading_of_rows(rows, file, noun="line", decimal_comma=separator != ",")
    if passed:
        notices.append(
            f"{file.name}: the header is read from line {passed[-1]}; what stands above is passed "
            "over."
        )
    return replace(reading, notices=(*notices, *reading.notices))


def _from_header(
    rows: Iterator[tuple[int, list[str]]], meanings: Sequence[Meaning]
) -> tuple[Iterator[tuple[int, list[str]]], list[int]]:
    """Rows from the header on, and its line where rows above it are passed over."""
    lead = list(islice(rows, _LEAD_ROWS))
    at = _header_place([cells for _, cells in lead], meanings)
    return chain(lead[at:], rows), [lead[at][0]] if at else []


def _header_place(rows: Sequence[Sequence[str]], meanings: Sequence[Meaning]) -> int:
    """The first row that names several columns, where the very first is none."""
    first = _known(rows[0], meanings) if rows else 0
    if first and (first >= _KNOWN_MIN or len(rows[0]) > 1):
        return 0
    named = (at for at, cells in enumerate(rows) if _known(cells, meanings) >= _KNOWN_MIN)
    return next(named, 0)


def _known(cells: Sequence[str], meanings: Sequence[Meaning]) -> int:
    """How many cells name a column."""
    return sum(is_known(cell, meanings) for cell in cells[:COLUMNS_MAX] if cell)


def reading_of_rows(
    rows: Iterator[tuple[int, list[str]]], file: FieldFile, *, noun: str, decimal_comma: bool
) -> Reading:
    """Records of numbered rows of cells, the first of which names the columns."""
    written = ((line, cells) for line, cells in rows if any(map(str.strip, cells)))
    header_line, header = next(written, (0, []))
    if not header:
        msg = f"{file.name}: there is no header {noun}. The first {noun} must name the columns."
        raise FileError(msg)
    refuse_columns(len(header), file)
    header = _named(header)
    lines, cells, spoiled, repeated = _sorted_out(rows, header, noun)
    notices = []
    if repeated:
        where = listed(f"{noun} {line}" for line in repeated)
        notices.append(f"{file.name}: the header stands again in {where}; files were joined there.")
    if not lines and not spoiled:
        msg = f"{file.name}: there are no rows below the header in {noun} {header_line}."
        raise FileError(msg)
    frame = _frame(cells, header)
    blank = (frame.iloc[:, 0] == "").to_numpy(copy=True)
    blank[blank] = (frame[blank] == "").all(axis=1).to_numpy()
    record = pd.Series(lines, dtype="int64")
    if blank.any():
        frame, record = frame[~blank].reset_index(drop=True), record[~blank].reset_index(drop=True)
    return Reading(
        file=file,
        rows=frame,
        record=record,
        noun=noun,
        decimal_comma=decimal_comma,
        spoiled=tuple(spoiled),
        notices=tuple(notices),
    )


def _decoded(file: FieldFile) -> tuple[str, list[str]]:
    """Text of the file, and what to say about its encoding."""
    try:
        content = file.copy.read_bytes()
    except OSError as error:
        msg = f"{file.name}: the file cannot be read ({error.strerror})."
        raise FileError(msg) from error
    try:
        if content.startswith((b"\xff\xfe", b"\xfe\xff")):
            return content.decode("utf-16"), []
        if b"\x00" in content:
            msg = f"{file.name}: this is no text: it holds zero bytes. Export it again as CSV."
            raise FileError(msg)
        return content.removeprefix(_UTF8_MARK).decode("utf-8"), []
    except UnicodeDecodeError as error:
        if content.startswith((_UTF8_MARK, b"\xff\xfe", b"\xfe\xff")):
            msg = f"{file.name}: the text is damaged at byte {error.start}. Export it again."
            raise FileError(msg) from error
    notice = f"{file.name}: not UTF-8; read as Windows-1252. Check names with accents."
    return content.decode("cp1252", errors="replace"), [notice]


def _without_stated_separator(text: str) -> tuple[str, str]:
    """Text after a first line such as ``sep=;``, and that separator."""
    found = _STATED_SEPARATOR.match(text)
    return (text[found.end() :], found[1]) if found else (text, "")


def _separator(text: str, meanings: Sequence[Meaning]) -> str:
    """The sign that gives the header most known names, and most rows as many cells as it."""
    lines = "\n".join(text[:LINE_MAX].splitlines()[: 2 * _SAMPLE_ROWS])

    def fit(separator: str) -> tuple[int, float, int]:
        reader = csv.reader(io.StringIO(lines), delimiter=separator)
        rows = [row for row in _until_error(reader) if any(row)][:_SAMPLE_ROWS]
        if not rows:
            return (0, 0.0, 0)
        rows = rows[_header_place(rows[:_LEAD_ROWS], meanings) :]
        fitting = sum(len(row) == len(rows[0]) for row in rows) / len(rows)
        return _known(rows[0], meanings), fitting, len(rows[0])

    return max(SEPARATORS, key=fit)


def _until_error(reader: Iterable[list[str]]) -> Iterator[list[str]]:
    """Rows up to the first that cannot be read."""
    try:
        yield from reader
    except csv.Error:
        return


def _rows(
    text: str, separator: str, file: FieldFile, *, first_line: int
) -> Iterator[tuple[int, list[str]]]:
    """First line and cells of every row that is not empty."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    line = first_line
    try:
        for row in reader:
            if any(row):
                yield line, row
            line = first_line + reader.line_num
    except csv.Error as error:
        msg = (
            f"{file.name}, line {line}: a cell is too long, or the quotes do not match up "
            f"({error}). Correct the line, or export the file again."
        )
        raise FileError(msg) from error


def _frame(cells: Sequence[str], header: Sequence[str]) -> pd.DataFrame:
    """Columns of trimmed text, without nameless ones that hold nothing."""
    width = len(header)
    columns = [pd.Series(list(map(str.strip, cells[n::width])), dtype="str") for n in range(width)]
    kept = [n for n, name in enumerate(header) if not _is_filler(name, columns[n])]
    rows = pd.RangeIndex(len(cells) // width)
    frame = pd.DataFrame({n: columns[n] for n in kept}, index=rows)
    frame.columns = pd.Index([header[n] for n in kept])
    return frame


def _named(header: Sequence[str]) -> list[str]:
    """Header in which a column without a name is called after its place."""
    return [name.strip() or f"column_{place}" for place, name in enumerate(header, start=1)]


def _is_filler(name: str, cells: pd.Series) -> bool:
    """A nameless column without a value, as separators at the end of lines make it."""
    return name.startswith("column_") and bool((cells == "").to_numpy().all())


def _sorted_out(
    rows: Iterable[tuple[int, list[str]]], header: Sequence[str], noun: str
) -> tuple[list[int], list[str], list[tuple[int, str]], list[int]]:
    """Lines of sound rows and all their cells, spoiled rows, and lines that repeat the header."""
    lines: list[int] = []
    sound: list[str] = []  # flat: lists by the row would keep the garbage collector busy
    spoiled: list[tuple[int, str]] = []
    repeated: list[int] = []
    width = len(header)
    for line, cells in rows:
        if len(cells) > width and not any(map(str.strip, cells[width:])):
            del cells[width:]
        if len(cells) != width:
            if not any(map(str.strip, cells)):
                continue
            said = f"{counted(len(cells), 'cell')} where the header has {width}; correct the {noun}"
            spoiled.append((line, said))
        elif cells == header:
            repeated.append(line)
        else:
            lines.append(line)
            sound += cells
    return lines, sound, spoiled, repeated


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
