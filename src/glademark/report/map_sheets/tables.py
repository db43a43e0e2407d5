"""What stands on the tables sheets: volume by zone, limits, openings, corridors, allowance."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from glademark.contracts.layout import ZONE_NAMES
from glademark.errors import counted
from glademark.report.layer_frames import volume_text
from glademark.report.map_sheets.openings_sheets import bound_words
from glademark.report.map_sheets.text_table import TextTable
from glademark.report.papers.printed_text import printable
from glademark.report.quantities import (
    MISSING,
    basal_area_unit,
    end_words,
    heading_unit,
    sale_decimals,
    show,
    show_against,
    show_area,
    show_length,
    show_number,
    show_share,
    shown_unit,
)
from glademark.report.summary import marking_progress
from glademark.report.wood import left_out, no_allowance, wood_rows
from glademark.report.wording import (
    NOT_TO_BE_CUT,
    all_with,
    cleared_words,
    cut_words,
    edge_words,
    limit_title,
    name_text,
    unconfirmed_trees,
    unit_text,
    words_of,
)

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterator, Mapping

    from glademark.contracts.layers import Units
    from glademark.report.delivery import Delivery

_TROUBLE = ("exceeded", "near", "not_checked")


def tables(delivery: Delivery) -> list[TextTable]:
    """Tables of a delivery."""
    found = [
        volume_table(delivery),
        limits_table(delivery),
        *_allowance_tables(delivery),
        *_openings_tables(delivery),
        *_corridor_tables(delivery),
        zones_table(delivery),
        records_table(delivery),
    ]
    return [table for table in found if table.rows]


def volume_table(delivery: Delivery) -> TextTable:
    """Trees, basal area and net volume of each product by zone, each in its sale unit."""
    units, tally = delivery.project.heading.units, delivery.layout.volume_by_zone
    cells = tally[tally["row"] == "cell"]
    zones = [zone for zone in ZONE_NAMES if (cells["zone"] == zone).any()]
    rows = list(_volume_rows(cells, zones, units))
    paper = cells[cells["located"] == "not_located"]
    bold: set[int] = set()
    if len(paper):
        bold.add(len(rows))
        rows.append(("of these not located (paper tally)", *[""] * (len(zones) + 1)))
        rows += _volume_rows(paper, zones, units)
    return TextTable(
        title="To cut, net, by zone",
        heads=("", *(name_text(zone) for zone in zones), "all"),
        rows=tuple(rows) if len(cells) else (),
        rights=frozenset(range(1, len(zones) + 2)),
        bold=frozenset(bold),
        notes=tuple(_volume_notes(delivery)),
    )


def _volume_rows(cells: pd.DataFrame, zones: list[str], units: Units) -> Iterator[tuple[str, ...]]:
    """Trees, basal area, then a row for each product and sale unit, then solid volume."""
    for row in wood_rows(cells, zones, units):
        parts = (_sentence(printable(row.title)), row.before, unit_text(row.unit))
        rule = f" ({printable(row.rule)})" if row.rule else ""
        heading = ", ".join(part for part in parts if part) + rule
        yield (heading, *(show_number(number, row.decimals) for number in row.numbers))


def _volume_notes(delivery: Delivery) -> Iterator[str]:
    """Where volumes come from, and what the tally does not hold."""
    volume = delivery.layout.figures.volume
    if volume.sources:
        yield f"Volumes from: {printable('; '.join(volume.sources))}."
    for said in left_out(volume):
        yield f"{_sentence(printable(said))}."
    cleared = delivery.project.openings.cleared_to_dbh_cm
    if cleared is not None:
        yield f"In openings: {cleared_words(cleared, delivery.project)}"


def limits_table(delivery: Delivery) -> TextTable:
    """Limits: a row for each that is not plainly met, and one for all that are."""
    checks, units = delivery.checks, delivery.project.heading.units
    rows: list[tuple[str, ...]] = []
    for verdict in _TROUBLE:
        rows += [
            _limit_row(row, units)
            for row in checks[checks["verdict"] == verdict].to_dict("records")
        ]
    loud = int((checks["verdict"] == "exceeded").sum())
    met = checks[checks["verdict"] == "met"]
    rows += [_met_row(part, units) for _, part in met.groupby("limit", sort=False)]
    return TextTable(
        title="Limits",
        heads=("Verdict", "What", "Measured", "Limit", "Margin", "Authority, source, reason"),
        rows=tuple(rows),
        rights=frozenset({2, 4}),
        bold=frozenset(range(loud)),
        notes=() if rows else ("None given, so none checked.",),
    )


def _limit_row(row: Mapping[Hashable, Any], units: Units) -> tuple[str, ...]:
    """One check."""
    measured, limit = show_against(row["measured"], row["limit_value"], str(row["unit"]), units)
    bound = "" if limit == MISSING else f"{bound_words(row)} {unit_text(limit)}"
    return (
        words_of(str(row["verdict"])),
        _sentence(printable(row["subject"])),
        unit_text(measured),
        bound,
        unit_text(show(row["margin"], str(row["unit"]), units)),
        _behind(row),
    )


def _sentence(words: str) -> str:
    """Words with a capital at their head."""
    return words[:1].upper() + words[1:]


def _met_row(part: pd.DataFrame, units: Units) -> tuple[str, ...]:
    """All checks of one limit that are met; the closest of them in figures."""
    margins = part["margin"].to_numpy(dtype=float)
    row = part.to_dict("records")[int(pd.Series(margins).fillna(float("inf")).argmin())]
    if len(part) == 1:
        return _limit_row(row, units)
    one = _limit_row(row, units)
    closest = printable(row["subject"])
    words = f"{limit_title(str(row['limit']))}: {len(part)} met, the closest being {closest}"
    return (one[0], words, *one[2:])


def _behind(row: Mapping[Hashable, Any]) -> str:
    """Authority, source and reason."""
    found = [row[name] for name in ("authority", "source", "reason")]
    return "; ".join(printable(words) for words in found if isinstance(words, str) and words)


def _allowance_tables(delivery: Delivery) -> Iterator[TextTable]:
    """Allowance where the standing stock is known."""
    if not delivery.summary["allowance"]:
        return
    allowance, units = delivery.layout.allowance, delivery.project.heading.units
    lines = (
        ("Standing", "standing"), ("   at least", "standing_low"), ("   at most", "standing_high"),
        ("Allowable removal", "allowable"), ("Marked", "marked"),
        ("   in corridors", "marked_corridor"),
        ("   in openings", "marked_opening"), ("   in the matrix", "marked_matrix"),
        ("   elsewhere", "marked_other"), ("   trees without an amount", "trees_without"),
        ("Remaining allowance", "remaining"),
        ("   at least", "remaining_low"),
        ("   at most", "remaining_high"), ("Share taken", "share"),
        ("   of the corridors", "share_corridor"), ("   of the openings", "share_opening"),
        ("   of the matrix", "share_matrix"), ("   on marked ground", "share_on_marked_ground"),
    )  # fmt: skip
    quantities = allowance.to_dict("records")
    confidence = delivery.project.allowance.confidence
    note = (
        "Allowable removal, and what the marked trees take of it. At least and at most: "
        f"interval of {confidence:.0%} confidence of the standing stock, taken as even per hectare "
        "over the operable area."
    )
    yield TextTable(
        title="Allowance",
        heads=("", *(_quantity(row, units) for row in quantities)),
        rows=tuple(
            (title, *(_amount(row, column, units) for row in quantities))
            for title, column in lines
            if allowance[column].notna().any()
            and (column != "trees_without" or allowance[column].any())
        ),
        rights=frozenset(range(1, len(quantities) + 1)),
        notes=(note, *_not_computed(delivery), *_progress(delivery)),
    )


def _not_computed(delivery: Delivery) -> Iterator[str]:
    """Products whose standing stock is not known."""
    if unknown := no_allowance(delivery.layout):
        yield f"Standing stock of {printable(', '.join(unknown))}: not computed."


def _progress(delivery: Delivery) -> Iterator[str]:
    """How much of the stand is marked so far."""
    progress = marking_progress(delivery.layout, delivery.project.heading.units)
    if progress is not None:
        rest = f" Remaining allowance: {progress.remaining}." if progress.remaining else ""
        yield unit_text(f"Marked so far {progress.marked_ground}. Taken {progress.taken}.{rest}")


def _quantity(row: Mapping[Hashable, Any], units: Units) -> str:
    """Quantity and unit over a column."""
    name = str(row["quantity"])
    if name == "basal_area":
        return f"basal area, {unit_text(basal_area_unit(units)[0])}"
    unit = shown_unit("m3", units)[0] if name == "solid_volume" else str(row["unit"])
    return f"{printable(name.replace('_', ' '))}, {unit_text(heading_unit(unit))}"


def _amount(row: Mapping[Hashable, Any], column: str, units: Units) -> str:
    """One number in the user's unit."""
    number = float(row[column])
    if column == "trees_without":
        return show_number(number, 0) if number else ""
    if column.startswith("share"):
        return end_words(row, column, show_share(number))
    name, size = str(row["unit"]), 1.0
    if row["quantity"] == "basal_area":
        name, size = basal_area_unit(units)
    elif row["quantity"] == "solid_volume":
        name, size = shown_unit("m3", units)
    return end_words(row, column, show_number(number / size, sale_decimals(name)))


