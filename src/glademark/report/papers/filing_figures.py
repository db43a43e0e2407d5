"""The planner's page: the figures of a stand that go into a filing, with every limit and source."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import pandas as pd

from glademark.contracts.result_tables import ALLOWANCE, CHECKS
from glademark.errors import counted
from glademark.report.delivery import Deliverable, Delivery
from glademark.report.layer_frames import layer_frame, table_frame
from glademark.report.papers.printed_page import (
    Grid,
    Paper,
    gap,
    heading,
    papers_of,
    table,
    text,
    write_fitting,
    write_pdf,
)
from glademark.report.quantities import (
    AT_LEAST,
    MISSING,
    basal_area_unit,
    end_words,
    show,
    show_against,
    show_area,
    show_length,
    show_number,
    show_share,
    show_sum,
)
from glademark.report.terminal.limits import opening_verdicts
from glademark.report.wood import (
    kept_lines,
    left_out,
    no_allowance,
    stays_words,
    structure_rows,
)
from glademark.report.wording import (
    NOT_TO_BE_CUT,
    WORST_FIRST,
    all_with,
    approval_words,
    edge_in_short,
    limit_title,
    say,
    unconfirmed_trees,
    words_of,
)

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from reportlab.platypus import Flowable

FILING_FILE = "filing_figures.pdf"
FORM_FILE = "filing_figures.docx"

Row = tuple[str, ...]

_SIZES = (9.0, 8.0, 7.0)  # points
_BASES = {
    "walked": "by a walked outline",
    "tagged": "by the group written with each mark",
    "centre": "by a centre and a radius",
    "crowns": "by crowns that touch",
}
_QUANTITIES = {"basal_area": "basal area", "solid_volume": "solid volume"}

_STOCK_BY = {"standing": "the list of all trees"}

_RIGHT: Literal["right"] = "right"


def filing_tables(delivery: Delivery) -> dict[str, Grid]:
    """The figures of a stand, as tables."""
    return delivery.once("filing tables", lambda: _tables(delivery))


def _tables(delivery: Delivery) -> dict[str, Grid]:
    """The same, for the first who asks."""
    pairs = {
        "Stand and system": _stand(delivery),
        "Openings together": _openings(delivery),
        "Corridors and landings": _corridors(delivery),
        "Removed": [*_removed(delivery), *_shares(delivery)],
        "Residual stand": [*_stays(delivery), *_residual(delivery)],
        "Setbacks, exclusions and crossings": _ground(delivery),
    }
    tables = {title: Grid(heads=(), rows=rows, widths=(2, 4)) for title, rows in pairs.items()}
    return {**tables, "Limits": _limits(delivery), "Openings one by one": _each_opening(delivery)}


def _residual(delivery: Delivery) -> list[Row]:
    """Density before and after, where it is known, and the trees that are kept."""
    units, layout = delivery.project.heading.units, delivery.layout
    rows = [
        (name, f"{before} before, {marked} marked, {after} after")
        for name, before, marked, after in structure_rows(layout, units)
    ]
    return [*rows, *(("Trees kept or freed", line) for line in kept_lines(layout, units))]


def write_filing(delivery: Delivery, path: Path) -> None:
    """Write the planner's page as PDF."""
    subject = "Figures of the stand for a filing, with limits, authorities and sources"
    papers = papers_of(delivery, title="Filing figures", subject=subject, sizes=_SIZES)
    tables = filing_tables(delivery)
    empty, approval = blanks(delivery), approval_words(delivery)

    def story(paper: Paper) -> list[Flowable]:
        """Flowables of the page on one paper."""
        return _story(tables, empty, approval, paper)

    if not write_fitting(path, papers, story, pages=(1, 2)):
        write_pdf(path, papers[0], story(papers[0]))


def _story(
    tables: Mapping[str, Grid], empty: list[Row], approval: str, paper: Paper
) -> list[Flowable]:
    """All tables, then what is filled in by hand."""
    story: list[Flowable] = [text(approval, paper, bold=True)] if approval else []
    for title, grid in tables.items():
        story += heading(title, paper)
        story.append(table(grid, paper) if grid.rows else text("None.", paper))
    blank = Grid(heads=(), rows=empty, widths=(2, 4), row_pt=paper.points * 2)
    return [*story, gap(paper), table(blank, paper), gap(paper), text(ANSWERED, paper)]


ANSWERED = "Figures come from marks in the field; a licensed forester answers for them."
"""Who answers for the figures."""


