"""Volume by zone and product on the terminal: zones across, products down."""

import pandas as pd
from rich import box
from rich.table import Table
from rich.text import Text

from glademark.contracts.layers import Units
from glademark.contracts.layout import ZONE_NAMES
from glademark.report.delivery import Delivery
from glademark.report.quantities import show_number
from glademark.report.shown_text import shown_text
from glademark.report.terminal.fitted import Fitted
from glademark.report.wood_by_zone import ALL, wood_rows

_LONGEST_NAME = 24


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
    for zone in (*zones, ALL):
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
    for row in wood_rows(cells, zones, units):
        parts = (shown_text(row.title, longest=_LONGEST_NAME), row.before, row.unit)
        heading = ", ".join(part for part in parts if part)
        numbers = (show_number(number, row.decimals) for number in row.numbers)
        table.add_row(Text(heading), *numbers)
