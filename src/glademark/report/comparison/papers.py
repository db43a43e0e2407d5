"""The comparison as one page that loads and runs nothing, and as printed pages, with one map."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from importlib.resources import files
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from glademark.errors import OutputError
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
from glademark.report.papers.printed_text import PALE
from glademark.report.review_page.page import content_policy, page_template
from glademark.report.wording import cautions, field_text

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    import geopandas as gpd
    import numpy.typing as npt
    from reportlab.platypus import Flowable

    from glademark.comparison.comparison import Comparison
    from glademark.contracts.layout import Layout
    from glademark.report.delivery import Delivery

SYMBOLS = (
    ("matched", "dot", "marked and cut"),
    ("left_standing", "ring", "marked, no stump found"),
    ("unmarked", "triangle", "cut, no mark matched"),
    ("unmarked_in_corridor", "wedge", "cut, no mark matched, in a corridor"),
    ("tallied", "bar", "cut, counted on paper"),
    ("cleared", "diamond", "cut, no mark, cleared in an opening"),
    ("other", "square", "stump matched to a leave, line, danger or unconfirmed tree"),
)
"""Key, form and words of every symbol: told apart by form, not by colour."""

_SIMPLER_M = 0.2  # outlines may be drawn so much off [m]

SHEET_FILE = "compare.pdf"

_POINTS = 8.5

_PALE_INK = "#999999"

_WITHIN = ("matched", "tallied", "cleared")  # the contract: not what the eye should go to

_TICK = "\N{BALLOT BOX}"

PAGE_FILE = "compare.html"

_PARTS = "glademark.report.comparison"

_MAP_WIDTH = 900.0


@dataclass(frozen=True, kw_only=True, slots=True)
class MapShapes:
    """Shapes in paper units: x to the right, y down."""

    width: float
    height: float  # width and height: of the map
    scale: float  # metres of one unit
    areas: dict[str, list[npt.NDArray[np.float64]]]
    """By name (stand, corridor, opening, opening_after): rings, each (n, 2)."""
    lines: list[npt.NDArray[np.float64]]  # stretches driven off corridors, each (n, 2)
    points: dict[str, npt.NDArray[np.float64]]
    """By key of `SYMBOLS`: place and whether it is doubtful, each (n, 3)."""


def map_shapes(comparison: Comparison, layout: Layout, *, width: float) -> MapShapes:
    """The map of a comparison."""
    west, south, east, north = layout.stand.total_bounds
    margin = 0.03 * max(east - west, north - south)
    corner, scale = (west - margin, north + margin), (east - west + 2 * margin) / width
    placed = partial(_placed, corner=corner, scale=scale)
    parts = shapely.get_parts(comparison.driven_outside.geometry.to_numpy())
    return MapShapes(
        width=width,
        height=(north - south + 2 * margin) / scale,
        scale=scale,
        areas={
            "stand": [placed(xy) for xy in _rings(layout.stand)],
            "corridor": [placed(xy) for xy in _rings(layout.corridors)],
            "opening": [placed(xy) for xy in _rings(layout.openings)],
            "opening_after": [placed(xy) for xy in _rings(comparison.openings_after)],
        },
        lines=[placed(shapely.get_coordinates(line)) for line in parts],
        points={
            key: np.column_stack([placed(xy), doubtful])
            for key, (xy, doubtful) in _places_by_symbol(comparison).items()
        },
    )


def _placed(
    xy: npt.NDArray[np.float64], *, corner: tuple[float, float], scale: float
) -> npt.NDArray[np.float64]:
    """Places in paper units, from the upper left corner."""
    return np.column_stack([(xy[:, 0] - corner[0]) / scale, (corner[1] - xy[:, 1]) / scale])


def _rings(areas: gpd.GeoDataFrame) -> list[npt.NDArray[np.float64]]:
    """Outlines of areas, a little simplified."""
    parts = shapely.get_parts(areas.geometry.to_numpy())
    every = shapely.get_rings(shapely.simplify(parts, _SIMPLER_M))
    return [shapely.get_coordinates(ring) for ring in every]


def _places_by_symbol(
    comparison: Comparison,
) -> dict[str, tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]]:
    """Place of each stump and of each tree without one, by its symbol."""
    stumps, trees = comparison.stumps, comparison.trees
    standing = trees[(trees["kind"] == "cut") & (trees["finding"] == "no_stump")]
    own = {"matched", "unmarked", "unmarked_in_corridor", "tallied", "cleared"}
    rows = {key: stumps[stumps["finding"] == key] for key in own}
    rows |= {"left_standing": standing, "other": stumps[~stumps["finding"].isin(own)]}
    return {
        key: (
            shapely.get_coordinates(rows[key].geometry.to_numpy()),
            rows[key]["doubtful"].to_numpy(dtype=float),
        )
        for key, _, _ in SYMBOLS
    }


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


def comparison_page(comparison: Comparison, delivery: Delivery) -> str:
    """The page."""
    units = delivery.project.heading.units
    shapes = map_shapes(comparison, delivery.layout, width=_MAP_WIDTH)
    again, more = look_again(comparison, units)
    text = page_template(_PARTS).render(
        policy=content_policy(()).replace("script-src ;", "script-src 'none';"),
        style=(files(_PARTS) / "parts" / "page.css").read_text(encoding="utf-8"),
        name=field_text(delivery.project.heading.name),
        cautions=cautions(),
        how_to_read=HOW_TO_READ,
        match=match_lines(comparison, units),
        questions=question_lines(comparison),
        findings=findings_table(comparison, units),
        sample=sample_table(comparison, units),
        ground=ground_lines(comparison, units),
        limits=check_lines(comparison, units),
        damage=damage_table(comparison, units),
        damage_lines=damage_lines(comparison, units),
        again=again,
        more=more,
        notices=[field_text(one) for one in comparison.notices],
        map=shapes,
        areas={name: _path(rings, closed=True) for name, rings in shapes.areas.items()},
        tracks=_path(shapes.lines, closed=False),
        symbols=_symbols(shapes),
    )
    return str(text)


def _path(lines: list[npt.NDArray[np.float64]], *, closed: bool) -> str:
    """Lines or rings as the data of an SVG path."""
    end = "Z" if closed else ""
    return " ".join(
        "M" + " L".join(f"{x:.1f} {y:.1f}" for x, y in line.tolist()) + end for line in lines
    )


def _symbols(shapes: MapShapes) -> list[tuple[str, str, str, list[tuple[str, str, bool]]]]:
    """Symbols with key, form, words, and place and doubtful of each."""
    return [
        (
            key,
            form,
            words,
            [
                (f"{x:.1f}", f"{y:.1f}", bool(doubtful))
                for x, y, doubtful in shapes.points[key].tolist()
            ],
        )
        for key, form, words in SYMBOLS
        if len(shapes.points[key])
    ]


def write_page(comparison: Comparison, delivery: Delivery, path: Path) -> None:
    """Write ``compare.html`` and see that all of it is there."""
    content = comparison_page(comparison, delivery).encode("utf-8", "replace")
    path.write_bytes(content)
    if path.read_bytes() != content:
        msg = f"{path.name} does not hold what was written. Check the disk and run again"
        raise OutputError(msg)