def blanks(delivery: Delivery) -> list[Row]:
    """What only a person can fill in."""
    prescribed = delivery.project.deliver.prescription
    asked = [] if prescribed else ["Silvicultural system as prescribed"]
    return [(words, "") for words in (*asked, "Filed with", "Signature, date")]


def _stand(delivery: Delivery) -> list[Row]:
    """Size, system in plain words, designation of the trees."""
    units, figures = delivery.project.heading.units, delivery.layout.figures
    area, geodesic = figures.stand.area_m2, figures.stand.area_geodesic_m2
    unconfirmed = unconfirmed_trees(figures)
    apart = f"{unconfirmed}, {NOT_TO_BE_CUT}. With them: {all_with(delivery)}"
    prescription = delivery.project.deliver.prescription
    trees, on_paper = (show_number(n, 0) for n in (figures.marks.trees, figures.marks.not_located))
    return [
        (
            "Area, gross",
            f"{show_area(area, units)} ({show_area(geodesic, units)} on the ellipsoid)",
        ),
        ("Operable area, less exclusions", show_area(figures.stand.operable_m2, units)),
        *([("Prescription", prescription)] if prescription else []),
        ("As marked", _system(delivery)),
        ("Designation", _designation(delivery)),
        ("Trees to cut", f"{trees} with a position, {on_paper} counted on paper"),
        *([("Not among them", apart)] if unconfirmed else []),
        ("Coordinate system", delivery.layout.crs.name),
    ]


def _each_opening(delivery: Delivery) -> Grid:
    """Openings with size, width, distances and verdict."""
    units, openings = delivery.project.heading.units, delivery.layout.openings
    verdicts = opening_verdicts(delivery.checks, openings)
    lengths = ("width_m", "spacing_m", "boundary_m", "water_m", "corridor_m")
    areas = ("area_m2", "area_marked_crowns_m2", "area_boles_m2")
    rows = [
        (
            show_number(row["opening"], 0),
            show_number(row["trees"], 0),
            *(show_area(row.get(name), units) for name in areas),
            *(show_length(row[name], units) for name in lengths),
            verdicts[row["opening"]].plain,
        )
        for row in openings.to_dict("records")
    ]
    return Grid(
        heads=(
            "No.", "Trees", "Area", "Crowns", "Boles", "Width", "Nearest", "Boundary", "Water",
            "Corridor", "Limits",
        ),
        rows=rows,
        widths=(0.7, 0.9, 1.45, 1.45, 1.45, 1.2, 1.3, 1.5, 1.3, 1.45, 3),
        aligns=(*(_RIGHT,) * 10, "left"),
        bold=frozenset(n for n, row in enumerate(rows) if row[-1].startswith("EXCEEDED")),
    )  # fmt: skip


def _stays(delivery: Delivery) -> list[Row]:
    """Basal area left and with which confidence; what is not known is said to be."""
    known = stays_words(delivery)
    if not known:
        return [("Basal area and trees left", "not computed: standing stock not known")]
    confidence = f"{100 * delivery.project.allowance.confidence:g} %"
    return [("Basal area left", known), ("Confidence level of intervals", confidence)]


def _system(delivery: Delivery) -> str:
    """What was marked, in plain words; the name of the system is the prescription's."""
    figures = delivery.layout.figures
    parts = [
        ("group openings", figures.openings.count > 0),
        (
            "single trees between them" if figures.openings.count else "single trees",
            figures.zones["matrix"].marks > 0,
        ),
        ("machine corridors", figures.corridors.length_m > 0),
    ]
    return ", ".join(words for words, there in parts if there) or "no tree to cut"


def _designation(delivery: Delivery) -> str:
    """How the trees to cut are made known."""
    meanings = delivery.project.marks.paint.items()
    paints = [paint for paint, meaning in meanings if meaning in {"cut", "corridor"}]
    return f"tree by tree, painted {' or '.join(paints)}" if paints else "tree by tree, painted"


