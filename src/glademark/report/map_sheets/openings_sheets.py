"""Openings sheets: one small map per opening, all at one scale, its measures and limits below."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from glademark.errors import counted
from glademark.report.layer_frames import volume_text
from glademark.report.map_sheets.arrangement import sheet_body
from glademark.report.map_sheets.content import DISTANCE, shape_outline
from glademark.report.map_sheets.coordinates import (
    BARS_PT,
    draw_grid,
    draw_scale,
    lon_lat,
    lon_lat_words,
)
from glademark.report.map_sheets.map_drawing import draw_map
from glademark.report.map_sheets.map_labels import Label, Line, draw_labels, map_labels
from glademark.report.map_sheets.page import INK, Fill, Lettering
from glademark.report.map_sheets.paper import (
    LEADING,
    Box,
    Face,
    MapFrame,
    broken,
    fitting_scale,
    frame_over,
    paper_size,
)
from glademark.report.papers.printed_text import printable
from glademark.report.quantities import (
    MISSING,
    basal_area_unit,
    show,
    show_against,
    show_area,
    show_length,
    show_number,
)
from glademark.report.wording import WORST_FIRST, lower_and_upper, name_text, unit_text, words_of

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterator, Mapping, Sequence

    from glademark.contracts.layers import Units
    from glademark.report.map_sheets.content import MapContent
    from glademark.report.map_sheets.page import Page

TITLE_PT = 14.0
_SIZE = 6.3
_AREA_LIMITS = ("opening_area_max", "opening_area_min")
_VERDICTS = {"exceeded": "LIMIT EXCEEDED", "near": "near a limit", "met": "limits met",
             "not_checked": "limits not checked", "": "no limit given"}  # fmt: skip

_BOUNDS = {"max": "at most", "min": "at least"}

ENLARGED = 1.5
"""Size of the symbols of trees on these maps, against the overview."""

_GAP_PT = 10.0

_EDGE_PT = 9.0

_CELL_PT = 176.0  # least width of a cell

_OFF_PT = 2.5  # between a distance and its label

_LEAST_MAP_PT = 94.0  # least height of a map

_WORDS = (
    "A limit with no word behind it is met. Grid north is up; all maps have one scale; symbols as "
    "on the overview."
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Caption:
    """What stands at the map of an opening."""

    title: str  # over it, on the left
    verdict: str  # over it, on the right: the worst that limits say
    exceeded: bool  # whether a limit is exceeded
    sentences: tuple[str, ...]  # below it

    def lines(self, width: float) -> list[tuple[str, Face]]:
        """
        Lines below the map, with their faces.

        Parameters
        ----------
        width
            That they may take [points].
        """
        faces: list[tuple[str, Face]] = [
            (words, "bold" if "EXCEEDED" in words else "plain") for words in self.sentences
        ]
        return [(line, face) for words, face in faces for line in broken(words, width, _SIZE, face)]

    def height(self, width: float) -> float:
        """
        Height of the lines below the map [points].

        Parameters
        ----------
        width
            That they may take [points].
        """
        return len(self.lines(width)) * _SIZE * LEADING + 4


def caption(content: MapContent, row: Mapping[Hashable, Any]) -> Caption:
    """What stands at the map of an opening."""
    checks = content.delivery.checks
    own = checks_of(checks, "openings", str(row["opening"]))
    hole = checks_of(checks, "combined_openings", str(row["combined"]))
    group = row["group"]
    named = isinstance(group, str) and group not in {"", str(row["opening"])}
    verdict = worst([*own, *hole])
    return Caption(
        title=f"Opening {row['opening']}" + (f" ({printable(group)[:18]})" if named else ""),
        verdict=_VERDICTS[verdict],
        exceeded=verdict == "exceeded",
        sentences=tuple(map(unit_text, _sentences(content, row, own, hole))),
    )


def _parts_words(content: MapContent, row: Mapping[Hashable, Any]) -> str:
    """In how many parts it lies, where not in one."""
    parts = int(row["parts"])
    gap = _far(content, row, "widest_gap_m") if "widest_gap_m" in row else MISSING
    return f"In {parts} parts, up to {gap} apart" if parts > 1 else ""


def _sentences(
    content: MapContent,
    row: Mapping[Hashable, Any],
    own: list[dict[Hashable, Any]],
    hole: list[dict[Hashable, Any]],
) -> list[str]:
    """Sentences of a caption, with the limits that speak of each."""
    units = content.units

    def limited(
        lead: str, column: str, limits: tuple[str, ...], rows: list[dict[Hashable, Any]]
    ) -> str:
        found = [
            worst_row(mine)
            for limit in limits
            if (mine := [check for check in rows if check["limit"] == limit])
        ]
        figure = figure_beside(float(row[column]), column.rsplit("_", 1)[1], found, units)
        behind = "; ".join(limit_words(one, units) for one in found)
        return f"{lead} {figure}" + (f" ({behind})" if found else "")

    crosses_at = row.get("crosses_at")
    nearest = f"Nearest opening {row['nearest']}:"
    is_alone = _far(content, row, "spacing_m") == MISSING
    why = row.get("why")
    sentences = [
        printable(why) if isinstance(why, str) else "",
        f"Area not known: the outline crosses itself at {crosses_at}" if crosses_at else "",
        limited("Area", "area_m2", _AREA_LIMITS, own),
        lower_and_upper(row, units),
        _parts_words(content, row),
        _with_unconfirmed(content, row),
        limited(
            _combined_words(content, row), "combined_area_m2", ("combined_area_max",), [*own, *hole]
        ),
        _trees_words(content, row),
        printable(volume_text(row["volume"])),
        _shape_words(content, row),
        "No other opening"
        if is_alone
        else limited(nearest, "spacing_m", ("opening_spacing_min",), own),
        limited("Boundary", "boundary_m", ("boundary_distance_min",), own)
        + f", corridor {_far(content, row, 'corridor_m')}",
    ]
    if _far(content, row, "water_m") != MISSING:
        sentences.append(limited("Water", "water_m", ("water_distance_min",), own))
    sentences.append(f"Middle {_place_words(content, row['geometry'])}")
    return [words for words in sentences if words]


def _with_unconfirmed(content: MapContent, row: Mapping[Hashable, Any]) -> str:
    """The area with the unconfirmed trees where it is another."""
    area, beside = (
        show_area(row.get(name), content.units) for name in ("area_m2", "area_with_unconfirmed_m2")
    )
    return "" if beside in {area, MISSING} else f"Area {beside} with unconfirmed trees"


def _far(content: MapContent, row: Mapping[Hashable, Any], column: str) -> str:
    """A distance in the user's unit."""
    return show_length(float(row[column]), content.units)


