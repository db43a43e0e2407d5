"""Tables of the ground as CSV, each only where there is something in it."""

from dataclasses import replace
from functools import partial
from pathlib import Path

import pandas as pd

from glademark.contracts.layers import LAYERS, MARKS
from glademark.export.csv_tables import write_layer
from glademark.report.delivery import Deliverable, Delivery

BEYOND_REACH_LAYER = "beyond_reach"
"""Name of the table of marks beyond the machine's reach."""


def _write(name: str, delivery: Delivery, folder: Path) -> None:
    """Write one layer of the ground."""
    write_layer(getattr(delivery.layout, name), LAYERS[name], delivery, folder)


def _has_rows(name: str, delivery: Delivery) -> bool:
    """Whether a layer has any rows."""
    return bool(len(getattr(delivery.layout, name)))


def _write_beyond_reach(delivery: Delivery, folder: Path) -> None:
    """Write the cut marks that the machine does not reach, the farthest first."""
    marks = delivery.layout.marks
    beyond = marks[_beyond(delivery)].sort_values("reach_m", ascending=False)
    write_layer(beyond, replace(MARKS, name=BEYOND_REACH_LAYER), delivery, folder)


def _is_any_beyond(delivery: Delivery) -> bool:
    """Whether the machine's reach is stated and a cut mark is beyond it."""
    return "within_reach" in delivery.layout.marks and bool(_beyond(delivery).any())


def _beyond(delivery: Delivery) -> pd.Series:
    """Cut marks beyond reach."""
    marks = delivery.layout.marks
    kinds = ["cut", "line_tree"] if delivery.project.marks.line_trees_confirmed else ["cut"]
    return marks["kind"].isin(kinds) & ~marks["within_reach"].astype(bool)


def _layer_table(name: str) -> Deliverable:
    """A layer of the ground as a table of its own."""
    return Deliverable(
        id=name,
        title=LAYERS[name].title,
        files=(f"{name}.csv",),
        write=partial(_write, name),
        wanted=partial(_has_rows, name),
    )


CORRIDOR_GRADES = _layer_table("corridor_grades")
"""Corridors piece by piece with their grades."""

EXTRACTION = _layer_table("extraction")
"""Stretches of corridor with the wood that passes over them."""

WATER_CROSSINGS = _layer_table("water_crossings")
"""Crossings of water and setbacks."""

BEYOND_REACH = Deliverable(
    id=BEYOND_REACH_LAYER,
    title="Marks beyond reach",
    files=(f"{BEYOND_REACH_LAYER}.csv",),
    write=_write_beyond_reach,
    wanted=_is_any_beyond,
)
"""Cut marks that the machine does not reach from a corridor."""