def _openings(delivery: Delivery) -> list[Row]:
    """Count, area with its definition and the figures beside it, largest, combined."""
    units, figures = delivery.project.heading.units, delivery.layout.figures
    openings, operable = figures.openings, figures.stand.operable_m2
    if openings.count == 0:
        return []
    bases = layer_frame(delivery, "openings")["basis"].value_counts().sort_index()
    words = ", ".join(f"{count} {_BASES[str(basis)]}" for basis, count in bases.items())
    zone = figures.zones["opening"].area_m2
    return [
        ("Group openings", f"{openings.count} ({words})"),
        (
            "Area, to the edge",
            (
                f"{show_area(openings.area_m2, units)}: {_share(openings.share)}; edge "
                f"{edge_in_short(openings.edge, openings.standing_crown_radius_m, units)}; "
                f"{show_area(openings.area_marked_crowns_m2, units)} by marked crowns, "
                f"{show_area(openings.area_boles_m2, units)} to the boles"
            ),
        ),
        (
            "Area less corridors, landings, exclusions",
            f"{show_area(zone, units)}: {show_share(_ratio(zone, operable))} of the operable area",
        ),
        ("Largest opening", show_area(openings.largest_m2, units)),
        (
            "Largest combined opening, corridors at it included",
            show_area(openings.combined_largest_m2, units),
        ),
        ("Least distance between two openings", show_length(openings.nearest_spacing_m, units)),
        (
            "Incidental openings besides",
            f"{openings.incidental_count}, {show_area(openings.incidental_area_m2, units)}"
            if openings.incidental_count
            else "none",
        ),
    ]


def _corridors(delivery: Delivery) -> list[Row]:
    """Length, area gross and operable, landings."""
    units, taken = delivery.project.heading.units, delivery.layout.figures.corridors
    if taken.with_landings_m2 <= 0:
        return []
    both = _two(taken.share, taken.share_operable)
    with_landings = _two(taken.share_with_landings, taken.share_operable_with_landings)
    return [
        ("Corridors, length in the stand", show_length(taken.length_m, units)),
        ("Corridors, area", f"{show_area(taken.area_m2, units)}: {both}"),
        ("of it new", show_area(taken.new_m2, units)),
        ("With landings", f"{show_area(taken.with_landings_m2, units)}: {with_landings}"),
        ("Mean spacing, centre line to centre line", show_length(taken.mean_spacing_m, units)),
    ]


def _removed(delivery: Delivery) -> list[Row]:
    """Basal area and volumes to be cut."""
    units, volume = delivery.project.heading.units, delivery.layout.figures.volume
    unit, size = basal_area_unit(units)
    least = f"{AT_LEAST} " if volume.basal_area_missing_trees else ""
    found = f"{least}{show_number(volume.basal_area_m2 / size, 1)} {unit}"
    rows: list[Row] = [("Basal area", found)]
    for name, product in volume.by_product.items():
        rule = f", scaled by {product.rule}" if product.rule else ""
        amount = show_sum(
            product.net,
            product.unit,
            trees=product.trees,
            trees_without=product.trees_without,
            parts_without=product.parts_without,
        )
        rows.append((f"Net volume, {name}", f"{amount}{rule}"))
    if volume.m3 is not None:
        least = f"{AT_LEAST} " if volume.m3_missing_trees else ""
        rows.append(("Solid volume, all products", f"{least}{show(volume.m3, 'm3', units)}"))
    if said := list(left_out(volume)):
        rows.append(("Left out", "; ".join(said)))
    if volume.sources:
        rows.append(("Volumes from", "; ".join(volume.sources)))
    return rows


def _shares(delivery: Delivery) -> list[Row]:
    """Shares of the standing stock, where it is known."""
    units = delivery.project.heading.units
    known = table_frame(delivery.layout.allowance, ALLOWANCE, units)
    rows: list[Row] = []
    for row in known.to_dict("records"):
        name = _QUANTITIES.get(row["quantity"], row["quantity"])
        words = end_words(row, "share", show_share(row["share"]))
        if int(row["trees_without"]):
            words += f", {counted(row['trees_without'], 'tree')} without an amount left out"
        if row["share_high"] > row["share_low"]:
            words += f" ({show_share(row['share_low'])} to {show_share(row['share_high'])})"
        if pd.notna(row["allowable_share"]):
            words += f"; at most {show_share(row['allowable_share'])} allowed"
        rows.append(
            (
                f"Share of the standing {name} removed",
                f"{words}; stock by {_STOCK_BY.get(row['basis'], row['basis'])}",
            )
        )
    rows += [
        (f"Share of the standing {name} removed", "not computed: standing stock not known")
        for name in no_allowance(delivery.layout)
    ]
    unknown = "not known: no standing stock was given or estimated"
    return rows or [("Share of the standing stock removed", unknown)]


