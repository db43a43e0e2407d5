"""Tables of text that flow over sheets, narrow ones side by side, heads repeated."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from glademark.report.map_sheets.page import GREY, PALE, Fill, Lettering, Stroke
from glademark.report.map_sheets.paper import LEADING, Box, Face, broken, text_width

if TYPE_CHECKING:
    from collections.abc import Sequence

    from glademark.report.map_sheets.page import Page

SIZE = 6.8
_TITLE_PT = 17.0
_CELL_GAP_PT = 9.0
_ROW_GAP_PT = 2.6
_AFTER_PT = 10.0
_BESIDE_PT = 22.0  # between two tables side by side
_LEAST_PT = 34.0  # that a column is not narrowed below
_KEPT_SHARE = 0.6  # of a sheet: a table up to that height is not split
_LEAST_ROWS = 4  # that stay with a title


@dataclass(frozen=True, kw_only=True, slots=True)
class TextTable:
    """A table."""

    title: str  # over it
    heads: tuple[str, ...]  # of its columns; no head where all are empty
    rows: tuple[tuple[str, ...], ...]  # cells as text
    rights: frozenset[int] = frozenset()  # numbers of the columns that stand to the right
    bold: frozenset[int] = field(default_factory=frozenset)  # numbers of the rows in bold
    notes: tuple[str, ...] = ()  # sentences below it


@dataclass(frozen=True, kw_only=True, slots=True)
class _Line:
    """One row of a table, broken into lines, or its title, head or a note."""

    kind: str  # title, head, row, bold, note
    cells: tuple[tuple[str, ...], ...]
    height: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Piece:
    """What of a table stands on one sheet."""

    box: Box  # where, from its top
    widths: tuple[float, ...]  # of the columns
    rights: frozenset[int]  # numbers of the columns that stand to the right
    lines: tuple[_Line, ...]  # title, head, rows and notes


def flowed(tables: Sequence[TextTable], body: Box) -> list[list[Piece]]:
    """Tables shared out to sheets."""
    sheets: list[list[Piece]] = [[]]
    top = body.top
    for band in _bands(tables, body.width):
        height = max(sum(line.height for line in _lines(table, body.width)) for table in band)
        whole = len(band) > 1 or height <= body.height * _KEPT_SHARE
        if sheets[-1] and top - body.bottom < (height if whole else _least_height(band[0], body)):
            sheets.append([])
            top = body.top
        if len(band) == 1:
            top = _flow(sheets, band[0], body, top)
            continue
        left = body.left
        for table in band:
            box = Box(left=left, bottom=top - height, width=body.width, height=height)
            sheets[-1].append(_piece(table, box, tuple(_lines(table, body.width))))
            left += _table_width(table, body.width) + _BESIDE_PT
        top -= height + _AFTER_PT
    return [sheet for sheet in sheets if sheet]


def _bands(tables: Sequence[TextTable], width: float) -> list[list[TextTable]]:
    """Tables in rows of one or more, narrow ones side by side."""
    waiting = list(tables)
    bands = []
    while waiting:
        band = [waiting.pop(0)]
        room = width - _table_width(band[0], width) - _BESIDE_PT
        for table in list(waiting):
            if _table_width(table, width) <= room:
                waiting.remove(table)
                band.append(table)
                room -= _table_width(table, width) + _BESIDE_PT
        bands.append(band)
    return bands


def _flow(sheets: list[list[Piece]], table: TextTable, body: Box, top: float) -> float:
    """Let a table flow down a sheet and over the next ones; where the next table begins."""
    lines = _lines(table, body.width)
    start = [line for line in lines if line.kind in {"title", "head"}]
    lines = lines[len(start) :]
    while True:
        room = top - body.bottom - sum(line.height for line in start)
        fitting = 0
        while fitting < len(lines) and (lines[fitting].height <= room or fitting == 0):
            room -= lines[fitting].height
            fitting += 1
        box = Box(left=body.left, bottom=body.bottom, width=body.width, height=top - body.bottom)
        sheets[-1].append(_piece(table, box, (*start, *lines[:fitting])))
        lines = lines[fitting:]
        if not lines:
            return body.bottom + room - _AFTER_PT
        sheets.append([])
        top = body.top


def _piece(table: TextTable, box: Box, lines: tuple[_Line, ...]) -> Piece:
    """Some lines of a table in a box."""
    return Piece(box=box, widths=_widths(table, box.width), rights=table.rights, lines=lines)


def _least_height(table: TextTable, body: Box) -> float:
    """What a table wants of a sheet on which it begins."""
    return sum(line.height for line in _lines(table, body.width)[: _LEAST_ROWS + 2])


def _face(kind: str) -> Face:
    """Face of the letters of a row."""
    return "plain" if kind in {"row", "note"} else "bold"


def _widths(table: TextTable, width: float) -> tuple[float, ...]:
    """Widths of the columns: what they need, the widest narrowed until all fit."""
    kinds = [
        "bold",
        *("bold" if number in table.bold else "row" for number in range(len(table.rows))),
    ]
    rows = [table.heads, *table.rows]
    needed = [
        max(text_width(row[at], SIZE, _face(kind)) for row, kind in zip(rows, kinds, strict=True))
        for at in range(len(table.heads))
    ]
    room = width - _CELL_GAP_PT * (len(needed) - 1)
    while sum(needed) > room:
        widest = max(range(len(needed)), key=needed.__getitem__)
        if needed[widest] <= _LEAST_PT:
            break
        excess = sum(needed) - room
        needed[widest] = max(_LEAST_PT, needed[widest] - excess, needed[widest] * 0.9)
    return tuple(needed)


def _table_width(table: TextTable, width: float) -> float:
    """Width of a table, its notes not counted unless they are wider than half of the sheet."""
    widths = _widths(table, width)
    notes = max((text_width(note, SIZE - 0.4) for note in table.notes), default=0.0)
    columns = sum(widths) + _CELL_GAP_PT * (len(widths) - 1)
    return max(columns, min(notes, width * 0.42), text_width(table.title, 9, "bold"))


def _lines(table: TextTable, width: float) -> list[_Line]:
    """Every line of a table with its height."""
    widths = _widths(table, width)
    lines = [_Line(kind="title", cells=((table.title,),), height=_TITLE_PT)]
    if any(table.heads):
        lines.append(_row("head", table.heads, widths))
    for number, row in enumerate(table.rows):
        lines.append(_row("bold" if number in table.bold else "row", row, widths))
    room = _table_width(table, width)
    for note in table.notes:
        words = tuple(broken(note, room, SIZE - 0.4))
        lines.append(_Line(kind="note", cells=(words,), height=len(words) * SIZE * LEADING + 1))
    return lines


def _row(kind: str, cells: Sequence[str], widths: tuple[float, ...]) -> _Line:
    """A row broken into the widths of its columns."""
    found = tuple(
        tuple(broken(words, width + 0.5, SIZE, _face(kind)))
        for words, width in zip(cells, widths, strict=True)
    )
    most = max([1, *(len(lines) for lines in found)])
    return _Line(kind=kind, cells=found, height=most * SIZE * LEADING + _ROW_GAP_PT)


def draw_pieces(page: Page, pieces: Sequence[Piece]) -> None:
    """Draw what stands on one sheet."""
    for piece in pieces:
        top = piece.box.top
        for line in piece.lines:
            box = Box(
                left=piece.box.left,
                bottom=top - line.height,
                width=piece.box.width,
                height=line.height,
            )
            _draw_line(page, box, piece, line)
            top -= line.height


def _draw_line(page: Page, box: Box, piece: Piece, line: _Line) -> None:
    """Draw one line of a table."""
    if line.kind == "title":
        page.text(box.left, box.top - 12, line.cells[0][0], Lettering(size=9, face="bold"))
    elif line.kind == "note":
        lettering = Lettering(size=SIZE - 0.4, colour=GREY)
        page.lines_of_text(box.left, box.top - 1.5, line.cells[0], lettering)
    else:
        _draw_cells(page, box, piece, line)


def _draw_cells(page: Page, box: Box, piece: Piece, line: _Line) -> None:
    """Draw the cells of a row or head."""
    width = sum(piece.widths) + _CELL_GAP_PT * (len(piece.widths) - 1)
    if line.kind == "head":
        ground = Box(left=box.left, bottom=box.bottom, width=width, height=box.height)
        page.box(ground, Fill(face=PALE), level=2)
    stroke = Stroke(width=0.8) if line.kind == "head" else Stroke(colour="#c9c9c9", width=0.3)
    page.line([box.left, box.left + width], [box.bottom] * 2, stroke, level=3)
    left = box.left
    for column, (words, room) in enumerate(zip(line.cells, piece.widths, strict=True)):
        right = column in piece.rights
        lettering = Lettering(size=SIZE, face=_face(line.kind), align="right" if right else "left")
        page.lines_of_text(left + (room if right else 0), box.top - 1.2, words, lettering)
        left += room + _CELL_GAP_PT