def _combined_words(content: MapContent, row: Mapping[Hashable, Any]) -> str:
    """With which openings it makes one hole."""
    combined = content.layout.combined_openings
    mine = combined[combined["combined"] == row["combined"]]
    others = [
        number.strip()
        for names in mine["openings"].astype(str)
        for number in names.split(",")
        if number.strip() != str(row["opening"])
    ]
    return f"Combined with {', '.join(others)}:" if others else "Combined area"


def _trees_words(content: MapContent, row: Mapping[Hashable, Any]) -> str:
    """Trees and their basal area."""
    name, size = basal_area_unit(content.units)
    basal_area = show_number(float(row["basal_area_m2"]) / size, 1)
    return f"{counted(int(row['trees']), 'tree')}, {basal_area} {name} basal area"


def _shape_words(content: MapContent, row: Mapping[Hashable, Any]) -> str:
    """Length, width, and what says that it is an opening."""
    length, width = _far(content, row, "length_m"), _far(content, row, "width_m")
    parts = int(row["parts"])
    words = f"{length} long, {width} wide" + (f", in {parts} parts" if parts > 1 else "")
    return f"{words}; {name_text(row['basis'])}"


def _place_words(content: MapContent, shape: shapely.Geometry) -> str:
    """Longitude and latitude of the middle of an opening, to go there by."""
    west, south, east, north = shapely.bounds(shape)
    middle = shapely.Point((west + east) / 2, (south + north) / 2)
    found = lon_lat(content.layout.crs, np.array([middle.x]), np.array([middle.y]))
    return lon_lat_words(float(found[0][0]), float(found[1][0]))


def draw_caption(page: Page, cell: Box, found: Caption, *, height: float) -> None:
    """
    Draw title and caption of an opening over and below its map.

    Parameters
    ----------
    height
        Of the room below the map [points].
    """
    page.text(cell.left, cell.top - 10, found.title, Lettering(size=9, face="bold"))
    lettering = Lettering(size=7, face="bold" if found.exceeded else "plain", align="right")
    page.text(cell.right, cell.top - 10, found.verdict, lettering)
    y = cell.bottom + height - 3
    for line, face in found.lines(cell.width):
        y = page.lines_of_text(cell.left, y, [line], Lettering(size=_SIZE, face=face))


