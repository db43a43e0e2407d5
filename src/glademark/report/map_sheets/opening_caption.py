"""What stands under the small map of an opening: its measures, and what limits say of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from glademark.errors import counted
from glademark.report.edge_words import lower_and_upper
from glademark.report.map_sheets.drawing.coordinates import lon_lat, lon_lat_words
from glademark.report.map_sheets.drawing.lettering import LEADING, Face, broken
from glademark.report.map_sheets.drawing.page import Lettering
from glademark.report.order_of_work import volume_text
from glademark.report.papers.printed_scripts import printable
from glademark.report.quantities import (
    MISSING,
    basal_area_unit,
    show,
    show_against,
    show_area,
    show_length,
    show_number,
)
from glademark.report.review_page.wording import name_text, unit_text
from glademark.report.verdicts import WORST_FIRST, words_of

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping, Sequence

    from glademark.contracts.layers import Units
    from glademark.report.map_sheets.content import MapContent
    from glademark.report.map_sheets.drawing.page import Page
    from glademark.report.map_sheets.drawing.paper import Box

TITLE_PT = 14.0
_SIZE = 6.3
_AREA_LIMITS = ("opening_area_max", "opening_area_min")
_VERDICTS = {"exceeded": "LIMIT EXCEEDED", "near": "near a limit", "met": "limits met",
             "not_checked": "limits not checked", "": "no limit given"}  # fmt: skip


@dataclass(frozen=True, kw_only=True, slots=True)
class Caption:
    """
    What stands at the map of an opening.

    Attributes
    ----------
    title
        Over it, on the left.
    verdict
        Over it, on the right: the worst that limits say.
    exceeded
        Whether a limit is exceeded.
    sentences
        Below it.
    """

    title: str
    verdict: str
    exceeded: bool
    sentences: tuple[str, ...]

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


_BOUNDS = {"max": "at most", "min": "at least"}


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
