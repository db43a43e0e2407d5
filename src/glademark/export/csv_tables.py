"""
Tables as CSV: UTF-8 with a byte order mark, commas, line feeds, quoted text, plain numbers.

A text that a spreadsheet would take for a formula gets an apostrophe in front; take it away to
have the text as it was recorded.
"""

import csv
import io
import re
from codecs import BOM_UTF8
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from glademark.contracts.layers import LAYERS, MARKS, Layer
from glademark.contracts.measured_layers import OPENINGS as OPENINGS_LAYER
from glademark.contracts.result_tables import VOLUME_BY_ZONE as VOLUME_LAYER
from glademark.errors import OutputError
from glademark.report.columns import CHECKS_SHOWN, with_shown_units, written_frame
from glademark.report.delivery import Deliverable, Delivery
from glademark.report.wood_by_zone import opening_volumes
from glademark.report.workbook import unlike

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\N{FULLWIDTH EQUALS SIGN}",
                  "\N{FULLWIDTH PLUS SIGN}", "\N{FULLWIDTH HYPHEN-MINUS}",
                  "\N{FULLWIDTH COMMERCIAL AT}")  # fmt: skip
"""First characters that make a spreadsheet take a text for a formula."""


def csv_text(table: pd.DataFrame) -> str:
    """
    A table as CSV.

    Examples
    --------
    >>> table = pd.DataFrame({"name": pd.array(["=1+1"], dtype="string"), "area_m2": [0.1]})
    >>> print(csv_text(table), end="")
    "name","area_m2"
    "'=1+1",0.1
    """
    header = ",".join(_quoted(str(name)) for name in table.columns)
    cells = [_cells(values) for _, values in table.items()]
    lines = [header, *map(",".join, zip(*cells, strict=True))]
    return "\n".join(lines) + "\n"


def _cells(values: pd.Series) -> list[str]:
    """Every value of a column as it stands in the file."""
    kinds, known = pd.api.types, values.notna().to_numpy()
    if kinds.is_float_dtype(values.dtype):
        numbers = values.to_numpy(dtype="float64", na_value=np.nan)
    elif kinds.is_bool_dtype(values.dtype) or kinds.is_integer_dtype(values.dtype):
        numbers = values.to_numpy(dtype="int64", na_value=0)
    else:
        codes, texts = pd.factorize(values.to_numpy(dtype=object, na_value=""))
        quoted = [_quoted(text) if isinstance(text, str) else "" for text in texts.tolist()]
        return [quoted[code] for code in codes.tolist()]
    cells = np.full(len(values), "", dtype=object)
    cells[known] = [repr(number) for number in numbers[known].tolist()]
    return list(cells.tolist())


def _quoted(text: str) -> str:
    """A text in quotes that no spreadsheet runs."""
    guarded = f"'{text}" if text.startswith(FORMULA_STARTS) else text
    doubled = guarded.replace('"', '""')
    return f'"{doubled}"' if doubled else ""


def write_csv(table: pd.DataFrame, path: Path) -> None:
    """Write a table as CSV and count its rows again."""
    path.write_bytes(BOM_UTF8 + csv_text(table).encode("utf-8", "replace"))
    text = path.read_bytes().decode("utf-8-sig")
    rows = sum(1 for _ in csv.reader(io.StringIO(text, newline=""), strict=True)) - 1
    if rows != len(table):
        msg = f"{path.name} holds {rows} rows; expected {len(table)}. Check the disk and run again"
        raise OutputError(msg)


def write_layer(frame: pd.DataFrame, layer: Layer, delivery: Delivery, folder: Path) -> None:
    """Write one layer's columns as the CSV of its name."""
    table = written_frame(frame, layer, delivery.project.heading.units)
    write_csv(table, folder / f"{layer.name}.csv")


def _write_volume_by_zone(delivery: Delivery, folder: Path) -> None:
    """Write ``volume_by_zone.csv``."""
    write_layer(delivery.layout.volume_by_zone, VOLUME_LAYER, delivery, folder)