def bound_words(row: Mapping[Hashable, Any]) -> str:
    """
    Whether a limit is a most or a least.

    Examples
    --------
    >>> bound_words({"limit": "target", "measured": 3.0, "limit_value": 2.0, "margin": 1.0})
    'at least'
    """
    rising = row["margin"] * (row["measured"] - row["limit_value"])
    if rising > 0:
        return "at least"
    return "at most" if rising < 0 else _BOUNDS.get(str(row["limit"]).rsplit("_", 1)[-1], "at most")


def checks_of(checks: pd.DataFrame, layer: str, feature: str) -> list[dict[Hashable, Any]]:
    """Checks that speak of a feature."""
    among = checks["feature"].astype("string").fillna("").str.split(r"[,\s]+", regex=True)
    speaks = pd.Series([feature in found for found in among], index=checks.index, dtype=bool)
    return checks[(checks["layer"] == layer) & speaks].to_dict("records")


def limit_words(row: Mapping[Hashable, Any], units: Units) -> str:
    """A limit with its verdict, as it stands behind a measured value."""
    _, limit = show_against(row["measured"], row["limit_value"], str(row["unit"]), units)
    verdict = words_of(str(row["verdict"]))
    if limit == MISSING:
        return verdict
    bound = f"{bound_words(row)} {unit_text(limit)}"
    return bound if verdict == "met" else f"{bound}: {verdict}"


def figure_beside(
    measured: float, unit: str, rows: Sequence[Mapping[Hashable, Any]], units: Units
) -> str:
    """A measured figure with the digits that show on which side of its limits it lies."""
    against = (show_against(measured, row["limit_value"], unit, units)[0] for row in rows)
    return max([show(measured, unit, units), *against], key=len)


def worst_row(rows: list[dict[Hashable, Any]]) -> dict[Hashable, Any]:
    """The first of some checks that has the worst verdict."""
    return next(row for row in rows if row["verdict"] == worst(rows))


def worst(rows: list[dict[Hashable, Any]]) -> str:
    """The worst verdict of some checks."""
    found = {str(row["verdict"]) for row in rows}
    return next((verdict for verdict in WORST_FIRST if verdict in found), "")


Shown = tuple["dict[Hashable, Any]", Caption]


@dataclass(frozen=True, kw_only=True, slots=True)
class OpeningsPlan:
    """How the openings sheets are drawn."""

    size: tuple[float, float]  # of a sheet [points]
    columns: int
    rows: int  # columns and rows: of cells on a sheet
    caption_pt: float  # height of the highest caption
    denominator: int  # of the common scale
    sheets: tuple[tuple[Shown, ...], ...]
    """Openings on each sheet: rows of their layer, and what stands at their maps."""


def plan_openings(content: MapContent, *, landscape: bool) -> OpeningsPlan | None:
    """Cells and scale of the openings sheets."""
    rows = [*content.layout.openings.to_dict("records")]
    if not rows:
        return None
    size = paper_size(content.delivery.project.deliver.paper, content.units, landscape=landscape)
    body = _cells_box(size, content)
    most = max(1, int((body.width + _GAP_PT) / (_CELL_PT + _GAP_PT)))
    shown = [(row, caption(content, row)) for row in rows]
    plans = [_plan(content, shown, size, across) for across in range(1, most + 1)]
    return min(plans, key=lambda plan: (len(plan.sheets), plan.denominator, plan.columns))