def _ground(delivery: Delivery) -> list[Row]:
    """Ground with a rule of its own, and crossings."""
    units = delivery.project.heading.units
    exclusions = layer_frame(delivery, "exclusions")
    setbacks = layer_frame(delivery, "setbacks")
    rows: list[Row] = [
        (f"Exclusion {name}".strip(), show_area(area, units))
        for name, area in zip(exclusions["name"], exclusions["area_m2"], strict=True)
    ]
    rows += [
        (
            f"Setback {row['name']}".strip(),
            f"{show_area(row['area_m2'], units)}. {rule} {found}",
        )
        for row in setbacks.to_dict("records")
        for rule in [say(f"setback-{row['rule']}")]
        for found in [_found_of(delivery, "setbacks", row["name"])]
    ]
    return [*rows, *_crossings(delivery)]


def _found_of(delivery: Delivery, layer: str, feature: str) -> str:
    """What the checks found of a feature; said to be unchecked where no limit was held to it."""
    units = delivery.project.heading.units
    checks = table_frame(delivery.checks, CHECKS, units)
    mine = checks[(checks["layer"] == layer) & (checks["feature"] == feature)]
    words = [
        f"{words_of(row['verdict'])}, "
        + show_against(row["measured"], row["limit_value"], row["unit"], units)[0]
        + (f" ({row['reason']})" if row["reason"] else "")
        for row in mine.to_dict("records")
    ]
    return f"Found: {'; '.join(words)}." if words else "Found: not checked."


def _crossings(delivery: Delivery) -> list[Row]:
    """Where corridors cross water."""
    if layer_frame(delivery, "water").empty:
        return [("Crossings of water", "not known: no water was given")]
    frame = layer_frame(delivery, "water_crossings")
    frame = frame[(frame["what"] == "water") & frame["in_stand"].fillna(value=False)]
    places = "corridor " + frame["corridor"] + " over " + frame["name"].replace("", "water")
    return [("Crossings of water by corridors", "; ".join(places) or "none")]


def _limits(delivery: Delivery) -> Grid:
    """One row a limit: what came worst, how many were held against it, on whose word."""
    units = delivery.project.heading.units
    checks = table_frame(delivery.checks, CHECKS, units)
    order = checks["verdict"].map({verdict: n for n, verdict in enumerate(WORST_FIRST)})
    sizes = checks.groupby("limit").size()
    worst = checks.assign(order=order).sort_values(["order", "margin"], kind="stable")
    worst = worst.drop_duplicates("limit").sort_index()
    rows = []
    for row in worst.to_dict("records"):
        measured, limit = show_against(row["measured"], row["limit_value"], row["unit"], units)
        rows.append(
            (
                f"{limit_title(row['limit'])} ({sizes[row['limit']]} checked)",
                limit,
                _worst_words(row["subject"], measured, row["reason"]),
                words_of(row["verdict"]),
                "; ".join(part for part in (row["authority"], row["source"]) if part) or MISSING,
            )
        )
    return Grid(
        heads=("Limit", "Value", "Nearest to it, or worst", "Verdict", "Authority; source"),
        rows=rows,
        widths=(2.2, 1.3, 3.2, 1.3, 2.2),
        aligns=("left", "right", "left", "left", "left"),
        bold=frozenset(n for n, row in enumerate(rows) if row[3] == "EXCEEDED"),
    )


def _worst_words(subject: str, measured: str, reason: str) -> str:
    """What was measured, and why it could not be."""
    words = subject if measured == MISSING else f"{subject}: {measured}"
    return f"{words} ({reason})" if reason else words


def _two(of_stand: float, of_operable: float) -> str:
    """Shares of the stand and of the operable area."""
    return f"{show_share(of_stand)} of the stand, {show_share(of_operable)} of the operable area"


def _share(share: float) -> str:
    """A share of the stand."""
    return f"{show_share(share)} of the stand"


def _ratio(part: float, whole: float) -> float:
    """A share, 0 of nothing."""
    return part / whole if whole > 0 else 0.0


def _write(delivery: Delivery, folder: Path) -> None:
    """Write the figures to print, and as a text document to fill in."""
    from glademark.report.papers.filing_form import write_form  # noqa: PLC0415 - it prints ours

    write_filing(delivery, folder / FILING_FILE)
    write_form(delivery, folder / FORM_FILE)


DELIVERABLE = Deliverable(
    id="filing",
    title="Filing figures for the planner",
    files=(FILING_FILE, FORM_FILE),
    write=_write,
)
"""Figures with limits and sources, to print and to fill in."""
