"""Tables on a terminal of any width: side by side where nothing is cut, else row by row."""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

from rich.console import Console, ConsoleOptions, RenderableType, RenderResult
from rich.padding import Padding
from rich.table import Table
from rich.text import Text


@dataclass(frozen=True)
class Fitted:
    """A table whose rows stand below each other where its columns have no room for every word."""

    table: Table

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Print the table, or its rows."""
        lines = console.render_lines(self.table, options, pad=False)
        shown = Counter(" ".join(part.text for line in lines for part in line).split())
        asked = Counter(word for cell in self._cells() for word in cell.plain.split())
        if asked <= shown:
            yield self.table
        else:
            yield from self._stacked()

    def _cells(self) -> Iterator[Text]:
        """Every cell, heads among them."""
        for column in self.table.columns:
            yield _text(column.header)
            yield from map(_text, column.cells)

    def _stacked(self) -> Iterator[RenderableType]:
        """Each row as its first cell, and below it the others behind their heads."""
        heads = [_text(column.header) for column in self.table.columns]
        for row in zip(*(column.cells for column in self.table.columns), strict=True):
            first, *others = map(_text, row)
            yield Text.assemble(heads[0], " " if heads[0] else "", first, overflow="fold")
            for head, cell in zip(heads[1:], others, strict=True):
                if cell:
                    line = Text.assemble(head, ": " if head else "", cell, overflow="fold")
                    yield Padding(line, (0, 0, 0, 2))
        if self.table.caption:
            yield _text(self.table.caption)


def _text(cell: RenderableType | None) -> Text:
    """A cell as text."""
    return cell if isinstance(cell, Text) else Text.from_markup(str(cell or ""))
