"""The page's tables: headings and cells, each cell with what it is sorted by."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import pandas as pd

from glademark.contracts.layout import ZONE_NAMES
from glademark.report.quantities import (
    AT_LEAST,
    basal_area_unit,
    heading_unit,
    sale_decimals,
    show_number,
    shown_unit,
)
from glademark.report.review_page.cards import whole
from glademark.report.review_page.content import keyed
from glademark.report.wood import converts, left_out, opening_volumes
from glademark.report.wording import (
    WORST_FIRST,
    cut_words,
    edge_words,
    field_text,
    name_text,
    unit_text,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from glademark.contracts.layers import Units
    from glademark.report.delivery import Delivery

_WITHOUT = "Trees without a volume"


@dataclass(frozen=True, kw_only=True, slots=True)
class Heading:
    """Title of a column, and whether it holds numbers."""

    title: str
    number: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class Cell:
    """What a cell shows."""

    text: str  # as people read it
    by: float | None = None  # number that it is sorted by; None where it is sorted by its text
    key: str = ""  # of the feature on the map that it stands for; empty for none
    verdict: str = ""  # shown as such where it is one; empty for any other cell


@dataclass(frozen=True, kw_only=True, slots=True)
class Table:
    """One table."""

    id: str
    caption: str  # id and caption: name in the page, and what it shows
    headings: tuple[Heading, ...]  # one a column
    rows: tuple[tuple[Cell, ...], ...]  # cells; the first names the row
    total: tuple[Cell, ...] = ()  # row that stays at the end, or none
    note: str = ""  # what has to be said with it; may be empty


def openings_table(delivery: Delivery, verdicts: dict[object, str]) -> Table:
    """Group openings with their measures."""
    units = delivery.project.heading.units
    rows = _records(delivery, "openings")
    volumes = opening_volumes(delivery.layout)
    area, length, basal = (_in(units, unit) for unit in ("m2", "m", "basal area"))
    far = replace(length, decimals=0) if units == "us" else length
    is_told = any(field_text(row.get("why")) for row in rows)  # of a proposal
    headings = (
        Heading(title="Opening"), Heading(title="Limits", number=False),
        *([Heading(title="Why here", number=False)] if is_told else []),
        area.heading("Area"), area.heading("Combined area"), Heading(title="Trees"),
        basal.heading("Basal area"), *(_sale_heading(*product) for product in volumes),
        Heading(title=_WITHOUT),
        *(
            length.heading(title)
            for title in (
                "Nearest opening", "Length", "Width", "To boundary", "To water", "To corridor",
            )
        ),
    )  # fmt: skip
    cells = tuple(
        (
            Cell(text=_opening_name(row), by=_by(row["opening"]), key=row["key"]),
            _verdict(verdicts.get(row["opening"], "")),
            *([Cell(text=field_text(row["why"]))] if is_told else []),
            area.cell(row["area_m2"]),
            area.cell(row["combined_area_m2"]),
            Cell(text=whole(row["trees"]), by=_by(row["trees"])),
            basal.cell(row["basal_area_m2"]),
            *(_least_cell(part.loc[[row["opening"]]], unit) for (_, unit), part in volumes.items()),
            Cell(text=whole(row["trees_without"]), by=_by(row["trees_without"])),
            length.cell(row["spacing_m"], f" to {whole(row['nearest'])}"),
            *(
                far.cell(row[name])
                for name in ("length_m", "width_m", "boundary_m", "water_m", "corridor_m")
            ),
        )
        for row in rows
    )
    return Table(
        id="openings-table",
        caption="Measures of each group opening",
        headings=headings,
        rows=cells,
        note=edge_words(delivery.layout.figures.openings, delivery.project.heading.units),
    )


def _records(delivery: Delivery, layer: str) -> list[dict[Any, Any]]:
    """Features of a layer that have a shape, with their keys."""
    features = keyed(delivery.layout, layer)
    return features.drop(columns=features.geometry.name).astype(object).to_dict("records")


def _opening_name(row: dict[Any, Any]) -> str:
    """Number of an opening, with the marker's name where that says more."""
    number, group = whole(row["opening"]), field_text(row["group"])
    return number if group in {"", number} else f"{number} {group}"


def _sale_heading(product: str, unit: str) -> Heading:
    """Product with its sale unit."""
    return Heading(
        title=f"{field_text(product)}, {unit_text(heading_unit(unit)) or 'not computed'}"
    )


def _verdict(words: str) -> Cell:
    """What limits say of an opening, the worst first."""
    first = words.split(":", 1)[0].casefold().replace(" ", "_")
    if first not in WORST_FIRST:
        return Cell(text=words, by=float(len(WORST_FIRST)))
    return Cell(text=words, by=float(WORST_FIRST.index(first)), verdict=first)


