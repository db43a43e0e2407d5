"""What was seen in field files, on the terminal: plain lines, no text from a file in control."""

from collections.abc import Iterator, Sequence

from rich.console import Console
from rich.text import Text

from glademark.contracts.inspection import ColumnSeen, FileSeen, LayerSeen
from glademark.report.shown_text import shown_text

_PAINTS_MAX = 20
_NAME_WIDTH = 24
_LONGEST = 2000


def print_inspection(files: Sequence[FileSeen], console: Console) -> None:
    """
    Print what was seen in field files.

    Parameters
    ----------
    files
        As `glademark.intake.inspect` saw them.
    console
        Where to print.
    """
    for file in files:
        for line in inspection_lines(file):
            console.print(Text(line), soft_wrap=True)


def inspection_lines(file: FileSeen) -> Iterator[str]:
    """
    What was seen in one file, line by line.

    Parameters
    ----------
    file
        One file.

    Yields
    ------
    line
        Without control characters; an empty one at the end.
    """
    yield f"{shown_text(file.file)}  {file.format or 'refused'}"
    for problem in file.problems:
        yield f"  ! {shown_text(problem, longest=_LONGEST)}"
    for layer in file.layers:
        yield from _layer_lines(layer)
    yield ""


def _layer_lines(layer: LayerSeen) -> Iterator[str]:
    """One layer."""
    name = f" '{shown_text(layer.name)}'" if layer.name else ""
    number = f"{layer.records:,} record{'' if layer.records == 1 else 's'}"
    records = "" if layer.shape == "raster" else f", {number}"
    yield f"  {layer.shape or 'layer'}{name}{records}"
    if layer.input:
        key = "[volume] table" if layer.input == "volume_table" else f"[inputs] {layer.input}"
        yield f"    looks like   {key} ({layer.why})"
    if layer.name_pattern:
        yield f'    names        look like [marks] name_pattern = "{layer.name_pattern}"'
    if layer.crs or layer.crs_needed:
        yield f"    coordinates  {shown_text(layer.crs or 'system not said; it has to be stated')}"
    if layer.bounds:
        yield f"    lies         {layer.bounds}"
    for column in layer.columns:
        yield f"    column       {_column(column)}"
    if layer.paints:
        paints = ", ".join(f"{shown_text(name)} {n:,}" for name, n in layer.paints[:_PAINTS_MAX])
        yield f"    paint        {paints}"
    if layer.dbh_unit_needed:
        yield "    diameters    their unit is not said; it has to be stated"
    for problem in layer.problems:
        yield f"    ! {shown_text(problem, longest=_LONGEST)}"


def _column(column: ColumnSeen) -> str:
    """One column: its name, what it is read as, how much of it is filled, and an example."""
    unit = f" [{column.unit}]" if column.unit else ""
    meaning = f"{column.meaning}{unit}" if column.meaning else "kept as it is"
    example = f', such as "{shown_text(column.example, longest=40)}"' if column.example else ""
    header = shown_text(column.header, longest=_NAME_WIDTH)
    return f"{header:<{_NAME_WIDTH}} {meaning}; {column.filled:,} filled{example}"
