"""
The summary on the terminal: what a forester wants to know first, at a glance.

Of many stands each has one line, those with something wrong first.

Names of the sections stand in the left margin. Nothing is told by colour alone, and everything but
what the user wrote is ASCII.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from glademark.errors import counted, shown
from glademark.report.papers.printed_text import LACKING, lacks_letters, printed_names
from glademark.report.quantities import (
    MISSING,
    basal_area_unit,
    heading_unit,
    show_area,
    show_length,
    show_number,
    show_share,
)
from glademark.report.terminal.allowance import allowance_lines, uncertainty_lines, volume_table
from glademark.report.terminal.limits import (
    Fitted,
    combined_lines,
    ground_lines,
    limit_lines,
    openings_table,
)
from glademark.report.wood import (
    added,
    amount_words,
    kept_lines,
    left_out,
    ratio_lines,
    structure_rows,
)
from glademark.report.wording import (
    NOT_TO_BE_CUT,
    approval_words,
    cautions,
    edge_words,
    edition_words,
    openings_with,
    totals_with,
    unconfirmed_trees,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from pathlib import Path
    from typing import Any

    import pandas as pd

    from glademark.contracts.layers import Units
    from glademark.project.model import Heading
    from glademark.report.delivery import Delivery

_MARGIN = 12  # columns for the names of the sections
_NARROW = 60  # columns below which they stand above their sections
_MOST_NOTICES = 8
_MOST_REASONS = 6
_MOST_RECORDS = 5
_LONGEST = 400  # characters of a sentence that came from the field files

MOST_LINES = 40
"""Stands that are listed; the files hold all."""


def print_summary(delivery: Delivery, console: Console, *, files: Sequence[Path] = ()) -> None:
    """Print what was laid out: corridors, openings, volume, limits, what was rejected, cautions."""
    grid = Table.grid(padding=(0, 0))
    grid.add_column(width=_MARGIN, no_wrap=True)
    grid.add_column(ratio=1)
    grid.expand = True
    console.print(_title(delivery, console.width))
    if said := approval_words(delivery):
        console.print(Text(f"{said}\n", style="bold red"))
    for name, content in _sections(delivery, files):
        heading = Text(name, style="bold")
        if console.width < _NARROW:
            console.print(heading, Padding(Group(*content), (0, 0, 1, 2)))
        else:
            grid.add_row(heading, Padding(Group(*content), (0, 0, 1, 0)))
    if grid.rows:
        console.print(grid)


def _title(delivery: Delivery, width: int) -> Text:
    """Name of the project over a line of its own length."""
    name = f"Layout of {shown(delivery.project.heading.name)}"
    return Text(f"{name}\n{'=' * min(len(name), width)}\n", style="bold")


def _sections(
    delivery: Delivery, files: Sequence[Path]
) -> Iterable[tuple[str, Sequence[RenderableType]]]:
    """Name and content of each section that has something to say."""
    lacking = [LACKING] if lacks_letters(printed_names(delivery)) else []
    sections: tuple[tuple[str, Sequence[RenderableType]], ...] = (
        ("STAND", _stand(delivery)),
        ("LIMITS", limit_lines(delivery)),
        ("UNCERTAINTY", uncertainty_lines(delivery)),
        ("CORRIDORS", _corridors(delivery)),
        ("GROUND", ground_lines(delivery)),
        ("OPENINGS", _openings(delivery)),
        ("VOLUME", _volume(delivery)),
        ("ALLOWANCE", allowance_lines(delivery)),
        ("RESIDUAL", _residual(delivery)),
        ("MARKS", _marks(delivery)),
        ("REJECTED", _rejected(delivery.survey.rejected)),
        ("NOTICES", _notices([*lacking, *delivery.layout.notices])),
        ("CAUTION", [_bullets(cautions())]),
        ("FILES", _files(files)),
    )
    return ((name, content) for name, content in sections if content)


def _stand(delivery: Delivery) -> Sequence[RenderableType]:
    """Size of the stand."""
    units, stand = delivery.project.heading.units, delivery.layout.figures.stand
    lines = [f"{show_area(stand.area_m2, units)}, {show_area(stand.operable_m2, units)} operable"]
    if delivery.project.heading.season:
        lines.append(f"Season: {shown(delivery.project.heading.season)}")
    lines.append(edition_words(delivery))
    return [Text(line) for line in lines]


def _residual(delivery: Delivery) -> Sequence[RenderableType]:
    """The stand that stays: density before and after, what is still to be marked, who is kept."""
    units, layout = delivery.project.heading.units, delivery.layout
    lines = [
        f"{name}: {before} before, {marked} marked, {after} after"
        for name, before, marked, after in structure_rows(layout, units)
    ]
    more = ratio_lines(layout)
    if more:
        lines.append(f"Still to be marked, of the trees between: {', '.join(more)}")
    return [Text(line) for line in (*lines, *kept_lines(layout, units))]


def _corridors(delivery: Delivery) -> Sequence[RenderableType]:
    """Length, area and shares."""
    units, taken = delivery.project.heading.units, delivery.layout.figures.corridors
    if taken.length_m <= 0:
        return [Text("none")]
    length, spacing = (
        show_length(length_m, units) for length_m in (taken.length_m, taken.mean_spacing_m)
    )
    shares = _two_shares(taken.share, taken.share_operable)
    lines = [f"{length} long, {show_area(taken.area_m2, units)}: {shares}"]
    existing_m2 = max(taken.area_m2 - taken.new_m2, 0.0)
    new, existing = show_area(taken.new_m2, units), show_area(existing_m2, units)
    state = f"New {new}, existing already {existing}" if existing_m2 else "All of it new"
    lines.append(f"{state}; centre lines {spacing} apart on average")
    if taken.with_landings_m2 > taken.area_m2:
        shares = _two_shares(taken.share_with_landings, taken.share_operable_with_landings)
        lines.append(f"With landings {show_area(taken.with_landings_m2, units)}: {shares}")
    return [Text(line) for line in lines]


def _two_shares(of_stand: float, of_operable: float) -> str:
    """Shares of the stand and of the operable area, one where they are the same."""
    whole, operable = show_share(of_stand), show_share(of_operable)
    if of_stand == of_operable:
        return f"{whole} of the stand, all of it operable"
    return f"{whole} of the stand, {operable} of the operable area"


def _openings_area(delivery: Delivery) -> str:
    """Area of all openings and their share of the stand, or what of it is known."""
    units, figures = delivery.project.heading.units, delivery.layout.figures.openings
    area = delivery.layout.openings["area_m2"]
    if area.notna().all():
        return f"{show_area(figures.area_m2, units)}: {show_share(figures.share)} of the stand"
    lost = counted(int(area.isna().sum()), "walked outline")
    known = show_area(float(area.sum()), units)
    return f"at least {known}, without {lost} whose area is not known"


def _openings(delivery: Delivery) -> Sequence[RenderableType]:
    """The group openings one by one, holes joined by corridors, and incidental openings."""
    units, figures = delivery.project.heading.units, delivery.layout.figures.openings
    if figures.count == 0:
        lines: list[RenderableType] = [Text("none")]
    else:
        lines = [
            Text(
                f"{counted(figures.count, 'group opening')}, {_openings_area(delivery)}. "
                f"{edge_words(figures, units)}"
            ),
            openings_table(delivery),
            *combined_lines(delivery),
        ]
    if with_them := openings_with(delivery):
        lines.append(Text(f"With the {unconfirmed_trees(delivery.layout.figures)}: {with_them}"))
    if figures.incidental_count:
        incidental = counted(figures.incidental_count, "incidental opening")
        lines.append(
            Text(
                f"Besides {incidental}, {show_area(figures.incidental_area_m2, units)}: "
                "crowns that touch."
            )
        )
    return lines


def _volume(delivery: Delivery) -> Sequence[RenderableType]:
    """Volume by zone and product, and where it comes from."""
    figures = delivery.layout.figures.volume
    lines: list[RenderableType] = [volume_table(delivery)]
    for name, product in figures.by_product.items():
        if product.rule:
            lines.append(Text(f"{shown(name)} scaled by {shown(product.rule)}"))
    if with_them := totals_with(delivery.layout.figures, delivery.project.heading.units):
        lines.append(Text(f"With the {unconfirmed_trees(delivery.layout.figures)}: {with_them}"))
    lines += [Text(shown(said, longest=_LONGEST)) for said in left_out(figures)]
    if figures.sources:
        sources = "; ".join(shown(source, longest=_LONGEST) for source in figures.sources)
        lines.append(Text(f"Volumes from: {sources}"))
    return lines


def _marks(delivery: Delivery) -> Sequence[RenderableType]:
    """Records, trees, and paint that disagrees with the position."""
    figures = delivery.layout.figures.marks
    used, rejected = show_number(figures.used, 0), show_number(figures.rejected, 0)
    lines = [f"{counted(figures.read, 'record')} read, {used} used, {rejected} rejected"]
    on_paper = show_number(figures.not_located, 0)
    lines.append(
        f"{counted(figures.trees, 'tree')} to cut on the map, {on_paper} more from the paper tally"
    )
    if figures.without_dbh:
        lines.append(
            f"{counted(figures.without_dbh, 'tree')} to cut without a diameter: counted, in no "
            "basal area and in no volume by size"
        )
    if figures.paint_disagrees:
        lines.append(
            f"{counted(figures.paint_disagrees, 'tree')} {_be(figures.paint_disagrees)} plotted "
            f"in another zone than the paint says; position error alone would make about "
            f"{show_number(figures.paint_disagrees_expected, 0)}"
        )
    if figures.paint_disagrees_listed:
        lines.append(
            f"CHECK {counted(figures.paint_disagrees_listed, 'tree')} too far off the line for "
            "that: layer marks, zone_located against zone_painted"
        )
    return [Text(line) for line in (*lines, *_special_trees(delivery))]


def _special_trees(delivery: Delivery) -> Iterable[str]:
    """Unconfirmed, line, danger and leave trees."""
    figures = delivery.layout.figures.marks
    if unconfirmed := unconfirmed_trees(delivery.layout.figures):
        yield f"UNCONFIRMED: {unconfirmed}, without listed paint: {NOT_TO_BE_CUT}"
    name, size = basal_area_unit(delivery.project.heading.units)
    if figures.line_trees:
        basal_area = show_number(figures.line_trees_basal_area_m2 / size, 1)
        yield (
            f"{counted(figures.line_trees, 'line tree')} ({basal_area} {name} basal area), "
            "tallied apart: co-owned, not to be cut before the owners agree"
        )
    if figures.danger_trees:
        yield f"DANGER: {counted(figures.danger_trees, 'danger tree')}; show the crew before work"
    if figures.leave_trees:
        yield f"{counted(figures.leave_trees, 'leave tree')} {_be(figures.leave_trees)} to stay"


def _rejected(records: pd.DataFrame) -> Sequence[RenderableType]:
    """How many records could not be used, and why."""
    if records.empty:
        return []
    number, own = records["record"].astype(str), records["tree_id"].astype(str)
    called = number.where(own == "", number + " (" + own + ")")
    groups = called.groupby([records["file"], records["reason"]], sort=False).agg(list)
    first = groups.head(_MOST_REASONS)
    lines = [
        f"{shown(file)}, {_listed(numbers)}: {shown(reason, longest=_LONGEST)}"
        for (file, reason), numbers in zip(first.index.tolist(), first, strict=True)
    ]
    if len(groups) > len(first):
        lines.append(f"and {counted(len(groups) - len(first), 'reason')} more")
    return [
        Text(f"{counted(len(records), 'record')} could not be used:"),
        _bullets(lines),
        Text("All of them: table rejected in layout.gpkg"),
    ]


def _listed(records: Sequence[object]) -> str:
    """Numbers of records, the first few of many."""
    first = ", ".join(shown(record) for record in records[:_MOST_RECORDS])
    more = len(records) - _MOST_RECORDS
    word = "record" if len(records) == 1 else "records"
    return f"{word} {first}" if more <= 0 else f"{word} {first} and {more} more"


def _notices(notices: Sequence[str]) -> Sequence[RenderableType]:
    """What may surprise."""
    lines = [shown(notice, longest=_LONGEST) for notice in notices[:_MOST_NOTICES]]
    if len(notices) > _MOST_NOTICES:
        lines.append(f"and {len(notices) - _MOST_NOTICES} more in summary.json")
    return [_bullets(lines)] if lines else []


def _bullets(lines: Sequence[str]) -> Table:
    """Lines behind dashes, what is wrapped standing under its beginning."""
    table = Table.grid(padding=(0, 1))
    for line in lines:
        table.add_row("-", Text(line))
    return table


def _files(files: Sequence[Path]) -> Sequence[RenderableType]:
    """Where the results are."""
    if not files:
        return []
    names = ", ".join(path.name for path in files)
    return [Text(shown(files[0].parent, longest=_LONGEST)), Text(names)]


def _be(number: int) -> str:
    """The verb to a number."""
    return "is" if number == 1 else "are"


def print_stands(
    rows: Sequence[Mapping[str, Any]],
    console: Console,
    *,
    heading: Heading,
    files: Sequence[Path],
) -> None:
    """Print what a run over many stands gave."""
    done = [row for row in rows if row["outcome"] == "laid_out"]
    broken = sum(row["exceeded"] > 0 for row in done)
    console.print(Text(shown(heading.name)), style="bold")
    console.print(
        Text(
            f"{len(done):,} of {len(rows):,} stands laid out, {broken:,} of them with a limit "
            "exceeded"
        )
    )
    unconfirmed = [row["unconfirmed"] for row in done if row.get("unconfirmed")]
    if unconfirmed:
        console.print(
            Text(
                f"UNCONFIRMED: {counted(sum(unconfirmed), 'tree')} without listed paint in "
                f"{counted(len(unconfirmed), 'stand')}: {NOT_TO_BE_CUT}"
            )
        )
    ordered = sorted(rows, key=_worst_first)
    console.print(Fitted(_table(ordered[:MOST_LINES], heading.units)))
    volumes = added([row.get("by_product", {}) for row in done])
    if volumes:
        console.print(Text("To cut, net"), style="bold")
        console.print(Fitted(_volumes(ordered[:MOST_LINES], volumes)))
        for line in _left_out(volumes):
            console.print(Text(line))
    if len(rows) > MOST_LINES:
        console.print(Text(f"{len(rows) - MOST_LINES:,} more stands are in the files"))
    for row in ordered[:MOST_LINES]:
        if row["outcome"] == "refused":
            console.print(Text(f"{shown(str(row['stand_id']))}: {shown(row['reason'])}"))
    for caution in cautions():
        console.print(Text(caution))
    for path in files:
        console.print(Text(str(path)))


def _worst_first(row: Mapping[str, Any]) -> tuple[int, int]:
    """Order of the list; equal ones keep the order of the file."""
    if row["outcome"] == "refused":
        return 0, 0
    return (1, -row["exceeded"]) if row["exceeded"] else (2, -row["near"])


def _table(rows: Sequence[Mapping[str, Any]], units: Units) -> Table:
    """One line a stand."""
    table = Table(box=None, pad_edge=False)
    table.add_column("Stand")
    for title in ("Area", "Corridors", "Openings", "Largest", "Trees"):
        table.add_column(title, justify="right")
    table.add_column("Limits")
    for row in rows:
        if row["outcome"] == "refused":
            table.add_row(Text(shown(str(row["stand_id"]))), *[""] * 5, Text("REFUSED"))
            continue
        largest = row["largest_opening_m2"]
        table.add_row(
            Text(shown(str(row["stand_id"]))),
            show_area(row["area_m2"], units),
            show_share(row["corridor_share"]),
            show_number(row["openings"], 0),
            "" if largest is None else show_area(largest, units),
            show_number(row["trees"], 0),
            Text(_limits(row)),
        )
    return table


def _volumes(rows: Sequence[Mapping[str, Any]], volumes: Mapping[str, Mapping[str, Any]]) -> Table:
    """Net volume by product of each stand that was laid out, and of all stands."""
    table = Table(box=None, pad_edge=False)
    table.add_column("Stand")
    for name, every in volumes.items():
        unit = heading_unit(every["unit"])
        title = name if unit in ("", name.rsplit(", ", 1)[-1]) else f"{name}, {unit}"
        table.add_column(Text(shown(title)), justify="right")
    done = [row for row in rows if row["outcome"] == "laid_out"]
    for row in done:
        alone = added([row.get("by_product", {})])
        cells = [_amount(_of_product(alone, name, every)) for name, every in volumes.items()]
        table.add_row(Text(shown(str(row["stand_id"]))), *cells)
    table.add_row("all stands", *(_amount(every) for every in volumes.values()), style="bold")
    return table


def _of_product(
    alone: Mapping[str, Mapping[str, Any]], name: str, every: Mapping[str, Any]
) -> Mapping[str, Any] | None:
    """Figures of a stand for a column of the table; None where it has none of that."""
    unit = heading_unit(every["unit"]) or "not computed"
    one = alone.get(name) or alone.get(name.removesuffix(f", {unit}"))
    return one if one is not None and one["unit"] == every["unit"] else None


def _amount(one: Mapping[str, Any] | None) -> str:
    """Net volume, a least where trees have none."""
    if one is None:
        return MISSING
    return amount_words(one["net"], one["unit"], one["trees_without"] + one["parts_without"])


def _left_out(volumes: Mapping[str, Mapping[str, Any]]) -> list[str]:
    """Trees of all stands that the volumes leave out."""
    return [
        f"{shown(name)}: {one['trees_without']:,} of {one['trees']:,} trees without a volume"
        for name, one in volumes.items()
        if one["trees_without"]
    ]


def _limits(row: Mapping[str, Any]) -> str:
    """Verdicts of a stand in few words."""
    words = {"exceeded": "EXCEEDED", "near": "near", "not_checked": "not checked"}
    said = [f"{row[verdict]} {word}" for verdict, word in words.items() if row[verdict]]
    return ", ".join(said) or ("met" if row["met"] else "none asked")