def corridors_table(delivery: Delivery) -> Table:
    """Corridors with what they take."""
    units = delivery.project.heading.units
    area, length, basal, solid = (_in(units, unit) for unit in ("m2", "m", "basal area", "m3"))
    rows = tuple(
        (
            Cell(text=field_text(row["corridor"]), key=row["key"]),
            Cell(text=name_text(row["state"])),
            length.cell(row["width_m"]),
            replace(length, decimals=0).cell(row["length_m"]),
            area.cell(row["area_m2"]),
            Cell(text=whole(row["trees"]), by=_by(row["trees"])),
            basal.cell(row["basal_area_m2"]),
            Cell(text=whole(row["trees_without"]), by=_by(row["trees_without"])),
            solid.cell(row["volume_m3"]),
        )
        for row in _records(delivery, "corridors")
    )
    return Table(
        id="corridors-table",
        caption="What each corridor takes",
        headings=(
            Heading(title="Corridor", number=False), Heading(title="State", number=False),
            length.heading("Width"), length.heading("Length"), area.heading("Area"),
            Heading(title="Trees"), basal.heading("Basal area"), Heading(title=_WITHOUT),
            solid.heading("Solid volume"),
        ),
        rows=rows,
        note="Corridors may overlap: their sum can exceed the area that they take together.",
    )  # fmt: skip


def volume_table(delivery: Delivery) -> Table:
    """Trees, basal area and net volume of each product by zone, each in its sale unit."""
    units = delivery.project.heading.units
    tally = delivery.layout.volume_by_zone
    cells, by_zone = tally[tally["row"] == "cell"], tally[tally["row"] == "zone"]
    pairs = cells[["product", "volume_unit"]].drop_duplicates().sort_values(["product"])
    products = [(str(product), str(unit)) for product, unit in pairs.to_numpy(dtype=object)]
    basal, solid = _in(units, "basal area"), _in(units, "m3")
    headings = (
        Heading(title="Zone", number=False), Heading(title="Trees"), basal.heading("Basal area"),
        *(_sale_heading(*product) for product in products), Heading(title=_WITHOUT),
        solid.heading("Solid volume"),
    )  # fmt: skip
    groups = [
        (zone, located)
        for zone in ZONE_NAMES
        for located in ("located", "not_located")
        if ((cells["zone"] == zone) & (cells["located"] == located)).any()
    ]
    rows = tuple(
        (
            Cell(text=_zone_name(zone, located)),
            *_sums(
                cells[(cells["zone"] == zone) & (cells["located"] == located)],
                products,
                units,
                without=_without(by_zone[by_zone["zone"] == zone], located),
            ),
        )
        for zone, located in groups
    )
    every = _without(tally[tally["row"] == "total"], "all")
    total = (Cell(text="All"), *_sums(cells, products, units, without=every))
    return Table(
        id="volume-table",
        caption=cut_words(delivery, "Trees to cut, net volume by zone"),
        headings=headings,
        rows=rows,
        total=total,
        note="Paper tally: trees counted without a position. They are in the total and not on the "
        "map. Amounts in different sale units are never added. "
        + " ".join(f"{field_text(said)}." for said in left_out(delivery.layout.figures.volume)),
    )


def tally_table(delivery: Delivery) -> Table:
    """Trees to cut by zone, product, species and size class."""
    units = delivery.project.heading.units
    tally = delivery.layout.volume_by_zone
    cells = tally[tally["row"] == "cell"].astype(object)
    basal = _in(units, "basal area")
    rows = tuple(
        (
            Cell(text=_zone_name(row["zone"], row["located"])),
            Cell(text=field_text(row["product"])),
            Cell(text=field_text(row["species"])),
            Cell(text=field_text(row["size_class"]), by=float(class_order(row["size_class"])[0])),
            Cell(text=whole(row["trees"]), by=_by(row["trees"])),
            basal.cell(row["basal_area_m2"]),
            _number_cell(_by(row["volume_net"]), 1.0, _tally_decimals(row["volume_unit"])),
            Cell(text=unit_text(heading_unit(field_text(row["volume_unit"])))),
            Cell(text=whole(row["trees_without"]), by=_by(row["trees_without"])),
        )
        for row in cells.to_dict("records")
    )
    return Table(
        id="tally-table",
        caption=cut_words(delivery, "Trees to cut by zone, product, species and size class"),
        headings=(
            Heading(title="Zone", number=False), Heading(title="Product", number=False),
            Heading(title="Species", number=False), Heading(title="Size class", number=False),
            Heading(title="Trees"), basal.heading("Basal area"), Heading(title="Net volume"),
            Heading(title="in", number=False), Heading(title=_WITHOUT),
        ),
        rows=rows,
    )  # fmt: skip