def _write_checks(delivery: Delivery, folder: Path) -> None:
    """Write ``checks.csv``."""
    shown = with_shown_units(delivery.checks, delivery.project.heading.units)
    write_layer(shown, CHECKS_SHOWN, delivery, folder)


def _write_openings(delivery: Delivery, folder: Path) -> None:
    """Write ``openings.csv``."""
    openings, units = delivery.layout.openings, delivery.project.heading.units
    table = written_frame(openings, OPENINGS_LAYER, units)
    more = {
        (name, *key): part[name].astype("float64" if name == "volume_net" else "Int64").to_numpy()
        for key, part in opening_volumes(delivery.layout).items()
        for name in ("volume_net", "trees_without")
        if part["trees_without"].any() or name == "volume_net"
    }
    names = unlike([_plain("_".join(key)).replace("volume_net", "volume") for key in more])
    columns = dict(zip(names, more.values(), strict=True))
    write_csv(table.assign(**columns), folder / f"{OPENINGS_LAYER.name}.csv")


def _plain(words: str) -> str:
    """A name of a column, of letters and digits."""
    return re.sub(r"\W+", "_", words).strip("_").casefold()


def _write_table(name: str, delivery: Delivery, folder: Path) -> None:
    """Write a layer or table of the layout under its name."""
    write_layer(getattr(delivery.layout, name), LAYERS[name], delivery, folder)


def _has_rows(name: str, delivery: Delivery) -> bool:
    """Whether a layer or table of the layout has any rows."""
    return bool(len(getattr(delivery.layout, name)))


def _if_any(name: str) -> Deliverable:
    """A table that is written only where it has rows."""
    return Deliverable(
        id=name,
        title=LAYERS[name].title,
        files=(f"{name}.csv",),
        write=partial(_write_table, name),
        wanted=partial(_has_rows, name),
    )


ALLOWANCE = _if_any("allowance")
"""Allowable removal, marked and remaining, quantity by quantity."""

CRUISE_PLOTS = _if_any("cruise_plots")
"""What each plot of the cruise says."""

STOCK_BY_CLASS = _if_any("stock_by_class")
"""Standing, marked and residual trees by size class."""

VOLUME_BY_ZONE = Deliverable(
    id="volume_by_zone",
    title=VOLUME_LAYER.title,
    files=("volume_by_zone.csv",),
    write=_write_volume_by_zone,
)
"""The tally by zone, product, species and size class."""

CHECKS = Deliverable(
    id="checks", title=CHECKS_SHOWN.title, files=("checks.csv",), write=_write_checks
)
"""Every thing that was held against a limit."""

OPENINGS = Deliverable(
    id="openings", title=OPENINGS_LAYER.title, files=("openings.csv",), write=_write_openings
)
"""The group openings with all their measures."""


BEYOND_REACH_LAYER = "beyond_reach"
"""Name of the table of marks beyond the machine's reach."""


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


CORRIDOR_GRADES = _if_any("corridor_grades")
"""Corridors piece by piece with their grades."""

EXTRACTION = _if_any("extraction")
"""Stretches of corridor with the wood that passes over them."""

WATER_CROSSINGS = _if_any("water_crossings")
"""Crossings of water and setbacks."""

RESIDUAL_BY_CLASS = _if_any("residual_by_class")
"""The stand before, marked and after, by size class and species."""

MARKING_RATIO = _if_any("marking_ratio")
"""Trees still to be marked by size class."""

REMOVALS_BY_REASON = _if_any("removals_by_reason")
"""Marked trees by reason, zone and product."""

RETENTION = _if_any("retention")
"""Retained trees by what they are kept for."""

CROP_TREES = _if_any("crop_trees")
"""Crop trees with the sides of their crowns."""

REGENERATION = _if_any("regeneration")
"""Patches of young growth."""

EXPOSED_EDGES = _if_any("exposed_edges")
"""Trees at new edges that are worth a look."""

BEYOND_REACH = Deliverable(
    id=BEYOND_REACH_LAYER,
    title="Marks beyond reach",
    files=(f"{BEYOND_REACH_LAYER}.csv",),
    write=_write_beyond_reach,
    wanted=_is_any_beyond,
)
"""Cut marks that the machine does not reach from a corridor."""