def _openings_tables(delivery: Delivery) -> Iterator[TextTable]:
    """Openings, holes that corridors join, incidental openings."""
    units, layout = delivery.project.heading.units, delivery.layout
    sold = int(layout.openings["volume"].fillna("").astype(str).ne("").any())
    rows = tuple(
        (
            f"{row['opening']}",
            show_number(row["trees"], 0),
            unit_text(show_area(row["area_m2"], units)),
            unit_text(show_area(row["combined_area_m2"], units)),
            *(show_length(float(row[name]), units) for name in ("length_m", "width_m")),
            _nearest(row, units),
            *(
                show_length(float(row[name]), units)
                for name in ("boundary_m", "water_m", "corridor_m")
            ),
            *([printable(volume_text(row["volume"]))] * sold),
        )
        for row in layout.openings.to_dict("records")
    )
    figures, notes = layout.figures.openings, []
    if figures.count:
        notes.append(
            f"{counted(figures.count, 'opening')}, {unit_text(show_area(figures.area_m2, units))}, "
            f"{show_share(figures.share)} of the stand. "
            f"{edge_words(figures, units)} Distances go from edge to edge."
        )
    if figures.incidental_count:
        area = unit_text(show_area(figures.incidental_area_m2, units))
        notes.append(
            f"Besides {counted(figures.incidental_count, 'incidental opening')}, {area}: marked "
            "crowns that touch, named no group."
        )
    yield TextTable(
        title="Group openings",
        heads=("No.", "Trees", "Area", "Combined", "Length", "Width", "Nearest", "Boundary",
               "Water", "Corridor", *["Volume, net"] * sold),
        rows=rows,
        rights=frozenset(range(1, 10)),
        notes=tuple(notes),
    )  # fmt: skip
    if not rows and notes:
        yield TextTable(title="Group openings", heads=("",), rows=(("None.",),), notes=tuple(notes))