def _plan(
    content: MapContent,
    shown: Sequence[Shown],
    size: tuple[float, float],
    across: int,
) -> OpeningsPlan:
    """Cells and scale with some number of columns."""
    body = _cells_box(size, content)
    width = (body.width - (across - 1) * _GAP_PT) / across
    below = max(found.height(width) for _, found in shown)
    down = max(1, int((body.height + _GAP_PT) / (TITLE_PT + _LEAST_MAP_PT + below + _GAP_PT)))
    down = min(down, -(-len(shown) // across))
    height = (body.height - (down - 1) * _GAP_PT) / down - TITLE_PT - below
    bounds = shapely.bounds([row["geometry"] for row, _ in shown])
    largest = (bounds[:, 2:] - bounds[:, :2]).max(axis=0)
    room = (width - 2 * _EDGE_PT, height - 2 * _EDGE_PT)
    each = across * down
    return OpeningsPlan(
        size=size,
        columns=across,
        rows=down,
        caption_pt=below,
        denominator=fitting_scale((float(largest[0]), float(largest[1])), room, content.units),
        sheets=tuple(tuple(shown[at : at + each]) for at in range(0, len(shown), each)),
    )


def _cells_box(size: tuple[float, float], content: MapContent) -> Box:
    """What scale and remarks leave of a sheet for cells."""
    return sheet_body(size, content.delivery).inset(bottom=BARS_PT - 6)


def draw_openings(
    page: Page, plan: OpeningsPlan, content: MapContent, at: int
) -> tuple[MapFrame, ...]:
    """Draw one openings sheet."""
    frames = []
    for cell, shown in zip(_cells(plan, content), plan.sheets[at], strict=False):
        frames.append(_draw_cell(page, cell, plan, content, shown))
    body = sheet_body(plan.size, content.delivery)
    below = Box(left=body.left, bottom=body.bottom, width=200, height=BARS_PT - 14)
    draw_scale(page, below, frames[0], content.units)
    room = body.width - below.width - 30
    lines = broken(_WORDS, room, 6.6)
    page.lines_of_text(below.right + 30, below.top - 2, lines, Lettering(size=6.6))
    return tuple(frames)


def _cells(plan: OpeningsPlan, content: MapContent) -> Iterator[Box]:
    """Cells of a sheet, row by row."""
    body = _cells_box(plan.size, content)
    height = (body.height - (plan.rows - 1) * _GAP_PT) / plan.rows
    for row in range(plan.rows):
        top = body.top - row * (height + _GAP_PT)
        strip = Box(left=body.left, bottom=top - height, width=body.width, height=height)
        yield from strip.columns([1.0] * plan.columns, gap=_GAP_PT)


def _draw_cell(
    page: Page, cell: Box, plan: OpeningsPlan, content: MapContent, shown: Shown
) -> MapFrame:
    """Title, map and caption of one opening."""
    row, found = shown
    draw_caption(page, cell, found, height=plan.caption_pt)
    box = cell.inset(top=TITLE_PT, bottom=plan.caption_pt)
    number = row["opening"]
    frame = frame_over(f"Opening {number}", box, tuple(row["geometry"].bounds), plan.denominator)
    drawn = draw_map(page, frame, content, enlarged=ENLARGED)
    draw_grid(page, frame, content.layout.crs, labelled=False)
    distances = list(_distances(page, frame, content, row))
    draw_labels(page, frame, content, [*distances, *map_labels(frame, content, drawn)])
    return frame


def _distances(
    page: Page, frame: MapFrame, content: MapContent, row: Mapping[Hashable, Any]
) -> Iterator[Label]:
    """Lines to the nearest opening, boundary and water, where they lie on the map."""
    layout = content.layout
    openings = layout.openings
    targets: Sequence[shapely.Geometry] = [
        *openings.geometry[openings["opening"] == row["nearest"]],
        *shapely.boundary(np.array([content.stand], dtype=object)),
        *([shapely.union_all(layout.water.geometry.to_numpy())] if len(layout.water) else []),
    ]
    west, south, east, north = frame.ground
    room = shapely.box(west, south, east, north)
    for target in targets:
        line = shapely.shortest_line(row["geometry"], target)
        if line is None or line.is_empty or line.length == 0 or not room.contains(line):
            continue
        on_sheet = frame.drawn([line])[0]
        page.shapes([on_sheet], DISTANCE, level=7)
        ends = shapely.get_coordinates(on_sheet)
        dots = np.full(len(ends), 2.2)
        page.symbols(shape_outline("circle"), ends, dots, Fill(face=INK), level=7.1)
        words = show_length(float(line.length), content.units)
        text = (Line(words=words, size=6.4, face="bold"),)
        label = Label(lines=text, feature=on_sheet)
        yield Label(lines=text, feature=on_sheet, spots=_beside(ends, label.size), around=False)


def _beside(ends: np.ndarray, size: tuple[float, float]) -> np.ndarray:
    """Places beside a straight line for a label of some size, its middle first."""
    along = ends[-1] - ends[0]
    across = np.array([-along[1], along[0]]) / max(float(np.hypot(*along)), 1e-9)
    off = across * (np.abs(across) @ np.array(size) / 2 + _OFF_PT)
    middles = [ends[0] + along * share for share in (0.5, 0.35, 0.65, 0.2, 0.8, 0.0, 1.0)]
    return np.array([middle + side * off for middle in middles for side in (1, -1)])
