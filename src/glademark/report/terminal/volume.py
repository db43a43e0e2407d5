"""Volume by zone and product on the terminal: zones across, products down."""

import pandas as pd
from rich import box
from rich.table import Table
from rich.text import Text

from glademark.contracts.layers import Units
from glademark.contracts.layout import ZONE_NAMES
from glademark.report.delivery import Delivery
from glademark.report.quantities import (
    basal_area_unit,
    heading_unit,
    sale_decimals,
    show_number,
    shown_unit,
)
from glademark.report.shown_text import shown_text
from glademark.report.terminal.fitted import Fitted

_ALL = "all"
_LONGEST_NAME = 22


def volume_table(delivery: Delivery) -> Fitted:
    """
    Trees, basal area and net volume of each product by zone, each in its sale unit.

    Parameters
    ----------
    delivery
        What is handed over.

    Returns
    -------
    table
        Zones with cut trees across, their sum at the end; what is not located is told apart below.
    """
    tally = delivery.layout.volume_by_zone
    cells = tally[tally["row"] == "cell"]
    zones = [zone for zone in ZONE_NAMES if (cells["zone"] == zone).any()]
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False)
    table.add_column("To cut, net")
    for zone in (*zones, _ALL):
        table.add_column(zone.replace("_", " "), justify="right", no_wrap=True)
    _add_rows(table, cells, zones, delivery.project.heading.units)
    unlocated = cells[cells["located"] == "not_located"]
    if len(unlocated):
        table.add_section()
        table.add_row(Text("of it not located (paper tally)", style="italic"))
        _add_rows(table, unlocated, zones, delivery.project.heading.units)
    return Fitted(table)


def _add_rows(table: Table, cells: pd.DataFrame, zones: list[str], units: Units) -> None:
    """Trees, basal area, then one row a product and sale unit."""
    name, size = basal_area_unit(units)
    _add_row(table, "trees", _by_zone(cells, "trees", zones), 0)
    _add_row(table, f"basal area, {name}", _by_zone(cells, "basal_area_m2", zones) / size, 1)
    for (product, unit), part in cells.groupby(["product", "volume_unit"], sort=True):
        heading = shown_text(product, longest=_LONGEST_NAME)
        unit_name = heading_unit(str(unit)) or "not computed"
        volumes = _by_zone(part, "volume_net", zones)
        _add_row(table, f"{heading}, {unit_name}", volumes, sale_decimals(str(unit)))
    if cells["volume_m3"].notna().any():
        name, size = shown_unit("m3", units)
        volumes = _by_zone(cells, "volume_m3", zones) / size
        _add_row(table, f"solid volume, {name}", volumes, sale_decimals(name))


def _by_zone(cells: pd.DataFrame, column: str, zones: list[str]) -> pd.Series:
    """Sum of a column in each zone and over all; NaN where there is nothing to add."""
    values = pd.to_numeric(cells[column]).astype("float64")
    sums = values.groupby(cells["zone"]).sum(min_count=1).reindex(zones)
    sums[_ALL] = values.sum(min_count=1)
    return sums


def _add_row(table: Table, heading: str, numbers: pd.Series, decimals: int) -> None:
    """One row of numbers."""
    table.add_row(Text(heading), *(show_number(number, decimals) for number in numbers))