def _nearest(row: Mapping[Hashable, Any], units: Units) -> str:
    """Distance to the nearest other opening, and its number."""
    spacing = show_length(float(row["spacing_m"]), units)
    return MISSING if spacing == MISSING else f"{spacing} to {row['nearest']}"


def _corridor_tables(delivery: Delivery) -> Iterator[TextTable]:
    """Corridors one by one, and all of them."""
    units, corridors = delivery.project.heading.units, delivery.layout.corridors
    taken = delivery.layout.figures.corridors
    rows = [
        (
            printable(row["corridor"]),
            name_text(row["state"]),
            show_length(float(row["width_m"]), units),
            show_length(float(row["length_m"]), units),
            unit_text(show_area(float(row["area_m2"]), units)),
            show_number(row["trees"], 0),
        )
        for row in corridors.to_dict("records")
    ]
    if rows:
        rows.append(
            (
                "all, overlaps once",
                "",
                "",
                show_length(taken.length_m, units),
                unit_text(show_area(taken.area_m2, units)),
                show_number(int(corridors["trees"].sum()), 0),
            )
        )
    note = (
        f"{show_share(taken.share)} of the stand, {show_share(taken.share_operable)} of the "
        f"operable area; with landings {unit_text(show_area(taken.with_landings_m2, units))}, "
        f"{show_share(taken.share_with_landings)} of the stand. Centre lines "
        f"{show_length(taken.mean_spacing_m, units)} apart on average (stand area over length)."
    )
    yield TextTable(
        title="Corridors",
        heads=("Corridor", "State", "Width", "Length", "Area", "Trees"),
        rows=tuple(rows),
        rights=frozenset({2, 3, 4, 5}),
        bold=frozenset({len(rows) - 1}),
        notes=(note,) if rows else (),
    )


