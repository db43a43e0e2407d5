"""The comparison as printed pages: what was seen, how sure, what to look at again on the ground."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from glademark.report.comparison.map_shapes import SYMBOLS, MapShapes, map_shapes
from glademark.report.comparison.wording import (
    HOW_TO_READ,
    Rows,
    check_lines,
    damage_lines,
    damage_table,
    findings_table,
    ground_lines,
    look_again,
    match_lines,
    question_lines,
    sample_table,
)
from glademark.report.papers.printed_page import (
    GREY,
    INK,
    Grid,
    Paper,
    boxed,
    gap,
    heading,
    papers_of,
    table,
    text,
    write_pdf,
)
from glademark.report.papers.printed_paragraphs import PALE

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from reportlab.platypus import Flowable

    from glademark.comparison.comparison import Comparison
    from glademark.report.delivery import Delivery

SHEET_FILE = "compare.pdf"

_POINTS = 8.5
_PALE_INK = "#999999"
_WITHIN = ("matched", "tallied", "cleared")  # the contract: not what the eye should go to
_TICK = "\N{BALLOT BOX}"


def write_sheet(comparison: Comparison, delivery: Delivery, path: Path) -> None:
    """Write ``compare.pdf``."""
    title, subject = "After the cut: findings", "Seen after the cut, held against the layout"
    (paper,) = papers_of(delivery, title=title, subject=subject, sizes=(_POINTS,))
    units = delivery.project.heading.units
    again, more = look_again(comparison, units)
    ticked = Rows(heads=("", *again.heads), rows=tuple((_TICK, *row) for row in again.rows))
    story: list[Flowable] = [boxed([text(one, paper) for one in HOW_TO_READ], paper)]
    story += _lines("Match", match_lines(comparison, units), paper)
    story += _lines("What the contract asks", question_lines(comparison), paper)
    story += _grid("Findings", findings_table(comparison, units), (3, 1.3, 3.2, 2.4, 1.6), paper)
    story += _lines("Ground", ground_lines(comparison, units), paper)
    story += _lines("Limits, with the openings as walked", check_lines(comparison, units), paper)
    story += _grid(
        "Damage to the trees left", damage_table(comparison, units), (3, 1, 1, 1.2, 1.2, 2.6), paper
    )
    story += _lines("Causes, ruts and regeneration", damage_lines(comparison, units), paper)
    story += _grid(
        "Estimates for the stand from the places walked",
        sample_table(comparison, units),
        (3, 1.4, 2, 2, 3),
        paper,
    )
    story += _grid("Look at these again on the ground", ticked, (0.5, 2, 4, 2, 1.2, 1.2), paper)
    if more:
        story.append(text(f"And {more:,} more, in compare.gpkg.", paper))
    story += _lines("Notices", list(comparison.notices), paper)
    story += _map(map_shapes(comparison, delivery.layout, width=paper.width_pt), paper)
    write_pdf(path, paper, story)


def _lines(title: str, lines: Sequence[str], paper: Paper) -> list[Flowable]:
    """Sentences under a heading; nothing without any."""
    if not lines:
        return []
    parts: list[Flowable] = [*heading(title, paper)]
    for line in lines:
        parts += [text(line, paper), gap(paper, lines=0.15)]
    return parts


def _grid(title: str, rows: Rows, widths: tuple[float, ...], paper: Paper) -> list[Flowable]:
    """A table under a heading; nothing without rows."""
    if not rows.rows:
        return []
    grid = Grid(heads=rows.heads, rows=rows.rows, widths=widths)
    return [*heading(title, paper), table(grid, paper)]


def _map(shapes: MapShapes, paper: Paper) -> list[Flowable]:
    """The map and its key."""
    from reportlab.graphics.shapes import Drawing, Group  # noqa: PLC0415 - heavy
    from reportlab.platypus import KeepTogether  # noqa: PLC0415 - heavy

    room = paper.size_pt[1] * 0.62
    factor = min(1.0, room / shapes.height)
    group = Group(transform=(factor, 0, 0, -factor, 0, shapes.height * factor))
    for part in (*_areas(shapes), *_tracks(shapes), *_points(shapes)):
        group.add(part)
    drawing = Drawing(shapes.width * factor, shapes.height * factor)
    drawing.add(group)
    key = "; ".join(
        f"{form}: {words} ({len(shapes.points[name])})"
        for name, form, words in SYMBOLS
        if len(shapes.points[name])
    )
    said = (
        f"{key[:1].upper()}{key[1:]}. Pale: doubtful. Grey: corridors. Thin: openings as laid; "
        "dashed: as walked after the cut. Heavy: driven off corridors. North is up."
    )
    return [KeepTogether([*heading("Map", paper), drawing, text(said, paper, scale=0.9)])]


def _areas(shapes: MapShapes) -> list[Any]:
    """Outlines and corridors."""
    from reportlab.graphics.shapes import Polygon  # noqa: PLC0415 - heavy

    styles: tuple[tuple[str, dict[str, Any]], ...] = (
        ("corridor", {"fillColor": _colour(PALE), "strokeColor": None}),
        ("stand", {"strokeWidth": 1.2}),
        ("opening", {"strokeWidth": 0.5}),
        ("opening_after", {"strokeWidth": 0.8, "strokeDashArray": [4, 2]}),
    )
    return [
        Polygon(ring.ravel().tolist(), **{"fillColor": None, "strokeColor": _colour(INK), **style})
        for name, style in styles
        for ring in shapes.areas[name]
    ]


def _tracks(shapes: MapShapes) -> list[Any]:
    """Stretches driven off corridors."""
    from reportlab.graphics.shapes import PolyLine  # noqa: PLC0415 - heavy

    return [
        PolyLine(line.ravel().tolist(), strokeWidth=2.2, strokeColor=_colour(INK))
        for line in shapes.lines
    ]


def _points(shapes: MapShapes) -> list[Any]:
    """A symbol for each stump and each tree without one."""
    from reportlab.graphics.shapes import Circle, Polygon  # noqa: PLC0415 - heavy

    ink, pale, grey = _colour(INK), _colour(_PALE_INK), _colour(GREY)
    outlines = {
        "triangle": (0, -4, 3.6, 2.6, -3.6, 2.6),
        "wedge": (0, 4, 3.6, -2.6, -3.6, -2.6),
        "square": (-3, -3, 3, -3, 3, 3, -3, 3),
        "diamond": (0, -2.2, 2.2, 0, 0, 2.2, -2.2, 0),
        "bar": (-2.2, -0.5, 2.2, -0.5, 2.2, 0.5, -2.2, 0.5),
    }
    drawn: list[Any] = []
    for key, form, _ in SYMBOLS:
        for x, y, doubtful in shapes.points[key].tolist():
            colour = pale if doubtful else ink
            if key in _WITHIN and not doubtful:
                colour = grey
            if form == "dot":
                drawn.append(Circle(x, y, 1.1, fillColor=colour, strokeColor=None))
            elif form == "ring":
                drawn.append(Circle(x, y, 3.2, fillColor=None, strokeColor=colour))
            else:
                flat = [x + v if at % 2 == 0 else y + v for at, v in enumerate(outlines[form])]
                drawn.append(Polygon(flat, fillColor=colour, strokeColor=None))
    return drawn


def _colour(name: str) -> Any:  # noqa: ANN401 - ships no types
    """A colour by its code."""
    from reportlab.lib.colors import HexColor  # noqa: PLC0415 - heavy

    return HexColor(name)