def _tally_decimals(unit: object) -> int:
    """Decimals of a small amount: one more than of a sum, but none of a board foot."""
    decimals = sale_decimals(field_text(unit))
    return decimals + 1 if decimals else 0


def rejected_table(delivery: Delivery) -> Table:
    """Records that could not be used, and why."""
    records = delivery.survey.rejected.astype(object).to_dict("records")
    return Table(
        id="rejected-table",
        caption="Records that could not be used",
        headings=(
            Heading(title="File", number=False), Heading(title="Record"),
            Heading(title="Tree", number=False), Heading(title="Why, and the mend", number=False),
        ),
        rows=tuple(
            (
                Cell(text=field_text(row["file"])),
                Cell(text=field_text(row["record"]), by=_by(row["record"])),
                Cell(text=field_text(row["tree_id"])),
                Cell(text=field_text(row["reason"])),
            )
            for row in records
        ),
    )  # fmt: skip


def class_order(label: object) -> tuple[float, int]:
    """
    Where a size class stands among others.

    Examples
    --------
    >>> sorted(["12 to 16 in", "no diameter", "under 5 in", "9 to 12 in"], key=class_order)
    ['under 5 in', '9 to 12 in', '12 to 16 in', 'no diameter']
    """
    words = field_text(label).split()
    numbers = [float(word) for word in words if word.replace(".", "", 1).isdigit()]
    under = bool(words) and words[0] == "under"
    return (numbers[0] - 0.5 * under, int(not under)) if numbers else (math.inf, 1)


def _by(value: object) -> float | None:
    """A number to sort by."""
    if value is None or pd.isna(value):  # type: ignore[call-overload] # one value, no column
        return None
    return float(value)  # type: ignore[arg-type] # a number by its declaration


@dataclass(frozen=True, kw_only=True, slots=True)
class _Unit:
    """Unit of a column: its name, how many SI units it holds, decimals."""

    name: str
    size: float
    decimals: int

    def heading(self, title: str) -> Heading:
        """Title with the unit."""
        return Heading(title=unit_text(f"{title}, {self.name}"))

    def cell(self, value: object, behind: str = "") -> Cell:
        """A number in the unit, empty where there is none."""
        return _number_cell(_by(value), self.size, self.decimals, behind)


def _in(units: Units, unit: str) -> _Unit:
    """Unit that a column shows: of an SI unit, or of basal area."""
    name, size = basal_area_unit(units) if unit == "basal area" else shown_unit(unit, units)
    decimals = 1 if unit == "basal area" else sale_decimals(name)
    return _Unit(name=name, size=size, decimals=decimals)


def _number_cell(number: float | None, size: float, decimals: int, behind: str = "") -> Cell:
    """A number, sorted by what it is in SI."""
    if number is None:
        return Cell(text="")
    return Cell(text=f"{show_number(number / size, decimals)}{behind}", by=number)


def _zone_name(zone: object, located: object) -> str:
    """Zone, and whether its trees are on the map."""
    name = name_text(zone).capitalize()
    return f"{name}, paper tally" if located == "not_located" else name


def _without(totals: pd.DataFrame, located: str) -> float:
    """Trees without a volume in totals of the tally, of which one is located so, or one is all."""
    rows = totals[totals["located"].isin([located, "all"])]
    row = rows.assign(is_all=rows["located"] == "all").sort_values("is_all")
    return float(row["trees_without"].iloc[0]) if len(row) else 0.0


def _sums(
    cells: pd.DataFrame,
    products: Sequence[tuple[str, str]],
    units: Units,
    *,
    without: float,
) -> tuple[Cell, ...]:
    """Trees, basal area, volume by product, trees without one, solid volume."""
    mine = [
        cells[(cells["product"] == product) & (cells["volume_unit"] == unit)]
        for product, unit in products
    ]
    return (
        Cell(text=whole(_sum(cells["trees"])), by=_sum(cells["trees"])),
        _in(units, "basal area").cell(_sum(cells["basal_area_m2"])),
        *(_least_cell(part, unit) for part, (_, unit) in zip(mine, products, strict=True)),
        Cell(text=show_number(without, 0) if without else "", by=without),
        _in(units, "m3").cell(_sum(cells["volume_m3"]) if converts(cells) else None),
    )


def _least_cell(cells: pd.DataFrame, unit: str) -> Cell:
    """Net volume of one product, said to be a least where trees have none."""
    cell = _number_cell(_sum(cells["volume_net"]), 1.0, sale_decimals(unit))
    is_least = bool(cell.text) and cells["trees_without"].sum() > 0
    return replace(cell, text=f"{AT_LEAST} {cell.text}") if is_least else cell


def _sum(values: pd.Series) -> float | None:
    """Sum of what is known; None where nothing is."""
    return _by(pd.to_numeric(values).astype("float64").sum(min_count=1))