def zones_table(delivery: Delivery) -> TextTable:
    """Area of each zone, and the trees in it."""
    units, summary = delivery.project.heading.units, delivery.summary
    stand = summary["stand"]["area_m2"]
    rows = [
        (
            name_text(zone),
            unit_text(show_area(found["area_m2"], units)),
            show_share(found["area_m2"] / stand),
            show_number(found["marks"], 0),
        )
        for zone, found in summary["zones"].items()
    ]
    trees = show_number(summary["marks"]["trees"], 0)
    rows.append(("stand", unit_text(show_area(stand, units)), show_share(1.0), trees))
    return TextTable(
        title="Zones",
        heads=("Zone", "Area", "Share of the stand", cut_words(delivery, "Located trees to cut")),
        rows=tuple(rows),
        rights=frozenset({1, 2, 3}),
        bold=frozenset({len(rows) - 1}),
    )


def records_table(delivery: Delivery) -> TextTable:
    """What became of the records, and trees that are not to be cut."""
    marks = delivery.summary["marks"]
    confirmed = delivery.project.marks.line_trees_confirmed
    rows = [
        (
            "Records read, used, rejected",
            f"{marks['read']:,}, {marks['used']:,}, {marks['rejected']:,}",
        ),
        (cut_words(delivery, "Trees to cut on the map"), f"{marks['trees']:,}"),
        (
            cut_words(delivery, "Trees to cut, not located (paper tally)"),
            f"{marks['not_located']:,}",
        ),
        *_unconfirmed_rows(delivery),
        ("Leave trees", f"{marks['leave_trees']:,}"),
        ("Danger trees", f"{marks['danger_trees']:,}"),
        (
            "Line trees, confirmed for cutting"
            if confirmed
            else "Line trees, NOT to be cut until confirmed",
            f"{marks['line_trees']:,}",
        ),
        ("Plotted in another zone than the paint says", f"{marks['paint_disagrees']:,}"),
        (
            "   of that to be expected from the position error",
            f"{show_number(marks['paint_disagrees_expected'], 0)}",
        ),
    ]
    return TextTable(title="Marks", heads=("", ""), rows=tuple(rows), rights=frozenset({1}))


def _unconfirmed_rows(delivery: Delivery) -> list[tuple[str, str]]:
    """Unconfirmed trees and the totals with them; trees without a diameter; where there are any."""
    figures = delivery.layout.figures
    rows = []
    if unconfirmed := unconfirmed_trees(figures):
        rows += [
            (f"   not among them: {NOT_TO_BE_CUT}", unconfirmed),
            ("   with them", all_with(delivery)),
        ]
    if figures.marks.without_dbh:
        rows.append(("   of them without a diameter", f"{figures.marks.without_dbh:,}"))
    return rows
